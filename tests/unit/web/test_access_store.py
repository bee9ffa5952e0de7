"""The file of paired devices: what it holds comes back, nothing else passes for it, and no writer undoes another's."""

from __future__ import annotations

import fcntl
import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from uphaul.web import access_store
from uphaul.web.access_store import Book, Code, DamagedError, Device, Store, StoreError, book_from, store_path

NAMES = st.text(min_size=1, max_size=40).filter(str.isprintable)
DEVICES = st.builds(Device, NAMES, st.binary(min_size=32, max_size=32), st.dates().map(str), st.dates().map(str))
CODES = st.builds(
    Code,
    salt=st.binary(min_size=8, max_size=32),
    scrypt=st.binary(min_size=32, max_size=32),
    boot=st.uuids().map(str),
    until_s=st.floats(0, 1e9),
    tries=st.integers(0, 4),
)
BOOKS = st.builds(
    Book,
    st.none() | CODES,
    st.lists(DEVICES, max_size=5, unique_by=lambda d: d.name).map(tuple),
)
PHONE = Device("phone", bytes(32), "2025-06-01", "2025-06-02")


@given(BOOKS)
def test_a_book_comes_back_from_its_text(book: Book) -> None:
    assert book_from(book.text().encode()) == book


@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_whatever_a_file_holds_it_is_a_book_or_damaged(data: bytes) -> None:
    with pytest.raises(DamagedError):
        book_from(data)


@given(BOOKS, st.data())
def test_a_text_that_was_cut_is_damaged(book: Book, data: st.DataObject) -> None:
    text = book.text().encode()
    end = data.draw(st.integers(0, len(text) - 3))  # without its last brace
    with pytest.raises(DamagedError):
        book_from(text[:end])


@pytest.mark.parametrize(
    "change",
    [
        {"version": 0},
        {"version": True},
        {"devices": [{"name": "", "sha256": "00" * 32, "paired": "", "seen": ""}]},
        {"devices": [{"name": "a\nb", "sha256": "00" * 32, "paired": "", "seen": ""}]},
        {"devices": [{"name": "a", "sha256": "00" * 31, "paired": "", "seen": ""}]},
        {"devices": [{"name": "a", "sha256": "00" * 32, "paired": 1, "seen": ""}]},
        {"devices": [{"name": "a", "sha256": "00" * 32, "paired": "", "seen": ""}] * 2},
        {"code": {"salt": "00" * 16, "scrypt": "00" * 32, "boot": "b", "until_s": float("inf"), "tries": 0}},
        {"code": {"salt": "00" * 16, "scrypt": "00" * 32, "boot": "b", "until_s": 1, "tries": -1}},
        {"code": {"salt": "", "scrypt": "00" * 32, "boot": "b", "until_s": 1, "tries": 0}},
        {"code": []},
        {"devices": None},
    ],
)
def test_one_wrong_value_is_damage(change: dict[str, object]) -> None:
    told: dict[str, object] = {"version": 1, "code": None, "devices": []}
    assert book_from(json.dumps(told).encode()) == Book()
    with pytest.raises(DamagedError):
        book_from(json.dumps(told | change).encode())


def test_a_file_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    store = Store(tmp_path / "a.json")
    store.path.write_text('{"version": 2, "more": true}')
    assert "version 2" in store.read().problem
    with pytest.raises(StoreError, match="version 2"):
        store.change(lambda book: Book())
    assert store.path.read_text() == '{"version": 2, "more": true}'


