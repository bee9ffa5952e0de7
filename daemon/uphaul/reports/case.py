"""A drive that somebody complains about: all that its log tells of it, and what the analysis makes of that."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np

from uphaul.alerts import Notice
from uphaul.analysis.comparison import Comparison
from uphaul.analysis.evidence import Pair, evidence
from uphaul.analysis.findings import Findings, judge
from uphaul.analysis.moments import Marked, moments
from uphaul.analysis.pull_beside import Beside, Usual
from uphaul.analysis.review import Episode
from uphaul.analysis.segment_figures import RuleHeadroom, headroom_by_rule
from uphaul.analysis.segments import Segment, SegmentKind, cut
from uphaul.analysis.what_if import Stretch
from uphaul.analysis.whole import ROLES, WholeDrive
from uphaul.config.spec import Config
from uphaul.log.info import Anchor, DriveInfo, SegmentInfo
from uphaul.physics.basis import Bools, Floats
from uphaul.rules import ABOVE, Kind, Rule, Setting
from uphaul.signals import Block
from uphaul.units import convert
from uphaul.vehicle.apart import apart

__all__ = ["Case", "Looked", "Part", "look"]

MOST_SHOWN = 30
"""A day in town has a thousand segments: that many are told one by one, the longest."""


FAR = 0.5
"""Two limits of a rule that are further apart than this share of the signal's range are no degrees of one thing: the
outer one is there to switch the rule off. Source: our own choice."""


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of a drive that one configuration and one version of the program judged."""

    info: SegmentInfo
    config: Config
    sha256: str


@dataclass(frozen=True, eq=False)
class Case:
    """One drive of a log. `episodes` are what the rules said on the way, `notes` what the log could not give."""

    log: str
    about: DriveInfo
    parts: tuple[Part, ...]
    anchors: tuple[Anchor, ...]
    whole: WholeDrive
    episodes: tuple[Episode, ...]
    notices: tuple[Notice, ...]
    notes: tuple[str, ...] = ()

    @property
    def config(self) -> Config:
        """The configuration at the drive's end."""
        return self.parts[-1].config

    @property
    def rules(self) -> tuple[Rule, ...]:
        """The rules at the drive's end."""
        return self.config.rules

    @cached_property
    def rule_of(self) -> dict[str, Rule]:
        """Every rule that judged some part, by name, as it last was."""
        return {r.name: r for part in self.parts for r in part.config.rules}

    @property
    def first_ms(self) -> int:
        """The first tick."""
        return int(self.whole.t_ms[0])

    @property
    def last_ms(self) -> int:
        """The last tick."""
        return int(self.whole.t_ms[-1])

    @property
    def invented(self) -> bool:
        """Whether the drive is one of the invented vehicle."""
        return any(p.config.invented for p in self.parts)

    @cached_property
    def gaps(self) -> Bools:
        """(N,) ticks that follow a gap."""
        out: Bools = np.diff(self.whole.t_ms, prepend=self.whole.t_ms[:1]) > self.whole.gap_ms
        return out

    def unit(self, role: str) -> str:
        """The owner's unit of a role, the canonical one where it isn't fitted."""
        column = self.whole.column(role)
        return ROLES[role] if column is None else self.whole.signals[column].unit

    def own(self, role: str, value: float) -> float:
        """A value of a role from its canonical unit in the owner's."""
        return float(convert(value, ROLES[role], self.unit(role)))

    def tune(self, number: int) -> str:
        """The name of a tune of the whole drive."""
        return self.whole.tunes[number] if 0 <= number < len(self.whole.tunes) else "unknown"

    def off(self, rule: Rule, setting: Setting) -> bool:
        """Whether the limit of that setting switches the rule off, where another tune's is a real one."""
        signal = next((s for s in self.whole.signals if s.name == rule.signal), None)
        limits = [s.limit for s in (rule.base, *(s for _, s in rule.tunes)) if isinstance(s.limit, float | int)]
        if signal is None or rule.kind is not Kind.THRESHOLD or not isinstance(setting.limit, float | int):
            return False
        nearest = min(limits) if rule.side == ABOVE else max(limits)
        return (setting.limit - nearest) * rule.side > FAR * (signal.high - signal.low)

    def rule_unit(self, rule: Rule) -> str:
        """The unit of a rule's value and limit."""
        if rule.kind is Kind.LOST:
            return ""
        if rule.kind in (Kind.EXPOSURE, Kind.REACH):
            return "s"
        unit = next((s.unit for s in self.whole.signals if s.name == rule.signal), "")
        return f"{unit}/s" if rule.kind is Kind.RATE else unit

    def stretch(self, start: int = 0, stop: int | None = None) -> Stretch:
        """Ticks `start` to `stop` of the drive for the judge."""
        d = self.whole
        block = Block(d.signals, d.t_ms[start:stop], d.values[start:stop], d.tune[start:stop])
        names = (*d.tunes, *(n for r in self.rules for n, _ in (*r.tunes, *r.expected)))
        return Stretch(block, tuple(dict.fromkeys(names)), d.gap_ms)

    def known(self, signal: str) -> bool:
        """Whether a signal of that name was known at some tick."""
        return signal in self._known

    @cached_property
    def _known(self) -> frozenset[str]:
        found = np.isfinite(self.shares) & (self.shares > 0.0)
        return frozenset(s.name for s, any_ in zip(self.whole.signals, found.tolist(), strict=True) if any_)

    @cached_property
    def shares(self) -> Floats:
        """(S,) share of the ticks at which each signal was known."""
        out = np.zeros(len(self.whole.signals))
        for at in range(0, len(self.whole), 8192):
            out += np.count_nonzero(~np.isnan(self.whole.values[at : at + 8192]), axis=0)
        return out / len(self.whole)


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """What the analysis makes of a case. `comparison` None: there is no reference drive. `other_vehicle` says in
    sentences how the reference's vehicle differs by the build sheets; they are among the cautions too. `pulls` is
    what was compared in full-load pulls.

    `shown` are the segments that are told one by one, in order of time; `rooms` is how near the rules came in each
    stretch (first tick, tick after the last) of the drive: those of `shown` and what lies between them.
    """

    segments: tuple[Segment, ...]
    shown: tuple[Segment, ...]
    rooms: tuple[tuple[int, int, tuple[RuleHeadroom, ...]], ...]
    marked: tuple[Marked, ...]
    findings: Findings
    comparison: Comparison | None
    other_vehicle: tuple[str, ...] = ()
    pulls: tuple[tuple[Usual, Beside], ...] = ()


