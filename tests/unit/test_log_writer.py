"""The log writer: what is handed over comes out of the file to the bit, and no card can hold up or break the daemon."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from support.faulty_card import Card
from support.log_drives import config, counts, records, signals
from uphaul.alerts import Condition, Notice, NoticeKind, State, Transition
from uphaul.config.spec import LogSpec
from uphaul.log import Anchor, Log, LoggedCondition, LogWriter, TickRecord, schema
from uphaul.signals import Event, EventKind, Quality, QualityChange, Signal

DEADLINE_S = 30.0
QUICK_S = 0.01


def until(true: Callable[[], bool]) -> None:
    """Wait for the writer's thread to get somewhere; fails after a deadline."""
    end = time.monotonic() + DEADLINE_S
    pause = threading.Event()
    while not true():
        assert time.monotonic() < end, "the writer did not get there"
        pause.wait(0.005)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "vehicle.db"


@pytest.fixture
def card() -> Iterator[Card]:
    card = Card()
    yield card
    card.gate.set()


def begin(writer: LogWriter, number: int = 16, **more: object) -> int:
    wanted: dict[str, object] = {"boot_id": "boot-1", "began_boot_ms": 1000} | more
    return writer.begin_drive(config(signals(number)), **wanted)  # type: ignore[arg-type]


def logged_t_ms(path: Path, drive: int = 1) -> list[int]:
    with Log.open(path) as log:
        return [int(t) for s in log.segments(drive) for b in log.blocks(s.id) for t in b.t_ms]


def test_ticks_come_back_to_the_bit(path: Path) -> None:
    rows = counts(300)
    writer = LogWriter(path, commit_every_s=QUICK_S)
    begin(writer, wall="2031-05-04T10:00:00Z")
    for record in records(rows):
        writer.tick(record)
    writer.anchor(250, "2031-05-04T10:00:00.250Z", "gps")
    writer.end_drive("engine off")
    assert writer.close(DEADLINE_S)
    with Log.open(path) as log:
        (drive,) = log.drives()
        (block,) = log.blocks(1)
        assert log.anchors(1) == [Anchor(250, "2031-05-04T10:00:00.250Z", "gps")]
    assert (drive.begun, drive.ended, drive.end_reason, drive.ticks) == (
        "2031-05-04T10:00:00Z",
        True,
        "engine off",
        300,
    )
    assert drive.duration_s == 14.95
    expected = [[count / s.per_unit for count, s in zip(row, block.signals, strict=True)] for row in rows.tolist()]
    assert block.values.tolist() == expected
    assert block.signals == signals()
    assert block.t_ms.tolist() == [50 * i for i in range(300)]
    assert set(block.tune.tolist()) == {1}


def test_unknown_values_and_all_that_belongs_to_a_tick_come_back(path: Path) -> None:
    nan = float("nan")
    columns = signals(2)
    quality = (QualityChange(50, 1, Quality.OPEN_CIRCUIT),)
    transition = Transition(50, "hot", State.NORMAL, State.UNACKNOWLEDGED, 721.25, 720.0, -1, 1)
    notice = Notice(50, NoticeKind.REPEATING, "hot", "keeps coming back")
    event = Event(50, 0, EventKind.SHELVE, "hot", 1, "driver", 'it\'s "known"', 60_050)
    writer = LogWriter(path)
    writer.begin_drive(config(columns), boot_id="b", began_boot_ms=0, rules=("warm", "hot"), initial_state='{"hot": 1}')
    writer.tick(TickRecord(0, 0, [7200, -5]))
    writer.tick(
        TickRecord(
            50,
            -1,
            [None, None],
            quality=quality,
            conditions=(Condition(50, 1, True, 721.25, 720.0, -1), Condition(50, 0, False, nan, 700.0, -1)),
            transitions=(transition,),
            notices=(notice,),
            events=(event,),
        )
    )
    assert writer.close(DEADLINE_S)
    with Log.open(path) as log:
        (block,) = log.blocks(1)
        conditions = log.conditions(1)
        assert log.transitions(1) == [transition]
        assert log.notices(1) == [notice]
        assert log.events(1) == [event]
        assert log.segment(1).initial_state == '{"hot": 1}'
        assert log.segment(1).tunes == ("stock", "tow")
        assert log.config(1) == {"signals.toml": "invented"}
        assert log.drives()[0].alerts == 1
    assert np.array_equal(block.values, [[1800.0, -0.5], [np.nan, np.nan]], equal_nan=True)
    assert block.tune.tolist() == [0, -1]
    assert block.quality == quality
    assert block.events == (event,)
    assert conditions[0] == LoggedCondition(1, 50, "hot", True, 721.25, 720.0, -1)
    assert (conditions[1].rule, conditions[1].active, np.isnan(conditions[1].value)) == ("warm", False, True)


