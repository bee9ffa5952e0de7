"""A drive in memory for the drive page: the same values as any other reader gives, and its parts apart."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from support.complained import enter, mark
from support.whole_drives import CRUISING, IDLING, Leg, by_hand
from uphaul.analysis.what_if import judge_all
from uphaul.analysis.whole import ROLES
from uphaul.config import demo_config
from uphaul.desk import load_drive
from uphaul.desk.judging import Judging, delays_of, shifts_of
from uphaul.desk.rules_text import Edit
from uphaul.desk.telling import places, road, shown_first
from uphaul.errors import ConfigError, LogError, UphaulError
from uphaul.log.drives import Part, log_parts
from uphaul.log.drives import load_drive as blocks_of
from uphaul.log.reader import Log
from uphaul.rules import ABOVE, Action, Curve, Kind, Rule, Setting
from uphaul.signals import Block, EventKind, Signal

SPLIT_MS = 100_000


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("desk") / "invented.db"
    hot = Leg(60.0, rpm=2600.0, speed=20.0, pedal=0.9, boost=140.0, egt=760.0, grade=0.06, gear=4.0)
    drive = by_hand([IDLING, CRUISING, hot, replace(CRUISING, gap_s=5.0)])
    enter(path, demo_config("climb-heat"), drive, [mark(90_000, "flat"), mark(150_000)])
    return path


def split(log: Log, number: int, only: set[str] | None = None) -> list[Part]:
    """The one part of the drive as two, the second by a changed configuration."""
    (part,) = log_parts(log, number, only)

    def some(keep: slice) -> Iterator[Block]:
        (block,) = part.blocks()
        at = int(np.searchsorted(block.t_ms, SPLIT_MS))
        yield block.part(*((0, at) if keep == slice(0, 1) else (at, len(block))))

    files = tuple((n, t + "\n# changed") if n == "rules.toml" else (n, t) for n, t in part.files)
    first = replace(part, blocks=lambda *a: some(slice(0, 1)), ticks_ms=(part.ticks_ms[0], SPLIT_MS - 50))
    last = replace(part, blocks=lambda *a: some(slice(1, 2)), ticks_ms=(SPLIT_MS, part.ticks_ms[1]), files=files)
    return [first, last]


def test_the_values_are_those_of_the_log(log: Path) -> None:
    drive = load_drive(log, None)
    (block,) = blocks_of(log, None)
    np.testing.assert_array_equal(drive.whole.values, block.values)
    np.testing.assert_array_equal(drive.whole.t_ms, block.t_ms)
    assert drive.whole.events == block.events
    assert [e.text for e in drive.whole.events if e.kind is EventKind.MARK] == ["flat", ""]
    assert drive.after_gap.sum() == 1
    assert drive.notes == ("Invented demo data: no real vehicle, person or place",)


def test_what_is_shown_first_is_as_it_is_of_the_whole_drive(log: Path) -> None:
    whole, first = load_drive(log, None), load_drive(log, None, first=True)
    read = [s.name for s in first.whole.signals]
    assert set(read) < {s.name for s in whole.whole.signals}
    np.testing.assert_array_equal(first.whole.values, whole.whole.values[:, [whole.signal(name) for name in read]])
    assert shown_first(first) == shown_first(whole)
    assert repr(first.segments) == repr(whole.segments)  # unknown values are not equal to themselves
    np.testing.assert_array_equal(first.km, whole.km)
    assert repr(road(first, "time")) == repr(road(whole, "time"))
    assert (first.signals, first.rules, repr(first.live)) == (whole.signals, whole.rules, repr(whole.live))


def test_what_is_read_after_that_is_the_rest_of_the_same_drive(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole, first = load_drive(log, None), load_drive(log, None, first=True)
    asked: list[set[str]] = []
    monkeypatch.setattr("uphaul.desk.drive.log_parts", lambda *a: asked.append(set(*a[2:])) or log_parts(*a))
    after = load_drive(log, None, after=first, judge=True)
    assert asked[-1] == {s.name for s in whole.signals} - {s.name for s in first.whole.signals}
    assert after.whole.signals == whole.whole.signals
    np.testing.assert_array_equal(after.whole.values, whole.whole.values)
    assert repr(after.said) == repr(judge_all(whole.rules, whole.stretches))
    assert (after.signals, after.whole.events, repr(after.live)) == (
        whole.signals,
        whole.whole.events,
        repr(whole.live),
    )


def test_a_drive_that_goes_on_meanwhile_ends_where_it_was_first_read(log: Path) -> None:
    whole = load_drive(log, None)
    first = load_drive(log, None, first=True)
    until = int(np.searchsorted(whole.whole.t_ms, SPLIT_MS))
    cut = replace(
        first.whole, t_ms=first.whole.t_ms[:until], values=first.whole.values[:until], tune=first.whole.tune[:until]
    )
    after = load_drive(log, None, after=replace(first, whole=cut), judge=True)
    np.testing.assert_array_equal(after.whole.values, whole.whole.values[:until])
    assert len(after.stretches[0].block) == until
    assert repr(after.said) == repr(judge_all(after.rules, after.stretches))


def test_a_part_that_was_begun_meanwhile_is_left_for_the_next_time(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("uphaul.desk.drive.log_parts", split)
    first = load_drive(log, None, first=True)
    until = int(np.searchsorted(first.whole.t_ms, SPLIT_MS))
    cut = replace(
        first.whole, t_ms=first.whole.t_ms[:until], values=first.whole.values[:until], tune=first.whole.tune[:until]
    )
    after = load_drive(log, None, after=replace(first, whole=cut))
    assert [(len(s.block), s.ended) for s in after.stretches] == [(until, "")]
    assert not after.rules_text.endswith("# changed")


@pytest.mark.parametrize("first", [True, False])
def test_what_is_written_between_looking_and_reading_is_left_for_the_next_time(
    log: Path, monkeypatch: pytest.MonkeyPatch, first: bool
) -> None:
    whole = load_drive(log, None, first=first)
    until = int(np.searchsorted(whole.whole.t_ms, SPLIT_MS))

    def before(log: Log, number: int, only: set[str] | None = None) -> list[Part]:
        return [replace(p, ticks_ms=(p.ticks_ms[0], SPLIT_MS - 50)) for p in log_parts(log, number, only)]

    monkeypatch.setattr("uphaul.desk.drive.log_parts", before)
    drive = load_drive(log, None, first=first, judge=not first)
    np.testing.assert_array_equal(drive.whole.t_ms, whole.whole.t_ms[:until])
    np.testing.assert_array_equal(drive.whole.values, whole.whole.values[:until])


def test_a_drive_whose_ticks_changed_meanwhile_is_not_mixed(log: Path) -> None:
    first = load_drive(log, None, first=True)
    other = replace(first.whole, t_ms=first.whole.t_ms + 50)
    with pytest.raises(LogError, match=r"invented\.db.*changed while it was read"):
        load_drive(log, None, after=replace(first, whole=other))


@pytest.mark.parametrize("at_ms", [-10.0, 0.0, 0.5, 50.0, 99_960.0, 99_999.5, 1e9])
def test_a_time_lies_where_the_next_tick_does(log: Path, at_ms: float) -> None:
    drive = load_drive(log, None)
    later = [i for i, t in enumerate(drive.whole.t_ms.tolist()) if t >= at_ms]
    tick = later[0] if later else len(drive.whole) - 1
    found = places(drive)(at_ms)
    assert (found["time"], found["distance"]) == (drive.t_s[tick], drive.km[tick])


def test_a_drive_with_few_of_the_usual_signals_begins_with_some_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "others.db"
    own = ("head", "compressor_out", "oil_temp", "battery", "fuel", "air", "mixture", "transmission")
    signals = tuple(Signal(name, ROLES[name], 10) for name in ("speed", *own))
    drive = by_hand([IDLING])
    values = drive.read("speed")[:, None] + np.arange(9.0)
    enter(
        path,
        replace(demo_config("climb-heat"), signals=signals, rules=()),
        replace(drive, signals=signals, values=values),
    )
    first = load_drive(path, None, first=True)
    assert [s.name for s in first.whole.signals] == ["speed", *own[:5]]
    assert shown_first(first) == ["speed", *own[:5]]
    assert [s.name for s in first.signals] == ["speed", *own]


def test_a_drive_in_two_parts_has_all_of_both_and_says_so(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = load_drive(log, None)
    monkeypatch.setattr("uphaul.desk.drive.log_parts", split)
    parts = load_drive(log, None, judge=True)
    assert repr(parts.said) == repr(judge_all(parts.rules, parts.stretches))
    np.testing.assert_array_equal(parts.whole.values, whole.whole.values)
    assert parts.whole.events == whole.whole.events
    assert [s.ended for s in parts.stretches] == ["configuration changed", ""]
    assert [int(s.block.t_ms[0]) for s in parts.stretches] == [0, SPLIT_MS]
    assert parts.rules_text.endswith("# changed")
    assert "changed on the way" in parts.notes[1]
    cut = [e for e in Judging(parts).answer(()).said.episodes if e.cut]
    assert cut
    assert all(e.cleared_ms == SPLIT_MS - 50 for e in cut)


def test_judged_again_by_its_own_rules_it_says_what_was_said_live(log: Path) -> None:
    drive = load_drive(log, None)
    answer = Judging(drive).answer(())
    assert repr(answer.said.episodes) == repr(drive.live)  # unknown values are not equal to themselves
    assert any(e.rule == "egt-high" for e in drive.live)
    assert (answer.differences, answer.diff, answer.edited.token) == ([], "", "")


def test_judged_as_it_is_read_it_says_the_same(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drive = load_drive(log, None, judge=True)
    assert drive.said is not None
    assert repr(drive.said) == repr(
        judge_all(drive.rules, drive.stretches)
    )  # unknown values are not equal to themselves
    plain = Judging(load_drive(log, None)).answer(())
    monkeypatch.setattr("uphaul.desk.judging.judge_all", None)  # it is not judged again
    assert repr(Judging(drive).answer(())) == repr(plain)


def test_an_edit_that_changes_nothing_is_none(log: Path) -> None:
    judging = Judging(load_drive(log, None))
    assert judging.answer([Edit("egt-high", "", "above", 720.0)]).edited.token == ""
    moved = judging.answer([Edit("egt-high", "", "above", 900.0)])
    assert {d.kind for d in moved.differences} >= {"gone"}
    assert judging.of(moved.edited.token).text == moved.edited.text


def test_an_edit_that_cannot_be_is_told_as_the_configuration_tells_it(log: Path) -> None:
    judging = Judging(load_drive(log, None))
    with pytest.raises(ConfigError, match=r"rules\.toml: rule\[\d+\]\.deadband"):
        judging.answer([Edit("egt-high", "", "deadband", -5.0)])
    with pytest.raises(UphaulError, match="not kept any longer"):
        judging.of("other")


def test_a_drive_that_is_not_there_is_named(log: Path) -> None:
    with pytest.raises(LogError, match="7"):
        load_drive(log, 7)


@pytest.mark.parametrize(
    ("limit", "step"), [(720.0, 10.0), (100.0, 2.0), (-0.05, 0.001), (Curve("rpm", (1.0, 2.0), (100.0, 300.0)), 2.0)]
)
def test_the_grid_has_steps_that_people_would_take(limit: float | Curve, step: float) -> None:
    rule = Rule("hot", Kind.THRESHOLD, "egt", ABOVE, Setting(limit, on_delay_ms=3000), Action.EASE)
    assert shifts_of(rule) == pytest.approx([k * step for k in range(-3, 4)])
    assert delays_of(rule) == (0, 1500, 3000, 6000, 12_000)


def test_a_limit_of_nought_is_not_moved_in_the_grid() -> None:
    rule = Rule("hot", Kind.THRESHOLD, "egt", ABOVE, Setting(0.0), Action.EASE)
    assert shifts_of(rule) == (0.0,)
    assert delays_of(rule) == (0, 1000, 2000, 5000, 10_000)
