"""A small invented vehicle on a CAN bus, and a configuration that reads it, for tests with a daemon of its own."""

from __future__ import annotations

import struct
import sys
import threading
import time
from pathlib import Path

from support.daemon import Process

__all__ = [
    "DBC",
    "RULES",
    "SIGNALS",
    "TESTS",
    "Vehicle",
    "frames",
    "socketcand_hub",
    "socketcand_source",
    "write_config",
]

TESTS = Path(__file__).parents[1]

DBC = """VERSION ""
BU_: Vehicle
BO_ 256 EngineBox: 8 Vehicle
 SG_ Rpm : 0|16@1+ (0.25,0) [0|8000] "rpm" Vector__XXX
 SG_ Egt1 : 16|16@1+ (0.25,-50) [-50|1200] "degC" Vector__XXX
 SG_ Coolant : 39|8@0+ (1,-40) [-40|210] "degC" Vector__XXX
BO_ 2566845952 Extra: 8 Vehicle
 SG_ Map : 0|16@1+ (0.1,0) [0|500] "kPa" Vector__XXX
"""

SIGNALS = """tick_hz = 20
[source.bus]
kind = "can"
{source}
dbc = "test.dbc"
[signal.rpm]
unit = "rpm"
range = [0, 8000]
max_age_s = 0.5
from = {{ source = "bus", message = "EngineBox", field = "Rpm" }}
[signal.egt]
unit = "degC"
range = [-40, 1100]
location = "pre-turbine"
per_unit = 4
max_age_s = 0.5
required = true
from = {{ source = "bus", message = "EngineBox", field = "Egt1" }}
[signal.map]
unit = "kPa"
range = [10, 400]
max_age_s = 0.5
from = {{ source = "bus", message = "Extra", field = "Map" }}
"""

RULES = """[[rule]]
name = "egt-high"
kind = "threshold"
signal = "egt"
above = 720
deadband = 25
on_delay_s = 0.5
off_delay_s = 0.5
action = "ease"
say = "Exhaust too hot: ease off"
when = [{ signal = "rpm", above = 1200, deadband = 100 }]

[[rule]]
name = "boost-high"
kind = "threshold"
signal = "map"
above = { over = "rpm", points = [[1000, 150], [3000, 250]] }
deadband = 5
on_delay_s = 0.2
off_delay_s = 0.2
action = "note"
say = "Boost above its curve"
"""

DAEMON = """[drive]
signal = "rpm"
above = 300
hold_s = {hold_s}
[log]
free_mb = 10
[web]
host = "127.0.0.1"
port = {port}
"""


def frames(rpm: float, egt: float, map_kpa: float) -> list[str]:
    """One round of the vehicle's frames, as candump lines."""
    engine = struct.pack("<HHBBH", round(rpm * 4), round((egt + 50) * 4), 130, 0, 0)
    extra = struct.pack("<H6x", round(map_kpa * 10))
    return [f"(0.0) bus 100#{engine.hex()}", f"(0.0) bus 18FEF600#{extra.hex()}"]


class Vehicle:
    """Plays phases of a drive to the peer, 50 rounds a second."""

    def __init__(self, peer: Process) -> None:
        self._peer = peer
        self._pause = threading.Event()

    def drive(self, seconds: float, rpm: float, egt: float, map_kpa: float = 120) -> None:
        """Hold these values for so long."""
        due = time.monotonic()
        for _ in range(round(seconds * 50)):
            for line in frames(rpm, egt, map_kpa):
                self._peer.say(line)
            due += 0.02
            self._pause.wait(max(due - time.monotonic(), 0))


def write_config(
    folder: Path,
    source: str,
    *,
    hold_s: float = 2,
    port: int = 0,
    signals: str = SIGNALS,
    rules: str = RULES,
    dbc: str = DBC,
) -> Path:
    """A configuration with that source in `folder`; the other texts can be replaced."""
    folder.mkdir(exist_ok=True)
    (folder / "signals.toml").write_text(signals.format(source=source), encoding="utf-8")
    (folder / "rules.toml").write_text(rules, encoding="utf-8")
    (folder / "daemon.toml").write_text(DAEMON.format(hold_s=hold_s, port=port), encoding="utf-8")
    (folder / "test.dbc").write_text(dbc, encoding="utf-8")
    return folder


def socketcand_source(port: int) -> str:
    """The source's lines for the bus that `support.socketcand_hub` serves on that port of loopback."""
    return f'interface = "socketcand"\nchannel = "bus"\noptions = {{ host = "127.0.0.1", port = {port} }}'


def socketcand_hub(frames: Path | str = "-", *more: str) -> Process:
    """The bus as a process of its own; ``listening PORT`` is the first that it says."""
    module = ["support.socketcand_hub", "--frames", str(frames), *more]
    return Process([sys.executable, "-m", *module], stream="stdout", cwd=TESTS, stdin=frames == "-")
