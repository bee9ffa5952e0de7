"""The outbox on cards that work, fail, stall and lie, and in processes that are killed."""

from __future__ import annotations

import itertools
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from support.daemon import eventually
from support.faulty_card import Card
from uphaul.outputs.held import Message, Rank
from uphaul.outputs.outbox import Outbox

LOG = "p/v1/alerts/log"
SIGNALS = "p/v1/signals"


@contextmanager
def outbox_on(path: Path | None, **more: Any) -> Iterator[Outbox]:
    outbox = Outbox(path, **{"limit_bytes": 10_000_000, "flush_s": 0.01, "apart_s": 0.001, **more})
    outbox.start()
    outbox.opened.result(20)
    try:
        yield outbox
    finally:
        outbox.close(0.1 if outbox.problem else 20)


def put(outbox: Outbox, first: int, last: int, size: int = 0) -> None:
    for n in range(first, last + 1):
        outbox.put(Rank.IMPORTANT, LOG, b"%d" % n + b" " * size, ("run", n))


def telemetry(outbox: Outbox, first: int, last: int, size: int = 0) -> None:
    for n in range(first, last + 1):
        outbox.put(Rank.TELEMETRY, SIGNALS, b"%d" % n + b" " * size)


def lots(outbox: Outbox, most: int = 7) -> list[Message]:
    """Everything that is to be sent."""
    out: list[Message] = []
    while True:
        lot = outbox.lot(most)
        if isinstance(lot, Future):
            out += lot.result(20)
        elif lot:
            assert len({m.rank for m in lot}) == 1
            out += lot
        else:
            return out


def numbers(messages: list[Message], rank: Rank = Rank.IMPORTANT) -> list[int]:
    return [int(m.payload) for m in messages if m.rank is rank]


def on_card(path: Path, table: str = "important") -> list[int]:
    """What another process would find after a cut."""
    with sqlite3.connect(path) as db:
        found = [int(payload) for (payload,) in db.execute(f"SELECT payload FROM {table} ORDER BY number")]
    db.close()
    return found


@pytest.mark.parametrize("path", ["outbox.db", None])
def test_important_messages_overtake_telemetry_and_both_keep_their_order(path: str | None, tmp_path: Path) -> None:
    with outbox_on(tmp_path / path if path else None) as outbox:
        telemetry(outbox, 1, 20)
        put(outbox, 1, 20)
        telemetry(outbox, 21, 30)
        sent = lots(outbox)
        assert [m.rank for m in sent] == [Rank.IMPORTANT] * 20 + [Rank.TELEMETRY] * 30
        assert numbers(sent) == list(range(1, 21))
        assert numbers(sent, Rank.TELEMETRY) == list(range(1, 31))
        assert outbox.waiting == 50


def test_what_is_acknowledged_does_not_come_again_once_it_has_settled(tmp_path: Path) -> None:
    with outbox_on(tmp_path / "outbox.db", settle_s=0.0) as outbox:
        put(outbox, 1, 10)
        telemetry(outbox, 1, 10)
        sent = lots(outbox)
        outbox.acknowledged(sent[:5])
        outbox.acknowledged(sent[10:15])
        outbox.settle()
        outbox.rewind()
        again = lots(outbox)
        assert (numbers(again), numbers(again, Rank.TELEMETRY)) == ([6, 7, 8, 9, 10], [6, 7, 8, 9, 10])
        outbox.acknowledged(again)
        outbox.settle()
        eventually(lambda: outbox.waiting == 0, "nothing left")
    assert on_card(tmp_path / "outbox.db") == on_card(tmp_path / "outbox.db", "telemetry") == []


def test_what_has_not_settled_comes_again_with_the_next_connection(tmp_path: Path) -> None:
    with outbox_on(tmp_path / "outbox.db", settle_s=3600.0) as outbox:
        put(outbox, 1, 5)
        outbox.acknowledged(lots(outbox))
        outbox.settle()
        assert outbox.waiting == 0
        assert lots(outbox) == []
        outbox.rewind()
        assert numbers(lots(outbox)) == [1, 2, 3, 4, 5]


def test_with_a_broker_that_answers_telemetry_never_touches_the_card(tmp_path: Path) -> None:
    card = Card()
    with outbox_on(tmp_path / "outbox.db", connect=card.connect, flush_s=3600.0) as outbox:
        before = card.commits
        for n in range(100):
            telemetry(outbox, n, n)
            outbox.acknowledged(lots(outbox))
        assert outbox.waiting == 0
        assert card.commits == before


def test_telemetry_alone_comes_to_the_card_when_nobody_takes_it(tmp_path: Path) -> None:
    with outbox_on(tmp_path / "outbox.db") as outbox:
        for n in range(1, 6):
            telemetry(outbox, n, n)
            eventually(lambda n=n: outbox._written >= n, "the card")  # type: ignore[misc]


