"""From the tables of fieldcheck.toml to a field check: references, bands and times checked, and what never holds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from uphaul.analysis.field_check import (
    EXPECTED,
    Amount,
    Band,
    FieldCheck,
    Measure,
    OfSheet,
    Part,
    Span,
    Step,
    Take,
    WaitsFor,
)
from uphaul.analysis.field_check_measure import SHEET, rating
from uphaul.config.amounts import Scope, check_reach, curve_of, shown_limit, whole_ms
from uphaul.config.field_check_tables import (
    BandTable,
    FieldCheckFile,
    MeasureTable,
    OfSheetTable,
    StepTable,
    WaitsForTable,
)
from uphaul.config.model import CurveTable
from uphaul.config.shape import Shaped
from uphaul.rules import ABOVE, BELOW
from uphaul.units import compatible
from uphaul.vehicle import Vehicle

__all__ = ["build_field_check"]

NO_BAND_OF = (Take.SPREAD, Take.SLOPE, Take.LARGEST_RATE, Take.TIME_TO)
"""Takes whose value has another unit than the signal or another zero, so that no rating and no curve can bound it."""


def build_field_check(
    scope: Scope, shaped: Shaped[FieldCheckFile], vehicle: Vehicle, tunes: Iterable[str] | None
) -> FieldCheck | None:
    """The check, None when there is no step. `tunes` None: not known, any name goes."""
    table = shaped.data
    names = None if tunes is None else tuple(tunes)
    builder = _Builder(scope, vehicle, names)
    for tune in table.excused:
        builder.tune(f"excused.{tune}", tune)
    for tune, why in table.excused.items():
        if not why.strip():
            scope.wrong(f"excused.{tune}", why, "must say why it needs no run of its own")
    if names and set(names) <= set(table.excused):
        scope.wrong("excused", None, "must leave at least one tune of the vehicle to be driven")
    steps = tuple(builder.step(name, step) for name, step in table.step.items())
    _check_order(scope, table.step, shaped.named.get("step", ()))
    if not steps:
        return None
    return FieldCheck(table.title, steps, tuple(table.cautions), tuple(table.excused.items()))


def _check_order(scope: Scope, steps: Mapping[str, StepTable], named: Sequence[str]) -> None:
    """`named` are all steps of the file, such as are at fault themselves included."""
    for name, step in steps.items():
        for i, other in enumerate(step.after):
            if other not in named:
                scope.wrong(f"step.{name}.after[{i}]", other, "must be the name of another step", known=named)
        seen, ahead = set[str](), list(step.after)
        while ahead:
            before = ahead.pop()
            if before == name:
                scope.wrong(
                    f"step.{name}.after",
                    list(step.after),
                    "must not lead back to the step itself: it would never begin",
                )
                break
            if before not in seen:
                seen.add(before)
                ahead += steps[before].after if before in steps else []


class _Builder:
    """Builds steps."""

    def __init__(self, scope: Scope, vehicle: Vehicle, tunes: tuple[str, ...] | None) -> None:
        self._scope, self._vehicle, self._tunes = scope, vehicle, tunes

    def tune(self, key: str, name: str) -> None:
        """A tune that the vehicle has not is a problem."""
        if self._tunes is not None and name not in self._tunes and self._scope.strict:
            self._scope.wrong(key, name, "must be the name of a tune of vehicle.toml", known=self._tunes)

    def step(self, name: str, table: StepTable) -> Step:
        """One step."""
        scope, key = self._scope, f"step.{name}"
        for_ms, at_most_ms, settle_ms = (
            whole_ms(scope, f"{key}.{k}_s", v)
            for k, v in (("for", table.for_s), ("at_most", table.at_most_s), ("settle", table.settle_s))
        )
        if table.span == "while" and at_most_ms < for_ms:
            scope.wrong(f"{key}.at_most_s", table.at_most_s, f"must be at least `for_s`, {table.for_s:g} s")
        if settle_ms >= for_ms:
            scope.wrong(f"{key}.settle_s", table.settle_s, f"must be less than `for_s`, {table.for_s:g} s")
        if not table.measure:
            scope.wrong(f"{key}.measure", None, "must have at least one measure")
        waits = tuple(self._waits(f"{key}.waits_for[{i}]", w) for i, w in enumerate(table.waits_for))
        self._check_together(key, waits)
        return Step(
            name=name,
            part=Part(table.part),
            title=table.title,
            do=table.do,
            say=table.say,
            waits_for=waits,
            measures=tuple(self._measure(f"{key}.measure.{n}", n, each) for n, each in table.measure.items()),
            moving=table.moving,
            span=Span(table.span),
            for_ms=for_ms,
            at_most_ms=at_most_ms,
            settle_ms=settle_ms,
            each_tune=table.each_tune,
            after=tuple(table.after),
            retries=table.retries,
        )

    def _waits(self, key: str, table: WaitsForTable) -> WaitsFor:
        scope = self._scope
        signal = scope.named(table.signal, f"{key}.signal")
        held_ms = whole_ms(scope, f"{key}.held_s", table.held_s)
        bridge_ms = whole_ms(scope, f"{key}.bridge_s", table.bridge_s)
        rate_ms = whole_ms(scope, f"{key}.rate_over_s", table.rate_over_s) if table.rate_over_s is not None else 0
        if (table.above is None) == (table.below is None):
            there = table.above is not None
            scope.wrong(
                f"{key}.below" if there else key,
                shown_limit(table.below),
                "must be left out where `above` is: one limit only" if there else "needs a limit: `above` or `below`",
            )
        side, word, told = (ABOVE, "above", table.above) if table.above is not None else (BELOW, "below", table.below)
        limit = curve_of(scope, f"{key}.{word}", told) if isinstance(told, CurveTable) else told
        if limit is None:
            limit = float("nan")  # noted above; with nothing does it clash
        elif not rate_ms:
            check_reach(scope, f"{key}.{word}", signal, side=side, limit=limit, deadband=table.deadband)
        elif not isinstance(limit, float):
            scope.wrong(f"{key}.{word}", None, "must be a number where `rate_over_s` is")
        return WaitsFor(table.signal, side, limit, table.deadband, rate_ms, held_ms, bridge_ms)

    def _check_together(self, key: str, waits: tuple[WaitsFor, ...]) -> None:
        """Two limits on one signal that leave nothing in between never hold together."""
        for i, one in enumerate(waits):
            for j, other in enumerate(waits):
                if (one.signal, one.rate_ms) != (other.signal, other.rate_ms) or (one.side, other.side) != (
                    ABOVE,
                    BELOW,
                ):
                    continue
                low, high = one.limit, other.limit
                if isinstance(low, float) and isinstance(high, float) and low >= high:
                    self._scope.wrong(
                        f"{key}.waits_for[{max(i, j)}]",
                        high if j > i else low,
                        f"can never hold together with waits_for[{min(i, j)}]: "
                        f"{one.signal} above {low:g} and below {high:g}",
                    )

    def _measure(self, key: str, name: str, table: MeasureTable) -> Measure:
        scope, take = self._scope, Take(table.take)
        signal = scope.named(table.signal, f"{key}.signal")
        apart = False
        if table.against == EXPECTED:
            apart = table.signal in {e.signal for t in self._vehicle.tunes for e in t.expected}
            if not apart and self._tunes is not None:
                scope.wrong(f"{key}.against", EXPECTED, f"needs tune.NAME.expected.{table.signal} in vehicle.toml")
        elif table.against:
            other = scope.named(table.against, f"{key}.against")
            apart = signal is not None and other is not None and signal.unit == other.unit
            if signal is not None and other is not None and not apart:
                scope.wrong(
                    f"{key}.against",
                    table.against,
                    f"must be a signal in {signal.unit}, as {signal.name} is; it is in {other.unit}",
                )
        if (table.reach is not None) != (take is Take.TIME_TO):
            missing = take is Take.TIME_TO
            text = (
                "is required: the value that is to be reached"
                if missing
                else f"belongs to time-to, not to {take.value}"
            )
            scope.wrong(f"{key}.reach", shown_limit(table.reach), text)
        if table.falling and take is not Take.TIME_TO:
            scope.wrong(f"{key}.falling", True, f"belongs to time-to, not to {take.value}")
        goal = table.reach
        reach = None if goal is None else self._amount(f"{key}.reach", goal, table.signal, apart=apart)
        band = self._band(key, table, take, table.signal, apart=apart)
        tunes = []
        for tune, each in table.tune.items():
            self.tune(f"{key}.tune.{tune}", tune)
            own = self._band(f"{key}.tune.{tune}", each, take, table.signal, apart=apart)
            if own is None:
                scope.wrong(f"{key}.tune.{tune}", None, "must have `low` or `high`")
            else:
                tunes.append((tune, own))
        if band is not None or tunes:
            for word in ("reason", "source"):
                if not getattr(table, word).strip():
                    scope.wrong(f"{key}.{word}", None, "is required where there is a band, for whoever signs it")
        return Measure(
            name=name,
            title=table.title,
            signal=table.signal,
            take=take,
            against=table.against,
            reach=reach,
            falling=table.falling,
            band=band,
            tunes=tuple(tunes),
            reason=table.reason,
            source=table.source,
        )

    def _band(self, key: str, table: BandTable, take: Take, signal: str, *, apart: bool) -> Band | None:
        bounds: list[Amount | None] = []
        for word, value in (("low", table.low), ("high", table.high)):
            if value is not None and not isinstance(value, float) and take in NO_BAND_OF:
                self._scope.wrong(f"{key}.{word}", None, f"must be a number for {take.value}")
            bounds.append(None if value is None else self._amount(f"{key}.{word}", value, signal, apart=apart))
        low, high = bounds
        if low is None and high is None:
            return None
        if isinstance(low, float) and isinstance(high, float) and low > high:
            self._scope.wrong(f"{key}.low", low, f"must be at most `high`, {high:g}: nothing could pass")
        return Band(low, high)

    def _amount(self, key: str, value: float | CurveTable | OfSheetTable, signal: str, *, apart: bool) -> Amount:
        """`apart`: of a difference."""
        scope = self._scope
        if isinstance(value, CurveTable):
            return curve_of(scope, key, value)
        if not isinstance(value, OfSheetTable):
            return value
        if value.of not in SHEET:
            scope.wrong(f"{key}.of", value.of, "must be something that the build sheet tells", known=tuple(SHEET))
            return OfSheet(value.share, value.of)
        found = scope.signals.get(signal)
        if found is not None and not compatible(found.unit, SHEET[value.of]):
            scope.wrong(
                f"{key}.of",
                value.of,
                f"must be in a unit like {found.unit}, as {signal} is; it is in {SHEET[value.of]}",
            )
            return OfSheet(value.share, value.of)
        if apart and SHEET[value.of] == "degC":
            unit = "K" if found is None or found.unit == "degC" else found.unit
            scope.wrong(f"{key}.of", value.of, f"must be a number in {unit}: no difference is a share of a temperature")
            return OfSheet(value.share, value.of)
        of_tune = value.of.startswith("tune.")
        lacking = [t for t in self._tunes or () if rating(self._vehicle, value.of, t) is None]
        if self._tunes is not None and (lacking if of_tune else rating(self._vehicle, value.of) is None):
            where = f"tune {', '.join(lacking)} of vehicle.toml does" if of_tune else "vehicle.toml does"
            scope.wrong(f"{key}.of", value.of, f"must be told by the build sheet: {where} not")
        return OfSheet(value.share, value.of)
