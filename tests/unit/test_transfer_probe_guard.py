"""A probe whose wire breaks never reads as a cooling or an overheating exhaust, and what that promise leaves out.

The wire breaks at 690 degC. The exhaust works 30 K under the first limit (720, common practice before the turbine).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from uphaul.signals.model import Quality
from uphaul.signals.thermocouple import type_k_mv
from uphaul.signals.transfer import (
    Burnout,
    ProbeGuard,
    ProbeState,
    Reading,
    StraightLineConverter,
    TransferError,
    TypeK,
    drive_rate_k_s,
)

INTERVAL_S = 0.05
BREAK_S = 2.0
COLD_DEGC = 35.0
WORKING_DEGC = 690.0
GUARD = ProbeGuard.of(3.0, finds_slow_break=True, rejoin_s=1.0)  # a sheath of 3 mm


def _times(phase: float, until_s: float = 8.0) -> np.ndarray:
    """Samples around a break that falls `phase` (0..1) of an interval before one."""
    return np.arange(0.0, until_s, INTERVAL_S) + phase * INTERVAL_S


def _broken_mv(t_s: np.ndarray, mv_per_s: float, rail_mv: float) -> np.ndarray:
    """Terminals that read the probe until the break and go to a rail on a straight ramp after it."""
    before = float(type_k_mv(WORKING_DEGC) - type_k_mv(COLD_DEGC))
    ramp = before + np.sign(rail_mv) * mv_per_s * np.maximum(t_s - BREAK_S, 0.0)
    return np.minimum(ramp, rail_mv) if rail_mv > 0 else np.maximum(ramp, rail_mv)


def _assert_neither_cool_nor_hot(t_s: np.ndarray, reading: Reading, guard: ProbeGuard) -> None:
    known = np.isfinite(reading.values)
    assert reading.values[known] == pytest.approx(WORKING_DEGC, abs=guard.one_sample_k(INTERVAL_S))
    after = t_s > BREAK_S + 1e-9
    assert (known & after).sum() <= 1, "more than one sample passed after the break"
    assert (reading.quality[after][1:] == Quality.OPEN_CIRCUIT).all()
    assert known[t_s <= BREAK_S].all()


@pytest.mark.parametrize("phase", [0.0, 0.02, 0.1, 0.5, 0.99])
@pytest.mark.parametrize("burnout", [Burnout.UP, Burnout.DOWN])
@pytest.mark.parametrize("mv_per_s", [14.0, 50.0, 1000.0, 1e6])
def test_a_test_current_carries_a_broken_wire_out_of_range(phase: float, burnout: Burnout, mv_per_s: float) -> None:
    t_s = _times(phase)
    rail = 78.0 if burnout is Burnout.UP else -78.0  # the ends of an amplifier, beyond type K
    raw = TypeK(burnout=burnout).read(_broken_mv(t_s, mv_per_s, rail), COLD_DEGC)
    guarded, state = GUARD.watch(t_s, raw, ProbeState())
    _assert_neither_cool_nor_hot(t_s, guarded, GUARD)
    assert state.fault is Quality.OPEN_CIRCUIT


def test_without_the_guard_the_way_to_the_rail_reads_as_overheating() -> None:
    # shows that the guard is what keeps the promise: the same ramp passes every limit as good values
    t_s = _times(0.5)
    raw = TypeK(burnout=Burnout.UP).read(_broken_mv(t_s, 14.0, 78.0), COLD_DEGC)
    assert np.nanmax(raw.values) > 800.0


@pytest.mark.parametrize("phase", [0.0, 0.3, 0.99])
@pytest.mark.parametrize("settles_degc", [-30.0, 25.0, 400.0, 650.0, 750.0, 1100.0])
def test_an_input_that_floats_away_between_two_samples(phase: float, settles_degc: float) -> None:
    guard = ProbeGuard.of(3.0, finds_slow_break=False)
    t_s = _times(phase, 60.0)
    drift_s = INTERVAL_S  # a monotone ramp from one sample to the next
    mv = np.interp(t_s, [BREAK_S, BREAK_S + drift_s], type_k_mv([WORKING_DEGC, settles_degc])) - type_k_mv(COLD_DEGC)
    guarded, state = guard.watch(t_s, TypeK().read(mv, COLD_DEGC), ProbeState())
    known = np.isfinite(guarded.values)
    assert guarded.values[known] == pytest.approx(WORKING_DEGC, abs=guard.one_sample_k(INTERVAL_S))
    assert not known[t_s > BREAK_S + 2.0 * INTERVAL_S].any(), "a floating input was believed again"
    assert state.fault is Quality.OPEN_CIRCUIT


@pytest.mark.parametrize("tests_every", [1, 4, 20])
def test_a_converter_that_finds_the_break_some_samples_later(tests_every: int) -> None:
    # its input floats at a ramp of 1,000 K/s until the open-circuit test comes round and sets the fault bit
    t_s = _times(0.5)
    since = np.maximum(t_s - BREAK_S, 0.0)
    degc = np.round((WORKING_DEGC + np.minimum(1000.0 * since, 350.0)) * 4.0).astype(np.int64)
    found = np.floor(since / (tests_every * INTERVAL_S)) >= 1
    words = np.where(found, 0x00010001, (degc << 18) | (int(COLD_DEGC * 16) << 4))
    raw = StraightLineConverter().read_words(words)
    guarded, _ = GUARD.watch(t_s, raw, ProbeState())
    before = guarded.values[t_s <= BREAK_S][0]
    known = np.isfinite(guarded.values)
    assert before == pytest.approx(684.0, abs=1.0)  # 690 as reported, corrected
    assert guarded.values[known] == pytest.approx(before, abs=GUARD.one_sample_k(INTERVAL_S))
    assert (known & (t_s > BREAK_S)).sum() <= 1
    assert guarded.quality[-1] == Quality.OPEN_CIRCUIT


def test_a_drift_as_slow_as_gas_cannot_be_told_and_is_not_promised() -> None:
    # what the description says cannot be told, held here so that nobody believes otherwise
    guard = ProbeGuard.of(3.0, finds_slow_break=False)
    t_s = _times(0.0)
    mv = type_k_mv(np.maximum(WORKING_DEGC - 100.0 * np.maximum(t_s - BREAK_S, 0.0), 100.0)) - type_k_mv(COLD_DEGC)
    guarded, _ = guard.watch(t_s, TypeK().read(mv, COLD_DEGC), ProbeState())
    assert np.isfinite(guarded.values).all()


@pytest.mark.parametrize(("hot", "cool"), [(750.0, 150.0), (150.0, 750.0)])
@pytest.mark.parametrize("time_constant_s", [1.0, 3.0])
def test_the_hardest_step_of_the_gas_is_passed_untouched(hot: float, cool: float, time_constant_s: float) -> None:
    # first-order lag by its definition, with the noise of a converter of a quarter of a degree
    guard = ProbeGuard.of(time_constant_s, finds_slow_break=False)
    t_s = _times(0.0)
    true = cool + (hot - cool) * np.exp(-np.maximum(t_s - BREAK_S, 0.0) / time_constant_s)
    reading = TypeK().read(type_k_mv(np.round(true * 4.0) / 4.0) - type_k_mv(COLD_DEGC), COLD_DEGC)
    guarded, state = guard.watch(t_s, reading, ProbeState())
    assert guarded.values.tolist() == reading.values.tolist()
    assert state.fault is None


def test_a_wire_that_touches_again_is_believed_after_a_steady_while() -> None:
    t_s = np.arange(0.0, 6.0, INTERVAL_S)
    gone = (t_s >= 1.0) & (t_s < 2.0)
    mv = np.where(gone, 78.0, float(type_k_mv(WORKING_DEGC) - type_k_mv(COLD_DEGC)))
    guarded, state = GUARD.watch(t_s, TypeK(burnout=Burnout.UP).read(mv, COLD_DEGC), ProbeState())
    unknown = t_s[np.isnan(guarded.values)]
    assert (unknown[0], unknown[-1]) == (pytest.approx(1.0), pytest.approx(2.95))
    assert state.fault is None


def test_a_bad_contact_is_not_believed_between_its_breaks() -> None:
    t_s = np.arange(0.0, 20.0, INTERVAL_S)
    mv = np.where((t_s > 1.0) & (t_s % 0.8 < 0.3), 78.0, float(type_k_mv(WORKING_DEGC) - type_k_mv(COLD_DEGC)))
    guarded, _ = GUARD.watch(t_s, TypeK(burnout=Burnout.UP).read(mv, COLD_DEGC), ProbeState())
    first = int(np.argmax(np.isnan(guarded.values)))
    assert np.isnan(guarded.values[first:]).all()


def test_a_garbled_sample_says_nothing_about_the_wire() -> None:
    quality = np.array([Quality.GOOD, Quality.UNDECODABLE, Quality.GOOD], dtype=np.int8)
    raw = Reading(np.array([690.0, np.nan, 691.0]), quality)
    guarded, state = ProbeGuard.of(3.0, finds_slow_break=False).watch([0.0, 0.05, 0.1], raw, ProbeState())
    assert guarded.quality.tolist() == quality.tolist()
    assert state == ProbeState(0.1, 691.0)


def test_after_a_long_pause_the_first_sample_is_taken_as_it_is() -> None:
    raw = Reading(np.array([690.0, 200.0]), np.zeros(2, dtype=np.int8))
    guarded, _ = GUARD.watch([0.0, 600.0], raw, ProbeState())
    assert guarded.values.tolist() == [690.0, 200.0]


samples = st.lists(
    st.tuples(
        st.floats(0.01, 3.0),
        st.one_of(st.floats(600.0, 800.0), st.floats(-200.0, 1300.0)),
        st.sampled_from([Quality.GOOD, Quality.GOOD, Quality.GOOD, Quality.SATURATED, *Quality]),
    ),
    max_size=40,
)


@given(samples, st.integers(0, 40), st.sampled_from([None, 0.1, 1.0]))
def test_cutting_the_samples_changes_nothing(
    rows: list[tuple[float, float, Quality]], cut: int, rejoin_s: float | None
) -> None:
    guard = ProbeGuard(200.0, finds_slow_break=True, rejoin_s=rejoin_s)
    t_s = np.cumsum([row[0] for row in rows])
    quality = np.array([row[2] for row in rows], dtype=np.int8)
    values = np.where(quality <= Quality.SATURATED, [row[1] for row in rows], np.nan)
    whole, after = guard.watch(t_s, Reading(values, quality), ProbeState())
    first, between = guard.watch(t_s[:cut], Reading(values[:cut], quality[:cut]), ProbeState())
    second, end = guard.watch(t_s[cut:], Reading(values[cut:], quality[cut:]), between)
    assert np.array_equal(np.concatenate([first.values, second.values]), whole.values, equal_nan=True)
    assert np.concatenate([first.quality, second.quality]).tolist() == whole.quality.tolist()
    assert repr(end) == repr(after)  # NaN does not equal itself
    assert (np.isnan(whole.values) == (whole.quality > Quality.SATURATED)).all()


def test_speed_of_a_test_current() -> None:
    # i = C dv/dt by hand: 100 nA into 100 nF is 1 V/s, at 42.5 uV/K (type K at 600 degC, NIST Monograph 175)
    assert drive_rate_k_s(100e-9, 100e-9, 600.0) == pytest.approx(1.0 / 42.505e-6, rel=1e-3)


def test_a_floating_input_cannot_be_believed_again() -> None:
    with pytest.raises(TransferError, match="rejoin_s"):
        ProbeGuard.of(3.0, finds_slow_break=False, rejoin_s=1.0)
    with pytest.raises(TransferError, match="time_constant_s"):
        ProbeGuard.of(0.0, finds_slow_break=True)
