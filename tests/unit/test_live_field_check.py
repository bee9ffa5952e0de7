"""A field check driven live says what a look at the logged drive says, to the bit, through a kill as well."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from support.driven_check import CONFIG, NAME, STEPS, Rig
from uphaul.analysis.field_check import FieldCheckRun, NewsKind, Verdict
from uphaul.analysis.field_check_engine import check_drive
from uphaul.analysis.field_check_text import run_to_json
from uphaul.live import carried_from_json
from uphaul.log import Log
from uphaul.log.drives import log_parts
from uphaul.log.joined import joined
from uphaul.people import Act, ActError, People
from uphaul.play.tape import Reel, Tape
from uphaul.signals import EventKind


def afterwards(path: Path) -> tuple[FieldCheckRun, ...]:
    """What a look at the log says."""
    with Log.open(path) as log:
        (segment,) = log.segments(1)
        whole = joined(log_parts(log, 1))
    carried = carried_from_json(segment.initial_state, "drive 1")
    return check_drive(STEPS, whole, CONFIG.rules, vehicle=CONFIG.vehicle, carried=carried, grid_ms=50)


def kept(path: Path) -> list[str]:
    with Log.open(path) as log:
        return [row.results for row in log.field_checks(1)]


def test_what_came_of_a_check_is_kept_with_its_drive(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 0.5)
    rig.begin()
    rig.run(0.5, 8)
    rig.people.do(Act(EventKind.CHECK_END, "phone"))
    rig.run(8, 9)
    rig.begin()
    rig.run(9, 20)
    rig = rig.killed()
    assert len(kept(tmp_path / "a.db")) == 1  # the second is under way
    rig.run(20, 40)
    live = rig.end()
    assert kept(tmp_path / "a.db") == [run_to_json(run) for run in live]
    assert kept(tmp_path / "a.db") == [run_to_json(run) for run in afterwards(tmp_path / "a.db")]
    with Log.open(tmp_path / "a.db") as log:
        first, second = log.field_checks(1)
    assert (first.confirmed_by, first.t_ms, first.end_ms, second.t_ms) == (NAME, 500, 8000, 9000)


def test_live_and_afterwards_say_the_same(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 0.5)
    rig.begin()
    rig.run(0.5, 8)
    check = rig.live.check
    assert check is not None and check.running
    now = check.now()
    assert now is not None and now.step is not None and now.step.name == "idle"
    rig.run(8, 40)
    live = rig.end()
    assert repr(live) == repr(afterwards(tmp_path / "a.db"))
    (run,) = live
    key_on, idle = run.results
    assert (run.confirmed_by, run.title) == (NAME, "invented check")
    assert key_on.verdict is Verdict.PASSED
    assert [a.verdict for a in idle.attempts] == [Verdict.STOPPED, Verdict.PASSED]
    assert idle.attempts[0].why == "EGT high"
    assert check.said >= 4 and check.news[-1].kind is NewsKind.DONE


@pytest.mark.parametrize("kill_s", [3.0, 7.5, 13.0, 20.0])
def test_a_check_goes_on_after_the_daemon_was_killed(tmp_path: Path, kill_s: float) -> None:
    """In the first step, in the one that an alert will stop, while the alert stands, and in the second attempt."""
    whole = Rig(tmp_path / "whole.db")
    cut = Rig(tmp_path / "cut.db")
    for rig in (whole, cut):
        rig.run(0, 0.5)
        rig.begin()
        rig.run(0.5, kill_s)
    cut = cut.killed()
    assert cut.live.check is not None and cut.live.check.running
    for rig in (whole, cut):
        rig.run(kill_s, 40)
    live = cut.end()
    assert repr(live) == repr(afterwards(tmp_path / "cut.db")) == repr(whole.end())


def test_an_alert_that_stands_as_the_check_begins_is_in_its_way(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 13)
    rig.begin()
    rig.run(13, 13.5)
    assert rig.live.check is not None
    now = rig.live.check.now()
    assert now is not None and now.alert == "EGT high"
    rig.run(13.5, 40)
    assert repr(rig.end()) == repr(afterwards(tmp_path / "a.db"))


def test_a_skip_and_the_end_are_people_s_words_and_kept(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 7)
    rig.begin()
    rig.run(7, 7.5)
    rig.people.do(Act(EventKind.CHECK_SKIP, "phone", rule="key-on", text="engine runs already"))
    rig.run(7.5, 9)
    rig.people.do(Act(EventKind.CHECK_END, "phone"))
    rig.run(9, 11)
    assert rig.live.check is not None and not rig.live.check.running
    live = rig.end()
    assert repr(live) == repr(afterwards(tmp_path / "a.db"))
    (run,) = live
    assert (run.results[0].verdict, run.results[0].why) == (Verdict.SKIPPED, "engine runs already")
    assert run.t_ms == (7000, 9000)


def test_nobody_begins_a_check_without_a_name_nor_skips_without_a_reason(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 1)
    for act, why in (
        (Act(EventKind.CHECK_BEGIN, "phone", text="  "), "name of the one who has read the cautions"),
        (Act(EventKind.CHECK_SKIP, "phone", rule="idle", text=" "), "skipped for a reason"),
        (Act(EventKind.CHECK_SKIP, "phone", rule="fly", text="no"), "no such step"),
        (Act(EventKind.CHECK_SKIP, "phone", rule="idle:nitro", text="no"), "no such step"),
    ):
        with pytest.raises(ActError, match=why):
            rig.people.do(act)
    none = People(replace(CONFIG, field_check=None), rig.collector, lambda: ())
    with pytest.raises(ActError, match="there is no field check"):
        none.do(Act(EventKind.CHECK_BEGIN, "phone", text=NAME))
    rig.end()


def test_a_replay_on_the_page_says_the_same_wherever_it_was_turned_to(tmp_path: Path) -> None:
    rig = Rig(tmp_path / "a.db")
    rig.run(0, 0.5)
    rig.begin()
    rig.run(0.5, 40)
    live = rig.end()
    with Log.open(tmp_path / "a.db") as log:
        (part,) = log_parts(log, 1)
        tape = Tape([Reel(part, CONFIG, carried_from_json(part.initial_state, "drive 1"))], 1)
        for t_ms in (40_000, 3_000, 13_000, 40_000):
            tape.turn_to(t_ms)
            while tape.skip(t_ms):
                pass
        assert tape.check is not None and tape.check.running
        assert repr(tape.check.runs) == repr(live)
