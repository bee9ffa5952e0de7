"""Cuts a drive into what the vehicle was doing: standing cold, starting, idling, cruising, climbing, pulling and so on.

Theory of operation. `KINDS` says what each kind is; `cut` finds the ticks of each by masks over the whole drive with
thresholds that latch, pauses that are bridged and least durations, so that nothing flickers. Where two kinds hold, the
later one in `KINDS` has the tick, and `other` has what none wants: every tick belongs to exactly one segment. Scraps
that this leaves go to their longer neighbour. A gap of more than `CUT_GAP_MS` cuts, a shorter one does not.

What a drive has no signal for is not told: without a pedal no pull, without grade, height or barometer no climb.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isnan

import numpy as np

from uphaul.analysis.route import height_m, road_grade, steps_m
from uphaul.analysis.segment_figures import RoleFigures, RuleHeadroom, figures_by_role, headroom_by_rule
from uphaul.analysis.spans import bridged, held, lasting, latched, runs, slope, spans_of
from uphaul.analysis.whole import WholeDrive
from uphaul.physics.basis import Bools, Floats, Ints
from uphaul.rules import Rule

__all__ = ["CUT_BY", "KINDS", "Definition", "Segment", "SegmentKind", "cut", "doing", "pulling"]

CUT_BY = (
    *("rpm", "speed", "pedal", "gear", "boost", "egt", "egt_post", "coolant"),
    *("altitude", "grade", "baro", "ambient"),
)
"""The roles that tell what the vehicle was doing: all that a cut without figures reads."""

# Source of all thresholds: common practice; where two would do, our own choice between them.
OFF_RPM, RUNNING_RPM = 50.0, 500.0
START_S = 5.0
STANDING_M_S, MOVING_M_S = 0.5, 1.5
IDLE_RPM, IDLE_LEAST_S = 1500.0, 5.0
BLIND_IDLE_RPM, BLIND_IDLE_KPA = 1000.0, 10.0
WARM_DEGC, WARM_UP_MOST_S = 70.0, 1200.0
CRUISE_M_S, CRUISE_ON_M_S2, CRUISE_OFF_M_S2 = 8.0, 0.10, 0.25
CRUISE_REACH_S, CRUISE_PAUSE_S, CRUISE_LEAST_S = 2.5, 3.0, 15.0
HILL_ON, HILL_OFF, HILL_PAUSE_S, HILL_LEAST_S = 0.03, 0.015, 15.0, 30.0
PEDAL_ON, PEDAL_OFF, PULL_LEAST_S, PULL_RISE_RPM = 0.90, 0.80, 2.0, 500.0
PULL_PART_RPM, PULL_PAUSE_S, PULL_SLACK_RPM = 150.0, 3.0, 40.0
COOL_DEGC, COOL_HOLD_S, COOL_BLIND_S, LOAD_BEFORE_S, LOAD_KPA = 200.0, 30.0, 180.0, 600.0, 70.0
SCRAP_S, TINY_S = 5.0, 1.0
CUT_GAP_MS = 10_000


class SegmentKind(StrEnum):
    """What the vehicle was doing."""

    OTHER = "other"
    CRUISE = "cruise"
    WARM_UP = "warm-up"
    DESCENT = "descent"
    CLIMB = "climb"
    IDLE = "idle"
    COOL_DOWN = "cool-down"
    PULL = "pull"
    START = "start"
    KEY_ON = "key-on"
    SOAK = "soak"


@dataclass(frozen=True, slots=True)
class Definition:
    """What a kind of segment is, in words for people, and the roles without which it is never told."""

    words: str
    needs: tuple[str, ...] = ()
    source: str = "common practice"


KINDS: dict[SegmentKind, Definition] = {
    SegmentKind.OTHER: Definition("none of the others: setting off, braking, town traffic", source="our own choice"),
    SegmentKind.CRUISE: Definition(
        f"{CRUISE_M_S * 3.6:.0f} km/h or more for {CRUISE_LEAST_S:g} s, the speed changing by less than "
        f"{CRUISE_ON_M_S2 * 3.6:.2g} km/h a second (until it changes by {CRUISE_OFF_M_S2 * 3.6:.2g}), on no climb or "
        "descent",
        ("speed",),
    ),
    SegmentKind.WARM_UP: Definition(
        f"engine running, the coolant below {WARM_DEGC:g} degC since the start and not yet warm; "
        f"{WARM_UP_MOST_S / 60:g} min at most",
        ("rpm", "coolant"),
    ),
    SegmentKind.DESCENT: Definition(
        f"{HILL_ON:.0%} downhill or more (until less than {HILL_OFF:.1%}) for {HILL_LEAST_S:g} s, with pauses of "
        f"{HILL_PAUSE_S:g} s at most",
        ("speed",),
    ),
    SegmentKind.CLIMB: Definition(
        f"{HILL_ON:.0%} uphill or more (until less than {HILL_OFF:.1%}) for {HILL_LEAST_S:g} s, with pauses of "
        f"{HILL_PAUSE_S:g} s at most; a gear change ends none",
        ("speed",),
    ),
    SegmentKind.IDLE: Definition(
        f"engine running below {IDLE_RPM:g} rpm, warm, the vehicle standing (below {STANDING_M_S * 3.6:.1f} km/h) for "
        f"{IDLE_LEAST_S:g} s; where no speed is known below {BLIND_IDLE_RPM:g} rpm without boost",
        ("rpm",),
    ),
    SegmentKind.COOL_DOWN: Definition(
        f"the stand before the engine is switched off or the drive ends, after load (exhaust above {COOL_DEGC:g} degC "
        f"as it begins), until the exhaust has been below for {COOL_HOLD_S:g} s; without a probe {COOL_BLIND_S:g} s, "
        f"after a pull, a climb or {LOAD_KPA:g} kPa of boost in the {LOAD_BEFORE_S / 60:g} min before",
        ("rpm",),
    ),
    SegmentKind.PULL: Definition(
        f"full-load acceleration: pedal at {PEDAL_ON:.0%} or more for {PULL_LEAST_S:g} s while the engine gains "
        f"{PULL_RISE_RPM:g} rpm, from where it begins to gain until it gains no more; a gear change "
        f"({PULL_PAUSE_S:g} s) ends none",
        ("rpm", "pedal"),
    ),
    SegmentKind.START: Definition(
        f"from the first turn of the engine until it has run by itself ({RUNNING_RPM:g} rpm) for {START_S:g} s",
        ("rpm",),
    ),
    SegmentKind.KEY_ON: Definition(f"engine off (below {OFF_RPM:g} rpm) before it first ran", ("rpm",)),
    SegmentKind.SOAK: Definition(f"engine off (below {OFF_RPM:g} rpm) after it ran", ("rpm",)),
}
"""Every kind, in rising order: where two hold, the later one has the tick."""

_ORDER = tuple(KINDS)
_NUMBER = {kind: np.int8(i) for i, kind in enumerate(_ORDER)}
_YIELDING = frozenset(range(_ORDER.index(SegmentKind.IDLE)))
"""Kinds that may be a scrap, or be lengthened by one of less than `SCRAP_S`."""

_TAKING = frozenset(range(_ORDER.index(SegmentKind.IDLE), _ORDER.index(SegmentKind.START)))
"""Kinds that a scrap of less than `TINY_S` may go to where there is no other: idle, cool-down, pull."""

Labels = np.ndarray[tuple[int], np.dtype[np.int8]]


@dataclass(frozen=True, slots=True)
class Segment:
    """One stretch of a drive: ticks `start` to `stop` (not counted), `t_ms` those of its first and last tick.

    `duration_s` is recorded time, without gaps. `distance_m`, `rise_m` (net, positive uphill) and `grade` (rise over
    distance) are NaN when unknown or, the grade, when it hardly moved. `figures` has one entry for each role that was
    known at some tick; `headroom` one for each rule that was measured, when rules were given.
    """

    kind: SegmentKind
    start: int
    stop: int
    t_ms: tuple[int, int]
    duration_s: float
    distance_m: float
    rise_m: float
    grade: float
    figures: tuple[RoleFigures, ...] = ()
    headroom: tuple[RuleHeadroom, ...] = ()

    def of(self, role: str) -> RoleFigures | None:
        """The figures of a role, None where it was unknown throughout."""
        return next((f for f in self.figures if f.role == role), None)


def cut(drive: WholeDrive, rules: Sequence[Rule] = (), *, figures: bool = True) -> list[Segment]:
    """The segments of a drive in order: together they hold every tick once.

    With `rules` (in the drive's own units, its tunes by name) each tells how near every rule came to its limit there:
    that costs one judging of the drive. Without `figures` none of the roles has its own: most of the work of a cut.
    """
    step_m = steps_m(drive)
    grade = road_grade(drive, step_m)
    labels = doing(drive, grade)
    bounds = list(_tidied(drive, labels))
    starts = [start for start, _ in bounds]
    by_role = figures_by_role(drive, starts) if figures else [()] * len(bounds)
    headroom = headroom_by_rule(drive, bounds, rules) if rules else [()] * len(bounds)
    durations = np.add.reduceat(drive.dt_s, starts)
    far = np.add.reduceat(np.nan_to_num(step_m), starts)
    known = np.add.reduceat(~np.isnan(step_m) * 1.0, starts)
    uphill = np.add.reduceat(np.nan_to_num(step_m * grade), starts)
    height, lost = height_m(drive), np.isnan(grade)
    out = []
    for i, (start, stop) in enumerate(bounds):
        distance = float(far[i]) if 2.0 * known[i] >= stop - start else float("nan")
        rise = _rise(height[start:stop], drive.t_ms[start:stop])
        if isnan(rise) and not lost[start:stop].all():
            rise = float(uphill[i])
        out.append(
            Segment(
                kind=_ORDER[labels[start]],
                start=start,
                stop=stop,
                t_ms=(int(drive.t_ms[start]), int(drive.t_ms[stop - 1])),
                duration_s=float(durations[i]),
                distance_m=distance,
                rise_m=rise,
                grade=rise / distance if distance >= 50.0 else float("nan"),
                figures=by_role[i],
                headroom=headroom[i],
            )
        )
    return out


def doing(drive: WholeDrive, grade: Floats) -> Labels:
    """(N,) what each tick belongs to, as a place in `KINDS`, scraps and all. `grade` as of `road_grade`."""
    t, n = drive.t_ms, len(drive)
    rpm, speed = held(drive.read("rpm"), t), held(drive.read("speed"), t)
    labels = np.zeros(n, dtype=np.int8)

    def paint(kind: SegmentKind, mask: Bools) -> None:
        labels[mask] = _NUMBER[kind]

    off = lasting(bridged(rpm < OFF_RPM, t, 1000), t, 500)
    if drive.has("speed"):
        standing = latched(speed < STANDING_M_S, ~(speed <= MOVING_M_S))
    else:
        strained = drive.read("boost") > BLIND_IDLE_KPA
        standing = (rpm < BLIND_IDLE_RPM) & ~strained
    up, down = _hills(grade, drive), _hills(-grade, drive)
    pull = _pulls(drive, rpm, speed)
    stand = lasting(standing & (rpm < IDLE_RPM) & ~off, t, round(IDLE_LEAST_S * 1000))

    paint(SegmentKind.CRUISE, _cruise(drive, speed) & ~up & ~down)
    paint(SegmentKind.IDLE, stand)
    paint(SegmentKind.WARM_UP, _warm_up(drive, rpm, off))
    paint(SegmentKind.DESCENT, down & ~stand)
    paint(SegmentKind.CLIMB, up & ~stand)
    paint(SegmentKind.COOL_DOWN, _cool_downs(drive, stand, off, up | pull))
    paint(SegmentKind.PULL, pull)
    for start, stop in runs(off):
        ran = bool((rpm[:start] >= RUNNING_RPM).any())
        labels[start:stop] = _NUMBER[SegmentKind.SOAK if ran else SegmentKind.KEY_ON]
    for start, stop in _starts(drive, rpm, off):
        labels[start:stop] = _NUMBER[SegmentKind.START]
    return labels


def pulling(drive: WholeDrive) -> Bools:
    """(N,) whether a tick is part of a pull, over gear changes: for those who want no other segment."""
    return _pulls(drive, held(drive.read("rpm"), drive.t_ms), held(drive.read("speed"), drive.t_ms))


def _starts(drive: WholeDrive, rpm: Floats, off: Bools) -> Iterator[tuple[int, int]]:
    """From where the engine first turns until it has run for a while, or stands again."""
    t = drive.t_ms
    stops = [stop for _, stop in runs(off) if stop < len(drive)]
    for stop in stops:
        again = np.flatnonzero(off[stop:])
        end = stop + int(again[0]) if len(again) else len(drive)
        runs_at = np.flatnonzero(rpm[stop:end] >= RUNNING_RPM)
        if len(runs_at):
            last_ms = t[stop + int(runs_at[0])] + START_S * 1000
            end = min(end, int(np.searchsorted(t, last_ms, side="right")))
        yield stop, end


def _warm_up(drive: WholeDrive, rpm: Floats, off: Bools) -> Bools:
    """Ticks of each run of the engine from a cold beginning until the coolant is warm."""
    t, coolant = drive.t_ms, held(drive.read("coolant"), drive.t_ms)
    out = np.zeros(len(drive), dtype=bool)
    for start, stop in runs(~off & ~np.isnan(rpm)):
        known = np.flatnonzero(~np.isnan(coolant[start:stop]))
        warm = np.flatnonzero(coolant[start:stop] >= WARM_DEGC)
        end = start + int(warm[0]) if len(warm) else stop
        end = min(end, int(np.searchsorted(t, t[start] + WARM_UP_MOST_S * 1000)))
        out[start:end] = bool(len(known))
    return out


def _cruise(drive: WholeDrive, speed: Floats) -> Bools:
    t = drive.t_ms
    change = np.abs(slope(speed, t, round(CRUISE_REACH_S * 1000)))
    calm = latched(change <= CRUISE_ON_M_S2, ~(change <= CRUISE_OFF_M_S2)) & (speed >= CRUISE_M_S)
    return lasting(bridged(calm, t, round(CRUISE_PAUSE_S * 1000)), t, round(CRUISE_LEAST_S * 1000))


def _hills(grade: Floats, drive: WholeDrive) -> Bools:
    t = drive.t_ms
    steep = latched(grade >= HILL_ON, ~(grade >= HILL_OFF))
    return lasting(bridged(steep, t, round(HILL_PAUSE_S * 1000)), t, round(HILL_LEAST_S * 1000))


def _pulls(drive: WholeDrive, rpm: Floats, speed: Floats) -> Bools:
    """Full pedal while engine and road speed rise, over gear changes."""
    t, pedal = drive.t_ms, held(drive.read("pedal"), drive.t_ms)
    gear = held(drive.read("gear"), t)
    shift = np.zeros(len(drive), dtype=bool)
    shift[1:] = gear[1:] != gear[:-1]
    shift &= ~np.isnan(gear)
    full = latched(pedal >= PEDAL_ON, ~(pedal >= PEDAL_OFF))
    part, gained = np.zeros(len(drive), dtype=bool), np.zeros(len(drive))
    for start, stop in runs(full & ~shift):
        began, ended, rise = _gain(rpm[start:stop])
        slower = speed[start + ended] < speed[start + began] + 0.05 * speed[start + began]
        if rise >= PULL_PART_RPM and not (slower and speed[start + began] > MOVING_M_S):
            part[start + began : start + ended + 1] = True
            gained[start + began : start + ended + 1] = rise
    out = bridged(part, t, round(PULL_PAUSE_S * 1000))
    for start, stop in runs(out):
        out[start:stop] = gained[start:stop].max() >= PULL_RISE_RPM
    return lasting(out, t, round(PULL_LEAST_S * 1000))


def _gain(rpm: Floats) -> tuple[int, int, float]:
    """(first tick, last tick, rise) of the largest rise in `rpm`; both ends where the speed leaves its noise."""
    known = np.where(np.isnan(rpm), np.inf, rpm)
    rise = np.where(np.isnan(rpm), -np.inf, rpm) - np.minimum.accumulate(known)
    top = int(np.argmax(rise))
    if not rise[top] > 0.0:
        return 0, 0, 0.0
    low = int(np.argmin(known[: top + 1]))
    began = low + int(np.flatnonzero(known[low : top + 1] <= known[low] + PULL_SLACK_RPM)[-1])
    ended = began + int(np.flatnonzero(rpm[began : top + 1] >= rpm[top] - PULL_SLACK_RPM)[0])
    return began, ended, float(rise[top])


def _cool_downs(drive: WholeDrive, stand: Bools, off: Bools, load: Bools) -> Bools:
    """Of each stand that ends with the engine off or with the drive, the part in which the turbo cools."""
    t = drive.t_ms
    gas = held(drive.read("egt" if drive.has("egt") else "egt_post"), t)
    loaded = load | (held(drive.read("boost"), t) >= LOAD_KPA)
    out = np.zeros(len(drive), dtype=bool)
    for start, stop in runs(stand):
        if stop < len(drive) and not off[stop]:
            continue
        if np.isnan(gas[start:stop]).all():
            before = int(np.searchsorted(t, t[start] - LOAD_BEFORE_S * 1000))
            end = int(np.searchsorted(t, t[start] + COOL_BLIND_S * 1000)) if loaded[before:start].any() else start
        else:
            hot = np.flatnonzero(gas[start:stop] >= COOL_DEGC)
            begun_hot = len(hot) and t[start + int(hot[0])] - t[start] <= SCRAP_S * 1000
            end = int(np.searchsorted(t, t[start + int(hot[-1])] + COOL_HOLD_S * 1000)) if begun_hot else start
        out[start : min(end, stop)] = True
    return out


def _tidied(drive: WholeDrive, labels: Labels) -> Iterator[tuple[int, int]]:
    """The bounds of the segments, after scraps went to their longer neighbour; `labels` are changed with them."""
    t = drive.t_ms
    cuts = np.diff(t, prepend=t[:1]) > CUT_GAP_MS
    found = [(int(labels[start]), start, stop) for start, stop in spans_of(labels, cuts)]
    again = True
    while again:
        again = False
        tidy: list[tuple[int, int, int]] = []
        for i, (label, start, stop) in enumerate(found):
            before = tidy[-1] if tidy and not cuts[start] else None
            after = found[i + 1] if i + 1 < len(found) and not cuts[stop] else None
            into = _taker((label, start, stop), before, after, int(t[stop - 1] - t[start]))
            again |= into is not None
            new = label if into is None else into[0]
            if before is not None and before[0] == new:
                tidy[-1] = new, before[1], stop
            else:
                tidy.append((new, start, stop))
        found = tidy
    for label, start, stop in found:
        labels[start:stop] = label
        yield start, stop


def _taker(
    own: tuple[int, int, int], before: tuple[int, int, int] | None, after: tuple[int, int, int] | None, took_ms: int
) -> tuple[int, int, int] | None:
    """The neighbour that a stretch goes to, as (label, start, stop); None where it stands for itself."""
    label, start, stop = own
    if label not in _YIELDING or took_ms >= SCRAP_S * 1000:
        return None
    beside = [b for b in (before, after) if b is not None and b[0] != label and b[2] - b[1] > stop - start]
    takers = [b for b in beside if b[0] in _YIELDING]
    if not takers and took_ms <= TINY_S * 1000:
        takers = [b for b in beside if b[0] in _TAKING]
    return max(takers, key=lambda b: b[2] - b[1], default=None)


def _rise(height: Floats, t_ms: Ints) -> float:
    """Height of the last two known seconds less that of the first two, NaN when unknown."""
    known = np.flatnonzero(~np.isnan(height))
    if not len(known):
        return float("nan")
    height, t_ms = height[known], t_ms[known]
    half = min(2000, int(t_ms[-1] - t_ms[0]) // 2)
    begin = height[: np.searchsorted(t_ms, t_ms[0] + half, side="right")]
    end = height[np.searchsorted(t_ms, t_ms[-1] - half) :]
    return float(end.mean() - begin.mean())
