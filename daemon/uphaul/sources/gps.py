"""Reads position, speed and time from a satellite receiver through gpsd's JSON over TCP.

Theory of operation. Opening connects to gpsd and asks for reports; gpsd then sends lines of JSON, of which TPV
(position, speed, time) and SKY (satellites) matter. Each line becomes samples at once, with the time at which it
came: a receiver tells a position some tenths of a second old.

What has no fix is no value. A report without a fix makes position, speed and what belongs to them `STALE` at once,
while `fix` goes on telling the mode (0 unknown, 1 none, 2 flat, 3 with altitude). A report that knows nothing yet
(mode 0) says nothing, and so does one that lacks a field, because gpsd may spread one moment over several reports:
what is not said any more grows stale by its age. Altitude counts with mode 3 only. A field that cannot be (latitude
beyond 90 degrees) is `UNDECODABLE`; a line that is no JSON is counted and reading goes on.

Satellites tell the time better than a machine without a clock of its own, so every `ANCHOR_EVERY_MS` the time of a
fix is put into `anchors`. A receiver that has counted its 1,024 weeks over tells a date 19.6 years ago: dates before
`EARLIEST` are refused and counted, those 1,024 weeks after it as well.

Positions go into the log like every other signal: whoever has the log knows where the vehicle was.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import json
from collections.abc import Mapping, Sequence
from math import isfinite, nan
from types import TracebackType
from typing import Any, Self

from uphaul.clock import Clock
from uphaul.config.spec import GpsSpec, Input
from uphaul.errors import SourceError
from uphaul.signals import Quality, Sample
from uphaul.sources.base import Deliver, RawReading, Source, WallTime

__all__ = ["GpsSource"]

CONNECT_WITHIN_S = 5.0
LINE_BYTES = 65_536
"""Longest line that is read; gpsd's own are below 10,240 bytes (GPS_JSON_RESPONSE_MAX, from memory)."""
PROTOCOL = 3
"""Major version of gpsd's protocol, since 2009. Source: gpsd_json(5), from memory."""

ANCHOR_EVERY_MS = 30_000
EARLIEST = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
"""No drive was made with this program before."""
ROLLOVER = datetime.timedelta(weeks=1024)
"""Source: the week number of the GPS message has ten bits (IS-GPS-200)."""

NO_FIX, FLAT_FIX, FULL_FIX = 1, 2, 3
WITH_FIX = {
    "latitude": ("lat", -90.0, 90.0),
    "longitude": ("lon", -180.0, 180.0),
    "altitude": ("altMSL", -1000.0, 20_000.0),
    "speed": ("speed", 0.0, 1000.0),
    "climb": ("climb", -1000.0, 1000.0),
    "track": ("track", 0.0, 360.0),
    "horizontal_error": ("eph", 0.0, 1e7),
}
"""Field of TPV and what it can be, by channel. Source of the fields: gpsd_json(5)."""

FIELDS = {
    "fix": ("TPV", "mode"),
    **{channel: ("TPV", field) for channel, (field, _, _) in WITH_FIX.items()},
    "hdop": ("SKY", "hdop"),
    "satellites": ("SKY", "uSat"),
}
"""Where each channel is told: class of report and field."""

LONGEST_SHOWN = 40
"""Characters of what gpsd said that are shown as it came."""

COUNTERS = ("reports", "garbage", "undecodable", "without_fix", "refused_dates", "errors")


