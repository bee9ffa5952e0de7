"""The rules as the tuner has them now: what they say of the drive, what that changes, and the file to take away.

Theory of operation. The page sends all of its edits each time; the server keeps no page's state. The edited text of
the rules file is read as the daemon reads it, so every error names file, key and value. What a rule said is kept by
the rule itself (a frozen value): a rule that is as it was is never judged again. A set of rules that was asked for has
a short name, `Edited.token`, by which a page asks for its limit lines and its file.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from threading import Lock
from typing import TypeVar

import numpy as np

from uphaul.analysis.limit_lines import limit_line
from uphaul.analysis.review import Difference, RuleSummary, compare, summarise
from uphaul.analysis.what_if import Cell, RuleSaid, Said, grid, judge_all, judge_one, say
from uphaul.desk.drive import RULES_FILE, DeskDrive
from uphaul.desk.rules_text import Edit, changed, diff
from uphaul.errors import UphaulError
from uphaul.physics.basis import Floats
from uphaul.rules import Curve, Kind, Rule, Share

__all__ = ["Answer", "Edited", "Judging", "delays_of", "shifts_of"]

K = TypeVar("K")
V = TypeVar("V")

KEPT_RULES, KEPT_LINES, KEPT_SETS = 400, 24, 64
FIRST = ""
"""Token of the rules as the log brought them."""


@dataclass(frozen=True, slots=True)
class Edited:
    """A set of rules and the text they stand in."""

    token: str
    text: str
    rules: tuple[Rule, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """What a set of rules said, and how that differs from what the rules of the drive say."""

    edited: Edited
    said: Said
    summaries: list[RuleSummary]
    differences: list[Difference]
    diff: str


class Judging:
    """Answers for one drive, from any thread, one at a time; lines are drawn meanwhile."""

    def __init__(self, drive: DeskDrive) -> None:
        self._drive = drive
        self._lock, self._drawing = Lock(), Lock()
        self._said: OrderedDict[Rule, RuleSaid] = OrderedDict()
        self._lines: OrderedDict[Rule, Floats] = OrderedDict()
        self._sets: OrderedDict[str, Edited] = OrderedDict({FIRST: Edited(FIRST, drive.rules_text, drive.rules)})
        self._first: Answer | None = None

    def answer(self, edits: Sequence[Edit]) -> Answer:
        """Judge by the rules with these edits. Raises UphaulError (ConfigError with every problem)."""
        with self._lock:
            if self._first is None:
                drive = self._drive
                self._said.update(judge_all(drive.rules, drive.stretches) if drive.said is None else drive.said)
                own = say(drive.rules, self._said, drive.stretches)
                self._first = self._answer(self._sets[FIRST], own, own)
            edited = self._edited(edits)
            if edited.token == FIRST:
                return self._first
            return self._answer(edited, self._say(edited.rules), self._first.said)

    def _answer(self, edited: Edited, said: Said, first: Said) -> Answer:
        last_ms = int(self._drive.whole.t_ms[-1])
        kept = [self._said[r] for r in edited.rules]
        unmeasured = [r.name for r, k in zip(edited.rules, kept, strict=True) if not k.measured]
        return Answer(
            edited,
            said,
            summarise(edited.rules, said.episodes, [k.approach for k in kept], last_ms, unmeasured),
            compare(first.episodes, said.episodes, last_ms),
            diff(self._drive.rules_text, edited.text, RULES_FILE),
        )

    def settings(self, edits: Sequence[Edit], rule: str) -> tuple[Rule, list[Cell]]:
        """The rule with these edits, and what it would say at settings around its own."""
        with self._lock:
            found = next((r for r in self._edited(edits).rules if r.name == rule), None)
        if found is None:
            raise UphaulError(f"rule {rule!r}: the drive's rules have none of that name")
        return found, grid(found, self._drive.stretches, shifts_of(found), delays_of(found))

    def of(self, token: str) -> Edited:
        """A set of rules that was judged by before. Raises UphaulError."""
        found = self._sets.get(token)
        if found is None:
            raise UphaulError("these rules are not kept any longer: change a setting, or load the page anew")
        return found

    def line(self, rule: Rule) -> Floats:
        """(N,) the limit of a rule over the whole drive, unknown where it is not in force."""
        with self._drawing:
            if rule not in self._lines:
                self._lines[rule] = np.concatenate([limit_line(rule, s) for s in self._drive.stretches])
            self._lines.move_to_end(rule)
            _trim(self._lines, KEPT_LINES)
            return self._lines[rule]

    def _edited(self, edits: Sequence[Edit]) -> Edited:
        text = changed(self._drive.rules_text, edits)
        if text == self._drive.rules_text:
            return self._sets[FIRST]
        token = hashlib.sha256(text.encode()).hexdigest()[:16]
        if token not in self._sets:
            self._sets[token] = Edited(token, text, self._drive.rules_of(text))
        self._sets.move_to_end(token)
        self._sets.move_to_end(FIRST)  # never the first to go
        _trim(self._sets, KEPT_SETS)
        return self._sets[token]

    def _say(self, rules: tuple[Rule, ...]) -> Said:
        for rule in rules:
            if rule not in self._said:
                self._said[rule] = judge_one(rule, self._drive.stretches)
            self._said.move_to_end(rule)
        said = say(rules, self._said, self._drive.stretches)
        for rule in self._drive.rules:
            self._said.move_to_end(rule)
        _trim(self._said, KEPT_RULES + len(self._drive.rules) + len(rules))
        return said


def shifts_of(rule: Rule) -> tuple[float, ...]:
    """By how much the grid of settings moves the limit: three steps of about 2 % to either side, in its unit."""
    limit = rule.base.limit
    if rule.kind is Kind.LOST:
        return (0.0,)
    if isinstance(limit, Curve):
        size = float(np.median(np.abs(limit.y)))
    else:
        size = abs(limit.share) if isinstance(limit, Share) else abs(limit)
    if not size:
        return (0.0,)
    power = 10.0 ** np.floor(np.log10(size * 0.02))
    step = float(max((m for m in (1, 2, 5) if m * power <= size * 0.02 * 1.0001), default=1) * power)
    return tuple(round(k * step, 9) for k in range(-3, 4))


def delays_of(rule: Rule) -> tuple[int, ...]:
    """The on-delays of the grid, in ms: none, half, the rule's own, twice and four times that."""
    own = rule.base.on_delay_ms
    if not own:
        return (0, 1000, 2000, 5000, 10_000)
    return tuple(sorted({0, own // 2, own, own * 2, own * 4}))


def _trim(kept: OrderedDict[K, V], most: int) -> None:
    while len(kept) > most:
        kept.popitem(last=False)