def test_an_alert_told_again_is_no_second_raise(path: Path) -> None:
    # suppressed and back: two steps to unacknowledged, one time that the rule's condition was raised
    steps = (State.NORMAL, State.UNACKNOWLEDGED, State.SUPPRESSED, State.UNACKNOWLEDGED)
    writer = LogWriter(path)
    writer.begin_drive(config(signals(1)), boot_id="b", began_boot_ms=0, rules=("hot", "quiet"))
    for i, (a, b) in enumerate(pairwise(steps)):
        raised = tuple(Condition(0, rule, True, 730.0, 720.0, 0) for rule in (0, 1)) if i == 0 else ()
        step = Transition(i * 50, "hot", a, b, 730.0, 720.0, 0, 1 + i // 2)
        writer.tick(TickRecord(i * 50, 0, [0], conditions=raised, transitions=(step,)))
    assert writer.flush(DEADLINE_S)
    with Log.open(path) as log:
        assert log.drives()[0].alerts == 2  # of an open drive
    writer.end_drive("ended")
    assert writer.close(DEADLINE_S)
    with Log.open(path) as log:
        assert log.drives()[0].alerts == 2  # and of a sealed one


def test_any_signal_name_is_a_column(path: Path) -> None:
    names = ['drop "out"', "tune", "t_ms", "select", "EGT", "egt", "Öl; --", "a b"]
    columns = tuple(Signal(n, "1", 10) for n in names)
    writer = LogWriter(path)
    writer.begin_drive(config(columns), boot_id="b", began_boot_ms=0)
    writer.tick(TickRecord(0, 0, list(range(8))))
    assert writer.close(DEADLINE_S)
    with Log.open(path) as log:
        (block,) = log.blocks(1)
    assert [s.name for s in block.signals] == names
    assert block.values.tolist() == [[i / 10 for i in range(8)]]


def test_a_restart_goes_on_in_the_same_segment(path: Path) -> None:
    rows = counts(40)
    first = LogWriter(path)
    begin(first)
    for record in records(rows[:20]):
        first.tick(record)
    first.tick(TickRecord(1000, 1, [None] * 16, quality=(QualityChange(1000, 3, Quality.STALE),)))
    assert first.close(DEADLINE_S)
    second = LogWriter(path)
    left = second.open_drive
    assert left is not None
    assert (left.drive, left.segment, left.boot_id, left.began_boot_ms, left.last_t_ms) == (1, 1, "boot-1", 1000, 1000)
    second.resume_drive(config(), left.drive, boot_id=left.boot_id, began_boot_ms=left.began_boot_ms)
    for record in records(rows[20:], first_t_ms=3000):
        second.tick(record)
    second.end_drive("engine off")
    assert second.close(DEADLINE_S)
    with Log.open(path) as log:
        (drive,) = log.drives()
        (block,) = log.blocks(1)
    assert (drive.segments, drive.ticks, drive.ended) == ((1,), 41, True)
    # what was stale before the restart is good until the restarted daemon says otherwise
    assert block.quality == (QualityChange(1000, 3, Quality.STALE), QualityChange(3000, 3, Quality.GOOD))


def test_a_changed_configuration_makes_a_new_segment_of_the_drive(path: Path) -> None:
    writer = LogWriter(path)
    begin(writer, 2)
    writer.tick(TickRecord(0, 0, [7200, 1900]))
    writer.resume_drive(config(signals(3), text="changed"), 1, boot_id="boot-1", began_boot_ms=1000)
    writer.tick(TickRecord(50, 1, [7204, 1901, 2080]))
    assert writer.close(DEADLINE_S)
    with Log.open(path) as log:
        assert [s.id for s in log.segments(1)] == [1, 2]
        assert [log.config(s)["signals.toml"] for s in (1, 2)] == ["invented", "changed"]
    with sqlite3.connect(path) as shell:
        seen = shell.execute("SELECT * FROM drive_1").fetchall()
        names = [d[0] for d in shell.execute("SELECT * FROM drive_1").description]
    shell.close()
    assert names == ["t_s", "tune", "rpm", "boost", "egt"]
    assert seen == [(0.0, "stock", 1800.0, 190.0, None), (0.05, "tow", 1801.0, 190.1, 520.0)]


def test_the_view_never_puts_two_units_in_one_column(path: Path) -> None:
    writer = LogWriter(path)
    for text, unit, per_unit in (("a", "kPa", 10), ("b", "psi", 100)):
        start = config((Signal("boost", unit, per_unit),), text=text)
        writer.resume_drive(start, 1, boot_id="b", began_boot_ms=0)
        writer.tick(TickRecord(0 if text == "a" else 50, 0, [2500]))
    assert writer.close(DEADLINE_S)
    shell = sqlite3.connect(path)
    seen = shell.execute('SELECT "boost [kPa]", "boost [psi]" FROM drive_1').fetchall()
    shell.close()
    assert seen == [(250.0, None), (None, 25.0)]


def test_only_the_newest_drives_have_a_view_and_all_can_be_read(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schema, "KEPT_VIEWS", 2)
    writer = LogWriter(path)
    for _ in range(4):
        begin(writer, 2)
        writer.tick(TickRecord(0, 0, [7200, 1900]))
        writer.end_drive("engine off")
    assert writer.close(DEADLINE_S)
    shell = sqlite3.connect(path)
    views = shell.execute("SELECT name FROM sqlite_master WHERE type = 'view' ORDER BY name").fetchall()
    shell.close()
    assert views == [("drive_3",), ("drive_4",)]
    for drive in (1, 2, 3, 4):
        assert logged_t_ms(path, drive) == [0]


def test_another_boot_continues_with_a_new_drive_and_seals_the_old_one(path: Path) -> None:
    first = LogWriter(path)
    begin(first)
    for record in records(counts(10)):
        first.tick(record)
    assert first.close(DEADLINE_S)
    second = LogWriter(path)
    assert second.open_drive is not None
    drive = begin(second, boot_id="boot-2", continues=second.open_drive.drive)
    assert second.close(DEADLINE_S)
    with Log.open(path) as log:
        old, new = log.drives()
    assert (old.ended, old.end_reason, old.ticks) == (True, "interrupted", 10)
    assert (new.id, new.continues, new.boot_id, new.ended) == (drive, 1, "boot-2", False)


def test_a_stalled_card_loses_nothing_and_says_so(path: Path, card: Card) -> None:
    writer = LogWriter(path, connect=card.connect, commit_every_s=QUICK_S)
    begin(writer)
    assert writer.flush(DEADLINE_S)
    card.gate.clear()
    ticks = 5 * 20 * 60  # five minutes of driving go by during one commit
    for record in records(counts(ticks)):
        writer.tick(record)
    assert card.stalled.wait(DEADLINE_S)
    health = writer.health
    assert health.pending_ticks == ticks
    assert health.lost_ticks == 0
    card.gate.set()
    assert writer.close(DEADLINE_S)
    assert logged_t_ms(path) == [50 * i for i in range(ticks)]


def test_beyond_its_buffer_it_counts_what_is_lost_and_keeps_what_was_judged(path: Path, card: Card) -> None:
    writer = LogWriter(path, connect=card.connect, commit_every_s=QUICK_S, buffer_s=1.0)
    begin(writer)
    assert writer.flush(DEADLINE_S)
    card.gate.clear()
    rows = list(records(counts(50)))
    for record in rows[:30]:
        writer.tick(record)
    alert = Transition(1500, "hot", State.NORMAL, State.UNACKNOWLEDGED, 721.0, 720.0, 1, 1)
    writer.tick(TickRecord(1500, 1, [0] * 16, transitions=(alert,)))
    assert (writer.health.lost_ticks, writer.health.pending_ticks) == (11, 20)
    card.gate.set()
    assert writer.flush(DEADLINE_S)
    for record in rows[40:]:
        writer.tick(record)
    assert writer.close(DEADLINE_S)
    with Log.open(path) as log:
        assert log.drives()[0].lost_ticks == 11
        assert log.transitions(1) == [alert]
    assert logged_t_ms(path) == [50 * i for i in [*range(20), *range(40, 50)]]


def test_a_full_card_stops_recording_with_words_and_no_error_and_goes_on_when_there_is_room(
    path: Path, card: Card
) -> None:
    card.most_pages = 120
    writer = LogWriter(path, connect=card.connect, commit_every_s=QUICK_S)
    begin(writer)
    rows = list(records(counts(8000)))
    for record in rows[:6000]:
        writer.tick(record)
    until(lambda: writer.health.state == "degraded")
    assert "full" in writer.health.problem
    assert "nothing is recorded" in writer.health.problem
    card.most_pages = 100_000  # somebody makes room
    for record in rows[6000:]:
        writer.tick(record)
    assert writer.close(DEADLINE_S)
    assert writer.health.lost_ticks == 0
    assert logged_t_ms(path) == [50 * i for i in range(8000)]


def test_on_a_full_card_the_oldest_drive_makes_room_for_this_one(path: Path, card: Card) -> None:
    old = LogWriter(path)
    begin(old)
    for record in records(counts(5000)):
        old.tick(record)
    old.end_drive("engine off")
    assert old.close(DEADLINE_S)
    card.most_pages = path.stat().st_size // schema.PAGE_SIZE + 24
    writer = LogWriter(path, connect=card.connect, commit_every_s=QUICK_S)
    begin(writer)
    for record in records(counts(4000)):
        writer.tick(record)
    assert writer.close(DEADLINE_S)
    with Log.open(path) as log:
        assert [d.id for d in log.drives()] == [2]
    assert logged_t_ms(path, 2) == [50 * i for i in range(4000)]


@pytest.mark.parametrize("code", [sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN])
def test_a_card_that_cannot_be_written_is_tried_again(path: Path, card: Card, code: int) -> None:
    card.broken = code
    writer = LogWriter(path, connect=card.connect, commit_every_s=QUICK_S)
    begin(writer)
    for record in records(counts(100)):
        writer.tick(record)
    assert card.met.wait(DEADLINE_S)
    until(lambda: writer.health.state == "degraded")
    assert str(path) in writer.health.problem
    card.broken = None
    assert writer.flush(DEADLINE_S)
    assert (writer.health.state, writer.health.problem, writer.health.lost_ticks) == ("ok", "", 0)
    assert writer.close(DEADLINE_S)
    assert logged_t_ms(path) == [50 * i for i in range(100)]


def test_a_commit_that_was_stored_though_reported_as_failed_is_not_doubled(path: Path, card: Card) -> None:
    writer = LogWriter(path, connect=card.connect, commit_every_s=QUICK_S)
    begin(writer)
    assert writer.flush(DEADLINE_S)
    card.lies = 1
    note = Notice(0, NoticeKind.FLOOD)
    writer.tick(TickRecord(0, 0, [1] * 16, notices=(note,)))
    assert writer.flush(DEADLINE_S)
    assert card.met.is_set()
    assert writer.close(DEADLINE_S)
    assert writer.health.lost_ticks == 0
    with Log.open(path) as log:
        assert log.notices(1) == [note]
    assert logged_t_ms(path) == [0]


def test_a_record_that_no_log_can_hold_is_dropped_alone(path: Path) -> None:
    writer = LogWriter(path)
    begin(writer, 1)
    good = [TickRecord(50 * i, 0, [i]) for i in range(20)]
    bad = {7: TickRecord(310, 0, [2**70]), 12: TickRecord(50, 0, [1]), 15: TickRecord(720, 0, [1, 2])}
    for i, record in enumerate(good):
        writer.tick(record)
        if i in bad:
            writer.tick(bad[i])
    assert writer.close(DEADLINE_S)
    assert writer.health.lost_ticks == 3
    assert "could not be logged" in writer.health.notices[0]
    assert logged_t_ms(path) == [50 * i for i in range(20)]


def test_damage_found_in_mid_drive_sets_the_file_aside_and_the_drive_goes_on(path: Path, card: Card) -> None:
    writer = LogWriter(path, connect=card.connect, commit_every_s=QUICK_S)
    begin(writer)
    writer.tick(TickRecord(0, 1, [1] * 16, quality=(QualityChange(0, 2, Quality.STALE),)))
    assert writer.flush(DEADLINE_S)
    card.broken = sqlite3.SQLITE_CORRUPT
    writer.tick(TickRecord(50, 1, [2] * 16))
    writer.end_drive("engine off")
    assert writer.close(DEADLINE_S)
    assert "set aside as vehicle.db.damaged-1" in writer.health.notices[0]
    assert (path.parent / "vehicle.db.damaged-1").exists()
    with Log.open(path) as log:
        (drive,) = log.drives()
        (block,) = log.blocks(1)
    assert (drive.id, drive.boot_id, drive.began_boot_ms, drive.ticks) == (1, "boot-1", 1000, 1)
    assert block.quality == (QualityChange(50, 2, Quality.STALE),)


def test_the_floor_of_free_space_stops_recording_if_no_drive_may_go(path: Path) -> None:
    free = [1_900_000]
    writer = LogWriter(
        path, limits=LogSpec(free_mb=500), free_bytes=lambda _: free[0], commit_every_s=QUICK_S, buffer_s=0.5
    )
    begin(writer)
    writer.tick(TickRecord(0, 1, [1] * 16))
    until(lambda: writer.health.state == "degraded")
    assert "no room for the log: 500 MB must stay free on the card, 1.9 MB are; no drive" in writer.health.problem
    for i in range(1, 15):  # beyond a buffer of half a second
        writer.tick(TickRecord(i * 50, 1, [1] * 16))
    assert writer.health.lost_ticks == 5
    free[0] = 10**12
    assert writer.flush(DEADLINE_S)
    assert writer.health.state == "ok"
    assert writer.close(DEADLINE_S)
    assert logged_t_ms(path) == [50 * i for i in range(10)]
    with Log.open(path) as log:
        assert log.drives()[0].lost_ticks == 5


def test_what_a_full_card_never_took_is_still_pending_when_the_time_is_up(path: Path) -> None:
    writer = LogWriter(path, limits=LogSpec(free_mb=500), free_bytes=lambda _: 0, commit_every_s=QUICK_S)
    begin(writer)
    writer.tick(TickRecord(0, 1, [1] * 16))
    assert writer.close(0.05) is False
    assert writer.health.pending_ticks == 1


def test_closing_a_hung_card_keeps_to_its_deadline(path: Path, card: Card) -> None:
    writer = LogWriter(path, connect=card.connect, commit_every_s=QUICK_S)
    begin(writer)
    assert writer.flush(DEADLINE_S)
    card.gate.clear()
    writer.tick(TickRecord(0, 1, [1] * 16))
    assert card.stalled.wait(DEADLINE_S)
    assert writer.close(0.05) is False
    card.gate.set()
    assert writer.close(DEADLINE_S)


def test_an_error_of_our_own_is_told_and_not_hidden(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    heard = threading.Event()
    monkeypatch.setattr(threading, "excepthook", lambda _: heard.set())

    def fail(_: int) -> None:
        raise LookupError("a fault of ours")

    writer = LogWriter(path, commit_every_s=QUICK_S, on_commit=fail)
    begin(writer)
    writer.tick(TickRecord(0, 1, [1] * 16))
    assert heard.wait(DEADLINE_S)
    assert isinstance(writer.failure, LookupError)
    assert writer.health.state == "degraded"
