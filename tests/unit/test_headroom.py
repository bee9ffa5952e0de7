"""Headroom: the room to the limit that asks the driver to act, its trend, and its least of the drive."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from uphaul.pipeline import Headroom, Limit, next_limit
from uphaul.pipeline.headroom import LOOK_MS, Room
from uphaul.rules import ABOVE, BELOW, Action, Kind, Rule, Setting
from uphaul.signals import Block, Signal

COOLANT = Signal("coolant", "degC", 4, low=-40.0, high=130.0)
OIL = Signal("oil", "kPa", 1, low=0.0, high=1000.0)
SIGNALS = (COOLANT, OIL)


def above(name: str, limit: float, action: Action, **more: object) -> Rule:
    return Rule(name, Kind.THRESHOLD, "coolant", ABOVE, Setting(limit), action, **more)  # type: ignore[arg-type]


WARM = above("warm", 100.0, Action.NOTE)
HOT = above("hot", 104.0, Action.EASE)
BOILING = above("boiling", 110.0, Action.STOP)
PRESSURE = Rule("pressure", Kind.THRESHOLD, "oil", BELOW, Setting(100.0), Action.STOP)
REACH = Rule("minutes", Kind.REACH, "coolant", ABOVE, Setting(104.0, within_s=240.0), Action.NOTE, window_ms=30_000)
RULES = (WARM, HOT, BOILING, PRESSURE, REACH)
ALL = np.ones(len(RULES), dtype=np.bool_)


def block(t_ms: Sequence[int], coolant: Sequence[float], oil: Sequence[float] | None = None) -> Block:
    values = np.array([coolant, oil or [300.0] * len(coolant)]).T
    return Block(SIGNALS, np.array(t_ms), values, np.full(len(t_ms), -1, dtype=np.int16))


def headroom(**usual: float) -> Headroom:
    return Headroom(RULES, SIGNALS, (), usual or {"coolant": 88.0, "oil": 300.0})


def rooms(of: Headroom) -> tuple[Room, Room]:
    coolant, oil = of.rooms
    assert coolant is not None
    assert oil is not None
    return coolant, oil


@pytest.mark.parametrize(
    ("value", "limit", "left", "share"),
    [
        (88.0, 104.0, 16.0, 1.0),
        (96.0, 104.0, 8.0, 0.5),
        (101.0, 104.0, 3.0, 3 / 16),  # past the limit that only notes: what counts is the one that asks to act
        (104.0, 104.0, 0.0, 0.0),
        (105.0, 104.0, -1.0, -1 / 16),  # past it: the room is gone, and does not grow again with the next limit ahead
        (112.0, 104.0, -8.0, -8 / 16),
        (80.0, 104.0, 24.0, 1.5),
    ],
)
def test_the_room_is_to_the_first_limit_that_asks_to_act(value: float, limit: float, left: float, share: float) -> None:
    of = headroom()
    of.run(block([0], [value]), ALL)
    coolant, _ = rooms(of)
    assert (coolant.limit.value, coolant.left) == (limit, left)
    assert coolant.share == pytest.approx(share)


@pytest.mark.parametrize(("value", "ahead"), [(103.0, None), (105.0, 110.0), (110.0, 110.0), (112.0, None)])
def test_past_the_limit_the_one_that_comes_next_is_told_beside(value: float, ahead: float | None) -> None:
    of = headroom()
    of.run(block([0], [value]), ALL)
    found = rooms(of)[0].ahead
    assert (None if found is None else found.value) == ahead


def test_a_limit_below_counts_downwards() -> None:
    of = headroom()
    of.run(block([0], [88.0], [150.0]), ALL)
    _, oil = rooms(of)
    assert (oil.limit, oil.left, oil.share) == (Limit(100.0, BELOW, Action.STOP), 50.0, 0.25)


def test_where_only_notes_watch_their_limit_counts() -> None:
    of = Headroom((WARM,), SIGNALS, (), {"coolant": 80.0})
    of.run(block([0], [90.0]), ALL[:1])
    assert of.rooms[0] is not None
    assert (of.rooms[0].limit.action, of.rooms[0].share) == (Action.NOTE, 0.5)


def test_a_rule_that_is_not_judged_now_leaves_no_limit() -> None:
    of = headroom()
    of.run(block([0], [90.0]), np.array([True, False, False, True, True]))
    coolant, _ = rooms(of)
    assert coolant.limit.value == 100.0


def test_an_unknown_value_has_no_room() -> None:
    of = headroom()
    of.run(block([0], [float("nan")]), ALL)
    assert of.rooms[0] is None


@pytest.mark.parametrize(("usual", "share"), [({}, 0.5), ({"coolant": 120.0}, 0.5), ({"coolant": 88.0}, 3.25)])
def test_without_a_usual_reading_below_the_limit_the_share_is_of_all_from_zero(
    usual: dict[str, float], share: float
) -> None:
    of = Headroom((HOT,), SIGNALS, (), usual)
    of.run(block([0], [52.0]), ALL[:1])
    assert of.rooms[0] is not None
    assert of.rooms[0].share == pytest.approx(share)


def test_the_least_of_the_drive_stays_and_says_when_it_was() -> None:
    of = headroom()
    for t_ms, value in ((0, 90.0), (LOOK_MS, 103.0), (2 * LOOK_MS, 95.0)):
        of.run(block([t_ms], [value]), ALL)
    worst = rooms(of)[0].worst
    assert worst is not None
    assert (worst.value, worst.limit, worst.t_ms) == (103.0, 104.0, LOOK_MS)
    assert worst.share == pytest.approx(1 / 16)


def test_a_peak_between_two_looks_counts() -> None:
    of = headroom()
    for t_ms, value in ((0, 90.0), (50, 103.0), (100, 90.0), (LOOK_MS, 90.0)):
        of.run(block([t_ms], [value]), ALL)
    worst = rooms(of)[0].worst
    assert worst is not None
    assert worst.value == 103.0


def climbing(of: Headroom, seconds: int, per_min: float, *, hole_s: int | None = None) -> Room:
    for k in range(seconds * 20):
        if hole_s is None or not hole_s <= k / 20 < hole_s + 5:
            of.run(block([k * 50], [90.0 + per_min * k / 1200.0]), ALL)
    return rooms(of)[0]


def test_a_steady_climb_has_its_slope_as_trend_and_tells_the_time_that_is_left() -> None:
    room = climbing(headroom(), 40, 6.0)
    assert room.trend == pytest.approx(6.0, rel=0.02)
    assert room.left_s == pytest.approx(room.left / 6.0 * 60.0, rel=0.02)


def test_falling_leaves_no_time_to_tell() -> None:
    room = climbing(headroom(), 40, -6.0)
    assert room.trend == pytest.approx(-6.0, rel=0.02)
    assert room.left_s is None


def test_a_time_is_only_told_of_signals_that_a_rule_of_that_kind_watches() -> None:
    of = Headroom(RULES[:4], SIGNALS, (), {"coolant": 88.0})
    for k in range(800):
        of.run(block([k * 50], [90.0 + 6.0 * k / 1200.0]), ALL[:4])
    room, _ = rooms(of)
    assert room.trend == pytest.approx(6.0, rel=0.02)
    assert room.left_s is None


def test_the_trend_is_unknown_until_it_has_looked_back_far_enough_and_after_a_gap() -> None:
    assert climbing(headroom(), 20, 6.0).trend is None
    assert climbing(headroom(), 45, 6.0, hole_s=30).trend is None


def test_pieces_of_any_length_see_the_same_extremes_and_trend() -> None:
    rng = np.random.default_rng(3)
    t_ms = np.arange(0, 60_000, 50)
    coolant = 90.0 + np.cumsum(rng.normal(0.0, 0.05, len(t_ms)))
    whole = block(t_ms.tolist(), coolant.tolist())
    one, pieces = headroom(), headroom()
    for i in range(len(whole)):
        one.run(whole.part(i, i + 1), ALL)
    for i in range(0, len(whole), 200):
        pieces.run(whole.part(i, i + 200), ALL)
    a, b = rooms(one)[0], rooms(pieces)[0]
    assert a.trend == b.trend
    assert a.worst is not None
    assert b.worst is not None
    assert (a.worst.value, a.worst.share) == (b.worst.value, b.worst.share)


def test_the_next_limit_of_an_unknown_value_is_the_nearest_to_usual() -> None:
    limits = [Limit(104.0, ABOVE, Action.EASE), Limit(100.0, ABOVE, Action.NOTE)]
    assert next_limit(limits, float("nan"), ABOVE) == limits[1]
    assert next_limit(limits, 50.0, BELOW) is None
