"""An invented drive in two parts to be played: alerts of many kinds, gaps, lost wires, tunes and people's events."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from uphaul.alerts import Carried, State
from uphaul.config.spec import Config
from uphaul.log.drives import Part
from uphaul.play import Reel
from uphaul.rules import ABOVE, BELOW, Action, Curve, Kind, Rule, Setting, Share, When
from uphaul.signals import Block, Event, EventKind, Quality, QualityChange, Signal
from uphaul.vehicle import Tune, Vehicle

__all__ = ["CHANGED_MS", "GAP_MS", "LAST_MS", "RULES", "part_of", "plain", "reels"]

RPM = Signal("rpm", "rpm", 4, low=0, high=6000)
EGT = Signal("egt", "degC", 4, low=-40, high=1100)
COOLANT = Signal("coolant", "degC", 4, low=-40, high=130)
OIL = Signal("oil", "kPa", 10, low=0, high=1000, required=True)
SIGNALS = (RPM, EGT, COOLANT, OIL)

RULES = (
    Rule(
        "egt-high",
        Kind.THRESHOLD,
        "egt",
        ABOVE,
        Setting(700.0, 15.0, 200, 500),
        Action.EASE,
        latch=True,
        say="Ease off",
        tunes=(("tow", Setting(680.0, 15.0, 200, 500)),),
    ),
    Rule(
        "egt-note",
        Kind.THRESHOLD,
        "egt",
        ABOVE,
        Setting(640.0, 5.0),
        Action.NOTE,
        suppressed_by=("egt-high",),
        when=(When("rpm", ABOVE, 1900.0, 200.0),),
    ),
    Rule(
        "oil-low",
        Kind.THRESHOLD,
        "oil",
        BELOW,
        Setting(Curve("rpm", (800.0, 3000.0), (80.0, 240.0)), 10.0, 100, 300),
        Action.STOP,
    ),
    Rule("coolant-soon", Kind.REACH, "coolant", ABOVE, Setting(104.0, 0.0, within_s=60.0), Action.EASE, window_ms=5000),
    Rule("coolant-hot", Kind.THRESHOLD, "coolant", ABOVE, Setting(104.0, 1.0), Action.EASE),
    Rule("egt-fast", Kind.RATE, "egt", ABOVE, Setting(15.0, 2.0), Action.NOTE, window_ms=2000),
    Rule("egt-long", Kind.EXPOSURE, "egt", ABOVE, Setting(660.0, 5.0, allowed_s=8.0), Action.EASE, window_ms=20_000),
    Rule(
        "egt-off",
        Kind.DEPARTURE,
        "egt",
        ABOVE,
        Setting(Share(0.05), Share(0.01), 200, 200),
        Action.NOTE,
        expected=(("tow", Curve("rpm", (800.0, 3000.0), (600.0, 660.0))),),
    ),
    Rule("lost:oil", Kind.LOST, "oil", 0, Setting(0.0, 0.0, 500, 500), Action.NOTE),
)
CONFIG = Config(
    tick_hz=20,
    gap_ms=1000,
    sources=(),
    signals=SIGNALS,
    inputs=(),
    computed=(),
    rules=RULES,
    vehicle=Vehicle("an invented truck", (Tune("stock"), Tune("tow"))),
    files=(("rules.toml", ""),),
)

CHANGED_MS = 60_000
"""From here on a part of its own, with fewer and stricter rules."""
LAST_MS = 90_000
GAP_MS = (20_000, 29_000)
"""Nothing was logged in between."""


def _walk(rng: np.random.Generator, ticks: int, start: float, step: float, signal: Signal) -> npt.NDArray[np.float64]:
    walk = start + np.cumsum(rng.normal(0.0, step, ticks))
    span = signal.high - signal.low
    folded = signal.low + np.abs((walk - signal.low + span) % (2 * span) - span)
    return np.rint(folded * signal.per_unit) / signal.per_unit


def _block(seed: int) -> Block:
    """The whole drive, 20 ticks a second."""
    rng = np.random.default_rng(seed)
    t_ms = np.arange(0, LAST_MS + 1, 50)
    t_ms = t_ms[(t_ms <= GAP_MS[0]) | (t_ms >= GAP_MS[1])]
    n = len(t_ms)
    values = np.column_stack(
        [
            _walk(rng, n, 2000.0, 30.0, RPM),
            _walk(rng, n, 660.0, 3.0, EGT),
            _walk(rng, n, 101.0, 0.15, COOLANT),
            _walk(rng, n, 200.0, 4.0, OIL),
        ]
    )
    values[(t_ms >= 40_000) & (t_ms < 43_000), 3] = np.nan
    quality = (QualityChange(40_000, 3, Quality.OPEN_CIRCUIT), QualityChange(43_000, 3, Quality.GOOD))
    tune = np.where(t_ms < 3000, -1, np.where(t_ms < 50_000, 1, 0)).astype(np.int16)
    kinds = (EventKind.ACKNOWLEDGE, EventKind.RESET, EventKind.MARK, EventKind.SHELVE, EventKind.UNSHELVE)
    events: list[Event] = []
    for at in sorted(rng.choice(t_ms, 60).tolist()):
        kind = kinds[int(rng.integers(len(kinds)))]
        rule = "" if kind is EventKind.MARK else RULES[int(rng.integers(len(RULES)))].name
        end_ms = at + 5000 if kind is EventKind.SHELVE else None
        events.append(Event(at, len(events), kind, rule, 1, "invented", "", end_ms))
    return Block(SIGNALS, t_ms, values, tune, quality, tuple(events))


def part_of(block: Block, files: tuple[tuple[str, str], ...] = ()) -> Part:
    """A part of a drive that is read as a log is: piecemeal, and from any tick on."""

    def blocks(start_ms: int | None = None, rows: int = 65_536, /) -> Iterator[Block]:
        first = 0 if start_ms is None else int(np.searchsorted(block.t_ms, start_ms))
        for i in range(first, len(block), rows):
            yield block.part(i, i + rows)

    return Part(SIGNALS, CONFIG.tunes, 1000, 50, blocks, (int(block.t_ms[0]), int(block.t_ms[-1])), files)


def reels(seed: int = 1) -> list[Reel]:
    """The drive in its two parts; in the second one alert begins as the first part's might have left it."""
    block = _block(seed)
    at = int(np.searchsorted(block.t_ms, CHANGED_MS))
    stricter = tuple(replace(r, base=replace(r.base, limit=650.0), tunes=()) for r in RULES[:1]) + RULES[2:]
    carried = (Carried("egt-high", State.LATCHED_UNACKNOWLEDGED),)
    return [
        Reel(part_of(block.part(0, at)), CONFIG),
        Reel(part_of(block.part(at, len(block))), replace(CONFIG, rules=stricter), carried),
    ]


def plain(t_ms: Sequence[int]) -> list[Reel]:
    """A drive of one part, without alerts, with those ticks."""
    n = len(t_ms)
    values = np.tile([2000.0, 500.0, 88.0, 300.0], (n, 1))
    block = Block(SIGNALS, np.array(t_ms, dtype=np.int64), values, np.ones(n, dtype=np.int16))
    return [Reel(part_of(block), CONFIG)]
