"""One changed rule judged again by itself, against judging all rules anew: nothing may differ, to the bit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.played_drive import RULES, reels
from support.strategies import Case, cases
from uphaul.alerts import State
from uphaul.analysis.limit_lines import DRAWN, limit_line
from uphaul.analysis.review import cut_off, episodes, heard
from uphaul.analysis.what_if import AllRules, Said, Stretch, grid, judge_all, judge_one, say, with_limit_moved
from uphaul.pipeline import LimitsInForce, Row, rejudge
from uphaul.rules import ABOVE, Curve, Kind, Rule, Setting, Share
from uphaul.rules.judge import Judge
from uphaul.signals import NO_TUNE


def stretches(seed: int = 1) -> list[Stretch]:
    """The played drive, its two parts: alerts carried over, gaps, unknowns, tunes, people's events, suppression."""
    out = []
    both = reels(seed)
    for i, reel in enumerate(both):
        (block,) = reel.part.blocks()
        ended = "configuration changed" if i + 1 < len(both) else ""
        out.append(Stretch(block, reel.part.tunes, 1000, 50, tuple(reel.carried), ended))
    return out


def anew(rules: Sequence[Rule], drive: Sequence[Stretch]) -> Said:
    """All rules judged together by the row that live and replay use."""
    out = Said([], [], [])
    for s in drive:
        row = Row(s.block.signals, tuple(rules), s.tunes, gap_ms=s.gap_ms, grid_ms=s.grid_ms, carried=s.carried)
        judged = rejudge(row, [s.block])
        found = heard(episodes(judged.conditions, [r.name for r in rules]), judged.transitions, rules, s.carried)
        out.episodes.extend(cut_off(found, int(s.block.t_ms[-1]), s.ended) if s.ended else found)
        out.transitions.extend(judged.transitions)
        out.notices.extend(n for n in judged.notices if not n.kind.value.startswith("tune"))
    return out


def moved(rule: Rule) -> list[Rule]:
    """The rule with other limits, deadbands and delays."""
    out = [
        replace(rule, base=replace(rule.base, on_delay_ms=1500)),
        replace(rule, base=replace(rule.base, off_delay_ms=4000)),
    ]
    if rule.kind is not Kind.LOST:
        share = isinstance(rule.base.limit, Share)
        out += [with_limit_moved(rule, -0.02 if share else -10.0), with_limit_moved(rule, 0.02 if share else 4.0)]
        out.append(replace(rule, base=replace(rule.base, deadband=Share(0.02) if share else 12.0)))
    return out


def test_a_changed_rule_by_itself_gives_what_judging_all_of_them_gives() -> None:
    drive = stretches()
    kept = judge_all(RULES, drive)
    raised = set()
    for i, rule in enumerate(RULES):
        for other in moved(rule):
            rules = (*RULES[:i], other, *RULES[i + 1 :])
            said = say(rules, {**kept, other: judge_one(other, drive)}, drive)
            assert repr(said) == repr(anew(rules, drive))  # unknown values are not equal to themselves
            raised |= {e.rule for e in said.episodes if e.rule == rule.name}
    assert raised == {r.name for r in RULES}


def test_moving_a_suppressing_rule_lets_the_suppressed_one_be_heard() -> None:
    drive = stretches()
    kept = judge_all(RULES, drive)
    far = with_limit_moved(RULES[0], 1000.0)
    before = say(RULES, kept, drive)
    after = say((far, *RULES[1:]), {**kept, far: judge_one(far, drive)}, drive)
    assert any(t.target is State.SUPPRESSED and t.rule == "egt-note" for t in before.transitions)
    assert not any(t.target is State.SUPPRESSED and t.rule == "egt-note" for t in after.transitions)
    assert repr(after) == repr(anew((far, *RULES[1:]), drive))


@settings(max_examples=80, deadline=None)
@given(cases())
def test_rules_one_by_one_say_what_they_say_together(case: Case) -> None:
    rules = tuple(replace(r, name=f"r{i}") for i, r in enumerate(case.rules))
    drive = [Stretch(case.block, case.tunes, case.gap_ms)]
    together = judge_all(rules, drive)
    assert repr({r: judge_one(r, drive) for r in rules}) == repr(together)
    assert repr(say(rules, together, drive)) == repr(anew(rules, drive))


