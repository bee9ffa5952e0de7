"""From the tables of signals.toml to sources, signals and inputs: names, units, ranges and references checked."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from uphaul.config import model as m
from uphaul.config.adc import adc_wiring, build_adc
from uphaul.config.amounts import Scope, whole_ms
from uphaul.config.computed import accuracy, build_computed
from uphaul.config.dbc import Messages, messages_of
from uphaul.config.gps import GPS_CHANNELS, POSITION_PER_UNIT
from uphaul.config.interfaces import check_interface
from uphaul.config.j1939 import addresses_of
from uphaul.config.obd import build_obd, obd_rate, obd_reading
from uphaul.config.problems import Problems
from uphaul.config.pulse import build_pulse, check_pulse_ages
from uphaul.config.scenario import load_scenario
from uphaul.config.sensors import Sensor, build_sensors
from uphaul.config.shape import Shaped
from uphaul.config.spec import Accuracy, CanSpec, DemoSpec, DriveFileSpec, GpsSpec, Input, SourceSpec
from uphaul.demo.channels import CHANNELS
from uphaul.derive import Computed, in_order
from uphaul.errors import ConfigError
from uphaul.signals import Reduce, Signal
from uphaul.units import UNITS, Unit, compatible, default_per_unit, find

__all__ = ["Inputs", "build_inputs", "linear"]

RESERVED = frozenset({"t_ms", "t_s", "tune", "rowid", "oid"})
"""Columns that the log and CSV drives have of their own."""

_SQL = """
add all alter and as autoincrement between case cast check collate commit constraint create current_date current_time
current_timestamp default deferrable delete distinct drop else escape except exists foreign from group having in index
insert intersect into is isnull join limit not nothing notnull null on or order primary raise references returning
select set table then to transaction union unique update using values when where
"""
SQL_WORDS = frozenset(_SQL.split())
"""Words that SQLite takes for its own: a column of that name could not be asked for. Source: sqlite.org, "SQLite
Keywords"; the test tries them all."""


EXACT = 2.0**53
"""Counts up to here are doubles without rounding."""

EXHAUST_DEGC = 600.0
"""A temperature that may read more than this is the exhaust's. Source: our own choice: oil and metal never do."""

WHERE = (
    "is required where the range goes above 600 degC: one of pre-turbine, post-turbine; limits differ by 100 to 150 K"
)
"""What would be right for an exhaust temperature without a place."""

FROM_KEYS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "adc": (("channel", "sensor"), ("supply", "cold", "every_s")),
    "can": (("message", "field"), ()),
    "demo": (("channel",), ()),
    "drive-file": (("channel",), ()),
    "gps": (("channel",), ()),
    "obd": (("pid",), ("field", "every_s")),
    "pulse": ((), ()),
}
"""Which keys `from` must have and may have beside `source` and `unit`, by the kind of the source."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """What signals.toml came to. `known` maps every signal name to its signal, None for one at fault."""

    sources: tuple[SourceSpec, ...]
    signals: tuple[Signal, ...]
    inputs: tuple[Input, ...]
    computed: tuple[Computed, ...]
    known: Mapping[str, Signal | None]
    accuracies: tuple[Accuracy, ...] = ()


def linear(source: str, target: str) -> tuple[float, float]:
    """(factor, offset) that turn a value of unit `source` into unit `target`; exactly (1, 0) for one and the same."""
    a, b = UNITS[source.strip()], UNITS[target.strip()]
    if a.name == b.name:
        return 1.0, 0.0
    return a.factor / b.factor, (a.offset - b.offset) / b.factor


def build_inputs(
    shaped: Shaped[m.SignalsFile], problems: Problems, dbc_text: Callable[[str, str], str | None], *, check: bool
) -> Inputs:
    """Build everything. `dbc_text` (file name, key) gives a DBC's text; `check` False leaves the inputs unchecked."""
    return _Builder(shaped, problems, dbc_text, check=check).build()


def _placed(table: m.SignalTable | m.ComputedTable) -> str:
    """The meaning with the place of an exhaust probe, so that page, log and `sensors` tell it."""
    location = table.location if isinstance(table, m.SignalTable) else None
    return " ".join(filter(None, (table.meaning, location and f"({location})")))


