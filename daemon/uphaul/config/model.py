"""The shape of the configuration files: every key with its meaning, unit, default and bounds.

These models see TOML as it was written and are left behind once it is checked; nothing outside this room sees them.
What no single key can tell (does the signal exist, do the units fit) is checked in `build`. The reference in
`config/` and the JSON Schemas are both made from here.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag

from uphaul.config.computed_tables import ComputedTable, MapTable
from uphaul.config.mqtt_tables import MqttTable
from uphaul.config.panel_tables import PanelTable
from uphaul.config.receiver_tables import GpsTable, PulseTable
from uphaul.config.sensor_tables import AdcTable, SensorTable
from uphaul.config.tables import (
    LONGEST_S,
    ONE_LINE,
    PATTERNS,
    RULE_NAME,
    SIGNAL_NAME,
    SOURCE_NAME,
    TUNE_NAME,
    WHOLE,
    Table,
    key,
    table,
)
from uphaul.config.vehicle_tables import DrivelineTable, EngineTable, LoadTable, PartTable, TargetKeys
from uphaul.config.web_tables import WebTable

__all__ = [
    "FILES",
    "PATTERNS",
    "AdcTable",
    "CanTable",
    "ComputedTable",
    "CurveTable",
    "DaemonFile",
    "DemoTable",
    "DepartureTable",
    "DriveFileTable",
    "ExposureTable",
    "FromTable",
    "GpsTable",
    "LostTable",
    "MapTable",
    "ObdTable",
    "PanelTable",
    "PulseTable",
    "RateTable",
    "ReachTable",
    "RuleTable",
    "RulesFile",
    "SensorTable",
    "ShareTable",
    "SignalTable",
    "SignalsFile",
    "Table",
    "ThresholdTable",
    "TuneTable",
    "VehicleFile",
    "WhenTable",
]

# ------------------------------------------------------------------------------------------------ amounts


class CurveTable(Table):
    """A value over another signal."""

    over: str = key("the signal along the curve")
    points: list[Annotated[list[float], Field(min_length=2, max_length=2)]] = key(
        "[x, y] pairs, x strictly increasing; straight between them, end values held", min_length=2, max_length=100
    )


class ShareTable(Table):
    """A share of something else."""

    share: float = key("0.05 is 5 %", ge=-1.0, le=1.0)


def _amount_tag(value: Any) -> str:
    if isinstance(value, dict):
        return "share" if "share" in value else "curve"
    return "number"


Number = Annotated[float, Tag("number")]
ACurve = Annotated[CurveTable, Tag("curve")]
AShare = Annotated[ShareTable, Tag("share")]
NumberOrCurve = Annotated[Number | ACurve, Discriminator(_amount_tag)]
NumberOrShare = Annotated[Number | AShare, Discriminator(_amount_tag)]
AnyAmount = Annotated[Number | ACurve | AShare, Discriminator(_amount_tag)]

# ----------------------------------------------------------------------------------------------- signals.toml


class CanTable(Table):
    """A CAN bus."""

    kind: Literal["can"] = key("what the source is")
    interface: str = key("python-can's name for the kind of adapter", "socketcan", max_length=60)
    channel: str | int = key("the interface's channel", "can0")
    bitrate: int | None = key(
        "speed of the bus, for adapters that set it, and for its load in `uphaul sensors`",
        None,
        unit="bit/s",
        ge=1000,
        le=8_000_000,
    )
    dbc: str | list[str] = key("DBC file or files in this folder; the first that has a message counts")
    listen_only: bool = key("never send on the bus", True)
    silent_after_s: float = key(
        "a bus without one frame for so long is opened again", 2.0, unit="s", gt=0, le=LONGEST_S
    )
    options: dict[str, str | int | float | bool] = table("further options that go to the adapter as they are")
    protocol: Literal["plain", "j1939"] = key("what the bus speaks: frames by their id, or SAE J1939", "plain")
    source_address: int | list[int] = key("J1939: the sender or senders to listen to; 0 is the engine, [] all", 0)


class DemoTable(Table):
    """The invented vehicle."""

    kind: Literal["demo"] = key("what the source is")
    scenario: str = key("the scenario's name, or a file", min_length=1, max_length=200)
    seed: int = key("the same seed gives the same drive", 1, ge=0, le=2**31 - 1)
    start_s: float = key("where in the scenario to begin", 0.0, unit="s", ge=0, le=86_400)


class DriveFileTable(Table):
    """A log or CSV drive, played as if it were live."""

    kind: Literal["drive-file"] = key("what the source is")
    path: str = key("the log or CSV file", min_length=1, max_length=1000)
    drive: int | None = key("number of the drive in a log; left out: the last one", None, ge=1, le=2**31 - 1)


class ObdTable(Table):
    """An OBD adapter that takes AT commands over a serial port."""

    kind: Literal["obd"] = key("what the source is")
    port: str = key("serial port of the adapter, or what else pyserial opens", min_length=1, max_length=200)
    baud: int | None = key("speed of the port; left out: tried out", None, unit="bit/s", ge=9600, le=2_000_000)
    protocol: Literal["1", "2", "3", "4", "5", "6", "7", "8", "9", "A"] | None = key(
        "the adapter's number of the bus protocol (6: CAN, 11 bit, 500 kbit/s); left out: the adapter searches", None
    )
    allow_requests: bool = key("must be true: this source sends requests on the vehicle's bus", False)
    silent_after_s: float = key(
        "no answer of the vehicle for so long starts the adapter anew", 5.0, unit="s", gt=0, le=LONGEST_S
    )


SourceTable = Annotated[
    CanTable | DemoTable | DriveFileTable | ObdTable | AdcTable | PulseTable | GpsTable, Field(discriminator="kind")
]


class FromTable(Table):
    """Where a measured signal comes from."""

    source: str = key("name of a source")
    message: str | None = key("message of the DBC (kind can)", None)
    field: str | None = key("field of the message (kind can), or of the answer if it has several (kind obd)", None)
    channel: str | None = key("channel of the source (kinds adc, demo, drive-file and gps)", None)
    unit: str | None = key("unit of the reading, where the source names none or a wrong one", None)
    pid: str | int | None = key("the parameter's number, as 0x0C, or its name, as RPM (kind obd)", None)
    every_s: float | None = key(
        "read or ask for it so often (kinds adc and obd); left out: adc in every round, obd every 0.2",
        None,
        unit="s",
        gt=0,
        le=LONGEST_S,
    )
    sensor: str | None = key("name of a sensor: what turns the reading into a value (kind adc)", None)
    supply: str | None = key("channel that measures the sensor's supply (kind adc)", None)
    cold: str | None = key("channel that measures a thermocouple's terminals (kind adc)", None)


Range = Annotated[list[float], Field(min_length=2, max_length=2)]


class SignalTable(Table):
    """A measured signal."""

    unit: str = key("unit of the signal, its range and all limits on it")
    range: Range | None = key("[lowest, highest] believable value in the signal's unit; outside is a fault", None)
    per_unit: int | None = key(
        "counts per unit: the resolution that is judged and logged; left out: by the unit, 1,000,000 for a position",
        None,
        ge=1,
        le=1_000_000,
    )
    max_age_s: float = key("a sample older than this is stale", 1.0, unit="s", gt=0, le=LONGEST_S)
    reduce: Literal["last", "mean", "min", "max"] = key("how the samples between two ticks become one value", "last")
    required: bool = key("adds a rule lost:NAME unless one is written for this signal", False)
    meaning: str = key("what it is, in words for people", "", max_length=120, pattern=ONE_LINE)
    origin: FromTable | None = key("where it comes from; left out: it comes with the drive file", None, alias="from")
    location: Literal["pre-turbine", "post-turbine"] | None = key(
        "where exhaust temperature is measured; required where the range goes above 600 degC", None
    )
    uncertainty: float | None = key("standard uncertainty of a reading, in the signal's unit", None, ge=0)
    typical: float | None = key("a reading under load: there `config check` tells how good computed signals are", None)
    usual: float | None = key(
        "a warm reading on a level road: from there to its limit is the whole room; left out: `typical`", None
    )


class TuneInputTable(Table):
    """Which calibration is active, as a signal tells it."""

    signal: str = key("the signal that tells the tunes apart")
    values: dict[Annotated[str, Field(pattern=WHOLE)], str] | None = key(
        "the tune's name for each number; or `bands`", None, min_length=1
    )
    bands: dict[Annotated[str, Field(pattern=TUNE_NAME)], Range] | None = key(
        "[lowest, highest] reading of each tune, in the signal's unit; or `values`", None, min_length=1
    )
    hold_s: float = key("a reading must stand for so long to change the tune", 0.3, unit="s", ge=0, le=60)


SignalName = Annotated[str, Field(pattern=SIGNAL_NAME)]


class SignalsFile(Table):
    """signals.toml: sources, signals, computed signals."""

    tick_hz: int = key("ticks a second; divides 1000", 20, unit="Hz", ge=1, le=1000)
    gap_s: float = key("ticks further apart than this are a gap: all timers start again", 1.0, unit="s", gt=0, le=60)
    source: dict[Annotated[str, Field(pattern=SOURCE_NAME)], SourceTable] = table("where samples come from")
    sensor: dict[Annotated[str, Field(pattern=SOURCE_NAME)], SensorTable] = table("sensors at a converter")
    signal: dict[SignalName, SignalTable] = table("measured signals")
    computed: dict[SignalName, ComputedTable] = table("computed signals")
    tune_input: TuneInputTable | None = key("which tune is active; left out: a person says so", None)


# ------------------------------------------------------------------------------------------------- rules.toml


class WhenTable(Table):
    """A further condition."""

    signal: str = key("the signal it looks at")
    above: NumberOrCurve | None = key("holds above this, in the signal's unit", None)
    below: NumberOrCurve | None = key("holds below this, in the signal's unit", None)
    deadband: NumberOrShare = key("how far back it must come to stop holding, in the signal's unit", 0.0)


def _delay(text: str, default: float) -> Any:
    return key(text, default, unit="s", ge=0, le=LONGEST_S)


class TuneTable(Table):
    """What differs under one tune; everything left out stays as in the rule."""

    above: AnyAmount | None = key("the rule's limit under this tune (same side as the rule)", None)
    below: AnyAmount | None = key("the rule's limit under this tune (same side as the rule)", None)
    deadband: NumberOrShare | None = key("deadband under this tune", None)
    on_delay_s: float | None = key("on-delay under this tune", None, unit="s", ge=0, le=LONGEST_S)
    off_delay_s: float | None = key("off-delay under this tune", None, unit="s", ge=0, le=LONGEST_S)
    allowed_s: float | None = key("time allowed under this tune (exposure)", None, unit="s", ge=0, le=LONGEST_S)
    within_s: float | None = key("lead time under this tune (reach)", None, unit="s", gt=0, le=36_000)


class RuleBase(Table):
    """Keys of every rule."""

    name: str = key("the rule's name", pattern=RULE_NAME)
    signal: str = key("the signal it judges")
    action: Literal["note", "ease", "stop"] = key("what it asks of the driver")
    rank: int = key("order among alerts of one action, lowest first: time to damage", 50, ge=0, le=1000)
    say: str = key("what to tell the driver; left out: the rule's name", "", max_length=160, pattern=ONE_LINE)
    act: str = key(
        "what to do in two or three words, shown largest; left out: look when stopped, ease off now, stop when safe",
        "",
        max_length=24,
        pattern=ONE_LINE,
    )
    again: str = key("added when it keeps coming back", "", max_length=160, pattern=ONE_LINE)
    latch: bool = key("held until reset after the condition has gone", False)
    on_delay_s: float = _delay("beyond its limit for so long raises it", 0.0)
    off_delay_s: float = _delay("back within for so long clears it", 0.0)
    when: list[WhenTable] = table("judged only while all of these hold", list)
    when_unknown: Literal["hold", "judge"] | None = key(
        "an unknown `when`: counts as holding, or makes the rule unknown; left out: judge for note, hold for ease "
        "and stop",
        None,
    )
    suppressed_by: list[str] = table("not shown while one of these rules is active", list)
    tune: dict[Annotated[str, Field(pattern=TUNE_NAME)], TuneTable] = table("what differs under a tune")


class ThresholdTable(RuleBase):
    """The signal itself against a limit."""

    kind: Literal["threshold"] = key("what the rule measures")
    above: NumberOrCurve | None = key("limit in the signal's unit; or `below`", None)
    below: NumberOrCurve | None = key("limit in the signal's unit; or `above`", None)
    deadband: NumberOrShare = key("how far back within the limit it must come, in the signal's unit", 0.0)


class RateTable(RuleBase):
    """The signal's slope against a limit."""

    kind: Literal["rate"] = key("what the rule measures")
    above: NumberOrCurve | None = key("limit in the signal's unit per second; or `below`", None)
    below: NumberOrCurve | None = key("limit in the signal's unit per second; or `above`", None)
    deadband: NumberOrShare = key("how far back within the limit it must come, in the signal's unit per second", 0.0)
    window_s: float = key("the slope is taken over so long", unit="s", gt=0, le=LONGEST_S)


