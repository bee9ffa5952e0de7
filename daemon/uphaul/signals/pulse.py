"""From the edges of a speed pick-up, or from a running count of them, to the engine's speed with its quality.

Theory of operation. `EdgeSpeed` is fed the time of every edge and asked for a speed now and then; it takes the mean
over all whole pitches between the last edge of the previous answer and the last edge now, so that the more edges there
are the less a single one matters. A pitch is the spacing of two neighbouring teeth or poles. Each edge is judged by its
interval from the last edge that counted, against the median of the last three pitches:

- well below the shortest credible pitch, or below half the pitch expected: a glitch. It is left out and the next
  interval is taken from the last true edge. Edges that come evenly for a while are no glitches but a speed that was not
  expected: they are believed (and beyond the highest speed the answer says so instead of naming half of it).
- on a wheel with missing teeth, longer than the square root of the gap's length in pitches: the gap. It must come
  once a turn at its place. A gap anywhere else, or one far too long, is a tooth missed, and the measurement begins
  anew behind it; a wheel without a gap for more than a turn is not the wheel that was described.
- longer than four times what was expected: something was interrupted. The measurement begins anew behind it.

An answer without a new edge is `None`, no news, until the longest credible interval has passed; from then on it is
0 rpm. A standing engine, a broken and a shorted wire look alike.

`CountSpeed` does the same from a count that something else keeps, which may wrap. It cannot tell a glitch from an edge.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import nan, sqrt

from uphaul.signals.frequency import PulseSpeed
from uphaul.signals.model import Quality
from uphaul.signals.reading import require

__all__ = ["CountSpeed", "EdgeSpeed", "PulseWheel", "Speed"]

SHORT = 0.5
"""A glitch is shorter than this share of the pitch expected. Common practice; an engine does not double its speed from
one tooth to the next."""
MARGIN = 0.8
"""Only below this share of the shortest credible interval is it a glitch, so that a little overspeed is named so."""
LONG_GAP = 1.5
"""A gap longer than so many times the one expected is none: the usual factor of engine decoders, from memory."""
INTERRUPTED = 4.0
"""So many times the interval expected is an interruption. Our own starting point: three edges missed in a row."""
EVEN = 1.3
"""Neighbouring intervals within this ratio are even. Our own starting point, wider than an engine's unevenness between
two teeth and narrower than the two parts into which a stray edge usually cuts a pitch."""
EVEN_RUN = 4
"""So many even intervals in a row are a speed and no chance."""
UNSTEADY_EDGES = 8
"""After so many edges without two even intervals there is no speed to be told."""
ODD = 1.5
"""An interval further than this ratio from the pitch expected is odd. Our own starting point, beyond the unevenness of
an engine that is being cranked."""
ODD_SHARE = 1 / 3
"""A mean of which a greater share of intervals is odd is not believed: it is noise with no order."""
ODD_PITCHES = 3
"""A mean over fewer pitches than this is not judged so."""
NOISY = 2
"""An answer with more glitches than this for each pitch is not believed."""

NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class PulseWheel:
    """What passes the pick-up: pulses per engine turn if none were missing, teeth missing in one gap, credible speeds.

    `teeth` is the full count with the missing ones and matters only where some are missing. Raises: TransferError.
    """

    speed: PulseSpeed
    lowest_rpm: float
    teeth: int = 0
    missing: int = 0

    def __post_init__(self) -> None:
        fits = 0.0 < self.lowest_rpm < self.speed.highest_rpm
        require("pulses", "lowest_rpm", self.lowest_rpm, fits, "must be over 0 and below highest_rpm")
        require("pulses", "missing", self.missing, self.missing >= 0, "must be 0 or more")
        left = self.teeth - self.missing
        require("pulses", "teeth", self.teeth, not self.missing or left >= 3, "must leave 3 teeth beside the gap")

    @classmethod
    def alternator(cls, pole_pairs: int, ratio: float, *, lowest_rpm: float, highest_rpm: float) -> PulseWheel:
        """The W terminal of an alternator that turns `ratio` times an engine turn."""
        return cls(PulseSpeed.alternator(pole_pairs, ratio, highest_rpm), lowest_rpm)

    @classmethod
    def crank(
        cls, teeth: int, missing: int = 0, ratio: float = 1.0, *, lowest_rpm: float, highest_rpm: float
    ) -> PulseWheel:
        """A wheel of `teeth` of which `missing` in a row are not there, turning `ratio` times an engine turn."""
        return cls(PulseSpeed.crank(teeth, ratio, highest_rpm), lowest_rpm, teeth, missing)

    @property
    def shortest_ns(self) -> float:
        """Pitch at the highest credible speed."""
        return 60.0 * NS / (self.speed.highest_rpm * self.speed.pulses_per_turn)

    @property
    def longest_ns(self) -> float:
        """Longest credible interval of two edges: the gap at the lowest credible speed. No edge for longer is 0."""
        return 60.0 * NS * (self.missing + 1) / (self.lowest_rpm * self.speed.pulses_per_turn)

    @property
    def real_per_turn(self) -> float:
        """Edges that do come in a turn of the engine, the mean over whole turns of the wheel."""
        left = (self.teeth - self.missing) / self.teeth if self.missing else 1.0
        return self.speed.pulses_per_turn * left


@dataclass(frozen=True, slots=True)
class Speed:
    """One answer: `rpm` (NaN when unknown), its quality, and the time of the edge that it reaches up to, in ns."""

    rpm: float
    quality: Quality
    at_ns: int


class EdgeSpeed:
    """The speed by the times of edges. Counters: `edges` seen, `glitches` left out, `restarts` of the measurement."""

    def __init__(self, wheel: PulseWheel) -> None:
        self._wheel = wheel
        self._shortest = MARGIN * wheel.shortest_ns
        self._longest = wheel.longest_ns
        self._gap = wheel.missing + 1
        self._gap_from = sqrt(self._gap)
        self._real = wheel.teeth - wheel.missing
        self.edges = self.glitches = self.restarts = 0
        self._silent_from_ns: int | None = None
        self._forget()

    def _forget(self) -> None:
        self._last: int | None = None
        self._raw: int | None = None
        self._raw_interval = 0
        self._even = 0
        self._trial = 0
        self._seen = 0
        self._lose()

    def _lose(self) -> None:
        """Back to not knowing the pitch; the last edge stays what the next interval is taken from."""
        self._recent: deque[int] = deque(maxlen=3)
        self._pitch = 0
        self._since_gap: int | None = None
        self._since_sync = 0
        self._begin()

    def _begin(self) -> None:
        """Begin the mean at the last edge."""
        self._anchor = self._last
        self._pitches = 0
        self._noise = 0
        self._odd = 0

    def lost(self) -> None:
        """Edges were lost on their way, so the next interval means nothing."""
        self.restarts += 1
        self._forget()

    def edge(self, t_ns: int) -> None:
        """Take in one edge; times must not go back, and where they do the measurement begins anew."""
        self.edges += 1
        self._seen += 1
        if self._raw is None or self._last is None or t_ns < self._raw:
            self.restarts += self._raw is not None
            self._forget()
            self._last = self._raw = self._anchor = t_ns
            self._seen = 1
            return
        interval, self._raw = t_ns - self._raw, t_ns
        low, high = sorted((interval, self._raw_interval))
        self._even = self._even + 1 if low > 0 and high <= EVEN * low else 0
        self._raw_interval = interval
        if self._pitch:
            self._known(t_ns, t_ns - self._last)
        else:
            self._unknown(t_ns, t_ns - self._last)

    def _unknown(self, t_ns: int, since: int) -> None:
        """Before the pitch is known: two even intervals in a row make it known."""
        if since < self._shortest and self._even < EVEN_RUN:
            self.glitches += 1
            return
        low, high = sorted((since, self._trial))
        self._last, self._trial = t_ns, since
        if low > 0 and high <= EVEN * low:
            self._adopt(since)

    def _adopt(self, pitch: int) -> None:
        self._lose()
        self._pitch = pitch
        self._recent.append(pitch)
        self._seen = 0

    def _known(self, t_ns: int, since: int) -> None:
        unexpected = since < SHORT * self._pitch
        if unexpected or since < self._shortest <= self._pitch:
            if self._even < EVEN_RUN:
                self.glitches += 1
                self._noise += 1
                return
            if unexpected:
                self.restarts += 1
                self._last = t_ns
                self._adopt(self._raw_interval)
                return
        self._last = t_ns
        if since > INTERRUPTED * self._gap * self._pitch:
            self.restarts += 1
            self._lose()
        elif self._gap > 1 and since > self._gap_from * self._pitch:
            self._take_gap(fits=since <= LONG_GAP * self._gap * self._pitch)
        else:
            self._pitches += 1
            self._since_sync += 1
            if self._since_gap is not None:
                self._since_gap += 1
            self._odd += not self._pitch <= since * ODD <= ODD * ODD * self._pitch
            self._recent.append(since)
            self._pitch = sorted(self._recent)[len(self._recent) // 2]

    def _take_gap(self, *, fits: bool) -> None:
        """A gap: counted as its pitches where it may be one, else the measurement begins anew behind it."""
        if fits and self._since_gap in (None, self._real - 1):
            self._pitches += self._gap
            self._since_gap = 0
        else:
            self.restarts += 1
            self._since_gap = None
            self._begin()
        self._since_sync = 0

    def take(self, now_ns: int) -> Speed | None:
        """The speed since the last answer, `None` if nothing new can be told. `now_ns` is on the clock of the edges.

        `now_ns` must have been read before the edges up to it were collected, or a pause in collecting looks like a
        standing engine.
        """
        if self._raw is None:
            if self._silent_from_ns is None:
                self._silent_from_ns = now_ns
            if now_ns - self._silent_from_ns <= self._longest:
                return None
            return Speed(0.0, Quality.GOOD, now_ns)
        self._silent_from_ns = None
        if now_ns - self._raw > self._longest:
            # stays silent: what is known of the pitch is of no use to an engine that starts again
            self._silent_from_ns = self._raw
            self._forget()
            return Speed(0.0, Quality.GOOD, now_ns)
        if not self._pitch:
            if self._seen <= UNSTEADY_EDGES:
                return None
            self._seen = 0
            return Speed(nan, Quality.UNDECODABLE, self._raw)
        if not self._pitches:
            if self._noise <= UNSTEADY_EDGES:
                return None
            self._noise = 0
            return Speed(nan, Quality.UNDECODABLE, self._raw)
        return self._mean()

    def _mean(self) -> Speed:
        assert self._last is not None and self._anchor is not None
        hertz = self._pitches * NS / (self._last - self._anchor)
        noisy = self._noise > NOISY * self._pitches
        if self._pitches >= ODD_PITCHES:
            noisy = noisy or self._odd > ODD_SHARE * self._pitches
        gapless = self._gap > 1 and self._since_sync >= self._real
        self._begin()
        if noisy or gapless:
            return Speed(nan, Quality.UNDECODABLE, self._last)
        rpm, quality = self._wheel.speed.read(hertz).one()
        return Speed(rpm, quality, self._last)


class CountSpeed:
    """The speed by a count of edges that wraps at `modulus`, over the last `gate_ns` (at least).

    A step of the count that would be faster than twice the highest credible speed, or backwards, is not the wheel
    but a counter that was set: the measurement begins anew (`restarts`), as it does after so long that the count could
    have wrapped unseen.
    """

    def __init__(self, wheel: PulseWheel, gate_ns: int, modulus: int) -> None:
        require("count", "gate_ns", gate_ns, gate_ns > 0, "must be over 0")
        require("count", "modulus", modulus, modulus > 1, "must be over 1")
        self._speed = PulseSpeed(wheel.real_per_turn, wheel.speed.highest_rpm)
        self._gate = gate_ns
        self._longest = wheel.longest_ns
        self._fastest_per_ns = 2.0 / wheel.shortest_ns
        self._modulus = modulus
        self._total = 0
        self._last: int | None = None
        self._moved_ns = 0
        self._taken: deque[tuple[int, int]] = deque()
        self.edges = self.restarts = 0

    def take(self, t_ns: int, count: int) -> Speed | None:
        """The mean speed over the gate, `None` while there is too little to tell; 0 rpm after the longest interval."""
        step = 0 if self._last is None else (count - self._last) % self._modulus
        elapsed = t_ns - self._taken[-1][0] if self._taken else 0
        most = 2 + self._fastest_per_ns * elapsed
        if self._last is None or elapsed <= 0 or most >= self._modulus or step > most:
            self.restarts += self._last is not None
            self._taken.clear()
            self._taken.append((t_ns, self._total))
            self._last, self._moved_ns = count, t_ns
            return None
        self._last = count
        self._total += step
        self.edges += step
        if step:
            self._moved_ns = t_ns
        self._taken.append((t_ns, self._total))
        while len(self._taken) > 2 and t_ns - self._taken[1][0] >= self._gate:
            self._taken.popleft()
        if t_ns - self._moved_ns > self._longest:
            return Speed(0.0, Quality.GOOD, t_ns)
        since, before = self._taken[0]
        if t_ns - since < self._gate or self._total == before:
            return None
        rpm, quality = self._speed.read((self._total - before) * NS / (t_ns - since)).one()
        return Speed(rpm, quality, t_ns)
