"""calibration.toml, which ``uphaul calibrate`` writes: its tables, its checks, and how it is applied to the inputs.

Of several entries for one signal the last counts; the others are its history. Nothing else of the configuration is
changed by it: a sensor's table stays what its maker says.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace

from uphaul.config.problems import Problems
from uphaul.config.spec import Calibration, Input, SourceSpec
from uphaul.config.tables import ONE_LINE, Table, key
from uphaul.signals import Signal
from uphaul.signals.calibration import HIGHEST_FACTOR, LOWEST_FACTOR, Point

__all__ = ["CALIBRATION", "HEAD", "CalibrationFile", "apply_calibrations", "entry_text", "place_of", "refusal"]

CALIBRATION = "calibration.toml"
HEAD = """\
#:schema ./calibration.schema.json
# Written by `uphaul calibrate`: value = reading * factor + offset, in the signal's unit, after the sensor's own table.
# Of several entries for one signal the last counts; the others are kept as its history.
"""

NEAR = 1e-6
"""How far the line may pass by its points, as a share of their distance: only rounding."""


class PointTable(Table):
    """One point of a calibration."""

    reading: float = key("mean of what was read without calibration")
    reference: float = key("what the reference said")
    noise: float = key("one standard deviation of the readings", 0.0, ge=0)


class CalibrationTable(Table):
    """One calibration of one signal."""

    signal: str = key("the signal", max_length=40)
    unit: str = key("unit of readings, references and offset; the signal's", max_length=40)
    input: str = key("what was calibrated: source, channel and sensor", max_length=300, pattern=ONE_LINE)
    date: str = key("when, as 2026-05-01T14:30:00+02:00", max_length=40)
    by: str = key("who did it", min_length=1, max_length=120, pattern=ONE_LINE)
    instrument: str = key("what told the reference values", min_length=1, max_length=200, pattern=ONE_LINE)
    low: PointTable = key("the lower point")
    high: PointTable = key("the higher point")
    factor: float = key("of the line through both points", ge=LOWEST_FACTOR, le=HIGHEST_FACTOR)
    offset: float = key("of that line")


class CalibrationFile(Table):
    """calibration.toml: every calibration that was made."""

    calibration: list[CalibrationTable] = key("every calibration, the newest of a signal last", [], max_length=10_000)


def place_of(origin: Input) -> str:
    """What an input hangs on, in words: a calibration holds for that and nothing else."""
    channel = ".".join(filter(None, (origin.message, origin.field)))
    return " ".join(filter(None, (origin.source, channel, origin.wiring.name if origin.wiring else "")))


def refusal(signal: Signal | None, origin: Input | None, sources: Sequence[SourceSpec]) -> str:
    """Why the signal can't be calibrated; empty if it can."""
    if signal is None:
        return "must be a signal of signals.toml"
    if signal.computed:
        return "must be a measured signal: a computed one follows its inputs"
    if origin is None:
        return "must be a signal that comes from a source"
    if any(s.name == origin.source and s.kind == "drive-file" for s in sources):
        return "must be a signal that a sensor measures: values of a recorded drive are calibrated already"
    return ""


def apply_calibrations(
    tables: Sequence[CalibrationTable],
    inputs: Sequence[Input],
    known: Mapping[str, Signal | None],
    sources: Sequence[SourceSpec],
    problems: Problems,
) -> tuple[tuple[Input, ...], tuple[Calibration, ...]]:
    """(inputs with the calibrations in force applied, those calibrations in the order of the inputs)."""
    faulty = len(problems) > 0
    for i, table in enumerate(tables):
        _check_line(f"calibration[{i}]", table, problems)
    last = {table.signal: i for i, table in enumerate(tables)}
    origins = {each.signal: each for each in inputs}
    found: dict[str, Calibration] = {}
    for name, i in last.items():
        table, at, signal, origin = tables[i], f"calibration[{i}]", known.get(name), origins.get(name)
        if name in known and (signal is None or (origin is None and faulty)):
            continue  # what is wrong with it is told where it stands
        why = refusal(signal, origin, sources)
        if why:
            problems.add(CALIBRATION, f"{at}.signal", name, f"{why}, or its entries must go", known=known)
            continue
        assert signal is not None and origin is not None, "or there were a refusal"
        if table.unit != signal.unit:
            right = f"must be {signal.unit}, the unit of {name}: calibrate it again"
            problems.add(CALIBRATION, f"{at}.unit", table.unit, right)
        elif table.input != place_of(origin):
            right = f"must be {place_of(origin)!r}, which {name} comes from now: calibrate it again, or take it out"
            problems.add(CALIBRATION, f"{at}.input", table.input, right)
        else:
            found[name] = _spec(table)
    out = [_applied(each, found[each.signal]) if each.signal in found else each for each in inputs]
    return tuple(out), tuple(found[each.signal] for each in inputs if each.signal in found)


def entry_text(entry: Calibration) -> str:
    """The entry as it stands in the file."""
    lines = ["", "[[calibration]]"]
    for name in ("signal", "unit", "input", "date", "by", "instrument"):
        lines.append(f"{name} = {json.dumps(getattr(entry, name), ensure_ascii=False)}")
    for name in ("low", "high"):
        point = getattr(entry, name)
        words = ", ".join(f"{k} = {float(getattr(point, k))!r}" for k in ("reading", "reference", "noise"))
        lines.append(f"{name} = {{ {words} }}")
    lines += [f"factor = {entry.factor!r}", f"offset = {entry.offset!r}", ""]
    return "\n".join(lines)


def _applied(origin: Input, entry: Calibration) -> Input:
    return replace(origin, factor=origin.factor * entry.factor, offset=origin.offset * entry.factor + entry.offset)


def _spec(table: CalibrationTable) -> Calibration:
    low, high = (Point(p.reading, p.reference, p.noise) for p in (table.low, table.high))
    return Calibration(
        signal=table.signal,
        unit=table.unit,
        input=table.input,
        date=table.date,
        by=table.by,
        instrument=table.instrument,
        low=low,
        high=high,
        factor=table.factor,
        offset=table.offset,
    )


def _check_line(at: str, table: CalibrationTable, problems: Problems) -> None:
    """The date is one, and the line goes through both points."""
    try:
        told = datetime.datetime.fromisoformat(table.date).tzinfo is not None
    except ValueError:
        told = False
    if not told:
        right = "must be a date and time with its distance from UTC, as 2026-05-01T14:30:00+02:00"
        problems.add(CALIBRATION, f"{at}.date", table.date, right)
    apart = table.high.reference - table.low.reference
    if not apart > 0.0:
        problems.add(CALIBRATION, f"{at}.high.reference", table.high.reference, "must be above low.reference")
        return
    for name, point in (("low", table.low), ("high", table.high)):
        if not abs(point.reading * table.factor + table.offset - point.reference) <= NEAR * apart:
            right = f"must, with offset, carry {name}.reading {point.reading:g} to {name}.reference {point.reference:g}"
            problems.add(CALIBRATION, f"{at}.factor", table.factor, right)
            return
