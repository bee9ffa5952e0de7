"""Puts the frames of a capture in order of their time stamps, or says that this cannot be done.

Theory of operation. Loggers with several buses or buffers write frames a little late. So a frame may come up to
`LATEST_S` after one that is younger; the frames of that time are kept back until the next batch has shown what belongs
between them. Further back, or back and forth all the time (`check_mixed`), is no lateness: a clock was set, files were
joined, or the stamps mean something else. Then no order can be told from them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from uphaul.errors import DriveFileError

__all__ = ["LATEST_S", "MOST_MOVED", "Order", "Stream"]

LATEST_S = 1.0
MOST_MOVED = 0.1
"""Our own choices: far beyond the tenths of a second that buffers cost, far below what stamps that go astray do."""

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Stream:
    """n frames: times in s, ids with flags, where the data of each begins in `flat`, and how long it is."""

    t_s: npt.NDArray[np.float64]
    key: Ints
    start: Ints
    length: Ints
    flat: npt.NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.t_s)

    def only(self, rows: Ints | slice) -> Stream:
        """These frames, in this order."""
        return Stream(self.t_s[rows], self.key[rows], self.start[rows], self.length[rows], self.flat)

    def then(self, other: Stream) -> Stream:
        """These frames and after them the others."""
        if not len(self):
            return other
        first = int(self.start.min())
        flat = self.flat[first : int((self.start + self.length).max())]
        return Stream(
            np.concatenate((self.t_s, other.t_s)),
            np.concatenate((self.key, other.key)),
            np.concatenate((self.start - first, other.start + len(flat))),
            np.concatenate((self.length, other.length)),
            np.concatenate((flat, other.flat)),
        )

    def table(self, rows: Ints) -> npt.NDArray[np.uint8]:
        """The data of these frames, one row each, filled up with zeros."""
        start, length = self.start[rows], self.length[rows]
        longest = int(length.max()) if len(rows) else 0
        places = start[:, None] + np.arange(longest)
        if int(length.min() if len(rows) else 0) == longest:
            whole: npt.NDArray[np.uint8] = self.flat[places]
            return whole
        inside = np.arange(longest) < length[:, None]
        return np.where(inside, self.flat[np.where(inside, places, 0)], np.uint8(0))

    def bytes_of(self, row: int) -> bytes:
        """The data of one frame."""
        start = int(self.start[row])
        return self.flat[start : start + int(self.length[row])].tobytes()


_NOTHING = Stream(
    np.empty(0), np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.uint8)
)


class Order:
    """`moved` frames were late, the latest by `furthest_s`."""

    def __init__(self) -> None:
        self.moved = 0
        self.furthest_s = 0.0
        self.limit_s = -np.inf
        self._frames = 0
        self._newest_s = -np.inf
        self._kept = _NOTHING

    def take(self, stream: Stream) -> Stream:
        """Take in further frames; those that are now known to be in order, up to `limit_s`. Raises DriveFileError."""
        if not len(stream):
            return stream
        if not np.isfinite(stream.t_s).all():
            number = self._frames + int(np.flatnonzero(~np.isfinite(stream.t_s))[0]) + 1
            raise DriveFileError(f"frame {number} has no time stamp, so what came when cannot be told")
        newest = np.maximum.accumulate(np.concatenate(([self._newest_s], stream.t_s)))
        late_s = newest[:-1] - stream.t_s
        late = np.flatnonzero(late_s > 0.0)
        if len(late):
            self._note(stream, late, late_s[late])
        self._frames += len(stream)
        self._newest_s = float(newest[-1])
        self.limit_s = self._newest_s - LATEST_S
        stream = self._kept.then(stream)
        if len(late):
            stream = stream.only(np.argsort(stream.t_s, kind="stable"))
        ready = int(np.searchsorted(stream.t_s, self.limit_s, side="right"))
        self._kept = stream.only(slice(ready, None))
        return stream.only(slice(0, ready))

    def rest(self) -> Stream:
        """The frames that were kept back; no more will come."""
        rest, self._kept = self._kept, _NOTHING
        return rest

    def _note(self, stream: Stream, late: Ints, late_s: npt.NDArray[np.float64]) -> None:
        far = np.flatnonzero(late_s > LATEST_S)
        if len(far):
            i = int(late[far[0]])
            raise DriveFileError(
                f"the time stamp of frame {self._frames + i + 1} goes back by {float(late_s[far[0]]):g} s, to "
                f"{float(stream.t_s[i]):.6f} s: a clock was set, or captures were joined, and what came when cannot "
                "be told; split the capture there and import the parts"
            )
        self.moved += len(late)
        self.furthest_s = max(self.furthest_s, float(late_s.max()))

    def check_mixed(self) -> None:
        """Raises DriveFileError when more frames were late than can be by lateness."""
        if self.moved > max(MOST_MOVED * self._frames, 10.0):
            raise DriveFileError(
                f"the time stamps of {self.moved} of {self._frames} frames go back: they are mixed up, or count "
                "something else than the time since the beginning, and what came when cannot be told"
            )
