"""The checked configuration, frozen: what every other room reads instead of TOML."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from uphaul.analysis.field_check import FieldCheck
from uphaul.derive.spec import Computed
from uphaul.rules import Rule
from uphaul.signals import Signal
from uphaul.signals.calibration import Point
from uphaul.signals.pulse import PulseWheel
from uphaul.signals.transfer import ProbeGuard, Transfer
from uphaul.signals.tune import TuneReading
from uphaul.vehicle import Vehicle

__all__ = [
    "Accuracy",
    "AdcSpec",
    "Calibration",
    "CanSpec",
    "Config",
    "DemoSpec",
    "DriveFileSpec",
    "DriveSpec",
    "GpsSpec",
    "Input",
    "LogSpec",
    "MqttSpec",
    "ObdSpec",
    "PanelSpec",
    "PulseSpec",
    "SourceSpec",
    "TuneInput",
    "WebSpec",
    "Wiring",
]


@dataclass(frozen=True, slots=True)
class CanSpec:
    """A CAN bus read through python-can. `dbc` holds (file name, text) pairs, read when the config was loaded.

    `silent_after_s`: a bus without one frame for so long is reopened. `options` go to the interface as they are.
    `protocol` is ``plain`` or ``j1939``; the latter listens to `source_addresses` only, None for all.
    """

    name: str
    interface: str
    channel: str
    bitrate: int | None = None
    dbc: tuple[tuple[str, str], ...] = ()
    listen_only: bool = True
    silent_after_s: float = 2.0
    options: tuple[tuple[str, str | int | float | bool], ...] = ()
    protocol: str = "plain"
    source_addresses: tuple[int, ...] | None = (0,)
    kind: str = "can"


@dataclass(frozen=True, slots=True)
class DemoSpec:
    """The invented vehicle, driven by a scenario (a name under replays/ or a file), deterministic from `seed`."""

    name: str
    scenario: str
    seed: int = 1
    start_s: float = 0.0
    kind: str = "demo"


@dataclass(frozen=True, slots=True)
class DriveFileSpec:
    """A log or CSV played as a live source, `drive` None for the last one."""

    name: str
    path: str
    drive: int | None = None
    kind: str = "drive-file"


@dataclass(frozen=True, slots=True)
class ObdSpec:
    """An OBD adapter that python-OBD talks to in a process of its own.

    `port` is anything pyserial opens. `baud` and `protocol` (the adapter's number, "1" to "A") None: found
    out by asking.
    `silent_after_s`: without a word from the vehicle for so long everything is started anew.
    """

    name: str
    port: str
    baud: int | None = None
    protocol: str | None = None
    silent_after_s: float = 5.0
    kind: str = "obd"


@dataclass(frozen=True, slots=True)
class AdcSpec:
    """A converter that a driver of the kernel shows in `folder`.

    Exactly one of `i2c` (address on I2C bus `bus`, any bus if None), `spi` (bus and chip select: ``0.1``) and `label`.
    `divider` has the volts at the wire for one at the converter, by channel; 1 where it has none.
    """

    name: str
    i2c: int | None = None
    bus: int | None = None
    spi: str | None = None
    label: str | None = None
    rate_hz: float = 20.0
    oversample: int = 1
    divider: tuple[tuple[str, float], ...] = ()
    folder: str = "/sys/bus/iio/devices"
    kind: str = "adc"


@dataclass(frozen=True, slots=True)
class PulseSpec:
    """Pulses of `wheel` on the `line` (number or name) of a GPIO `chip`, or counted by the kernel.

    `counter` is ``DEVICE/COUNT`` in `folder`, the device by its folder or its name; empty: the line is read. A speed is
    told every `every_ms`, with a counter as the mean over `gate_ms`.
    """

    name: str
    wheel: PulseWheel
    chip: str = ""
    line: int | str = 0
    edge: str = "rising"
    bias: str = "as-is"
    counter: str = ""
    folder: str = "/sys/bus/counter/devices"
    every_ms: int = 50
    gate_ms: int = 500
    kind: str = "pulse"


@dataclass(frozen=True, slots=True)
class GpsSpec:
    """A satellite receiver behind gpsd at `host` and `port`; `device` None takes all receivers that gpsd has.

    `silent_after_s`: without a report for so long the connection is made anew.
    """

    name: str
    host: str = "127.0.0.1"
    port: int = 2947
    device: str | None = None
    silent_after_s: float = 30.0
    kind: str = "gps"


SourceSpec = CanSpec | DemoSpec | DriveFileSpec | ObdSpec | AdcSpec | PulseSpec | GpsSpec


@dataclass(frozen=True, slots=True)
class Wiring:
    """What hangs on a converter's channel: the sensor by its name, its description, the channel measured beside it.

    `guard` watches a probe whose wire may break. `every` is how many rounds of the source go by from one reading to
    the next.
    """

    name: str
    sensor: Transfer
    beside: str | None = None
    guard: ProbeGuard | None = None
    every: int = 1


@dataclass(frozen=True, slots=True)
class Input:
    """Where a measured signal comes from: value = reading * factor + offset in the signal's unit.

    For CAN, `message` and `field` name the DBC's message and signal; for demo, drive file and gps `field` names the
    channel and `message` is empty; for pulse `field` is ``rpm``; for OBD `message` is the parameter as ``0x0C``,
    `field` a field of its answer, and `every_s` how often it is asked for. For kind adc `field` is the channel, and the
    reading is what the sensor of `wiring` makes of it.
    """

    signal: str
    source: str
    message: str
    field: str
    factor: float = 1.0
    offset: float = 0.0
    every_s: float | None = None
    wiring: Wiring | None = None

    @property
    def place(self) -> str:
        """Where in its source it is found, in words: ``message.field``, or the channel."""
        return f"{self.message}.{self.field}" if self.message else self.field


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Of one signal, in its unit: standard uncertainty of a reading, a reading typical of load, and a usual one on a
    level road, from which room to a limit is measured. None: not told.
    """

    signal: str
    uncertainty: float | None = None
    typical: float | None = None
    usual: float | None = None


@dataclass(frozen=True, slots=True)
class Calibration:
    """A calibration in force: value = reading * factor + offset in `unit`, after everything that `Input` had before.

    `input` says in words what it was made on, `date` is ISO 8601, `instrument` told the references.
    """

    signal: str
    unit: str
    input: str
    date: str
    by: str
    instrument: str
    low: Point
    high: Point
    factor: float
    offset: float


@dataclass(frozen=True, slots=True)
class TuneInput:
    """Which calibration is active: the values of `signal` (rounded to whole numbers), or bands of it, by tune name.

    Without one the tune comes from a person's event alone. A value outside all of them is an unknown tune. `bands` are
    (tune, lowest, highest) in the signal's unit. What a value means must stand for `hold_ms` to change the tune.
    """

    signal: str
    values: tuple[tuple[int, str], ...]
    bands: tuple[tuple[str, float, float], ...] = ()
    hold_ms: int = 300

    @property
    def tunes(self) -> list[str]:
        """The names of the tunes that can be told."""
        return [name for _, name in self.values] + [name for name, _, _ in self.bands]

    def reading(self, tunes: Sequence[str]) -> TuneReading:
        """What tells the tune, by its number in `tunes`, from the readings of the signal."""
        numbers = {name: i for i, name in enumerate(tunes)}
        return TuneReading(
            {value: numbers[name] for value, name in self.values},
            [(low, high, numbers[name]) for name, low, high in self.bands],
            self.hold_ms,
        )


@dataclass(frozen=True, slots=True)
class DriveSpec:
    """When a drive begins and ends: `signal` above `above` begins it, not above it (or unknown) for `hold_ms` ends it.

    `signal` None: a drive lasts as long as the daemon runs.
    """

    signal: str | None
    above: float = 300.0
    hold_ms: int = 120_000


@dataclass(frozen=True, slots=True)
class LogSpec:
    """Bounds of the log: the free space to leave on the card and the size of the file, in MB (10^6 bytes)."""

    path: Path | None = None
    free_mb: int = 500
    max_mb: int = 4000


@dataclass(frozen=True, slots=True)
class WebSpec:
    """Where the page is served; `port` 0 takes any free port, `host` empty serves none.

    `look` is who may look: ``open`` everyone who reaches the page, ``paired`` paired devices. Acting always needs
    pairing. `names` are further names that a browser may call the page by.
    """

    host: str = "127.0.0.1"
    port: int = 8710
    look: str = "open"
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PanelSpec:
    """Buzzer, lamp and button on lines (number or name) of a GPIO `chip`; None is not fitted, at least one is.

    `button_bias` is the resistor that the chip adds: ``as-is``, ``disabled``, ``pull-up`` or ``pull-down``.
    """

    chip: str
    buzzer: int | str | None = None
    lamp: int | str | None = None
    button: int | str | None = None
    buzzer_active_low: bool = False
    lamp_active_low: bool = False
    button_active_low: bool = True
    button_bias: str = "pull-up"


@dataclass(frozen=True, slots=True)
class MqttSpec:
    """A broker that is told of alerts, signals, drives and what people do.

    `prefix` begins every topic and ends in ``/``. `signals` are told every `telemetry_ms`, None: all. `password_file`
    has the password in its first line. `outbox_mb` (10^6 bytes) bounds what waits on the card. `accept_acts` lets
    whoever may write to the topic ``act`` do what a person may.
    """

    host: str
    prefix: str
    port: int = 1883
    username: str | None = None
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    telemetry_ms: int = 1000
    signals: tuple[str, ...] | None = None
    outbox_mb: int = 50
    accept_acts: bool = False
    keepalive_s: int = 30


@dataclass(frozen=True, slots=True)
class Config:
    """A whole checked configuration.

    `signals` are the columns of every block, measured ones in file order, then computed ones. `files` holds the
    text of every file that was read, for the log to keep. `calibrations` are in force: the inputs have them applied.
    """

    tick_hz: int
    gap_ms: int
    sources: tuple[SourceSpec, ...]
    signals: tuple[Signal, ...]
    inputs: tuple[Input, ...]
    computed: tuple[Computed, ...]
    rules: tuple[Rule, ...]
    vehicle: Vehicle
    tune_input: TuneInput | None = None
    drive: DriveSpec = field(default_factory=lambda: DriveSpec(None))
    log: LogSpec = field(default_factory=LogSpec)
    web: WebSpec = field(default_factory=WebSpec)
    panel: PanelSpec | None = None
    mqtt: MqttSpec | None = None
    field_check: FieldCheck | None = None
    files: tuple[tuple[str, str], ...] = ()
    accuracies: tuple[Accuracy, ...] = ()
    calibrations: tuple[Calibration, ...] = ()

    @property
    def tunes(self) -> tuple[str, ...]:
        """Names of the tunes in the order of their numbers."""
        return tuple(t.name for t in self.vehicle.tunes)

    @property
    def invented(self) -> bool:
        """Whether it is of the invented vehicle, so that everything made of it has to say so."""
        return "invented" in self.vehicle.name.casefold() or any(isinstance(s, DemoSpec) for s in self.sources)
