"""Power of a handover's pulls as the road tells it, beside the tune's dynamometer run, and what a road can't know."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, isnan

import numpy as np

from uphaul.analysis.pull_spread import Spread, spread
from uphaul.analysis.pulls import WHAT_A_ROAD_CANT_KNOW
from uphaul.physics.basis import Floats
from uphaul.reports.handover_case import Handover, Placed
from uphaul.reports.page import Block, Bullets, Heading, Para, Section, Table
from uphaul.reports.words import figure, measured, plural

__all__ = ["EFFICIENCY_DOUBT", "Beside", "bench_kw", "bench_rows", "road"]

EFFICIENCY_DOUBT = 0.06
"""Half width (some 95 %) of the driveline's efficiency as a share. Source: 0.85 to 0.92 is common practice."""

BENCH_STEP_RPM = 200.0


def road(handed: Handover) -> Section:
    """The road's estimate beside the dynamometer's, from pull to pull, and what it can't know."""
    found = handed.placed()
    blocks: list[Block] = []
    for group in spread([p.pull for p in found]):
        blocks += _group(handed, group, [p for p in found if (p.pull.tune, p.pull.gear) == (group.tune, group.gear)])
    if not blocks:
        blocks.append(Para("No pull of which power is known, so nothing stands beside a dynamometer run."))
    blocks += _made_of(found)
    blocks.append(Heading("What a road estimate can't know"))
    blocks.append(Bullets(WHAT_A_ROAD_CANT_KNOW))
    return Section("road", "Road and dynamometer", tuple(blocks))


def bench_kw(handed: Handover, tune: str | None, rpm: Floats) -> Floats | None:
    """(N,) the tune's dynamometer run at the wheels in kW, NaN beyond its speeds; None where there is none."""
    found = handed.tune(tune)
    line = handed.vehicle.sheet.driveline
    if found is None or found.dyno is None or line is None:
        return None
    run = found.dyno
    return np.interp(rpm, run.rpm, run.power_kw, left=np.nan, right=np.nan) * line.efficiency


@dataclass(frozen=True, slots=True)
class Beside:
    """A row of the bench column: road and dynamometer at one engine speed, in kW at the wheels.

    `doubt` is the road's half width (some 95 %), `spread` the robust standard deviation from pull to pull.
    """

    rpm: float
    road: float
    doubt: float
    spread: float
    bench: float

    @property
    def apart(self) -> float:
        """Road over dynamometer, less 1."""
        return self.road / self.bench - 1.0

    def agree(self, bench_doubt: float) -> bool:
        """Whether they differ by no more than both leave open; `bench_doubt` is a half width, as a share."""
        return abs(self.road - self.bench) <= float(np.hypot(self.doubt, bench_doubt * self.bench))


def bench_rows(handed: Handover, group: Spread, members: Sequence[Placed]) -> list[Beside]:
    """The group's power every 200 rpm, with the larger of what its pulls leave open, beside the tune's run."""
    course = group.of("power_kw")
    if course is None:
        return []
    rpm = np.array(group.rpm)
    run = bench_kw(handed, group.tune, rpm)
    out = []
    for i, at in enumerate(group.rpm):
        if at % BENCH_STEP_RPM or isnan(course.middle[i]):
            continue
        doubts = [
            m.pull.curve.power_doubt_kw[m.pull.curve.rpm.index(at)]
            for m in members
            if m.pull.curve is not None and at in m.pull.curve.rpm
        ]
        known = [d for d in doubts if isfinite(d)]
        bench = float("nan") if run is None else float(run[i])
        out.append(Beside(at, course.middle[i], max(known, default=float("nan")), course.spread[i], bench))
    return out


