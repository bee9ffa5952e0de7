"""A drive and rules of a stated size for the benches: invented, noisy, with alerts now and then."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from uphaul.config.spec import Config, DriveSpec
from uphaul.rules import ABOVE, Action, Curve, Kind, Rule, Setting, When
from uphaul.signals import Block, Signal
from uphaul.vehicle import Tune, Vehicle

__all__ = ["TICK_MS", "config", "drive", "rules", "signals"]

TICK_MS = 50


def signals(count: int) -> tuple[Signal, ...]:
    """Signals s0, s1, ... in degC at 4 counts per unit."""
    return tuple(Signal(f"s{i}", "degC", 4, low=-40, high=1200, max_age_ms=500) for i in range(count))


def rules(count: int, signals: int) -> tuple[Rule, ...]:
    """Rules of a real mix: mostly thresholds, some by curve, half with a further condition, a third per tune."""
    kinds = [Kind.THRESHOLD] * 12 + [Kind.RATE, Kind.EXPOSURE, Kind.REACH, Kind.LOST]
    made = []
    for i in range(count):
        kind = kinds[i % len(kinds)]
        limit: float | Curve = 520.0 + i % 7
        if kind is Kind.THRESHOLD and i % 4 == 0:
            limit = Curve("s1", (100.0, 400.0, 900.0), (500.0, 530.0, 560.0))
        base = Setting(limit, 25.0, 2000, 5000, allowed_s=60.0, within_s=240.0)
        if kind is Kind.RATE:
            base = Setting(3.0, 1.0, 2000, 5000)
        tow = replace(base, limit=510.0)
        made.append(
            Rule(
                f"rule-{i}",
                kind,
                f"s{i % signals}",
                ABOVE,
                base,
                Action.EASE,
                when=(When("s0", ABOVE, 300.0, 20.0),) if i % 2 else (),
                tunes=(("tow", tow),) if i % 3 == 0 else (),
                window_ms=60_000,
            )
        )
    return tuple(made)


def drive(ticks: int, count: int, *, seed: int = 1) -> Block:
    """A drive of `ticks` at 20 Hz: slow drifts about 450 with noise, a tenth of the time without a value on s3."""
    rng = np.random.default_rng(seed)
    t = np.arange(ticks, dtype=np.int64) * TICK_MS
    phase = rng.uniform(0, 6.28, count)
    period_s = rng.uniform(120, 900, count)
    values: npt.NDArray[np.float64] = 450 + 90 * np.sin(t[:, None] / 1000 / period_s * 6.28 + phase)
    values = np.rint((values + rng.normal(0, 2, values.shape)) * 4) / 4
    values[(t // 1000) % 100 < 10, 3] = np.nan
    tune = np.where((t // 600_000) % 2, 1, 0).astype(np.int16)
    return Block(signals(count), t, values, tune)


def config(signal_count: int, rule_count: int) -> Config:
    """A configuration with these, two tunes, and one drive for as long as it runs."""
    return Config(
        tick_hz=1000 // TICK_MS,
        gap_ms=1000,
        sources=(),
        signals=signals(signal_count),
        inputs=(),
        computed=(),
        rules=rules(rule_count, signal_count),
        vehicle=Vehicle("bench", (Tune("stock"), Tune("tow"))),
        drive=DriveSpec(None),
        files=(("rules.toml", "# bench"),),
    )