def _degc(temperature: float, unit: Unit) -> float:
    return temperature * unit.factor + unit.offset


class _Builder:
    """Builds what is in one signals.toml."""

    def __init__(
        self,
        shaped: Shaped[m.SignalsFile],
        problems: Problems,
        dbc_text: Callable[[str, str], str | None],
        *,
        check: bool,
    ) -> None:
        self._shaped, self._data, self._check = shaped, shaped.data, check
        self._problems, self._dbc_text = problems, dbc_text
        names = [*shaped.named.get("signal", ()), *shaped.named.get("computed", ())]
        self._known: dict[str, Signal | None] = dict.fromkeys(names)
        self._scope = Scope(self._known, problems, shaped.file)
        self._messages: dict[str, Messages | None] = {}
        self._sensors: dict[str, Sensor | None] = {}

    def build(self) -> Inputs:
        """Sources first, then measured signals, then computed ones, so that each finds what it refers to."""
        data = self._data
        sources = tuple(self._source(name, table) for name, table in data.source.items())
        built: dict[str, Sensor | None] = dict.fromkeys(self._shaped.named.get("sensor", ()))
        self._sensors = built | build_sensors(self._scope, data.sensor)
        for name, measured in data.signal.items():
            self._known[name] = self._signal(f"signal.{name}", name, measured)
        if not self._known and self._shaped.sound:
            self._scope.wrong("signal", None, "needs at least one signal")
        inputs = [self._input(name, t.unit, t.origin) for name, t in data.signal.items() if t.origin is not None]
        for name, table in data.computed.items():
            if name in self._shaped.named.get("signal", ()):
                self._scope.wrong(f"computed.{name}", None, "must have a name of its own: a measured signal has it")
            self._known[name] = self._signal(f"computed.{name}", name, table)
        check_pulse_ages(self._scope, sources, (i for i in inputs if i is not None), self._known)
        made = [(self._known[name], table) for name, table in data.computed.items()]
        computed = tuple(build_computed(self._scope, s, table) for s, table in made if s is not None)
        self._check_rings()
        found = [self._known.get(name) for name in (*data.signal, *data.computed)]
        return Inputs(
            sources=sources,
            signals=tuple(s for s in dict.fromkeys(found) if s is not None),
            inputs=tuple(i for i in inputs if i is not None),
            computed=computed,
            known=self._known,
            accuracies=tuple(self._accuracies()),
        )

    # -------------------------------------------------------------------------------------------- sources

    def _source(
        self,
        name: str,
        table: m.CanTable | m.DemoTable | m.DriveFileTable | m.ObdTable | m.AdcTable | m.PulseTable | m.GpsTable,
    ) -> SourceSpec:
        key = f"source.{name}"
        if isinstance(table, m.DemoTable):
            if self._check:
                self._check_scenario(f"{key}.scenario", table.scenario)
            return DemoSpec(name, table.scenario, table.seed, table.start_s)
        if isinstance(table, m.DriveFileTable):
            return DriveFileSpec(name, table.path, table.drive)
        if isinstance(table, m.AdcTable):
            return build_adc(self._scope, key, name, table)
        if isinstance(table, m.PulseTable):
            return build_pulse(self._scope, key, name, table)
        if isinstance(table, m.GpsTable):
            return GpsSpec(name, table.host, table.port, table.device, table.silent_after_s)
        if isinstance(table, m.ObdTable):
            return build_obd(self._scope, key, name, table, check=self._check)
        files = [table.dbc] if isinstance(table.dbc, str) else table.dbc
        if not files:
            self._scope.wrong(f"{key}.dbc", [], "must name at least one DBC file")
        texts = []
        for i, file in enumerate(files):
            text = self._dbc_text(file, f"{key}.dbc" if isinstance(table.dbc, str) else f"{key}.dbc[{i}]")
            if text is not None:
                texts.append((file, text))
        if self._check:
            check_interface(self._scope, f"{key}.interface", table.interface)
            self._messages[name] = self._read(texts) if len(texts) == len(files) else None
        return CanSpec(
            name=name,
            interface=table.interface,
            channel=str(table.channel),
            bitrate=table.bitrate,
            dbc=tuple(texts),
            listen_only=table.listen_only,
            silent_after_s=table.silent_after_s,
            options=tuple(table.options.items()),
            protocol=table.protocol,
            source_addresses=addresses_of(self._scope, key, table),
        )

    def _check_scenario(self, key: str, name: str) -> None:
        """A scenario that is not there, or that is none, would leave the vehicle standing."""
        try:
            load_scenario(name)
        except ConfigError as error:
            for p in error.problems:
                if p.key == "scenario":  # there is no such file
                    self._problems.add(self._shaped.file, key, name, p.allowed, hint=p.nearest)
                else:
                    self._problems.take([p])

    def _read(self, texts: Sequence[tuple[str, str]]) -> Messages | None:
        """All messages of a source's DBCs, the first that has a name counting; None if one can't be read."""
        out: dict[str, Mapping[str, str]] = {}
        for file, text in texts:
            found = messages_of(text, file, self._problems)
            if found is None:
                return None
            out = {**found, **out}
        return out

    # -------------------------------------------------------------------------------------------- signals

    def _signal(self, key: str, name: str, table: m.SignalTable | m.ComputedTable) -> Signal | None:
        """The signal, or None if its unit or range can't be used."""
        wrong = self._scope.wrong
        if name in RESERVED or name in SQL_WORDS:
            reason = "the log has a column of that name" if name in RESERVED else "SQL has it for a word of its own"
            wrong(key, None, f"must have another name: {reason}")
        unit = find(table.unit)
        if unit is None:
            wrong(f"{key}.unit", table.unit, "must be a unit that is known", known=UNITS)
            return None
        low, high = table.range or (-math.inf, math.inf)
        per_unit = table.per_unit or self._finer(table, unit.name) or default_per_unit(unit.name)
        if not low < high:
            wrong(f"{key}.range", table.range, f"must be [lowest, highest] in {unit.name}, the lowest first")
            return None
        if table.range and max(abs(low), abs(high)) * per_unit > EXACT:
            wrong(f"{key}.range", table.range, f"must be within {EXACT / per_unit:g} {unit.name}, or counts overflow")
            return None
        max_age_ms, reduce = 1000, Reduce.LAST
        if isinstance(table, m.SignalTable):
            max_age_ms = whole_ms(self._scope, f"{key}.max_age_s", table.max_age_s)
            reduce = Reduce(table.reduce)
            self._check_location(key, table, unit)
        return Signal(
            name=name,
            unit=unit.name,
            per_unit=per_unit,
            low=low,
            high=high,
            max_age_ms=max_age_ms,
            reduce=reduce,
            required=table.required,
            computed=isinstance(table, m.ComputedTable),
            meaning=_placed(table),
        )

    def _check_location(self, key: str, table: m.SignalTable, unit: Unit) -> None:
        """A place in the exhaust belongs to a temperature, and one that reaches so high needs it.

        Limits before the turbine are 100 to 150 K too high behind it (common practice). Logs from before the key
        was required are still read: their inputs go unchecked.
        """
        if unit.kind != "temperature":
            if table.location is not None:
                self._scope.wrong(f"{key}.location", table.location, f"is for temperatures, not for {unit.name}")
        elif self._check and table.location is None and table.range and _degc(max(table.range), unit) > EXHAUST_DEGC:
            self._scope.wrong(f"{key}.location", None, WHERE)

    def _finer(self, table: m.SignalTable | m.ComputedTable, unit: str) -> int | None:
        """Counts per unit of a position, which would be useless as coarse as an angle of other kinds; else None."""
        origin = table.origin if isinstance(table, m.SignalTable) else None
        if origin is None or unit != "deg" or not isinstance(self._data.source.get(origin.source), m.GpsTable):
            return None
        return POSITION_PER_UNIT.get(origin.channel or "")

    def _input(self, name: str, unit: str, origin: m.FromTable) -> Input | None:
        key, scope = f"signal.{name}.from", self._scope
        source = self._data.source.get(origin.source)
        if source is None:
            names = self._shaped.named.get("source", ())
            if origin.source not in names:
                words = ", ".join(names) if names else "none is written"
                scope.wrong(f"{key}.source", origin.source, f"must be the name of a source ({words})", known=names)
            return None
        needed, optional = FROM_KEYS[source.kind]
        for each in m.FromTable.model_fields:
            if each not in ("source", "unit", *needed, *optional) and getattr(origin, each) is not None:
                scope.wrong(f"{key}.{each}", getattr(origin, each), f"is no key for a source of kind {source.kind}")
        missing = [each for each in needed if getattr(origin, each) is None]
        for each in missing:
            scope.wrong(f"{key}.{each}", None, f"is required for a source of kind {source.kind}")
        if origin.unit is not None and find(origin.unit) is None:
            scope.wrong(f"{key}.unit", origin.unit, "must be a unit that is known", known=UNITS)
        if missing:
            return None
        message, field, every_s = origin.message or "", origin.field or origin.channel or "", None
        if source.kind == "pulse":
            field = "rpm"
        reading = origin.unit if origin.unit and find(origin.unit) else None
        wiring = None
        if isinstance(source, m.AdcTable):
            known = self._known.get(name)
            wiring = adc_wiring(scope, key, origin, table=source, sensors=self._sensors, signal=known)
            if wiring is None:
                return None
            reading = wiring.sensor.unit
        elif source.kind == "obd":
            found = obd_reading(scope, key, origin)
            if found is None:
                return None
            message, field, reading = found[0], found[1], reading or found[2]
            every_s = obd_rate(scope, key, origin.every_s, self._known.get(name))
        elif self._check:
            reading = self._reading_unit(key, source.kind, origin, explicit=reading)
        if reading is None or find(unit) is None:
            return Input(name, origin.source, message, field, every_s=every_s, wiring=wiring)
        if not compatible(reading, unit):
            mine, theirs = UNITS[unit.strip()], UNITS[reading.strip()]
            allowed = f"must be a unit of {theirs.kind}: the reading of {field} is in {theirs.name}"
            scope.wrong(f"signal.{name}.unit", mine.name, allowed)
            return None
        return Input(name, origin.source, message, field, *linear(reading, unit), every_s=every_s, wiring=wiring)

    def _reading_unit(self, key: str, kind: str, origin: m.FromTable, *, explicit: str | None) -> str | None:
        """The unit in which the source delivers, once message, field or channel is found; None if not named."""
        scope = self._scope
        if kind == "demo":
            channel = CHANNELS.get(origin.channel or "")
            if channel is None:
                allowed = "must be a channel of the invented vehicle"
                scope.wrong(f"{key}.channel", origin.channel, allowed, known=CHANNELS)
                return None
            return explicit or channel.unit
        if kind == "pulse":
            return explicit or "rpm"
        if kind == "gps":
            told = GPS_CHANNELS.get(origin.channel or "")
            if told is None:
                allowed = f"must be one of {', '.join(GPS_CHANNELS)}"
                scope.wrong(f"{key}.channel", origin.channel, allowed, known=GPS_CHANNELS)
                return None
            return explicit or told
        messages = self._messages.get(origin.source) if kind == "can" else None
        if messages is None:
            return explicit
        fields = messages.get(origin.message or "")
        if fields is None:
            allowed = f"must be a message of the DBC of source {origin.source}"
            scope.wrong(f"{key}.message", origin.message, allowed, known=messages)
            return None
        if origin.field is None or origin.field not in fields:
            scope.wrong(f"{key}.field", origin.field, f"must be a field of message {origin.message}", known=fields)
            return None
        named = fields[origin.field].strip()
        if explicit or not named:
            return explicit
        if find(named) is None:
            allowed = f"is required, because the DBC gives {origin.field} in {named!r}, which is no unit that is known"
            scope.wrong(f"{key}.unit", None, allowed)
            return None
        return named

    # ------------------------------------------------------------------------------------------- computed

    def _accuracies(self) -> Iterator[Accuracy]:
        """Of every signal of which uncertainty, typical or usual value are written."""
        for kind, tables in (("signal", self._data.signal), ("computed", self._data.computed)):
            for name, t in tables.items():
                signal = self._known.get(name)
                if signal is not None and (t.uncertainty, t.typical, t.usual) != (None, None, None):
                    yield accuracy(self._scope, f"{kind}.{name}", signal, t)

    def _check_rings(self) -> None:
        reads = {name: list(table.inputs.values()) for name, table in self._data.computed.items()}
        _, ring = in_order(reads)
        if ring:
            names = ", ".join(ring)
            self._scope.wrong(f"computed.{ring[0]}.inputs", None, f"must not read each other in a ring: {names}")