def _group(handed: Handover, group: Spread, members: Sequence[Placed]) -> list[Block]:
    rows = bench_rows(handed, group, members)
    if not rows:
        return []
    tune = handed.tune(group.tune)
    run = None if tune is None else tune.dyno
    wide = 0.0 if run is not None and run.at_wheels else EFFICIENCY_DOUBT
    ways = ", the mean of both directions" if group.both_ways else ""
    name = f"{group.tune or 'tune unknown'}, gear {group.gear}: {plural(group.pulls, 'pull')}{ways}"
    several = any(isfinite(r.spread) for r in rows)
    header = ["rpm", "road, kW", "± (95 %)", *(["from pull to pull, kW"] if several else [])]
    if run is not None:
        header += ["dynamometer, kW", "road less dynamometer", "note"]
    cells = []
    for r in rows:
        road = [_kw(x, r.doubt) for x in (r.road, r.doubt, r.spread)]
        line = [f"{r.rpm:.0f}", *road[: 3 if several else 2]]
        if run is not None:
            known = isfinite(r.bench)
            note = "" if not known or r.agree(wide) else "disagree"
            line += [_kw(r.bench), figure(round(100.0 * r.apart), "%", sign=True) if known else "–", note]
        cells.append(tuple(line))
    out: list[Block] = [Table(f"Power at the wheels, {name}", tuple(header), tuple(cells), tuple(range(6)))]
    out.append(Para(_compared(rows, wide, at_wheels=bool(run and run.at_wheels)) if run else _no_run(handed, group)))
    return out


def _kw(value: float, doubt: float | None = None) -> str:
    """No finer than its doubt; without the unit, which stands above."""
    return measured(value, "kW", doubt=doubt).removesuffix("\N{NO-BREAK SPACE}kW")


def _no_run(handed: Handover, group: Spread) -> str:
    tune = handed.tune(group.tune)
    if tune is not None and tune.dyno is not None:
        return "The tune has a dynamometer run, but the build sheet has no driveline by which it comes to the wheels."
    return "The build sheet has no dynamometer run of this tune: nothing to stand beside the road."


def _compared(rows: Sequence[Beside], wide: float, *, at_wheels: bool) -> str:
    both = [r for r in rows if isfinite(r.bench)]
    if not both:
        return "Road and dynamometer have no engine speed in common."
    how = (
        "The dynamometer measured at the wheels."
        if at_wheels
        else f"The dynamometer's power at the crankshaft is brought to the wheels by the sheet's efficiency, "
        f"± {wide:.0%}."
    )
    apart = [r for r in both if not r.agree(wide)]
    if not apart:
        return f"{how} Road and dynamometer differ by no more than both leave open, at all {len(both)} speeds."
    more = sum(r.apart > 0.0 for r in apart) > len(apart) / 2
    why = (
        "more weight or drag than the sheet says, a headwind or a slope that was not seen"
        if more
        else "less weight than the sheet says, a tail wind, a slipping clutch, or less power than on the dynamometer"
    )
    return (
        f"{how} They disagree at {len(apart)} of {len(both)} speeds: the road tells "
        f"{'more' if more else 'less'} than the dynamometer. Trust neither before it is known why: {why}."
    )


def _made_of(found: Sequence[Placed]) -> list[Block]:
    """What the uncertainty is made of, and how it was smoothed."""
    rows: list[tuple[str, ...]] = []
    notes: dict[str, None] = {}
    for each in found:
        curve = each.pull.curve
        if curve is None or np.isnan(curve.of("power_kw")).all():
            continue
        at = int(np.nanargmax(curve.of("power_kw")))
        rows.append(
            (
                str(each.number),
                f"{curve.power_doubt_kw[at]:.1f}",
                ", ".join(
                    f"{n} {x[at]:.1f}" for n, x in sorted(curve.shares, key=lambda s: -s[1][at]) if x[at] >= 0.05
                ),
            )
        )
        if curve.smoothing is not None:
            notes[curve.smoothing.words] = None
        notes.update(dict.fromkeys(f"Pull {each.number}: {said}" for said in curve.assumed))
    if not rows:
        return []
    out: list[Block] = [Table("What ± at most power is made of, kW", ("pull", "±", "of that"), tuple(rows), (0, 1))]
    return [*out, Bullets(tuple(notes))] if notes else out