def test_the_file_is_its_owners_alone_whatever_the_umask(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        store = Store(tmp_path / "a.json")
        store.change(lambda book: Book(None, (PHONE,)))
    finally:
        os.umask(before)
    assert {p.name: p.stat().st_mode & 0o777 for p in tmp_path.iterdir()} == {"a.json": 0o600, "a.json.lock": 0o600}


def test_a_reader_sees_another_stores_change_at_once(tmp_path: Path) -> None:
    reader, writer = Store(tmp_path / "a.json"), Store(tmp_path / "a.json")
    assert reader.read().book == Book()
    writer.change(lambda book: Book(None, (PHONE,)))
    assert reader.read().book.devices == (PHONE,)
    writer.change(lambda book: Book(None, (replace(PHONE, seen="2025-06-03"),)))  # as long as before
    assert reader.read().book.devices[0].seen == "2025-06-03"
    writer.path.unlink()
    assert reader.read().book == Book()


def test_an_unchanged_file_is_not_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = Store(tmp_path / "a.json")
    store.change(lambda book: Book(None, (PHONE,)))
    assert store.read().book.devices == (PHONE,)

    def never(data: bytes) -> Book:
        raise AssertionError("read again")

    monkeypatch.setattr(access_store, "book_from", never)
    assert store.read().book.devices == (PHONE,)


def test_a_damaged_file_is_set_aside_and_said_so_until_there_is_a_new_one(tmp_path: Path) -> None:
    store = Store(tmp_path / "a.json")
    store.path.write_bytes(b"\0" * 300)  # as a card leaves it
    first = store.read()
    assert first.book == Book()
    assert "set aside as a.json.damaged" in first.problem
    assert not store.path.exists()
    assert store.damaged_path.read_bytes() == b"\0" * 300
    assert "set aside" in store.read().problem
    assert "set aside" in Store(store.path).read().problem  # after a restart too
    store.change(lambda book: Book(None, (PHONE,)))
    assert store.read() == access_store.Reading(Book(None, (PHONE,)))


def test_a_file_that_is_too_large_is_damaged(tmp_path: Path) -> None:
    store = Store(tmp_path / "a.json")
    store.path.write_text(Book().text() + " " * 70_000)
    assert "larger than" in store.read().problem
    assert store.damaged_path.exists()


def test_a_change_on_a_damaged_file_begins_anew(tmp_path: Path) -> None:
    store = Store(tmp_path / "a.json")
    store.path.write_text("{")
    assert store.change(lambda book: replace(book, devices=(*book.devices, PHONE))).devices == (PHONE,)
    assert store.damaged_path.read_text() == "{"


def test_a_pipe_in_the_files_place_holds_nothing_up(tmp_path: Path) -> None:
    """Opening one waits for its writer, for ever: on the daemon's loop that would be the end of watching."""
    store = Store(tmp_path / "v.access.json")
    os.mkfifo(store.path)
    before = signal.signal(signal.SIGALRM, signal.default_int_handler)
    signal.setitimer(signal.ITIMER_REAL, 5.0)
    try:
        assert "set aside" in store.read().problem
        assert store.change(lambda book: replace(book, devices=(PHONE,))).devices == (PHONE,)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)
    assert store.read().book.devices == (PHONE,)


def test_a_file_that_cannot_be_read_has_a_problem_and_is_left_alone(tmp_path: Path) -> None:
    store = Store(tmp_path / "a.json")
    store.path.mkdir()
    assert "cannot be used: is a directory" in store.read().problem
    with pytest.raises(StoreError, match="is a directory"):
        store.change(lambda book: Book())
    store.path.rmdir()
    assert store.read().problem == ""


def test_what_a_power_cut_left_half_written_is_nothing(tmp_path: Path) -> None:
    store = Store(tmp_path / "a.json")
    store.change(lambda book: Book(None, (PHONE,)))
    (tmp_path / "a.json.new").write_text('{"version": 1, "co')
    assert Store(store.path).read().book.devices == (PHONE,)
    store.change(lambda book: Book())
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.json", "a.json.lock"]


def test_the_new_text_is_on_the_card_before_it_takes_the_olds_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps: list[str] = []
    fsync, rename = os.fsync, Path.replace

    def sync(handle: int) -> None:
        steps.append("sync " + Path(f"/proc/self/fd/{handle}").readlink().name)
        fsync(handle)

    def replaced(self: Path, target: Path) -> Path:
        steps.append(f"rename {self.name} {target.name}")
        return rename(self, target)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(Path, "replace", replaced)
    Store(tmp_path / "a.json").change(lambda book: Book(None, (PHONE,)))
    assert steps == ["sync a.json.new", "rename a.json.new a.json", f"sync {tmp_path.name}"]


def test_a_change_to_the_same_writes_nothing(tmp_path: Path) -> None:
    store = Store(tmp_path / "a.json")
    store.change(lambda book: Book(None, (PHONE,)))
    before = store.path.stat()
    store.change(lambda book: book)
    assert store.path.stat().st_ino == before.st_ino


def test_another_process_that_never_lets_go_is_not_waited_for_without_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(access_store, "LOCK_S", 0.05)
    store = Store(tmp_path / "a.json")
    handle = os.open(tmp_path / "a.json.lock", os.O_RDWR | os.O_CREAT)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        with pytest.raises(StoreError, match="another process has it"):
            store.change(lambda book: Book())
        assert store.read().book == Book()  # readers don't wait
    finally:
        os.close(handle)


ADD = """
import sys
from dataclasses import replace
from pathlib import Path
from uphaul.web.access_store import Device, Store
store, start = Store(Path(sys.argv[1])), int(sys.argv[2])
for i in range(start, start + 10):
    device = Device(f"device {i}", bytes(32), "", "")
    store.change(lambda book: replace(book, devices=(*book.devices, device)))
"""


def test_two_processes_that_write_at_once_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    others = [subprocess.Popen([sys.executable, "-c", ADD, str(path), str(start)]) for start in (0, 10)]
    assert [other.wait(60) for other in others] == [0, 0]
    assert {d.name for d in Store(path).read().book.devices} == {f"device {i}" for i in range(20)}


def test_each_log_has_a_list_of_its_own() -> None:
    assert store_path(Path("/x/uphaul.db")) == Path("/x/uphaul.access.json")
    assert store_path(Path("/x/uphaul-demo.db")) != store_path(Path("/x/uphaul.db"))
