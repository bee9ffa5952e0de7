"""Reads a configuration from a folder, or from texts that were kept, and checks all of it at once.

Theory of operation. `load` reads the files and hands their texts to the one way that all configurations go: parse each
file, check its shape, build signals, then tunes, then rules, then the daemon's own settings. Each step notes its
problems and goes on with what is left; only at the end does one ConfigError carry them all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import TypeVar

from uphaul.config import model as m
from uphaul.config.amounts import Scope, whole_ms
from uphaul.config.calibration import CALIBRATION, CalibrationFile, apply_calibrations
from uphaul.config.dbc import decode_text
from uphaul.config.field_check import build_field_check
from uphaul.config.field_check_tables import FIELD_CHECK, FieldCheckFile
from uphaul.config.mqtt import build_mqtt
from uphaul.config.panel import build_panel
from uphaul.config.problems import Problems
from uphaul.config.rules import Surroundings, build_rules
from uphaul.config.shape import Shaped, parse, shape
from uphaul.config.signals import Inputs, build_inputs
from uphaul.config.spec import Calibration, Config, DriveSpec, Input, LogSpec, WebSpec
from uphaul.config.tune import build_tune_input
from uphaul.config.vehicle import build_vehicle
from uphaul.rules import Curve, Rule
from uphaul.signals import Signal, index_of
from uphaul.vehicle import Tune, Vehicle

__all__ = ["LARGEST_BYTES", "LARGEST_DBC_BYTES", "load", "load_rules", "load_texts"]

LARGEST_BYTES = 1_000_000
"""Size of a TOML file beyond which it is no configuration."""
LARGEST_DBC_BYTES = 8_000_000
"""Size of a DBC file that is still read; the largest public ones are below 1 MB."""

SIGNALS, RULES, VEHICLE, DAEMON = m.FILES
REQUIRED = (SIGNALS, RULES)
TOML = frozenset((*m.FILES, CALIBRATION, FIELD_CHECK))
ENGINE_SPEED = "rpm"
"""The signal that begins a drive where daemon.toml names none."""

F = TypeVar("F", bound=m.Table)
Reader = Callable[[str], str | None]


def load(directory: Path, *, check_inputs: bool = True, calibrated: bool = True) -> Config:
    """The configuration in `directory`. `check_inputs` False leaves DBC files and the signals' inputs unchecked.

    `calibrated` False leaves calibrations out, as whoever calibrates anew needs it. Raises ConfigError with every
    problem that was found.
    """
    problems = Problems()
    if not directory.is_dir():
        problems.add(str(directory), "folder", None, "must be a folder with signals.toml and rules.toml")
        problems.check()

    def read(name: str) -> str | None:
        path = directory / name
        if (name in TOML and not path.is_file()) or not path.exists():
            return None  # told with the key that names it
        return _read(path, name, problems)

    return _Loader(read, problems, check_inputs=check_inputs, calibrated=calibrated).run()


def load_texts(files: Mapping[str, str], *, label: str = "", check_inputs: bool = True) -> Config:
    """The configuration whose files have these texts (as in `Config.files`), with no file read.

    `label` names where the texts come from. With `check_inputs` False the factors and offsets of the inputs
    mean nothing, and no library for CAN is imported. Raises ConfigError with every problem that was found.
    """
    return _Loader(files.get, Problems(label), check_inputs=check_inputs).run()


def load_rules(
    text: str,
    file_name: str,
    signals: Iterable[Signal],
    vehicle: Vehicle | None = None,
    *,
    tick_hz: int | None = None,
    allow_unknown: bool = False,
) -> tuple[Rule, ...]:
    """The rules of one rules.toml for a drive with these signals.

    `vehicle` brings tune names and expected curves; without one any tune name goes. With `allow_unknown`
    signals, tunes, expected curves and rules that the drive lacks are no problems: the judge takes such signals for
    unknown, and the caller says so (`Rule.reads`). Raises ConfigError with every problem that was found.
    """
    problems = Problems()
    if len(text.encode()) > LARGEST_BYTES:
        problems.add(file_name, "size", None, f"must be at most {LARGEST_BYTES:,} bytes")
        problems.check()
    shaped = _shaped(m.RulesFile, file_name, text, problems)
    scope = Scope({s.name: s for s in signals}, problems, file_name, strict=not allow_unknown)
    tunes = None
    if vehicle is not None and vehicle.tunes and not allow_unknown:
        tunes = tuple(t.name for t in vehicle.tunes)
    around = Surroundings(tunes, _expected_curves(vehicle or Vehicle()), 1000 // tick_hz if tick_hz else None)
    rules = build_rules(scope, shaped, around)
    problems.check()
    return rules


def _expected_curves(vehicle: Vehicle) -> dict[str, dict[str, Curve]]:
    """The expected curves by signal, then tune."""
    out: dict[str, dict[str, Curve]] = {}
    for tune in vehicle.tunes:
        for e in tune.expected:
            out.setdefault(e.signal, {})[tune.name] = Curve(e.over, e.x, e.y)
    return out


def _read(path: Path, name: str, problems: Problems) -> str | None:
    """The file's text, or None with the fault noted."""
    largest = LARGEST_BYTES if name in TOML else LARGEST_DBC_BYTES
    try:
        with path.open("rb") as file:
            data = file.read(largest + 1)
    except OSError as error:
        problems.add(name, "file", None, f"can't be read: {error.strerror or error}")
        return None
    if len(data) > largest:
        problems.add(name, "size", None, f"must be at most {largest:,} bytes")
        return None
    if name not in TOML:
        return decode_text(data)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        problems.add(name, f"line {line}", None, f"must be UTF-8 text; byte {data[error.start]:#04x} is not")
        return None


