"""A small field check on the invented vehicle of a bus, for tests with a daemon of its own: over in some seconds."""

from __future__ import annotations

from pathlib import Path

from support.bus_vehicle import Vehicle, socketcand_source, write_config

__all__ = ["CHECKED", "drive_it", "write_check"]

FIELDCHECK = """
title = "small check on a bus (invented)"
cautions = ["Two people: one drives, one reads.", "Closed road."]

[step.key-on]
part = "cold"
title = "Key on, engine off"
do = "Switch on, don't start."
say = "Key on"
waits_for = [{ signal = "rpm", below = 50 }]
for_s = 1
[step.key-on.measure.egt]
title = "EGT at rest"
signal = "egt"
take = "mean"
low = 10
high = 60
reason = "nothing burns"
source = "common practice"

[step.idle]
part = "cold"
title = "Idle"
do = "Start it, let it idle."
say = "Idle"
after = ["key-on"]
waits_for = [{ signal = "rpm", above = 600 }, { signal = "rpm", below = 900 }]
for_s = 2
[step.idle.measure.speed]
title = "idle speed"
signal = "rpm"
take = "mean"
low = 700
high = 850
reason = "as the sheet says"
source = "common practice"

[step.pull]
part = "hot"
title = "Loaded pull"
do = "Full pedal."
say = "Pull"
moving = true
after = ["idle"]
waits_for = [{ signal = "rpm", above = 2000 }]
span = "while"
for_s = 1
[step.pull.measure.egt]
title = "highest EGT"
signal = "egt"
take = "maximum"
high = 700
reason = "the maker's rating"
source = "build sheet"
[step.pull.measure.map]
title = "peak manifold pressure"
signal = "map"
take = "maximum"
low = 200
high = 260
reason = "as the tune expects"
source = "common practice"
"""
CHECKED = ("key-on", "idle", "pull")


def write_check(folder: Path, hub_port: int, *, page: int = 0, hold_s: float = 60) -> Path:
    """A configuration of that check in `folder`, on the bus at that port; the page on a port of its own."""
    write_config(folder, socketcand_source(hub_port), hold_s=hold_s, port=page)
    daemon = folder / "daemon.toml"
    daemon.write_text(daemon.read_text(encoding="utf-8").replace("above = 300", "above = -1"), encoding="utf-8")
    (folder / "fieldcheck.toml").write_text(FIELDCHECK, encoding="utf-8")
    return folder


def drive_it(vehicle: Vehicle, *, hottest: float = 650.0, off_s: float = 2.0) -> None:
    """Key on, idle, a pull, idle again; some ten seconds."""
    vehicle.drive(off_s, 0, 25, 98)
    vehicle.drive(3.0, 780, 180, 100)
    for i in range(10):
        vehicle.drive(0.2, 2100 + 100 * i, 400 + (hottest - 400) * i / 9, 180 + 5 * i)
    vehicle.drive(1.5, 780, 300, 100)
