"""Tells a probe whose wire breaks from an exhaust that cools or overheats, over the samples of one channel.

Theory of operation. A probe is *whole* or *broken*. The caller keeps a `ProbeState` and hands it back with the next
samples; nothing is remembered here.
- Whole to broken: a sample is a wire's fault by itself (open, shorted, out of range), or it lies further from the last
  good one than the probe can have moved since: `max_rate_k_s` * time + `noise_k`. The latter is called `OPEN_CIRCUIT`.
  So an input on its way from a real reading to wherever the break takes it is not taken for a temperature. A sample
  that could not be decoded says nothing about the wire: it stays what it is and moves no state.
- Broken to whole, only with `rejoin_s`: the readings have been values, and steady by the same measure, for that long.
  Until then they keep the fault's name. Without `rejoin_s` broken is for good, until the caller starts anew: an input
  that nothing pulls settles at any temperature and cannot prove that its wire is whole again. The price is that one
  spike counts as a break there; filter before.

A gas step of S kelvin moves a probe of time constant tau by at most S / tau kelvin a second (first-order lag), which
sets `max_rate_k_s`. The test current of an amplifier or the fault bit of a converter must be faster than that:
`drive_rate_k_s` tells for a current.

What this cannot tell, and does not claim to:
- A drift slower than `max_rate_k_s`, of an input that nothing pulls, looks like gas and is passed as gas. Only a test
  current or a converter's fault bit finds such a break. `finds_slow_break` says whether that is promised.
- The first sample after a break may be off by `max_rate_k_s` * interval + `noise_k` before the next one shows it. Only
  one, when the break moves the input faster than `sure_rate_k_s`; `one_sample_k` gives the amount, to be held against
  the distance between working temperature and limit. A rule's on-delay of more than one sample covers it.
- The longer the time between samples, the more a step may be: beyond `blind_after_s` nothing is compared, and the
  first sample is taken as it is. So is the very first one: an input that nothing pulls and that is open from the start
  reads whatever it floats at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from uphaul.signals.model import Quality
from uphaul.signals.reading import Floats, Reading, floats, require
from uphaul.signals.thermocouple import type_k_mv_per_k

__all__ = ["ProbeGuard", "ProbeState", "drive_rate_k_s"]

_OUT_OF_RANGE = frozenset({Quality.BELOW_RANGE, Quality.ABOVE_RANGE})
_OF_THE_WIRE = _OUT_OF_RANGE | {Quality.OPEN_CIRCUIT, Quality.SHORT_TO_GROUND, Quality.SHORT_TO_SUPPLY}


@dataclass(frozen=True, slots=True)
class ProbeState:
    """What is carried from one sample to the next: none yet, whole at a last good value, or broken.

    `t_s` and `degc` are the last reading that was a value (good while whole, while broken the one to be steady
    against). `fault` is None while whole. `steady_since_s` is when the readings of a broken probe became steady.
    """

    t_s: float | None = None
    degc: float = np.nan
    fault: Quality | None = None
    steady_since_s: float | None = None


@dataclass(frozen=True, slots=True)
class ProbeGuard:
    """How fast this probe can really move, and when a broken one is believed again.

    `max_rate_k_s`: see the module; `ProbeGuard.of` derives it. `finds_slow_break`: the amplifier drives an open input
    out of range or the converter reports it; `rejoin_s` needs that.

    Raises: TransferError.
    """

    max_rate_k_s: float
    finds_slow_break: bool
    rejoin_s: float | None = None
    noise_k: float = 3.0
    blind_after_s: float = 2.0

    def __post_init__(self) -> None:
        require("probe", "max_rate_k_s", self.max_rate_k_s, self.max_rate_k_s > 0.0, "must be over 0")
        require("probe", "noise_k", self.noise_k, self.noise_k >= 0.0, "must be 0 or more")
        require("probe", "blind_after_s", self.blind_after_s, self.blind_after_s > 0.0, "must be over 0")
        right = self.rejoin_s is None or (self.finds_slow_break and self.rejoin_s > 0.0)
        allowed = "must be over 0, and absent where nothing finds an open wire that drifts slowly"
        require("probe", "rejoin_s", self.rejoin_s, right, allowed)

    @classmethod
    def of(cls, time_constant_s: float, *, finds_slow_break: bool, rejoin_s: float | None = None) -> ProbeGuard:
        """For a probe of this time constant in exhaust gas, whose temperature jumps by 600 K at most.

        Source: first-order lag; the jump is our own choice, idle to full load of a diesel (common practice). A sheath
        of 3 mm has 2 to 4 s (common practice): take the shorter.
        """
        require("probe", "time_constant_s", time_constant_s, time_constant_s > 0.0, "must be over 0")
        return cls(600.0 / time_constant_s, finds_slow_break, rejoin_s)

    def one_sample_k(self, interval_s: float) -> float:
        """How far one sample may be off before a break shows, for samples `interval_s` apart."""
        return self.max_rate_k_s * interval_s + self.noise_k

    def sure_rate_k_s(self, interval_s: float) -> float:
        """How fast a break must move the input to be found for sure, for samples `interval_s` apart."""
        return self.max_rate_k_s + self.noise_k / interval_s

    def watch(self, t_s: npt.ArrayLike, reading: Reading, state: ProbeState) -> tuple[Reading, ProbeState]:
        """`reading` (N,) at the rising times `t_s` (N,), what is no temperature made a fault, and the state after it.

        Cutting the samples into several calls gives the same.
        """
        (times,) = floats(t_s)
        values, quality = reading.values.copy(), reading.quality.copy()
        if self._all_whole(times, reading, state):
            return reading, ProbeState(float(times[-1]), float(values[-1]))
        for i in range(len(values)):
            state = self._step(float(times[i]), float(values[i]), Quality(int(quality[i])), state)
            if state.fault is not None:
                values[i], quality[i] = np.nan, state.fault
        return Reading(values, quality), state

    def _all_whole(self, times: Floats, reading: Reading, state: ProbeState) -> bool:
        """The usual case in one go: a whole probe whose samples are all values and all within reach."""
        if state.fault is not None or not len(times) or bool((reading.quality > Quality.SATURATED).any()):
            return False
        before_t, before = (times[:1], reading.values[:1]) if state.t_s is None else ([state.t_s], [state.degc])
        apart = np.diff(times, prepend=before_t)
        moved = np.abs(np.diff(reading.values, prepend=before))
        return bool((apart <= self.blind_after_s).all() and (moved <= self.max_rate_k_s * apart + self.noise_k).all())

    def _step(self, t_s: float, degc: float, quality: Quality, state: ProbeState) -> ProbeState:
        if not quality.known:
            return self._faulty(quality, state)
        since_last = np.inf if state.t_s is None else t_s - state.t_s
        comparable = since_last <= self.blind_after_s
        steady = comparable and abs(degc - state.degc) <= self.max_rate_k_s * since_last + self.noise_k
        if state.fault is None:
            if steady or not comparable:
                return ProbeState(t_s, degc)
            return ProbeState(t_s, degc, Quality.OPEN_CIRCUIT)
        since = state.steady_since_s if steady and state.steady_since_s is not None else t_s
        if self.rejoin_s is not None and steady and t_s - since >= self.rejoin_s:
            return ProbeState(t_s, degc)
        return ProbeState(t_s, degc, state.fault, since)

    def _faulty(self, quality: Quality, state: ProbeState) -> ProbeState:
        if quality not in _OF_THE_WIRE:
            return state
        if state.fault is not None and quality in _OUT_OF_RANGE:
            quality = state.fault  # where an open input drifts to says less than that it is open
        return ProbeState(None, np.nan, quality)


def drive_rate_k_s(current_a: float, input_f: float, at_degc: float) -> float:
    """How fast in K/s a test current moves an open type K input with its filter capacitor, around `at_degc`.

    Must be over `ProbeGuard.sure_rate_k_s`. Source: i = C dv/dt, divided by the Seebeck coefficient.
    """
    return current_a / input_f * 1000.0 / float(type_k_mv_per_k(at_degc))
