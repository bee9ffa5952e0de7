"""Messages on their way to the broker: sent from memory, kept on the card, none lost while the broker is away.

Theory of operation. `put` takes a message in from any thread and returns at once. Memory has what is new; a thread of
its own brings it to the card: important messages at once, telemetry every `FLUSH_S`, so that with a broker that answers
telemetry never touches the card. Important messages stay in memory as well, as far as there is room, so that neither
their sending nor their order waits for the card.

`lot` gives the next messages to send: important ones first, in their order; then telemetry in its own. A message
leaves only when it was `acknowledged`; important ones are held for `settle_s` more of the same connection, because a
broker that is killed forgets what it has just acknowledged. `rewind` (a new connection) starts again with all that is
left, so a message may go twice, and says by its number of a stream that it does.

Both memory and file are bounded; what has to go for it is counted in `dropped`. A card that cannot be written is told
in `problem` and tried again, ever more rarely up to every 10 s; meanwhile everything goes on from memory. Nothing of
that is raised. An error of our own ends the thread and stands in `failure`.
"""

from __future__ import annotations

import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from pathlib import Path

from uphaul.errors import LogError
from uphaul.log import schema
from uphaul.outputs.held import Held, Message, Rank
from uphaul.outputs.outbox_file import Change, OutboxFile, Written

__all__ = ["FLUSH_S", "Outbox"]

FLUSH_S = 5.0
"""Telemetry waits so long for the card at most, and so does what may be taken away there."""
APART_S = 0.2
"""Two commits are so far apart at least."""
LONGEST_RETRY_S = 10.0
FIRST_RETRY_S = 1.0
CLOSING_RETRY_S = 0.05
NEVER = float("inf")
NONE = -(1 << 62)
"""Lower than any message's number."""