def test_what_is_acknowledged_goes_from_the_card_though_nothing_else_comes(tmp_path: Path) -> None:
    with outbox_on(tmp_path / "outbox.db", settle_s=0.0) as outbox:
        put(outbox, 1, 9)
        eventually(lambda: outbox._written >= 9, "the card")
        outbox.acknowledged(lots(outbox))
        outbox.settle()
        eventually(lambda: outbox._file is not None and outbox._file.counts[Rank.IMPORTANT] == 0, "an empty card")


def test_the_next_process_goes_on_where_this_one_ended(tmp_path: Path) -> None:
    with outbox_on(tmp_path / "outbox.db") as outbox:
        put(outbox, 1, 30)
        telemetry(outbox, 1, 5)
        outbox.keep(frozenset({"a", "b"}))
    with outbox_on(tmp_path / "outbox.db") as outbox:
        assert outbox.before(LOG) == ("run", 30)
        assert outbox.before("p/v1/drives") is None
        assert outbox.retained == {"a", "b"}
        put(outbox, 31, 40)
        sent = lots(outbox)
        assert numbers(sent) == list(range(1, 41))
        assert numbers(sent, Rank.TELEMETRY) == [1, 2, 3, 4, 5]


def test_memory_gives_to_the_card_what_it_has_no_room_for(tmp_path: Path) -> None:
    with outbox_on(tmp_path / "outbox.db", memory_bytes=3_000) as outbox:
        for n in range(1, 201):
            put(outbox, n, n)
            if n % 10 == 0:
                eventually(lambda n=n: outbox._written >= n, "the card")  # type: ignore[misc]
        assert numbers(lots(outbox)) == list(range(1, 201))
        assert outbox.dropped == {Rank.IMPORTANT: 0, Rank.TELEMETRY: 0}


def test_on_a_full_outbox_the_oldest_telemetry_goes_first_then_the_oldest_alerts(tmp_path: Path) -> None:
    with outbox_on(tmp_path / "outbox.db", limit_bytes=30_000) as outbox:
        for n in range(1, 301):
            telemetry(outbox, n, n)
            put(outbox, n, n)
            if n % 5 == 0:
                eventually(lambda n=n: outbox._written >= 2 * n, "the card")  # type: ignore[misc]
        left = lots(outbox)
        alerts, signals = numbers(left), numbers(left, Rank.TELEMETRY)
        assert alerts == list(range(301 - len(alerts), 301))
        assert signals == []
        assert outbox.dropped[Rank.TELEMETRY] == 300
        assert outbox.dropped[Rank.IMPORTANT] == 300 - len(alerts) > 0


def test_a_card_that_cannot_be_written_is_told_and_nothing_waits_for_it(tmp_path: Path) -> None:
    card = Card()
    card.broken = sqlite3.SQLITE_READONLY
    with outbox_on(tmp_path / "outbox.db", connect=card.connect) as outbox:
        assert "cannot be kept on the card" in outbox.problem
        put(outbox, 1, 10)
        assert numbers(lots(outbox)) == list(range(1, 11))
        card.broken = None
        eventually(lambda: not outbox.problem, "the card taken up again")
    assert on_card(tmp_path / "outbox.db") == list(range(1, 11))


def test_without_a_card_memory_is_bounded_and_drops_are_counted() -> None:
    with outbox_on(None, memory_bytes=5_000) as outbox:
        telemetry(outbox, 1, 100)
        put(outbox, 1, 10)
        left = lots(outbox)
        assert numbers(left) == list(range(1, 11))
        kept = numbers(left, Rank.TELEMETRY)
        assert kept == list(range(101 - len(kept), 101))
        assert outbox.dropped == {Rank.IMPORTANT: 0, Rank.TELEMETRY: 100 - len(kept)}


def test_a_card_that_holds_a_commit_up_holds_up_neither_putting_nor_sending(tmp_path: Path) -> None:
    card = Card()
    with outbox_on(tmp_path / "outbox.db", connect=card.connect) as outbox:
        card.gate.clear()
        put(outbox, 1, 1)
        assert card.stalled.wait(20)
        put(outbox, 2, 50)
        assert numbers(lots(outbox)) == list(range(1, 51))
        card.gate.set()
    assert on_card(tmp_path / "outbox.db") == list(range(1, 51))


def test_a_commit_that_was_reported_as_failed_is_not_done_twice(tmp_path: Path) -> None:
    card = Card()
    with outbox_on(tmp_path / "outbox.db", connect=card.connect) as outbox:
        card.lies = 1
        put(outbox, 1, 20)
        assert card.met.wait(20)
        eventually(lambda: not outbox.problem and outbox._written >= 20, "the card taken up again")
        assert numbers(lots(outbox)) == list(range(1, 21))
        assert outbox.waiting == 20
    assert on_card(tmp_path / "outbox.db") == list(range(1, 21))


def test_a_file_that_is_opened_late_comes_before_what_was_numbered_meanwhile(tmp_path: Path) -> None:
    with outbox_on(tmp_path / "outbox.db") as outbox:
        put(outbox, 1, 30)
    card = Card()
    card.broken = sqlite3.SQLITE_CANTOPEN
    with outbox_on(tmp_path / "outbox.db", connect=card.connect) as outbox:
        put(outbox, 31, 50)
        card.broken = None
        eventually(lambda: not outbox.problem, "the card taken up")
        assert numbers(lots(outbox)) == list(range(1, 51))