def _shaped(model: type[F], file: str, text: str | None, problems: Problems) -> Shaped[F]:
    data = parse(text, file, problems) if text is not None else None
    if data is None:
        return Shaped(file, model(), sound=False)
    return shape(model, data, file, problems)


class _Loader:
    """One configuration on its way from texts to `Config`."""

    def __init__(self, read: Reader, problems: Problems, *, check_inputs: bool, calibrated: bool = True) -> None:
        self._source, self._problems, self._check = read, problems, check_inputs
        self._calibrated = calibrated and check_inputs
        self._texts: dict[str, str] = {}

    def run(self) -> Config:
        """Everything, or a ConfigError."""
        problems = self._problems
        signals, rules = self._file(SIGNALS, m.SignalsFile), self._file(RULES, m.RulesFile)
        vehicle_file, daemon = self._file(VEHICLE, m.VehicleFile), self._file(DAEMON, m.DaemonFile)
        inputs = build_inputs(signals, problems, self._dbc, check=self._check)
        sensed, calibrations = self._calibrations(inputs)
        tick_ms = self._tick_ms(signals)
        # where signals.toml itself can't be read, every name in the other files would be a problem
        known = self._scopes(inputs, strict=signals.sound)
        written = build_vehicle(known(VEHICLE), vehicle_file.data, self._dyno)
        has_tunes = bool(vehicle_file.named.get("tune"))
        sound = vehicle_file.sound
        names = vehicle_file.named.get("tune", ()) if has_tunes else None
        around = Surroundings(names if sound else None, _expected_curves(written) if sound else None, tick_ms)
        built = build_rules(known(RULES), rules, around)
        tune_scope = Scope(inputs.known, problems, SIGNALS)
        tune_input = build_tune_input(tune_scope, signals.data.tune_input, names if sound else None)
        drive = self._drive(daemon.data.drive, known(DAEMON), inputs.signals)
        panel = build_panel(known(DAEMON), daemon.data.panel, inputs.sources)
        mqtt = build_mqtt(known(DAEMON), daemon.data.mqtt, vehicle_file.data.name)
        checks = self._file(FIELD_CHECK, FieldCheckFile)
        field_check = build_field_check(known(FIELD_CHECK), checks, written, names if sound else None)
        gap_ms = whole_ms(tune_scope, "gap_s", signals.data.gap_s)
        if tick_ms is not None and gap_ms < tick_ms:
            tune_scope.wrong("gap_s", signals.data.gap_s, f"must be at least one tick, {tick_ms / 1000:g} s")
        problems.check()
        if not has_tunes:
            spoken = [name for r in built for name, _ in r.tunes]
            spoken += tune_input.tunes if tune_input else []
            written = replace(written, tunes=tuple(Tune(n) for n in dict.fromkeys(spoken)))
        log, web = daemon.data.log, daemon.data.web
        return Config(
            tick_hz=signals.data.tick_hz,
            gap_ms=gap_ms,
            sources=inputs.sources,
            signals=inputs.signals,
            inputs=sensed,
            computed=inputs.computed,
            accuracies=inputs.accuracies,
            calibrations=calibrations,
            rules=built,
            vehicle=written,
            tune_input=tune_input,
            drive=drive,
            log=LogSpec(Path(log.path) if log.path else None, log.free_mb, log.max_mb),
            web=WebSpec(web.host, web.port, web.look, tuple(web.names)),
            panel=panel,
            mqtt=mqtt,
            field_check=field_check,
            files=tuple(self._texts.items()),
        )

    def _file(self, name: str, model: type[F]) -> Shaped[F]:
        before = len(self._problems)
        text = self._source(name)
        if text is None:
            if name in REQUIRED and len(self._problems) == before:
                self._problems.add(name, "file", None, "is required and is not there")
        else:
            self._texts[name] = text
        shaped = _shaped(model, name, text, self._problems)
        return replace(shaped, sound=shaped.sound or len(self._problems) == before)

    def _calibrations(self, inputs: Inputs) -> tuple[tuple[Input, ...], tuple[Calibration, ...]]:
        """The inputs with their calibrations, and these."""
        shaped = self._file(CALIBRATION, CalibrationFile)
        if not self._calibrated:
            return inputs.inputs, ()
        tables = shaped.data.calibration
        return apply_calibrations(tables, inputs.inputs, inputs.known, inputs.sources, self._problems)

    def _dbc(self, name: str, key: str) -> str | None:
        """The text of a DBC that signals.toml names."""
        if name in self._texts:
            return self._texts[name]
        path = PurePosixPath(name)
        if not name or path.is_absolute() or ".." in path.parts or name in TOML or "\\" in name or "\0" in name:
            self._problems.add(SIGNALS, key, name, "must be a DBC file in the folder of signals.toml")
            return None
        before = len(self._problems)
        text = self._source(name)
        if text is None:
            if len(self._problems) == before and self._check:
                self._problems.add(SIGNALS, key, name, "must be a DBC file that is there")
            return None if self._check else ""
        self._texts[name] = text
        return text

    def _dyno(self, name: str, key: str) -> str | None:
        """The text of a dynamometer run that vehicle.toml names; without it the tune's curves would be others."""
        path = PurePosixPath(name)
        if (
            not name.lower().endswith(".csv")
            or path.is_absolute()
            or ".." in path.parts
            or "\\" in name
            or "\0" in name
        ):
            self._problems.add(VEHICLE, key, name, "must be a CSV file in the folder of vehicle.toml")
            return None
        before = len(self._problems)
        text = self._source(name)
        if text is None:
            if len(self._problems) == before:
                self._problems.add(VEHICLE, key, name, "must be a CSV file that is there")
            return None
        self._texts[name] = text
        return text

    def _scopes(self, inputs: Inputs, *, strict: bool) -> Callable[[str], Scope]:
        return lambda file: Scope(inputs.known, self._problems, file, strict=strict)

    def _tick_ms(self, signals: Shaped[m.SignalsFile]) -> int | None:
        hz = signals.data.tick_hz
        if 1000 % hz:
            choice = min((d for d in range(1, 1001) if 1000 % d == 0), key=lambda d: abs(d - hz))
            self._problems.add(SIGNALS, "tick_hz", hz, f"must divide 1000, in Hz: {choice} does")
            return None
        return 1000 // hz

    def _drive(self, table: m.DriveTable, scope: Scope, signals: tuple[Signal, ...]) -> DriveSpec:
        hold_ms = whole_ms(scope, "drive.hold_s", table.hold_s)
        name = table.signal
        if name is None:
            name = ENGINE_SPEED if ENGINE_SPEED in index_of(signals) else None
        elif name:
            scope.named(name, "drive.signal")
        return DriveSpec(name or None, table.above, hold_ms)