class Outbox:
    """Call `start` before anything else. `path` None: nothing is kept on a card.

    `limit_bytes` bounds what waits on the card, `memory_bytes` what waits in memory (half of the former at most).
    `connect` opens the file (in tests: on a faulty card). `problem` says why nothing is kept, `notices` what was set
    aside. `retained` are the topics that the broker was last asked to keep for us. Safe to call from any thread; what
    waits for a slow card is the outbox's own thread alone.
    """

    def __init__(
        self,
        path: Path | None,
        *,
        limit_bytes: int,
        memory_bytes: int = 1_000_000,
        settle_s: float = 60.0,
        flush_s: float = FLUSH_S,
        apart_s: float = APART_S,
        connect: Callable[[Path], sqlite3.Connection] = schema.connect,
    ) -> None:
        self.failure: BaseException | None = None
        self.problem = ""
        self.notices: tuple[str, ...] = ()
        self.dropped = dict.fromkeys(Rank, 0)
        self.retained: frozenset[str] = frozenset()
        self._path, self._limit, self._connect = path, limit_bytes, connect
        self._settle_s, self._flush_s, self._apart_s = settle_s, flush_s, apart_s
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self.opened: Future[None] = Future()
        self._file: OutboxFile | None = None
        self._memory = Held(min(memory_bytes, limit_bytes // 2))
        self._next = 1
        self._round = 0
        """Counts the rewinds, so that no answer to an earlier connection moves this one's place."""
        self._sent = dict.fromkeys(Rank, NONE)
        self._upto = dict.fromkeys(Rank, NONE)
        """The highest number that may be on the card and is not in memory."""
        self._bring = 0
        """All in memory above this number is still to be brought to the card ..."""
        self._written = self._writing = NONE
        """... where everything up to `_written` has been, or is just being put, up to `_writing`."""
        self._evicted: list[Message] = []  # from memory, while they were being written
        self._settling: deque[tuple[float, Message]] = deque()
        self._done: dict[Rank, set[int]] = {rank: set() for rank in Rank}
        self._streams: dict[str, tuple[str, int]] = {}
        self._new_streams: dict[str, tuple[str, int]] = {}
        self._new_retained = self._urgent = False
        self._flush_at = NEVER
        self._reads: deque[_Read] = deque()
        self._close_by: float | None = None
        self._thread = threading.Thread(target=self._run, name="outbox", daemon=True)

    def start(self) -> None:
        """Begin; `opened` is done when the file is open or has turned out not to be usable."""
        self._thread.start()

    def before(self, topic: str) -> tuple[str, int] | None:
        """The run and number of the newest message of this stream that an earlier process put here, if known."""
        return self._streams.get(topic)

    def put(self, rank: Rank, topic: str, payload: bytes, stream: tuple[str, int] | None = None) -> None:
        """Take in a message for `topic`; `stream` is its run and its number in it, where it has one."""
        with self._lock:
            message = Message(self._next, rank, topic, payload)
            self._next += 1
            if stream is not None:
                self._new_streams[topic] = stream
            for gone in self._memory.add(message):
                self._evict(gone)
            if rank is Rank.IMPORTANT:
                self._urgent = True
            else:
                self._flush_within(self._flush_s)
        if rank is Rank.IMPORTANT:
            self._wake.set()

    def keep(self, topics: frozenset[str]) -> None:
        """Note which topics the broker is asked to keep from now on."""
        with self._lock:
            if topics != self.retained:
                self.retained, self._new_retained = topics, True
                self._flush_within(self._flush_s)

    def lot(self, most: int) -> list[Message] | Future[list[Message]]:
        """The next messages to send, `most` at most, of one rank; empty when nothing is left.

        None is given twice before `rewind`. A future: they have to be read from the card, and when it brings none, ask
        again.
        """
        with self._lock:
            for rank in Rank:
                if self._upto[rank] > self._sent[rank]:
                    read = _Read(rank, self._sent[rank], most, self._round)
                    self._reads.append(read)
                    self._wake.set()
                    return read.answer
                messages = self._memory.after(self._sent[rank], rank, most)
                if messages:
                    self._sent[rank] = messages[-1].number
                    return messages
        return []

    def acknowledged(self, messages: Iterable[Message]) -> None:
        """The broker has them."""
        now = time.monotonic()
        with self._lock:
            for message in messages:
                if message.rank is Rank.IMPORTANT:
                    self._settling.append((now, message))
                else:
                    self._take_out(message)

    def settle(self) -> None:
        """Let go of what was acknowledged long enough ago. To be called now and then while connected."""
        now = time.monotonic()
        with self._lock:
            while self._settling and now - self._settling[0][0] >= self._settle_s:
                self._take_out(self._settling.popleft()[1])

    def rewind(self) -> None:
        """Begin again with the oldest message that is left: there is another connection."""
        with self._lock:
            self._rewind()

    @property
    def waiting(self) -> int:
        """Messages that the broker has not acknowledged, right within what changes while they are counted."""
        with self._lock:
            card = self._file
            if card is None:
                return max(len(self._memory) - len(self._settling), 0)
            new = sum(m.number > self._bring for m in self._memory.all())
            gone = sum(map(len, self._done.values())) + len(self._settling)
            return max(sum(card.counts.values()) + new - gone, 0)

    def close(self, deadline_s: float) -> bool:
        """Bring what is left to the card and close the file; False when something stays behind. Blocks."""
        self._close_by = time.monotonic() + deadline_s
        self._wake.set()
        if self._thread.ident is not None:
            self._thread.join(deadline_s)
        return not self._thread.is_alive() and not self.problem

    # ----------------------------------------------------------------------------------------- with the lock held

    def _flush_within(self, seconds: float) -> None:
        if self._flush_at == NEVER:
            self._wake.set()  # the thread waits for nothing in particular
        self._flush_at = min(self._flush_at, time.monotonic() + seconds)

    def _rewind(self) -> None:
        self._settling.clear()
        self._sent = dict.fromkeys(Rank, NONE)
        self._round += 1

    def _evict(self, message: Message) -> None:
        """There is no room for it in memory: it is left to the card, or lost."""
        if message.number <= self._written:
            self._upto[message.rank] = max(message.number, self._upto[message.rank])
        elif message.number <= self._writing:
            self._evicted.append(message)
        else:
            self.dropped[message.rank] += 1

    def _take_out(self, message: Message) -> None:
        self._memory.discard(message.number, message.rank)
        if message.number <= max(self._written, self._writing):
            self._done[message.rank].add(message.number)
            self._flush_within(self._flush_s)

    def _take_change(self) -> Change | None:
        batch = tuple(m for m in self._memory.all() if m.number > self._bring)
        kept = self.retained if self._new_retained else None
        change = Change(batch, self._done, self._new_streams, kept)
        self._urgent, self._flush_at = False, NEVER
        if not (batch or any(self._done.values()) or self._new_streams or kept is not None):
            return None
        self._done = {rank: set() for rank in Rank}
        self._new_streams, self._new_retained = {}, False
        self._writing = batch[-1].number if batch else NONE
        return change

    def _not_written(self, change: Change) -> None:
        self._writing = NONE
        for message in self._evicted:
            self.dropped[message.rank] += 1
        self._evicted.clear()
        for rank in Rank:
            self._done[rank] |= change.remove[rank]
        self._new_streams = {**change.streams, **self._new_streams}
        self._new_retained = self._new_retained or change.kept is not None
        self._urgent = True

    def _is_written(self, change: Change, written: Written) -> None:
        self._bring = max(self._bring, self._writing)
        self._written, self._writing = max(self._written, self._writing), NONE
        for message in self._evicted:
            self._upto[message.rank] = max(message.number, self._upto[message.rank])
        self._evicted.clear()
        for message in change.add:
            # telemetry is bulky and in no haste: it leaves memory for the card
            if message.rank is Rank.TELEMETRY and self._memory.discard(message.number, message.rank):
                self._upto[message.rank] = max(message.number, self._upto[message.rank])
        settling = {m.number for _, m in self._settling}
        for rank, numbers in written.trimmed.items():
            self.dropped[rank] += sum(n not in settling and n not in self._done[rank] for n in numbers)

    # -------------------------------------------------------------------------------------------- in the thread

    def _run(self) -> None:
        retry_s, not_before = FIRST_RETRY_S, 0.0
        try:
            while True:
                close_by = self._close_by  # from before, so that what came during an attempt has its own
                well = self._path is None or self._attempt(self._path)
                if not self.opened.done():
                    self.opened.set_result(None)
                self._answer()
                now = time.monotonic()
                if close_by is not None and (well or now >= close_by):
                    return
                if well:
                    retry_s, not_before = FIRST_RETRY_S, now + self._apart_s
                else:
                    not_before = now + (CLOSING_RETRY_S if close_by is not None else retry_s)
                    retry_s = min(retry_s * 2, LONGEST_RETRY_S)
                self._wait(not_before, well, closing=close_by is not None)
        except BaseException as error:
            self.failure = error
            self.problem = f"the outbox failed ({error!r})"
            raise
        finally:
            with self._lock:
                file, self._file, self._upto = self._file, None, dict.fromkeys(Rank, NONE)
            if file is not None:
                file.close()
            self._answer()

    def _wait(self, not_before: float, well: bool, *, closing: bool) -> None:
        """Until there is something to write and it is time to; what is asked for is read meanwhile."""
        while True:
            with self._lock:
                due = max(0.0 if self._urgent or not well else self._flush_at, not_before)
            if closing:
                due = not_before
            elif self._path is None:
                due = NEVER
            now = time.monotonic()
            if now >= due or (self._close_by is not None and not closing):
                return
            self._wake.wait(None if due == NEVER else due - now)
            self._wake.clear()
            self._answer()

    def _attempt(self, path: Path) -> bool:
        """Write what there is; False when the card would not have it."""
        try:
            if self._file is None:
                self._open(path)
            self._commit()
        except (sqlite3.Error, OSError, LogError) as error:
            self._fail(error)
            return False
        self.problem = ""
        return True

    def _open(self, path: Path) -> None:
        file = OutboxFile(path, self._limit, self._connect)
        self.notices += file.notices
        with self._lock:
            first = self._written == NONE
            if first and self._next > 1 and any(file.counts.values()):
                file.push_back()  # what an earlier process left comes before what this one has numbered already
            last = {rank: file.last(rank) for rank in Rank}
            if first:
                self._streams = file.streams()
                self.retained |= file.kept()
                self._next = max(self._next, *(n + 1 for n in last.values()))
            self._written = max(0, *last.values())
            self._bring = 0 if self._memory.all() else self._written  # it may be another file than before
            self._upto = {rank: n if file.counts[rank] else NONE for rank, n in last.items()}
            self._rewind()
            self._file = file

    def _commit(self) -> None:
        assert self._file is not None
        with self._lock:
            change = self._take_change()
        if change is None:
            return
        try:
            written = self._file.write(change)
        except BaseException:
            with self._lock:
                self._not_written(change)
            raise
        with self._lock:
            self._is_written(change, written)

    def _answer(self) -> None:
        """Read what `lot` has asked for."""
        while self._reads:
            read = self._reads.popleft()
            rows: list[Message] = []
            try:
                if self._file is not None:
                    rows = self._file.read(read.rank, read.after, read.most)
            except sqlite3.Error as error:
                self._fail(error)
            with self._lock:
                if not rows:
                    self._upto[read.rank] = NONE
                elif read.round == self._round:
                    self._sent[read.rank] = rows[-1].number
                rows = [m for m in rows if m.number not in self._done[m.rank]]
            if read.answer.set_running_or_notify_cancel():
                read.answer.set_result(rows)

    def _fail(self, error: Exception) -> None:
        self.problem = f"the outbox cannot be kept on the card ({error}): messages wait in memory"
        if self._file is not None:
            self._file.close()
            with self._lock:
                self._file, self._upto = None, dict.fromkeys(Rank, NONE)


class _Read:
    """What `lot` asks the thread for."""

    __slots__ = ("after", "answer", "most", "rank", "round")

    def __init__(self, rank: Rank, after: int, most: int, round_: int) -> None:
        self.rank, self.after, self.most, self.round = rank, after, most, round_
        self.answer: Future[list[Message]] = Future()