def test_a_damaged_file_is_set_aside_and_said_so(tmp_path: Path) -> None:
    (tmp_path / "outbox.db").write_bytes(b"no database at all " * 100)
    with outbox_on(tmp_path / "outbox.db") as outbox:
        assert outbox.problem == ""
        assert "damaged" in outbox.notices[0]
        put(outbox, 1, 3)
    assert on_card(tmp_path / "outbox.db") == [1, 2, 3]
    assert (tmp_path / "outbox.db.damaged-1").exists()


def test_a_file_of_another_program_is_left_alone(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "outbox.db") as db:
        db.execute("CREATE TABLE mine (x)")
    db.close()
    before = (tmp_path / "outbox.db").read_bytes()
    with outbox_on(tmp_path / "outbox.db") as outbox:
        assert "is no outbox of this program" in outbox.problem
        put(outbox, 1, 3)
        assert numbers(lots(outbox)) == [1, 2, 3]
    assert (tmp_path / "outbox.db").read_bytes() == before


def test_two_processes_do_not_share_an_outbox(tmp_path: Path) -> None:
    with outbox_on(tmp_path / "outbox.db") as first:
        put(first, 1, 1)
        with outbox_on(tmp_path / "outbox.db") as second:
            assert "locked" in second.problem


NAMES = itertools.count()
CONNECTIONS = st.lists(
    st.tuples(st.integers(0, 15), st.integers(1, 8), st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=6
)


@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(connections=CONNECTIONS, memory_bytes=st.sampled_from([2_000, 1_000_000]))
def test_whatever_connections_do_every_alert_arrives_in_order(
    connections: list[tuple[int, int, float, float]], memory_bytes: int, tmp_path: Path
) -> None:
    """Each brings a part of what it was sent and acknowledges a part of that; a subscriber ends with everything."""
    path = tmp_path / f"outbox-{next(NAMES)}.db"
    seen, last, made = list[int](), 0, 0
    with outbox_on(path, memory_bytes=memory_bytes, settle_s=3600.0) as outbox:
        for more, most, arriving, answered in connections:
            put(outbox, made + 1, made + more)
            made += more
            eventually(lambda made=made: outbox._written >= made, "the card")  # type: ignore[misc]
            outbox.rewind()
            sent = lots(outbox, most)
            assert numbers(sent) == list(range(1, made + 1))
            arrived = sent[: round(arriving * len(sent))]
            seen += [n for n in numbers(arrived) if n > last]
            last = max([last, *numbers(arrived)])
            outbox.acknowledged(arrived[: round(answered * len(arrived))])
        outbox.rewind()
        seen += [n for n in numbers(lots(outbox)) if n > last]
    assert seen == list(range(1, made + 1))


CHILD = """
import sys
from pathlib import Path
from uphaul.outputs.held import Rank
from uphaul.outputs.outbox import Outbox

outbox = Outbox(Path(sys.argv[1]), limit_bytes=10_000_000, flush_s=0.01, apart_s=0.001)
outbox.start()
outbox.opened.result(20)
told, n = 0, 0
while True:
    if n < told + 100:
        n += 1
        outbox.put(Rank.IMPORTANT, "t", b"%d" % n, ("run", n))
    if outbox._written > told:
        told = outbox._written
        print(told, flush=True)
"""


@pytest.mark.parametrize("after_lines", [1, 2, 4])
def test_a_process_that_is_killed_loses_nothing_of_what_was_committed(after_lines: int, tmp_path: Path) -> None:
    path = tmp_path / "outbox.db"
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(path)], stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout is not None
        committed = 0
        for _ in range(after_lines):
            committed = int(child.stdout.readline())
        os.kill(child.pid, signal.SIGKILL)
        committed = max([committed, *map(int, child.stdout.read().split("\n")[:-1])])
    finally:
        child.kill()
        child.wait()
        child.stdout.close()
    assert committed > 0
    left = on_card(path)
    assert left == list(range(1, len(left) + 1))
    assert len(left) >= committed
    with outbox_on(path) as outbox:
        assert numbers(lots(outbox, 5000)) == left
        assert outbox.before("t") == ("run", len(left))


def test_closing_brings_what_is_left_to_the_card(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.db", limit_bytes=10_000_000, flush_s=3600.0)
    outbox.start()
    telemetry(outbox, 1, 3)
    assert outbox.close(20)
    assert on_card(tmp_path / "outbox.db", "telemetry") == [1, 2, 3]


def test_closing_on_a_card_that_stalls_gives_up_in_time(tmp_path: Path) -> None:
    card = Card()
    with outbox_on(tmp_path / "outbox.db", connect=card.connect) as outbox:
        card.gate.clear()
        put(outbox, 1, 1)
        assert card.stalled.wait(20)
        began = time.monotonic()
        assert not outbox.close(0.1)
        assert time.monotonic() - began < 10
        card.gate.set()