class GpsSource(Source):
    """A receiver behind gpsd as a source; `inputs` name a channel in `field`.

    Counters in `health`: `reports` of TPV and SKY, `garbage` lines that are no JSON or no report, `undecodable` fields,
    reports `without_fix`, `refused_dates`, `errors` that gpsd told.
    """

    def __init__(self, spec: GpsSpec, inputs: Sequence[tuple[int, Input]], clock: Clock) -> None:
        super().__init__(spec.name)
        self.health.counters = dict.fromkeys(COUNTERS, 0)
        self._spec, self._clock = spec, clock
        self._inputs: dict[str, list[tuple[int, float, float]]] = {}
        for column, i in inputs:
            self._inputs.setdefault(i.field, []).append((column, i.factor, i.offset))
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._anchored_ms: float | None = None
        self._said: dict[tuple[str, str], RawReading] | None = None

    def lend_readings(self, wanted: bool) -> None:
        self._said = {} if wanted else None

    def readings(self) -> Mapping[str, RawReading]:
        """What gpsd said last, by channel; where it has no fix that is the mode, as of everything else then."""
        said = self._said or {}
        mode = said.get(FIELDS["fix"])
        out = {}
        for channel in self._inputs:
            found = said.get(FIELDS[channel], mode if channel in WITH_FIX else None)
            if found is not None:
                out[channel] = found
        return out

    async def __aenter__(self) -> Self:
        spec = self._spec
        watch: dict[str, Any] = {"enable": True, "json": True}
        if spec.device is not None:
            watch["device"] = spec.device
        try:
            async with asyncio.timeout(CONNECT_WITHIN_S):
                self._reader, self._writer = await asyncio.open_connection(spec.host, spec.port, limit=LINE_BYTES)
                self._writer.write(f"?WATCH={json.dumps(watch)};\n".encode())
                await self._writer.drain()
        except (OSError, TimeoutError) as error:
            self._hang_up()
            why = str(error) or f"no answer for {CONNECT_WITHIN_S:g} s"
            raise SourceError(f"GPS {spec.name}: gpsd cannot be reached: {why}") from error
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._hang_up()

    def _hang_up(self) -> None:
        writer, self._reader, self._writer = self._writer, None, None
        if writer is not None:
            with contextlib.suppress(OSError):
                writer.close()

    async def read(self, deliver: Deliver) -> None:
        assert self._reader is not None, "read follows opening"
        name, silent_s = self._spec.name, self._spec.silent_after_s
        loop = asyncio.get_running_loop()
        heard = loop.time()
        while True:
            try:
                async with asyncio.timeout_at(heard + silent_s):
                    line = await self._reader.readline()
            except TimeoutError as error:
                raise SourceError(f"GPS {name}: no report for {silent_s:g} s") from error
            except ValueError as error:
                raise SourceError(f"GPS {name}: a line of more than {LINE_BYTES} bytes: no gpsd") from error
            except OSError as error:
                raise SourceError(f"GPS {name}: the connection broke: {error}") from error
            if not line:
                raise SourceError(f"GPS {name}: gpsd has hung up")
            samples = self._take(line, self._clock.now_ms())
            if samples is not None:
                heard = loop.time()
                if samples:
                    deliver(samples)

    def _take(self, line: bytes, t_ms: float) -> list[Sample] | None:
        """The samples of one line, None for a line that is no report of a receiver."""
        counters = self.health.counters
        try:
            report = json.loads(line)
        except (ValueError, RecursionError):
            report = None
        kind = report.get("class") if isinstance(report, dict) else None
        if not isinstance(report, dict) or not isinstance(kind, str):
            counters["garbage"] += 1
            return None
        if kind == "VERSION" and report.get("proto_major") != PROTOCOL:
            spoken = f"protocol {report.get('proto_major')} is spoken, and {PROTOCOL} understood"
            raise SourceError(f"GPS {self._spec.name}: {spoken}")
        if kind == "ERROR":
            counters["errors"] += 1
        if kind not in ("TPV", "SKY") or self._spec.device not in (None, report.get("device")):
            return None
        counters["reports"] += 1
        out: list[Sample] = []
        if self._said is not None:
            self._keep(self._said, kind, report, t_ms)
        if kind == "TPV":
            self._position(report, t_ms, out)
        else:
            self._satellites(report, t_ms, out)
        return out

    @staticmethod
    def _keep(said: dict[tuple[str, str], RawReading], kind: str, report: dict[str, Any], t_ms: float) -> None:
        if report.get("mode") == NO_FIX:  # what was said of a position holds no longer
            for field, *_ in WITH_FIX.values():
                said.pop((kind, field), None)
        for place in FIELDS.values():
            if place[0] == kind and place[1] in report:
                value = json.dumps(report[place[1]])
                text = f"{kind} {place[1]} {value[:LONGEST_SHOWN]}{'…' * (len(value) > LONGEST_SHOWN)}"
                said[place] = RawReading(t_ms, nan, "", text=text)

    def _position(self, report: dict[str, Any], t_ms: float, out: list[Sample]) -> None:
        mode = report.get("mode")
        if isinstance(mode, bool) or mode not in (0, NO_FIX, FLAT_FIX, FULL_FIX):
            self._put("fix", t_ms, out, None, Quality.UNDECODABLE)
            return
        self._put("fix", t_ms, out, float(mode))
        if mode < FLAT_FIX:
            self.health.counters["without_fix"] += 1
        if mode == NO_FIX:
            for channel in WITH_FIX:
                self._put(channel, t_ms, out, None, Quality.STALE)
        if mode < FLAT_FIX:
            return
        for channel, (field, low, high) in WITH_FIX.items():
            if field in report and (channel != "altitude" or mode == FULL_FIX):
                self._number(channel, report[field], t_ms, out, low=low, high=high)
        self._anchor(report.get("time"), t_ms)

    def _satellites(self, report: dict[str, Any], t_ms: float, out: list[Sample]) -> None:
        if "hdop" in report:
            self._number("hdop", report["hdop"], t_ms, out, low=0.0, high=1000.0)
        if "uSat" in report:
            self._number("satellites", report["uSat"], t_ms, out, low=0.0, high=1000.0)
        elif isinstance(report.get("satellites"), list):  # before gpsd 3.22
            used = [s for s in report["satellites"] if isinstance(s, dict) and s.get("used") is True]
            self._put("satellites", t_ms, out, float(len(used)))

    def _number(self, channel: str, value: object, t_ms: float, out: list[Sample], *, low: float, high: float) -> None:
        if isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high and isfinite(value):
            self._put(channel, t_ms, out, float(value))
        else:
            self._put(channel, t_ms, out, None, Quality.UNDECODABLE)

    def _put(
        self, channel: str, t_ms: float, out: list[Sample], value: float | None, quality: Quality = Quality.GOOD
    ) -> None:
        self.health.counters["undecodable"] += quality is Quality.UNDECODABLE
        for column, factor, offset in self._inputs.get(channel, ()):
            out.append(Sample(column, t_ms, nan if value is None else value * factor + offset, quality))

    def _anchor(self, text: object, t_ms: float) -> None:
        if self._anchored_ms is not None and t_ms - self._anchored_ms < ANCHOR_EVERY_MS:
            return
        try:
            utc = datetime.datetime.fromisoformat(text if isinstance(text, str) else "")
        except ValueError:  # no time told, or the second 60 of a leap: the next report will do
            return
        if utc.tzinfo is None:
            return
        utc = utc.astimezone(datetime.UTC)
        if not EARLIEST <= utc < EARLIEST + ROLLOVER:
            self.health.counters["refused_dates"] += 1
            return
        self._anchored_ms = t_ms
        self.anchors.append(WallTime(t_ms, utc, "gps"))
