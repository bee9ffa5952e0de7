"""Reads a log: its drives, what judged them, what was judged, and the ticks as blocks.

Theory of operation. A log is *at rest* when no write-ahead log lies beside it and this process is not writing it. Then
it is opened as immutable, which takes no locks, leaves no files behind and works on a read-only medium, and long
stretches are read by `fast`. Otherwise it is *live*: another program is writing it, or a power cut left the last
commits in the write-ahead log; then SQLite's ordinary, locked reading is used, one short query a block, so that the
writer is never held up. A log at rest may come alive under us; so its stamp is looked at before and after each query,
and what was read meanwhile is read again.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import quote as url_quote

import numpy as np

from uphaul.alerts import Notice, NoticeKind, State, Transition
from uphaul.errors import LogError
from uphaul.log import claims, enter, fast, schema
from uphaul.log.info import Anchor, CheckRow, DriveInfo, LoggedCondition, Reference, SegmentInfo
from uphaul.signals import Block, Event, EventKind, Quality, QualityChange

__all__ = ["Anchor", "DriveInfo", "Log", "LoggedCondition", "SegmentInfo"]

FAST_FROM_TICKS = 20_000
"""Below that the plain way is done before the fast one is loaded."""
MOST_STRETCHES = 10_000
"""Above that there must be gaps of weeks, which the plain way steps over: weeks of driving are never one segment."""


class Log:
    """A log open for reading; use it from one thread at a time. `notes` tells what could not be read.

    `Log.open` raises LogError, and so does every method when the file does not hold together.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notes: tuple[str, ...] = ()
        self._db: sqlite3.Connection | None = None
        self._rest: tuple[object, ...] | None = None

    @classmethod
    def open(cls, path: Path | str) -> Log:
        """Open a log. Raises LogError naming the file and what is wrong with it."""
        log = cls(Path(path))
        try:
            log._look()
            with log._errors():
                db = log._connection()
                version = schema.identify(db, log.path)
            if version == 0:
                raise LogError(f"{log.path}: the file holds no log: it has no tables{log.copied}")
            if version < schema.READABLE_FROM:
                raise LogError(
                    f"{log.path}: the log has schema version {version}, older than {schema.READABLE_FROM}; "
                    "let the daemon open it once, it brings it up to date"
                )
        except BaseException:
            log.close()
            raise
        return log

    def close(self) -> None:
        """Close the file."""
        if self._db is not None:
            self._db.close()
            self._db = None

    @property
    def copied(self) -> str:
        """What to add where a log is found to hold nothing: it may have been copied without what lay beside it.

        Empty while a write-ahead log is there, or a daemon records.
        """
        if self._wal_bytes() or claims.lock_path(self.path).exists():
            return ""
        name = self.path.name
        return (
            f"; if it was copied while the daemon ran, its drives are still in {name}-wal beside the original: "
            f'stop the daemon before copying, or use sqlite3 {name} ".backup copy.db"'
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # -- drives and segments --------------------------------------------------------------------------------------

    def drives(self) -> list[DriveInfo]:
        """All drives, oldest first."""
        found = []
        for row in self._rows(
            "SELECT id, begun, ended, end_reason, ticks, alerts, kept, continues, boot_id, began_boot_ms, lost_ticks "
            "FROM drive WHERE going = 0 ORDER BY id"
        ):
            drive, begun, ended, reason, ticks, alerts, kept, continues, boot_id, began_boot_ms, lost = row
            segments = tuple(n for (n,) in self._rows("SELECT id FROM segment WHERE drive = ? ORDER BY id", drive))
            last = ended
            if ended is None:
                extents = [self._rows(f"SELECT count(*), max(t_ms) FROM ticks_{n}")[0] for n in segments]
                ticks = sum(count for count, _ in extents)
                last = max((newest for _, newest in extents if newest is not None), default=0)
                with self._errors():
                    alerts = enter.count_alerts(self._connection(), drive)
            found.append(
                DriveInfo(
                    id=drive,
                    begun=begun,
                    duration_s=last / 1000.0,
                    ticks=ticks,
                    segments=segments,
                    alerts=alerts,
                    kept=bool(kept),
                    continues=continues,
                    ended=ended is not None,
                    end_reason=reason,
                    boot_id=boot_id,
                    began_boot_ms=began_boot_ms,
                    lost_ticks=lost,
                )
            )
        return found

    def segments(self, drive: int) -> list[SegmentInfo]:
        """The segments of a drive in order. Raises LogError when there is no such drive."""
        if not self._rows("SELECT 1 FROM drive WHERE id = ? AND going = 0", drive):
            known = ", ".join(str(d) for (d,) in self._rows("SELECT id FROM drive WHERE going = 0 ORDER BY id"))
            raise LogError(f"{self.path}: there is no drive {drive}; the log has: {known or 'none'}")
        return [self.segment(n) for (n,) in self._rows("SELECT id FROM segment WHERE drive = ? ORDER BY id", drive)]

    def segment(self, segment: int) -> SegmentInfo:
        """One segment. Raises LogError when there is none of that number."""
        rows = self._rows(
            "SELECT drive, tick_hz, gap_ms, software, judge_version, initial_state FROM segment WHERE id = ?", segment
        )
        if not rows:
            raise LogError(f"{self.path}: there is no segment {segment}")
        with self._errors():
            table = enter.read_segment(self._connection(), segment)
        # Two look-ups: asked for both ends at once, SQLite reads the whole table.
        ((first,),) = self._rows(f"SELECT min(t_ms) FROM ticks_{segment}")
        ((last,),) = self._rows(f"SELECT max(t_ms) FROM ticks_{segment}")
        drive, tick_hz, gap_ms, software, judge_version, initial_state = rows[0]
        return SegmentInfo(
            id=segment,
            drive=drive,
            tick_hz=tick_hz,
            gap_ms=gap_ms,
            software=software,
            judge_version=judge_version,
            tunes=table.tunes,
            signals=table.signals,
            initial_state=initial_state,
            first_t_ms=first,
            last_t_ms=last,
        )

    def config(self, segment: int) -> dict[str, str]:
        """The texts of the configuration that judged a segment, by file name."""
        rows = self._rows(
            "SELECT files FROM config JOIN segment ON segment.config = config.id WHERE segment.id = ?", segment
        )
        if not rows:
            raise LogError(f"{self.path}: there is no segment {segment}")
        with self._errors():
            files = json.loads(rows[0][0])
        if not isinstance(files, dict):
            raise LogError(f"{self.path}: the configuration of segment {segment} cannot be read")
        return {str(name): str(text) for name, text in files.items()}

    # -- what was judged ------------------------------------------------------------------------------------------

    def conditions(self, drive: int) -> list[LoggedCondition]:
        """Each time a rule's condition became true or false, in the order in which it was judged."""
        rows = self._of_drive('segment, t_ms, rule, active, value, "limit", tune FROM condition', drive)
        return [LoggedCondition(s, t, r, bool(a), _real(v), _real(x), n) for s, t, r, a, v, x, n in rows]

    def transitions(self, drive: int) -> list[Transition]:
        """The steps of all alerts' life cycles, in order."""
        rows = self._of_drive('t_ms, rule, source, target, value, "limit", tune, raise_number FROM transition', drive)
        return [Transition(t, r, State(a), State(b), _real(v), _real(x), n, k) for t, r, a, b, v, x, n, k in rows]

    def notices(self, drive: int) -> list[Notice]:
        """What else the life cycle told, in order."""
        rows = self._of_drive("t_ms, kind, rule, text FROM notice", drive)
        return [Notice(t, NoticeKind(k), r, x) for t, k, r, x in rows]

    def events(self, drive: int) -> list[Event]:
        """What people did, in order."""
        return [_event(row) for row in self._of_drive(f"{_EVENT} FROM event", drive)]

    def anchors(self, drive: int) -> list[Anchor]:
        """Ticks whose wall-clock time is known."""
        rows = self._rows("SELECT t_ms, utc, source FROM anchor WHERE drive = ? ORDER BY id", drive)
        return [Anchor(*row) for row in rows]

    def reference(self) -> Reference | None:
        """The drive that others are compared with; None where there is none."""
        if not self._rows("SELECT 1 FROM sqlite_master WHERE name = 'reference'"):  # a log of an older version
            return None
        own = "SELECT reference.drive, utc, actor FROM reference JOIN drive ON drive.id = reference.drive AND going = 0"
        found = self._rows(f"{own} ORDER BY reference.id DESC LIMIT 1")
        return Reference(*found[0]) if found else None

    def field_checks(self, drive: int) -> list[CheckRow]:
        """What came of the field checks of a drive, as it was told when each ended; in the order of time."""
        if not self._rows("SELECT 1 FROM sqlite_master WHERE name = 'field_check'"):  # a log of an older version
            return []
        return [CheckRow(*r) for r in self._rows("SELECT * FROM field_check WHERE drive = ? ORDER BY t_ms", drive)]

    def _of_drive(self, what: str, drive: int) -> list[Any]:
        return self._rows(f"SELECT {what} WHERE segment IN (SELECT id FROM segment WHERE drive = ?) ORDER BY id", drive)

    # -- ticks ----------------------------------------------------------------------------------------------------

    def blocks(
        self,
        segment: int,
        rows: int = 65_536,
        *,
        start_ms: int | None = None,
        stop_ms: int | None = None,
        only: Collection[str] | None = None,
    ) -> Iterator[Block]:
        """A segment's ticks in order, at most `rows` a block; those with start_ms <= t_ms < stop_ms if given.

        Quality changes and events whose tick was lost come with the next block. With `only` the blocks have the signals
        of these names alone, which is the faster the fewer there are.
        """
        info = self.segment(segment)
        if info.first_t_ms is None or info.last_t_ms is None or rows < 1:
            return
        begin = info.first_t_ms if start_ms is None else max(start_ms, info.first_t_ms)
        end = info.last_t_ms + 1 if stop_ms is None else min(stop_ms, info.last_t_ms + 1)
        seen = begin if start_ms is not None else min(begin, 0)
        wanted = [i for i, s in enumerate(info.signals) if only is None or s.name in only]
        signals, place = tuple(info.signals[i] for i in wanted), {i: k for k, i in enumerate(wanted)}
        for columns in self._columns(info, wanted, begin, end, rows):
            last = int(columns.t_ms[-1])
            span = (segment, seen, last)
            quality = self._rows(
                "SELECT t_ms, signal, quality FROM quality WHERE segment = ? AND t_ms BETWEEN ? AND ? "
                "ORDER BY t_ms, signal",
                *span,
            )
            events = self._rows(
                f"SELECT {_EVENT} FROM event WHERE segment = ? AND t_ms BETWEEN ? AND ? ORDER BY id", *span
            )
            seen = last + 1
            yield Block(
                signals=signals,
                t_ms=columns.t_ms,
                values=columns.values,
                tune=columns.tune,
                quality=tuple(QualityChange(t, place[s], Quality(q)) for t, s, q in quality if s in place),
                events=tuple(_event(row) for row in events),
            )

    def _columns(
        self, info: SegmentInfo, wanted: Sequence[int], begin: int, end: int, rows: int
    ) -> Iterator[fast.Columns]:
        """The `wanted` signals at ticks with begin <= t_ms < end, the fast way as long as it is allowed."""
        names, per_unit = schema.columns(info.signals), [info.signals[i].per_unit for i in wanted]
        select = f"SELECT t_ms, tune{''.join(', ' + schema.quote(names[i]) for i in wanted)} FROM ticks_{info.id}"
        step_ms = rows * 1000 // info.tick_hz
        at = begin
        starts = range(begin, end, step_ms or 1)
        long = (end - begin) * info.tick_hz > FAST_FROM_TICKS * 1000 and len(starts) <= MOST_STRETCHES
        if long and step_ms > 0 and self._at_rest():
            queries = [f"{select} WHERE t_ms >= {a} AND t_ms < {min(a + step_ms, end)} ORDER BY t_ms" for a in starts]
            found = fast.stretches(self._uri(), queries, per_unit, str(self.path))
            with contextlib.closing(found):
                for start in starts:
                    try:
                        columns = next(found)
                    except LogError:
                        if self._at_rest():
                            raise
                    if not self._at_rest():
                        break
                    at = min(start + step_ms, end)
                    if len(columns.t_ms):
                        yield columns
        while at < end:
            columns = self._plain(select, per_unit, at, end, rows)
            if not len(columns.t_ms):
                return
            at = int(columns.t_ms[-1]) + 1
            yield columns

    def _plain(self, select: str, per_unit: Sequence[int], begin: int, end: int, rows: int) -> fast.Columns:
        found = self._rows(f"{select} WHERE t_ms >= ? AND t_ms < ? ORDER BY t_ms LIMIT ?", begin, end, rows)
        # None becomes NaN; counts and times are whole numbers that a double holds exactly.
        table = np.array(found, dtype=np.float64).reshape(len(found), 2 + len(per_unit))
        values = np.ascontiguousarray((table[:, 2:] / np.array(per_unit, dtype=np.float64)).T).T
        return fast.Columns(table[:, 0].astype(np.int64), table[:, 1].astype(np.int16), values)

    # -- the file -------------------------------------------------------------------------------------------------

    def _look(self) -> None:
        """Say in plain words what is wrong with a file that is no log at first sight. Raises LogError."""
        if claims.claimed(self.path):
            return  # our writer has looked; and closing a handle of our own here would drop the locks that it holds
        try:
            with self.path.open("rb") as file:
                head = file.read(100)
                size = os.fstat(file.fileno()).st_size
        except OSError as error:
            raise LogError(f"{self.path}: cannot be opened ({error.strerror})") from error
        if size == 0:
            raise LogError(f"{self.path}: the file is empty")
        if len(head) < 100 or not head.startswith(b"SQLite format 3\0"):
            raise LogError(f"{self.path}: this is not a log (no SQLite database)")
        page = int.from_bytes(head[16:18], "big")
        page = 65_536 if page == 1 else page
        pages = int.from_bytes(head[28:32], "big")
        counted = head[24:28] == head[92:96]  # else the page count is not kept. Source: sqlite.org/fileformat2.html
        if counted and size < page * pages and not self._wal_bytes():
            raise LogError(f"{self.path}: the log is cut off: {size} bytes of {page * pages} are there")

    def _wal_bytes(self) -> int:
        try:
            return self.path.with_name(self.path.name + "-wal").stat().st_size
        except FileNotFoundError:
            return 0

    def _stamp(self) -> tuple[object, ...]:
        about = self.path.stat()
        return about.st_ino, about.st_size, about.st_mtime_ns

    def _at_rest(self) -> bool:
        """True while the file is as it was when it was opened as immutable, and nobody has begun to write it."""
        if self._rest is None or self._wal_bytes() or claims.claimed(self.path):
            return False
        with contextlib.suppress(OSError):
            return self._stamp() == self._rest
        return False

    def _uri(self, *, immutable: bool = True) -> str:
        return f"file:{url_quote(str(self.path.resolve()))}?mode=ro{'&immutable=1' if immutable else ''}"

    def _connection(self) -> sqlite3.Connection:
        """A connection that fits the file's present state."""
        if self._db is not None and (self._rest is None or self._at_rest()):
            return self._db
        self.close()
        self._rest = None if self._wal_bytes() or claims.claimed(self.path) else self._stamp()
        try:
            db = self._connect(immutable=self._rest is not None)
        except sqlite3.OperationalError:
            if self._rest is not None:
                raise
            # A read-only medium with a write-ahead log on it: what was carried over before can be read.
            db = self._connect(immutable=True)
            self.notes = (
                f"{self.path}: the medium is read-only, so the last commits, in {self.path.name}-wal, are not seen",
            )
        self._db = db
        return db

    def _connect(self, *, immutable: bool) -> sqlite3.Connection:
        uri = self._uri(immutable=immutable)
        db = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False, timeout=5.0)
        try:
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()  # opens the file in earnest
        except BaseException:
            db.close()
            raise
        return db

    def _rows(self, sql: str, *values: object) -> list[Any]:
        with self._errors():
            for _ in range(10):
                rows = self._connection().execute(sql, values).fetchall()
                if self._rest is None or self._at_rest():
                    return rows
        raise LogError(f"{self.path}: another program keeps changing the file")

    @contextlib.contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, ValueError) as error:
            raise LogError(f"{self.path}: the log cannot be read ({error})") from error
        except OverflowError as error:  # a number that a person gave
            raise LogError(f"{self.path}: there is nothing of so large a number") from error
        except OSError as error:
            raise LogError(f"{self.path}: cannot be opened ({error.strerror})") from error


_EVENT = "t_ms, seq, kind, rule, raise_number, actor, text, end_ms"


def _event(row: Sequence[Any]) -> Event:
    t_ms, seq, kind, rule, raise_number, actor, text, end_ms = row
    return Event(t_ms, seq, EventKind(kind), rule, raise_number, actor, text, end_ms)


def _real(value: float | None) -> float:
    return float("nan") if value is None else value
