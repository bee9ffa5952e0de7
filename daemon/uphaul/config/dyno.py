"""Reads a dynamometer run of one tune from CSV: a row of names, a row of units, then a row for each engine speed.

Columns `rpm`, `power` and `torque` are required; `boost`, `mixture` and any other signal's name may follow, and become
what is expected of the tune. Power and torque belong together at one engine speed, so each proves the other.
"""

from __future__ import annotations

import csv
from math import isfinite, pi

from uphaul.config.amounts import Scope
from uphaul.units import UNITS, convert, find
from uphaul.vehicle.model import Dyno, Expected

__all__ = ["read_dyno"]

REQUIRED = {"rpm": "rpm", "power": "kW", "torque": "N·m"}
USUAL = {"boost": "kPa", "mixture": "1"}
"""Columns that are known even where no signal of that name is configured, with their unit then."""
MOST_ROWS, MOST_COLUMNS, MOST_TOLD = 5000, 50, 10
TOGETHER = 0.03
"""How far power may lie from torque times speed, as a share. Source: our own choice: rounding makes less."""
LEAST_ROWS = 3


def read_dyno(
    scope: Scope, file: str, text: str, *, efficiency: float | None
) -> tuple[Dyno, tuple[Expected, ...]] | None:
    """The run and what else it measured, in the signals' units; None with the faults noted by line and column.

    `efficiency` brings a run at the wheels to the crankshaft; None for one that was measured there.
    """
    return _Reader(scope, file).read(text, efficiency)


class _Reader:
    """One file on its way."""

    def __init__(self, scope: Scope, file: str) -> None:
        self._scope, self._file = scope, file
        self._before = len(scope.problems)

    def read(self, text: str, efficiency: float | None) -> tuple[Dyno, tuple[Expected, ...]] | None:
        try:
            rows = [(n, [c.strip() for c in r]) for n, r in self._rows(text) if any(c.strip() for c in r)]
        except csv.Error as error:
            self._wrong("text", None, f"must be CSV that can be read: {error}")
            return None
        if len(rows) < 2 + LEAST_ROWS:
            self._wrong(
                "rows", None, f"must have a row of names, a row of units and {LEAST_ROWS} rows of numbers at least"
            )
            return None
        if len(rows) > MOST_ROWS or len(rows[0][1]) > MOST_COLUMNS:
            self._wrong("rows", None, f"must have at most {MOST_ROWS:,} rows and {MOST_COLUMNS} columns")
            return None
        (head, names), (second, units), *body = rows
        if not self._columns(head, names, second, units):
            return None
        columns = self._numbers(names, body)
        if columns is None:
            return None
        made = {name: self._convert(name, columns[name], unit) for name, unit in zip(names, units, strict=True)}
        self._speeds(body, names, made["rpm"])
        self._together(body, names, made)
        if len(self._scope.problems) > self._before:
            return None
        loss = efficiency if efficiency is not None else 1.0
        dyno = Dyno(
            file=self._file,
            rpm=tuple(made["rpm"]),
            power_kw=tuple(p / loss for p in made["power"]),
            torque_nm=tuple(t / loss for t in made["torque"]),
            at_wheels=efficiency is not None,
        )
        rpm = self._scope.signals.get("rpm")
        over = tuple(convert(x, "rpm", rpm.unit) for x in made["rpm"]) if rpm else dyno.rpm
        more = tuple(Expected(n, "rpm", over, tuple(made[n])) for n in names if n not in REQUIRED)
        return dyno, more

    def _rows(self, text: str) -> list[tuple[int, list[str]]]:
        reader = csv.reader(text.removeprefix("\ufeff").splitlines(), strict=True)
        return [(reader.line_num, row) for row in reader]

    def _wrong(self, key: str, value: object, allowed: str, hint: str | None = None) -> None:
        if len(self._scope.problems) - self._before < MOST_TOLD:
            self._scope.problems.add(self._file, key, value, allowed, hint=hint)

    def _unit(self, name: str) -> str | None:
        """The unit that a column is brought to, None for one that has no place here."""
        signal = self._scope.signals.get(name)
        return REQUIRED.get(name) or (signal.unit if signal is not None else USUAL.get(name))

    def _columns(self, head: int, names: list[str], second: int, units: list[str]) -> bool:
        """Whether names and units are in order."""
        before = len(self._scope.problems)
        if len(names) == 1 and (";" in names[0] or "\t" in names[0]):
            self._wrong(f"line {head}", names[0], "must be separated by commas, with points in the numbers")
            return False
        for name, usual in REQUIRED.items():
            if name not in names:
                self._wrong(f"line {head}", None, f"must name a column {name}, in {usual} or another unit of it")
        if len(units) != len(names):
            self._wrong(
                f"line {second}", None, f"must have a unit for each of the {len(names)} columns, not {len(units)}"
            )
            return False
        for i, (name, unit) in enumerate(zip(names, units, strict=True)):
            wanted = self._unit(name)
            if names.index(name) != i:
                self._wrong(f"line {head}, column {i + 1}", name, "must be named once")
            elif wanted is None:
                allowed = "must be rpm, power, torque, boost, mixture or the name of a signal"
                self._wrong(f"line {head}, column {i + 1}", name, allowed)
            elif (found := find(unit)) is None or found.kind != UNITS[wanted].kind:
                allowed = f"must be a unit of {UNITS[wanted].kind}, as {wanted}"
                self._wrong(f"line {second}, column {i + 1} ({name})", unit, allowed)
        return len(self._scope.problems) == before

    def _numbers(self, names: list[str], body: list[tuple[int, list[str]]]) -> dict[str, list[float]] | None:
        columns: dict[str, list[float]] = {name: [] for name in names}
        sound = True
        for line, row in body:
            if len(row) != len(names):
                self._wrong(f"line {line}", None, f"must have {len(names)} numbers, not {len(row)}")
                sound = False
                continue
            for i, (name, cell) in enumerate(zip(names, row, strict=True)):
                try:
                    value = float(cell)
                except ValueError:
                    value = float("nan")
                if not isfinite(value) or (name in REQUIRED and value <= 0.0):
                    above = " above 0" if name in REQUIRED else ""
                    self._wrong(f"line {line}, column {i + 1} ({name})", cell, f"must be a number{above}")
                    sound = False
                columns[name].append(value)
        return columns if sound else None

    def _convert(self, name: str, values: list[float], unit: str) -> list[float]:
        wanted = self._unit(name)
        assert wanted is not None, "a column without a unit has been refused"
        return [convert(v, unit, wanted) for v in values]

    def _speeds(self, body: list[tuple[int, list[str]]], names: list[str], rpm: list[float]) -> None:
        column = names.index("rpm") + 1
        for (line, row), before, now in zip(body[1:], rpm, rpm[1:], strict=False):
            if not now > before:
                place = f"line {line}, column {column} (rpm)"
                self._wrong(place, row[column - 1], f"must be above {before:g} rpm, the row before: speeds increase")

    def _together(self, body: list[tuple[int, list[str]]], names: list[str], made: dict[str, list[float]]) -> None:
        """Told once: where it is so, it mostly is throughout."""
        column = names.index("power") + 1
        for i, (line, row) in enumerate(body):
            by_torque = made["torque"][i] * made["rpm"][i] * pi / 30_000.0
            if abs(made["power"][i] / by_torque - 1.0) > TOGETHER:
                self._wrong(
                    f"line {line}, column {column} (power)",
                    row[column - 1],
                    f"must be what torque and speed make of it, {by_torque:.4g} kW: one of the three has another unit "
                    "or was taken at another shaft",
                )
                return
