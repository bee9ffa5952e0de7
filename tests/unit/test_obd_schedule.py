"""Which OBD parameter is asked for when, what a vehicle says it has, and which of several answers counts."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from uphaul.sources.obd_child import MISSES, SELDOM_S, Schedule, frames_to_wait_for, pick, supported

ENGINE, GEARBOX = 2, 4


def run(
    every_s: dict[int, float], for_s: float, *, takes_s: float, silent: frozenset[int] = frozenset()
) -> dict[int, int]:
    """How often each is asked for when each request takes so long."""
    now, counts = 0.0, dict.fromkeys(every_s, 0)
    schedule = Schedule(every_s, now)
    while now < for_s:
        pid, wait = schedule.next(now)
        if wait > 0:
            now += wait
            continue
        now += takes_s
        counts[pid] += 1
        schedule.asked(pid, answered=pid not in silent)
    return counts


def test_with_time_to_spare_each_is_asked_for_at_its_own_rate() -> None:
    counts = run({1: 0.1, 2: 0.5, 3: 2.0}, 10.0, takes_s=0.01)
    assert counts == {1: pytest.approx(100, abs=1), 2: pytest.approx(20, abs=1), 3: pytest.approx(5, abs=1)}


def test_when_the_adapter_is_too_slow_all_are_slowed_in_the_same_proportion() -> None:
    counts = run({1: 0.1, 2: 0.2, 3: 1.0}, 160.0, takes_s=0.1)  # 16 a second wanted, 10 had
    assert counts[1] == pytest.approx(1000, rel=0.05)
    assert counts[2] == pytest.approx(500, rel=0.05)
    assert counts[3] == pytest.approx(100, rel=0.05)


def test_one_that_is_not_answered_does_not_take_the_others_time() -> None:
    counts = run({1: 0.1, 2: 0.1}, 20.0, takes_s=0.02, silent=frozenset({2}))
    assert counts[2] <= MISSES + 20.0 / SELDOM_S + 1
    assert counts[1] >= 190


def test_an_answer_brings_back_the_rate() -> None:
    schedule = Schedule({1: 0.1}, 0.0)
    for _ in range(MISSES):
        schedule.asked(1, answered=False)
    due_s = (MISSES - 1) * 0.1 + SELDOM_S
    assert schedule.next(0.0) == (1, pytest.approx(due_s))
    schedule.asked(1, answered=True)
    assert schedule.next(due_s) == (1, pytest.approx(0.1))


def test_after_a_standstill_nothing_is_made_up_for() -> None:
    schedule, asked = Schedule({1: 0.1, 2: 1.0}, 0.0), []
    for _ in range(4):
        pid, wait = schedule.next(60.0)
        if wait > 0:
            break
        asked.append(pid)
        schedule.asked(pid, answered=True)
    assert sorted(asked) == [1, 2]


@given(
    st.dictionaries(st.integers(1, 255), st.floats(0.01, 100.0), min_size=1, max_size=20),
    st.floats(0.001, 1.0),
    st.integers(0, 2**32),
)
def test_none_is_ever_forgotten_and_what_is_named_is_due(every_s: dict[int, float], takes_s: float, seed: int) -> None:
    schedule, now = Schedule(every_s, 0.0), 0.0
    seen: set[int] = set()
    for n in range(40 * len(every_s)):
        pid, wait = schedule.next(now)
        if wait > 0:
            assert wait <= max(every_s.values()) + SELDOM_S
            now += wait
        else:
            seen.add(pid)
            now += takes_s
            schedule.asked(pid, answered=bool(seed >> n % 32 & 1))
        if len(seen) == len(every_s):
            return
    raise AssertionError(f"never asked for: {set(every_s) - seen}")


# Source: SAE J1979's example as public code reads it: BE 1F A8 13 has 01, 03-07, 0C-11, 13, 15, 1C, 1F, 20
# (python-OBD 0.7.3 and scapy 2.8.0 agree).
EXAMPLE = bytes.fromhex("BE1FA813")
IN_EXAMPLE = {1, 3, 4, 5, 6, 7, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x20}


def test_a_bitmap_tells_what_the_vehicle_has() -> None:
    assert {pid for pid in range(1, 0x21) if supported({0: EXAMPLE}, pid)} == IN_EXAMPLE


def test_what_no_bitmap_tells_is_unknown() -> None:
    assert supported({}, 0x0C) is None
    assert supported({0: EXAMPLE}, 0x21) is None
    assert supported({0: b"\xbe\x1f"}, 0x0C) is None
    assert supported({0x60: b"\0\0\1\0"}, 0x78) is True
    assert supported({0x60: b"\0\0\1\0"}, 0x77) is False


@dataclass
class Message:
    """What python-OBD hands over, as far as it is used."""

    data: bytearray | None
    ecu: int = ENGINE
    frames: list[int] = field(default_factory=lambda: [1])


def said(text: str, ecu: int = ENGINE, frames: int = 1) -> Message:
    return Message(bytearray.fromhex(text), ecu, [1] * frames)


def test_the_engines_answer_counts_and_otherwise_any() -> None:
    both = [said("410C0000", GEARBOX), said("410C1AF8")]
    assert pick(both, 0x0C, ENGINE) == bytes.fromhex("1AF8")
    assert pick(both[:1], 0x0C, ENGINE) == bytes.fromhex("0000")


@pytest.mark.parametrize("text", ["", "41", "410D64", "7F0112", "420C1AF8"])
def test_what_answers_another_question_is_no_answer(text: str) -> None:
    assert pick([said(text), Message(None)], 0x0C, ENGINE) is None


def test_only_single_frames_are_counted_for_the_adapter() -> None:
    assert frames_to_wait_for([said("410C1AF8")]) == 1
    assert frames_to_wait_for([said("410C1AF8"), said("410C1AF8", GEARBOX)]) == 2
    assert frames_to_wait_for([said("41780F1D4C1CE800000000", frames=2)]) == 0
    assert frames_to_wait_for([said("410C1AF8"), said("")]) == 0
    assert frames_to_wait_for([]) == 0