class ExposureTable(RuleBase):
    """Time spent past a limit within a window."""

    kind: Literal["exposure"] = key("what the rule measures")
    above: NumberOrCurve | None = key("time counts above this, in the signal's unit; or `below`", None)
    below: NumberOrCurve | None = key("time counts below this, in the signal's unit; or `above`", None)
    window_s: float = key("time is counted over the last so long", unit="s", gt=0, le=LONGEST_S)
    allowed_s: float = key("time allowed past the limit, less than the window", unit="s", ge=0, le=LONGEST_S)
    deadband: NumberOrShare = key("how far the time must fall below what is allowed; a number is in s", 0.0, unit="s")


class DepartureTable(RuleBase):
    """Distance from the curve that the tune is expected to follow."""

    kind: Literal["departure"] = key("what the rule measures")
    above: AnyAmount | None = key("so far over the expected curve: signal's unit, or a share of the expected", None)
    below: AnyAmount | None = key("so far under it: a negative number, or a negative share of the expected", None)
    deadband: NumberOrShare = key("how far back it must come: signal's unit, or a share of the expected", 0.0)


class LostTable(RuleBase):
    """The signal is unknown."""

    kind: Literal["lost"] = key("what the rule measures")
    on_delay_s: float = _delay("unknown for so long raises it", 2.0)
    start_grace_s: float = _delay("not judged for so long after the drive's first tick", 10.0)