@settings(max_examples=80, deadline=None)
@given(cases(), st.data())
def test_however_a_drive_comes_all_rules_say_the_same(case: Case, data: st.DataObject) -> None:
    cuts = sorted(data.draw(st.sets(st.integers(1, max(1, len(case.block) - 1)), max_size=4)))
    judging = AllRules(case.rules)
    judging.begin(case.block.signals, case.tunes, case.gap_ms, 1)
    for start, stop in pairwise([0, *cuts, len(case.block)]):
        judging.take(case.block.part(start, stop))
    assert repr(judging.said()) == repr(judge_all(case.rules, [Stretch(case.block, case.tunes, case.gap_ms)]))


@pytest.mark.parametrize("rule", RULES, ids=[r.name for r in RULES])
def test_every_cell_of_the_grid_is_that_setting_judged_by_itself(rule: Rule) -> None:
    drive = stretches()
    shifts = (
        (0.0,)
        if rule.kind is Kind.LOST
        else (-0.05, 0.0, 0.05)
        if isinstance(rule.base.limit, Share)
        else (-8.0, 0.0, 8.0)
    )
    cells = grid(rule, drive, shifts, (0, 400, 3000))
    assert [(c.shift, c.on_delay_ms) for c in cells] == [(s, d) for s in shifts for d in (0, 400, 3000)]
    for cell in cells:
        own = with_limit_moved(rule, cell.shift)
        own = replace(
            own,
            base=replace(own.base, on_delay_ms=cell.on_delay_ms),
            tunes=tuple((n, replace(s, on_delay_ms=cell.on_delay_ms)) for n, s in own.tunes),
        )
        found = anew((replace(own, suppressed_by=()),), drive).episodes
        last = int(drive[-1].block.t_ms[-1])
        active = sum((last if e.cleared_ms is None else e.cleared_ms) - e.raised_ms for e in found)
        assert (cell.raises, cell.active_ms) == (len(found), active)


def test_a_limit_is_moved_in_every_tune_and_at_every_knot() -> None:
    curve = Curve("rpm", (1000.0, 2000.0), (100.0, 200.0))
    rule = replace(RULES[2], base=Setting(curve), tunes=(("tow", Setting(50.0)),))
    up = with_limit_moved(rule, 5.0)
    assert up.base.limit == replace(curve, y=(105.0, 205.0))
    assert up.setting("tow").limit == 55.0
    assert with_limit_moved(rule, 0.0) is rule


# --------------------------------------------------------------------------------------------------------------- lines


@settings(max_examples=120, deadline=None)
@given(cases(kinds=(Kind.THRESHOLD,)))
def test_the_line_of_a_limit_is_in_force_where_the_judge_judges(case: Case) -> None:
    """Tick by tick, against what the judge says of the further conditions and what the pages show as limits."""
    rules = case.rules[:1]
    line = limit_line(rules[0], Stretch(case.block, case.tunes, case.gap_ms))
    judge = Judge(rules, case.signals, case.tunes, gap_ms=case.gap_ms)
    shown = LimitsInForce(rules, case.signals, case.tunes)
    column = [s.name for s in case.signals].index(rules[0].signal)
    for i in range(len(case.block)):
        tick = case.block.part(i, i + 1)
        judge.run(tick)
        values = [x.value for x in shown.at(tick, judge.applies)[column]]
        strictest = (min if rules[0].side == ABOVE else max)(values) if values else None
        assert strictest == (None if np.isnan(line[i]) else line[i])


def test_a_departure_has_its_line_at_a_distance_from_what_is_expected() -> None:
    (stretch, _) = stretches()
    rule = next(r for r in RULES if r.kind is Kind.DEPARTURE)
    line = limit_line(rule, stretch)
    rpm = stretch.block.values[:, 0]
    expected = 600.0 + 60.0 * (np.clip(rpm, 800.0, 3000.0) - 800.0) / 2200.0
    tow = stretch.block.tune == 1
    assert tow.any()
    np.testing.assert_allclose(line[tow], 1.05 * expected[tow])
    assert np.isnan(line[stretch.block.tune == 0]).all()
    assert (stretch.block.tune == NO_TUNE).any()


def test_kinds_whose_limit_is_no_value_of_the_signal_have_no_line() -> None:
    (stretch, _) = stretches()
    others = [r for r in RULES if r.kind not in DRAWN]
    assert {r.kind for r in others} == {Kind.RATE, Kind.LOST}
    assert all(np.isnan(limit_line(r, stretch)).all() for r in others)
