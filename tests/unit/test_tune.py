"""Which tune a reading means, for how long it must mean it, and what is said while nobody knows."""

from __future__ import annotations

from math import inf, nan

import numpy as np
import pytest

from uphaul.alerts import Notice, NoticeKind
from uphaul.pipeline import Judged, Row, rejudge
from uphaul.rules import ABOVE, Action, Kind, Rule, Setting
from uphaul.signals import Block, Signal
from uphaul.signals.tune import TuneReading

BANDS = [(0.0, 1.0, 0), (1.5, 2.5, 1)]


def course(reading: TuneReading, *values: float, every_ms: int = 100) -> list[int]:
    return [reading.step(i * every_ms, value) for i, value in enumerate(values)]


@pytest.mark.parametrize(
    ("volts", "tune"),
    [(0.0, 0), (1.0, 0), (1.01, -1), (1.25, -1), (1.49, -1), (1.5, 1), (2.5, 1), (2.51, -1), (-0.1, -1), (nan, -1)],
)
def test_a_band_holds_its_ends_and_all_else_is_unknown(volts: float, tune: int) -> None:
    assert TuneReading({}, BANDS, hold_ms=0).step(0, volts) == tune


@pytest.mark.parametrize(("value", "tune"), [(0.0, 0), (1.0, 1), (0.4, 0), (2.0, -1), (inf, -1), (-inf, -1)])
def test_a_switch_reads_whole_numbers(value: float, tune: int) -> None:
    assert TuneReading({0: 0, 1: 1}, hold_ms=0).step(0, value) == tune


def test_a_reading_changes_the_tune_once_it_has_held() -> None:
    assert course(TuneReading({}, BANDS), 0.5, 0.5, 0.5, 0.5, 2.0, 2.0, 2.0, 2.0) == [-1, -1, -1, 0, 0, 0, 0, 1]


def test_a_selector_that_passes_between_the_bands_changes_nothing_on_its_way() -> None:
    reading = TuneReading({}, BANDS)
    reading.tune = 0
    assert course(reading, 0.9, 1.2, 1.4, 1.6, 2.0, 2.0, 2.0) == [0, 0, 0, 0, 0, 0, 1]


def test_a_selector_that_stays_between_the_bands_is_unknown() -> None:
    reading = TuneReading({}, BANDS)
    reading.tune = 1
    assert course(reading, 1.2, 1.2, 1.2, 1.2) == [1, 1, 1, -1]


def test_a_bouncing_contact_never_changes_the_tune() -> None:
    reading = TuneReading({0: 0, 1: 1})
    reading.tune = 0
    assert course(reading, 1, 1, 0, 1, nan, 1, 0, 1, 1, 1) == [0] * 10


def test_a_contact_that_bounced_back_must_hold_anew() -> None:
    reading = TuneReading({0: 0, 1: 1})
    reading.tune = 0
    assert course(reading, 1, 1, 0, 1, 1, 1, 1) == [0, 0, 0, 0, 0, 0, 1]


def test_a_lost_signal_is_unknown_once_it_has_been_lost_for_so_long() -> None:
    reading = TuneReading({0: 0})
    reading.tune = 0
    assert course(reading, nan, nan, nan, nan, 0, 0, 0, 0) == [0, 0, 0, -1, -1, -1, -1, 0]


EGT = Signal("egt", "degC", 4)
HOT = Rule(
    "egt-high",
    Kind.THRESHOLD,
    "egt",
    ABOVE,
    Setting(limit=750.0),
    Action.EASE,
    tunes=(("stock", Setting(limit=700.0)), ("tow", Setting(limit=720.0))),
)


def judged(
    tune: list[int], egt: float, *, tunes: tuple[str, ...] = ("stock", "tow"), cuts: tuple[int, ...] = ()
) -> Judged:
    blocks = []
    for start, stop in zip((0, *cuts), (*cuts, len(tune)), strict=True):
        t_ms = np.arange(start, stop, dtype=np.int64) * 50
        blocks.append(Block((EGT,), t_ms, np.full((stop - start, 1), egt), np.array(tune[start:stop], dtype=np.int16)))
    return rejudge(Row((EGT,), (HOT,), tunes), blocks)


def told(tune: list[int], *, tunes: tuple[str, ...] = ("stock", "tow"), cuts: tuple[int, ...] = ()) -> list[Notice]:
    return judged(tune, 20.0, tunes=tunes, cuts=cuts).notices


@pytest.mark.parametrize(("egt", "active"), [(700.0, False), (700.25, True), (730.0, True)])
def test_an_unknown_tune_is_held_to_the_strictest_limit(egt: float, active: bool) -> None:
    assert [c.active for c in judged([-1], egt).conditions] == [True] * active


UNKNOWN = "tune unknown: the strictest limits apply"


def test_the_row_tells_when_the_tune_is_unknown_and_when_it_is_known_again() -> None:
    assert told([0, -1, -1, 1, 1, -1]) == [
        Notice(50, NoticeKind.TUNE_UNKNOWN, text=UNKNOWN),
        Notice(150, NoticeKind.TUNE_KNOWN, text="tune tow"),
        Notice(250, NoticeKind.TUNE_UNKNOWN, text=UNKNOWN),
    ]


@pytest.mark.parametrize("cuts", [(1, 2, 3, 4, 5), (2,), (3,), (1, 4)])
def test_any_cutting_tells_the_same(cuts: tuple[int, ...]) -> None:
    tune = [-1, -1, 0, 0, -1, 1]
    assert told(tune, cuts=cuts) == told(tune) != []


def test_a_drive_that_begins_so_says_so_and_a_vehicle_without_tunes_never() -> None:
    assert told([-1, -1]) == [Notice(0, NoticeKind.TUNE_UNKNOWN, text=UNKNOWN)]
    assert told([-1, -1], tunes=()) == []