class ReachTable(RuleBase):
    """Time left until the signal reaches a limit at its present slope."""

    kind: Literal["reach"] = key("what the rule measures")
    above: NumberOrCurve | None = key("the limit that is being reached, in the signal's unit; or `below`", None)
    below: NumberOrCurve | None = key("the limit that is being reached, in the signal's unit; or `above`", None)
    window_s: float = key("the slope is taken over so long", unit="s", gt=0, le=LONGEST_S)
    within_s: float = key("beyond when less than this is left", unit="s", gt=0, le=36_000)
    deadband: NumberOrShare = key("how much longer must be left to be within again; a number is in s", 0.0, unit="s")
    start: float | None = key("judged only past this, in the signal's unit", None, alias="from")


RuleTable = Annotated[
    ThresholdTable | RateTable | ExposureTable | DepartureTable | LostTable | ReachTable, Field(discriminator="kind")
]


class RulesFile(Table):
    """rules.toml: what is judged, and what the driver is told."""

    rule: list[RuleTable] = table("the rules, in the order in which they are judged", list)


# ----------------------------------------------------------------------------------------------- vehicle.toml


class TuneSheet(TargetKeys):
    """One calibration of the vehicle."""

    title: str = key("the tune's name for people", "", max_length=120, pattern=ONE_LINE)
    expected: dict[SignalName, CurveTable] = table("expected course of a signal under full load, for departure rules")


