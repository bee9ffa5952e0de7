"""Edges and counts to engine speed: values and error bounds by hand, disturbances one by one."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.pulse_train import NS, at_speed, by_turns
from uphaul.signals import Quality
from uphaul.signals.frequency import gate_step_rpm, period_error_rpm
from uphaul.signals.pulse import CountSpeed, EdgeSpeed, PulseWheel, Speed
from uphaul.signals.transfer import TransferError

ALTERNATOR = PulseWheel.alternator(6, 2.5, lowest_rpm=100, highest_rpm=5000)
FLYWHEEL = PulseWheel.crank(60, lowest_rpm=60, highest_rpm=5000)
MISSING = PulseWheel.crank(60, 2, lowest_rpm=60, highest_rpm=5000)
ONE = PulseWheel.crank(1, lowest_rpm=60, highest_rpm=5000)
PERIOD_NS = 50_000_000


def answers(speed: EdgeSpeed, edges: Iterable[int], until_ns: int, period_ns: int = PERIOD_NS) -> list[Speed | None]:
    """What is answered at each period, all edges up to then handed in before."""
    left = sorted(edges)[::-1]
    out = []
    for now in range(0, until_ns + 1, period_ns):
        while left and left[-1] <= now:
            speed.edge(left.pop())
        out.append(speed.take(now))
    return out


def good(found: Iterable[Speed | None]) -> list[float]:
    """The values of all answers that carry one; no other quality may be among them."""
    told = [each for each in found if each is not None]
    assert {each.quality for each in told} <= {Quality.GOOD}
    return [each.rpm for each in told]


@pytest.mark.parametrize(
    ("wheel", "teeth", "hertz", "rpm"),
    [  # by hand from rpm = 60 f / (pole pairs * ratio) and rpm = 60 f / teeth; pole counts of claw rotors from memory
        (ALTERNATOR, 0, 300.0, 1200.0),
        (PulseWheel.alternator(6, 2.2, lowest_rpm=100, highest_rpm=5000), 0, 250.0, 1136.36),
        (PulseWheel.alternator(8, 2.8, lowest_rpm=100, highest_rpm=5000), 0, 400.0, 1071.43),
        (FLYWHEEL, 60, 3600.0, 3600.0),
        (MISSING, 60, 3600.0, 3600.0),  # 58 real teeth, spaced as 60
        (ONE, 1, 20.0, 1200.0),
        (PulseWheel.crank(1, ratio=0.5, lowest_rpm=60, highest_rpm=5000), 1, 10.0, 1200.0),
        (PulseWheel.crank(36, 1, lowest_rpm=60, highest_rpm=5000), 36, 720.0, 1200.0),
        (PulseWheel.crank(4, 1, lowest_rpm=60, highest_rpm=5000), 4, 80.0, 1200.0),
    ],
)
def test_a_steady_frequency(wheel: PulseWheel, teeth: int, hertz: float, rpm: float) -> None:
    edges = at_speed(60.0 * hertz, 1.0, per_turn=1, missing=wheel.missing, teeth=teeth)
    told = good(answers(EdgeSpeed(wheel), edges, NS - 1))
    assert len(told) >= 7
    assert told == pytest.approx([rpm] * len(told), abs=0.01)


@pytest.mark.parametrize(
    ("teeth", "rpm", "tick_ns", "periods"),
    [(60, 3600.0, 1000, 1), (60, 3600.0, 5000, 1), (1, 3600.0, 1000, 1), (60, 750.0, 1000, 1), (60, 3600.0, 1000, 60)],
)
def test_no_error_is_beyond_the_bound_of_period_averaging(teeth: int, rpm: float, tick_ns: int, periods: int) -> None:
    # Interval arithmetic bounds the speed by rpm T / (T - tick) over N periods; 12.96, 64.8, 0.216, 0.5625 and
    # 0.216 rpm by hand, to first order, from rpm^2 teeth tick / (60 N). Phases by a fixed seed.
    wheel = PulseWheel.crank(teeth, lowest_rpm=10, highest_rpm=8000)
    bound = float(period_error_rpm(rpm, teeth, tick_ns / NS, periods))
    assert bound == pytest.approx(rpm**2 * teeth * tick_ns / NS / (60 * periods), rel=0.02)
    pitch_ns = 60.0 * NS / (rpm * teeth)
    errors = []
    for phase in np.random.default_rng(14).uniform(0.0, tick_ns, 500):
        times = [math.floor((phase + k * pitch_ns) / tick_ns) * tick_ns for k in range(periods + 3)]
        speed = EdgeSpeed(wheel)
        for t in times:  # the first three, two even intervals, make the pitch known
            speed.edge(t)
        answer = speed.take(times[-1])
        assert answer is not None
        errors.append(answer.rpm - rpm)
    assert max(map(abs, errors)) <= bound * (1 + 1e-9)
    assert max(map(abs, errors)) > 0.0


def test_more_periods_average_the_error_down() -> None:
    seen = []
    for period_ns in (20_000_000, 200_000_000):
        edges = at_speed(3600.0, 2.0, per_turn=60, tick_ns=50_000)
        told = good(answers(EdgeSpeed(FLYWHEEL), edges, 2 * NS - period_ns, period_ns))[2:]
        seen.append(max(abs(rpm - 3600.0) for rpm in told))
    assert seen[1] < seen[0] / 4
    assert seen[0] <= float(period_error_rpm(3600.0, 60, 50e-6, 70))


@pytest.mark.parametrize("wheel", [ALTERNATOR, FLYWHEEL, MISSING, ONE], ids=["alternator", "60", "60-2", "1"])
def test_a_starting_engine_is_followed(wheel: PulseWheel) -> None:
    # 200 to 3,000 rpm in 4 s: turns are the integral of the speed
    def turns(t_s: float) -> float:
        return (200.0 * t_s + 700.0 * t_s**2 / 2) / 60.0

    per_turn = wheel.speed.pulses_per_turn
    edges = by_turns(turns, 4.0, per_turn=per_turn, missing=wheel.missing, teeth=wheel.teeth)
    speed = EdgeSpeed(wheel)
    told = [each for each in answers(speed, edges, 4 * NS - PERIOD_NS) if each is not None and each.at_ns > 2 * NS]
    assert len(told) >= 35
    for each in told:
        # a mean over what passed since the last answer: 50 ms and two pitches of 700 rpm/s at most
        now = 200.0 + 700.0 * each.at_ns / NS
        lag = 700.0 * (PERIOD_NS / NS + 2 * 60.0 / (now * per_turn))
        assert now - lag <= each.rpm <= now + 1.0
    assert (speed.glitches, speed.restarts) == (0, 0)


def test_a_gap_on_a_wheel_that_has_none_reads_low() -> None:
    # 58 of 60 teeth a turn: whoever leaves out `missing` is told 58/60 of the speed, by hand
    edges = at_speed(3600.0, 2.0, per_turn=60, missing=2, teeth=60)
    told = good(answers(EdgeSpeed(FLYWHEEL), edges, 2 * NS - 1, 500_000_000))
    assert told[1:] == pytest.approx([3480.0] * len(told[1:]), rel=1e-3)


def test_a_wheel_without_the_gap_it_should_have_is_not_believed() -> None:
    found = answers(EdgeSpeed(MISSING), at_speed(3000.0, 1.0, per_turn=60), NS - 1)
    assert [each.quality for each in found[3:] if each is not None] == [Quality.UNDECODABLE] * len(found[3:])


def test_a_tooth_missed_on_a_wheel_with_a_gap_is_no_gap() -> None:
    edges = at_speed(3000.0, 2.0, per_turn=60, missing=2, teeth=60)
    del edges[1000]
    speed = EdgeSpeed(MISSING)
    told = good(answers(speed, edges, 2 * NS - 1))
    assert told == pytest.approx([3000.0] * len(told), abs=1.0)
    assert speed.restarts == 1


def test_no_edge_is_zero_after_the_longest_credible_interval_and_never_the_last_value() -> None:
    # a pitch at 60 rpm on 60 teeth is 60 / (60 * 60) s = 16.7 ms; with two missing the gap is 50 ms, by hand
    assert FLYWHEEL.longest_ns == pytest.approx(NS / 60)
    assert MISSING.longest_ns == pytest.approx(NS / 20)
    edges = at_speed(1000.0, 0.5, per_turn=60, missing=2, teeth=60)
    found = answers(EdgeSpeed(MISSING), edges, NS, 10_000_000)
    stopped = [i for i, each in enumerate(found) if each is not None and each.rpm == 0.0 and i > 10]
    assert stopped[0] * 10_000_000 - edges[-1] <= MISSING.longest_ns + 10_000_000
    assert stopped == list(range(stopped[0], len(found)))
    assert found[stopped[0] - 1] is None


def test_an_engine_that_stands_when_the_daemon_starts_reads_zero() -> None:
    found = answers(EdgeSpeed(ONE), [], 3 * NS, 100_000_000)
    assert [each is None for each in found] == [True] * 11 + [False] * 20  # 60 rpm by one pulse a turn: 1 s
    assert good(found) == [0.0] * 20


def test_an_engine_that_starts_again_is_believed_only_after_two_even_intervals() -> None:
    edges = [*at_speed(900.0, 1.0, per_turn=15), *at_speed(300.0, 1.0, per_turn=15, begin_ns=2 * NS)]
    told = [each for each in answers(EdgeSpeed(ALTERNATOR), edges, 3 * NS - PERIOD_NS) if each is not None]
    assert {round(each.rpm) for each in told} == {0, 300, 900}
    assert {each.quality for each in told} == {Quality.GOOD}


def test_a_low_speed_says_nothing_between_its_edges() -> None:
    # 120 rpm by one pulse a turn: 0.5 s between edges, ten answers long
    found = answers(EdgeSpeed(ONE), at_speed(120.0, 5.0, per_turn=1), 5 * NS - 1)
    assert good(found) == pytest.approx([120.0] * 7, abs=0.01)  # the first two intervals make the pitch known


@pytest.mark.parametrize("share", [0.01, 0.1, 0.25, 0.4, 0.6, 0.8, 0.95])
@pytest.mark.parametrize("wheel", [ALTERNATOR, FLYWHEEL, MISSING], ids=["alternator", "60", "60-2"])
def test_a_stray_edge_does_not_change_the_speed(share: float, wheel: PulseWheel) -> None:
    edges = at_speed(1500.0, 2.0, per_turn=wheel.speed.pulses_per_turn, missing=wheel.missing, teeth=wheel.teeth)
    strays = [edges[i] + round(share * (edges[i + 1] - edges[i])) for i in range(100, len(edges) - 1, 37)]
    told = good(answers(EdgeSpeed(wheel), edges + strays, 2 * NS - 1))
    # by hand: a stray edge that is taken for the pitch's end moves the end of one mean by less than half a pitch, and
    # one that cuts a gap in two adds a pitch to one mean; 50 ms at 1,500 rpm are 1.25 turns
    pitches = 0.05 * 25 * wheel.speed.pulses_per_turn
    assert told == pytest.approx([1500.0] * len(told), rel=(1.0 if wheel.missing else 0.5) / (pitches - 4))


def test_a_bounce_behind_every_edge_does_not_change_the_speed() -> None:
    edges = at_speed(1500.0, 1.0, per_turn=15)
    speed = EdgeSpeed(ALTERNATOR)
    told = good(answers(speed, edges + [t + 100_000 for t in edges], NS - 1))
    assert told == pytest.approx([1500.0] * len(told), abs=0.1)
    assert speed.glitches == pytest.approx(len(edges), abs=20)


def test_noise_without_any_order_is_no_speed() -> None:
    times = np.cumsum(np.random.default_rng(3).exponential(2e6, 2000)).astype(int).tolist()
    told = [each for each in answers(EdgeSpeed(ALTERNATOR), times, times[-1]) if each is not None]
    assert len(told) > 30
    assert sum(each.quality is Quality.UNDECODABLE for each in told) > len(told) / 2


@pytest.mark.parametrize("wheel", [ALTERNATOR, FLYWHEEL, MISSING], ids=["alternator", "60", "60-2"])
@pytest.mark.parametrize("rpm", [5100.0, 6000.0, 7500.0, 9900.0])
def test_overspeed_is_never_read_as_a_part_of_itself(wheel: PulseWheel, rpm: float) -> None:
    per_turn = wheel.speed.pulses_per_turn
    edges = at_speed(4000.0, 0.5, per_turn=per_turn, missing=wheel.missing, teeth=wheel.teeth)
    edges += at_speed(rpm, 0.5, per_turn=per_turn, missing=wheel.missing, teeth=wheel.teeth, begin_ns=NS // 2)
    told = [each for each in answers(EdgeSpeed(wheel), edges, NS - 1) if each is not None and each.at_ns > 0.56 * NS]
    assert len(told) >= 8
    assert {each.quality for each in told} == {Quality.ABOVE_RANGE}


def test_edges_lost_on_the_way_do_not_lower_the_speed() -> None:
    edges = at_speed(3000.0, 1.0, per_turn=60)
    speed = EdgeSpeed(FLYWHEEL)
    for t in edges[:1000]:
        speed.edge(t)
    speed.take(edges[999])
    speed.lost()
    for t in edges[1400:1500]:
        speed.edge(t)
    answer = speed.take(edges[1499])
    assert answer is not None
    assert answer.rpm == pytest.approx(3000.0, abs=0.1)


def test_times_that_go_back_begin_anew() -> None:
    speed = EdgeSpeed(FLYWHEEL)
    for t in at_speed(3000.0, 0.1, per_turn=60, begin_ns=NS):
        speed.edge(t)
    for t in at_speed(3000.0, 0.1, per_turn=60):
        speed.edge(t)
    answer = speed.take(NS // 10)
    assert answer is not None
    assert answer.rpm == pytest.approx(3000.0, abs=0.1)
    assert speed.restarts == 1


@given(st.lists(st.integers(0, 10**12), max_size=200), st.sampled_from([ALTERNATOR, FLYWHEEL, MISSING, ONE]))
def test_no_edges_make_nonsense(times: list[int], wheel: PulseWheel) -> None:
    speed = EdgeSpeed(wheel)
    for i, t in enumerate(times):
        speed.edge(t)
        answer = speed.take(t + i * 1000)
        if answer is not None:
            assert math.isnan(answer.rpm) is not answer.quality.known
            assert not answer.quality.known or 0.0 <= answer.rpm <= 5000.0


# ------------------------------------------------------------------------------------------------------- counts


def counted(speed: CountSpeed, counts: Iterable[int], period_ns: int = PERIOD_NS) -> list[Speed | None]:
    return [speed.take(i * period_ns, count) for i, count in enumerate(counts)]


def test_a_count_within_one_step_of_the_speed() -> None:
    # 60 teeth over 0.5 s: one count is 2 rpm, by hand
    assert gate_step_rpm(60, 0.5) == 2.0
    counts = [math.floor(3599.7 / 60 * 60 * i * PERIOD_NS / NS) for i in range(60)]
    told = good(counted(CountSpeed(FLYWHEEL, NS // 2, 2**32), counts))
    assert len(told) == 50
    assert max(abs(rpm - 3599.7) for rpm in told) <= 2.0


def test_a_wheel_with_missing_teeth_counts_its_real_ones() -> None:
    # 58 edges a turn, 3,000 rpm: 2,900 Hz by hand
    told = good(counted(CountSpeed(MISSING, NS // 2, 2**32), (145 * i for i in range(40))))
    assert told == pytest.approx([3000.0] * len(told))


@pytest.mark.parametrize("bits", [16, 24, 32, 64])
def test_the_count_may_wrap(bits: int) -> None:
    start = 2**bits - 1000
    told = good(counted(CountSpeed(FLYWHEEL, NS // 2, 2**bits), ((start + 150 * i) % 2**bits for i in range(40))))
    assert told == pytest.approx([3000.0] * 30)


def test_a_counter_that_was_set_begins_anew() -> None:
    counts = [*(10_000 + 150 * i for i in range(20)), *(150 * i for i in range(20))]
    speed = CountSpeed(FLYWHEEL, NS // 2, 2**32)
    found = counted(speed, counts)
    assert good(found) == pytest.approx([3000.0] * 20)
    assert found[20:30] == [None] * 10
    assert speed.restarts == 1


def test_a_count_that_could_have_wrapped_unseen_begins_anew() -> None:
    speed = CountSpeed(FLYWHEEL, NS // 2, 2**16)
    counted(speed, (150 * i for i in range(20)))
    assert speed.take(100 * NS, 5000) is None  # 5,000 rpm on 60 teeth fill 16 bits in 13 s, by hand
    assert speed.restarts == 1


def test_a_count_that_stands_is_zero() -> None:
    counts = [*(150 * i for i in range(20)), *([150 * 19] * 10), *(150 * (20 + i) for i in range(20))]
    found = counted(CountSpeed(FLYWHEEL, NS // 2, 2**32), counts)
    told = [None if each is None else round(each.rpm) for each in found]
    assert told[20:30] == [0] * 10
    assert told[-1] == 3000


def test_a_count_faster_than_credible_is_named() -> None:
    found = counted(CountSpeed(FLYWHEEL, NS // 2, 2**32), (300 * i for i in range(20)))  # 6,000 rpm
    assert {each.quality for each in found if each is not None} == {Quality.ABOVE_RANGE}


@pytest.mark.parametrize(
    ("teeth", "missing", "lowest", "highest", "key"),
    [
        (4, 2, 60, 5000, "teeth"),
        (60, -1, 60, 5000, "missing"),
        (60, 2, 0, 5000, "lowest_rpm"),
        (60, 2, 60, 50, "lowest"),
    ],
)
def test_impossible_wheels_are_refused(teeth: int, missing: int, lowest: float, highest: float, key: str) -> None:
    with pytest.raises(TransferError, match=key):
        PulseWheel.crank(teeth, missing, lowest_rpm=lowest, highest_rpm=highest)