def look(case: Case, reference: Case | None = None) -> Looked:
    """Cut the drive, look at its marks, and hold it against the reference where there is one."""
    other = None if reference is None else reference.whole
    segments = tuple(cut(case.whole))
    shown = _longest(segments)
    bounds = _bounds(shown, len(case.whole))
    with ThreadPoolExecutor(1) as pool:  # the judge goes through the whole drive: as long as all the rest
        judged = pool.submit(headroom_by_rule, case.whole, bounds, case.rules)
        pair = Pair(case.whole, other)
        others = () if reference is None else apart(case.config.vehicle, reference.config.vehicle)
        comparison = pair.comparison
        if comparison is not None:
            comparison = replace(comparison, cautions=(*others, *comparison.cautions))
        cautions = comparison.cautions if comparison is not None else ("there is no reference drive",)
        found = judge(evidence(pair), cautions)
        marked = tuple(moments(case.whole, other))
        rooms = judged.result()
    return Looked(
        segments=segments,
        shown=shown,
        rooms=tuple((start, stop, room) for (start, stop), room in zip(bounds, rooms, strict=True)),
        marked=marked,
        findings=found,
        comparison=comparison,
        other_vehicle=others,
        pulls=pair.all_in_pulls(),
    )


def _longest(segments: Sequence[Segment]) -> tuple[Segment, ...]:
    told = [s for s in segments if s.kind is not SegmentKind.OTHER] or list(segments)
    return tuple(sorted(sorted(told, key=lambda s: -s.duration_s)[:MOST_SHOWN], key=lambda s: s.start))


def _bounds(shown: Sequence[Segment], ticks: int) -> list[tuple[int, int]]:
    """The segments' bounds and those of what lies between them: together the whole drive."""
    cuts = sorted({0, ticks, *(s.start for s in shown), *(s.stop for s in shown)})
    return list(pairwise(cuts))