class VehicleFile(Table):
    """vehicle.toml: the vehicle, what it is made of, and its tunes."""

    name: str = key("the vehicle's name for people", "", max_length=120, pattern=ONE_LINE)
    engine: EngineTable | None = key("the engine; left out: nothing is worked out of the parts", None)
    driveline: DrivelineTable | None = key("from clutch to tyre; left out: no road speeds", None)
    load: LoadTable | None = key("masses and drag; left out: no road load", None)
    part: dict[Annotated[str, Field(pattern=TUNE_NAME)], PartTable] = table("fitted parts and their ratings")
    tune: dict[Annotated[str, Field(pattern=TUNE_NAME)], TuneSheet] = table("tunes; their order gives their numbers")


# ------------------------------------------------------------------------------------------------ daemon.toml


class DriveTable(Table):
    """When a drive begins and ends."""

    signal: str | None = key(
        'begins a drive; "" makes a drive last as long as the daemon runs; left out: rpm if there is one', None
    )
    above: float = key("a drive is on while the signal is above this, in its unit", 300.0)
    hold_s: float = key("not above it for so long ends the drive", 120.0, unit="s", ge=0, le=LONGEST_S)


class LogTable(Table):
    """Bounds of the log."""

    path: str | None = key("the log's file; left out: the command says", None, min_length=1, max_length=1000)
    free_mb: int = key("free space to leave on the card", 500, unit="MB", ge=10, le=10_000_000)
    max_mb: int = key("largest size of the log; the oldest drives go first", 4000, unit="MB", ge=10, le=10_000_000)


class DaemonFile(Table):
    """daemon.toml: drives, log, page and outputs."""

    drive: DriveTable = table("when a drive begins and ends", DriveTable)
    log: LogTable = table("bounds of the log", LogTable)
    web: WebTable = table("where the page is served, and to whom", WebTable)
    panel: PanelTable | None = key("buzzer, lamp and button on the dash; left out: none", None)
    mqtt: MqttTable | None = key("a broker to tell; left out: none", None)


FILES: dict[str, type[Table]] = {
    "signals.toml": SignalsFile,
    "rules.toml": RulesFile,
    "vehicle.toml": VehicleFile,
    "daemon.toml": DaemonFile,
}
"""The model of each file."""
