"""Reads a vehicle's own diagnostics through an OBD adapter, by a process of its own that speaks lines.

Theory of operation. Entering the context starts `uphaul.sources.obd_child` and waits until it says that the vehicle is
connected; `read` takes its lines, decodes the bytes in them and delivers. The library behind the adapter blocks and may
hang with it, so nothing of it runs in this process: waiting for a line is all that is done here.

What can go wrong, and who notices: the adapter is missing or goes, or the vehicle does not answer: the child says so
and ends, and `supervise` starts another one after its back-off. The child hangs or dies: no line comes for
`silent_after_s` (when it is idle it says so), or its output ends; it is killed and started anew. A line that is no such
line is counted. A parameter that is not answered delivers nothing, so its signals go stale; one that the vehicle does
not have, and a sensor that an answer calls not fitted, are NOT_FITTED. Leaving the context ends the child, by force
after `END_WITHIN_S`.

This source sends requests on the vehicle's bus. The configuration does not come to be without the owner's leave, and
the journal tells when the first request is about to be sent.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import math
import sys
from collections.abc import Mapping, Sequence
from types import TracebackType
from typing import Any, Self

from uphaul.clock import Clock
from uphaul.config.obd import EVERY_S
from uphaul.config.obd_pids import Pid, find_pid
from uphaul.config.spec import Input, ObdSpec
from uphaul.errors import ConfigError, Problem, SourceError
from uphaul.signals import Quality, Sample
from uphaul.sources.base import Deliver, RawReading, Source
from uphaul.sources.obd_child import IDLE_S
from uphaul.sources.obd_decode import MAXIMA, decode, map_full_scale_kpa

__all__ = ["CHILD", "ObdSource"]

CHILD = (sys.executable, "-m", "uphaul.sources.obd_child")

OPEN_WITHIN_S = 60.0
"""Speeds and protocols are tried one after another, each with the adapter's own patience."""

END_WITHIN_S = 0.7
"""Of the two seconds that the daemon has to end."""

COUNTERS = ("answers", "unanswered", "absent", "undecodable", "garbled", "reopened")

_log = logging.getLogger(__name__)


class ObdSource(Source):
    """An OBD adapter as a source.

    `inputs` are (column, input) pairs of the signals that come from it; an input's `message` is the parameter.
    Counters in `health`: `answers`, requests `unanswered` and `absent` (the vehicle has no such parameter),
    `undecodable` samples, `garbled` lines, `reopened`. `child` is the command that is started. Raises ConfigError when
    an input names a parameter or field that there is not.
    """

    def __init__(
        self,
        spec: ObdSpec,
        inputs: Sequence[tuple[int, Input]],
        clock: Clock,
        *,
        child: Sequence[str] = CHILD,
        open_within_s: float = OPEN_WITHIN_S,
    ) -> None:
        super().__init__(spec.name)
        self.health.counters = dict.fromkeys(COUNTERS, 0)
        self._spec, self._clock, self._child, self._open_within_s = spec, clock, tuple(child), open_within_s
        self._pids: dict[int, Pid] = {}
        self._inputs: dict[int, list[tuple[int, Input]]] = {}
        self._every_s: dict[int, float] = {}
        for column, each in inputs:
            self._add(column, each)
        self._silent_s = spec.silent_after_s + IDLE_S
        self._full_scale_kpa: float | None = None
        self._process: asyncio.subprocess.Process | None = None
        self._complaints: asyncio.Task[bytes] | None = None
        self._opened = self._told = False
        self._raw: dict[int, RawReading] | None = None

    def lend_readings(self, wanted: bool) -> None:
        self._raw = {} if wanted else None

    def readings(self) -> Mapping[str, RawReading]:
        """The bytes of the newest answer in hex, by parameter and field."""
        kept = self._raw or {}
        return {i.place: kept[number] for number, each in self._inputs.items() if number in kept for _, i in each}

    def _add(self, column: int, each: Input) -> None:
        pid = find_pid(each.message)
        if pid is None or pid.field(each.field) is None:
            place = f"signal.{each.signal}.from"
            problem = Problem(
                "signals.toml", place, f"{each.message} {each.field}", "must be a parameter and its field"
            )
            raise ConfigError([problem])
        self._pids[pid.number] = pid
        self._inputs.setdefault(pid.number, []).append((column, each))
        every_s = EVERY_S if each.every_s is None else each.every_s
        self._every_s[pid.number] = min(every_s, self._every_s.get(pid.number, math.inf))

    async def __aenter__(self) -> Self:
        if not self._told:
            asked = ", ".join(f"{self._pids[n].text} every {s:g} s" for n, s in self._every_s.items())
            _log.warning(
                "OBD %s sends requests on the vehicle's bus, as the configuration allows: %s", self.name, asked
            )
            self._told = True
        if not self._every_s:
            raise SourceError(f"OBD {self.name}: no signal comes from it, so there is nothing to ask", retry=False)
        self._full_scale_kpa = None
        try:
            await self._start()
            async with asyncio.timeout(self._open_within_s):
                while "hello" not in (line := await self._line()):
                    self._count_garbled(line)
        except TimeoutError:
            await self._end()
            raise SourceError(f"OBD {self.name}: no connection after {self._open_within_s:g} s") from None
        except BaseException:
            await self._end()
            raise
        self.health.counters["reopened"] += self._opened
        self._opened = True
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._end()

    async def read(self, deliver: Deliver) -> None:
        """Deliver samples until cancelled. Raises SourceError when the child ends or says nothing."""
        self.health.problem = "no answer yet"
        while True:
            try:
                async with asyncio.timeout(self._silent_s):
                    line = await self._line()
            except TimeoutError:
                words = f"OBD {self.name}: the adapter hangs, nothing heard for {self._spec.silent_after_s:g} s"
                raise SourceError(words) from None
            samples = self._samples(line)
            if samples:
                deliver(samples)

    # -------------------------------------------------------------------------------------------- the child

    async def _start(self) -> None:
        pipe = asyncio.subprocess.PIPE
        # a session of its own: Ctrl-C in a terminal is for the daemon, which ends the child in order
        process = await asyncio.create_subprocess_exec(
            *self._child, stdin=pipe, stdout=pipe, stderr=pipe, start_new_session=True
        )
        self._process = process
        assert process.stdin is not None and process.stderr is not None, "piped"
        self._complaints = asyncio.create_task(_tail(process.stderr), name=f"obd {self.name} stderr")
        order = {
            "port": self._spec.port,
            "baud": self._spec.baud,
            "protocol": self._spec.protocol,
            "silent_after_s": self._spec.silent_after_s,
            "pids": self._every_s,
        }
        with contextlib.suppress(ConnectionError):  # it has died already: its output tells
            process.stdin.write(json.dumps(order).encode() + b"\n")
            await process.stdin.drain()

    async def _line(self) -> Mapping[str, Any]:
        """The next line; empty if it is none. Raises SourceError when the child says that it ends, or just ends."""
        assert self._process is not None and self._process.stdout is not None, "read inside `async with`"
        try:
            raw = await self._process.stdout.readline()
        except ValueError:  # longer than the reader's limit
            return {}
        if not raw:
            raise SourceError(f"OBD {self.name}: its process ended{await self._last_words()}")
        try:
            line = json.loads(raw)
        except ValueError:
            return {}
        if not isinstance(line, dict):
            return {}
        if "error" in line:
            raise SourceError(f"OBD {self.name}: {line['error']}", retry=line.get("retry") is not False)
        return line

    async def _last_words(self) -> str:
        if self._complaints is None:
            return ""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(END_WITHIN_S):
                lines = (await asyncio.shield(self._complaints)).decode("utf-8", "replace").split("\n")
                return next((f": {line.strip()}" for line in reversed(lines) if line.strip()), "")
        return ""

    async def _end(self) -> None:
        """End the child: it leaves by itself when its input ends; if it does not, it is killed."""
        process, self._process = self._process, None
        complaints, self._complaints = self._complaints, None
        if process is None:
            return
        assert process.stdin is not None and process.stdout is not None, "piped"
        try:
            process.stdin.close()
            async with asyncio.timeout(END_WITHIN_S):
                while await process.stdout.read(4096):  # a full pipe would keep it from ending
                    pass
                await process.wait()
        except TimeoutError:
            pass
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
            if complaints is not None:
                complaints.cancel()
                await asyncio.gather(complaints, return_exceptions=True)

    # -------------------------------------------------------------------------------------------- its lines

    def _count_garbled(self, line: Mapping[str, Any]) -> None:
        self.health.counters["garbled"] += not {"bye", "idle"} & set(line)

    def _samples(self, line: Mapping[str, Any]) -> list[Sample]:
        """The samples of one line, none if nothing can be made of it."""
        number, absent, text = line.get("pid"), line.get("absent"), line.get("data")
        data = None
        try:
            data = None if text is None else bytes.fromhex(text)
        except (TypeError, ValueError):
            number = None
        if number == MAXIMA:
            self._full_scale_kpa = math.nan if data is None else map_full_scale_kpa(data)
            return []
        if not isinstance(number, int) or number not in self._pids or ("data" not in line and absent is not True):
            self._count_garbled(line)
            return []
        counters, t_ms, inputs = self.health.counters, self._clock.now_ms(), self._inputs[number]
        if absent:
            counters["absent"] += 1
            return [Sample(column, t_ms, math.nan, Quality.NOT_FITTED) for column, _ in inputs]
        if data is None:
            counters["unanswered"] += 1
            return []
        counters["answers"] += 1
        self.health.problem = ""
        if self._raw is not None:
            self._raw[number] = RawReading(t_ms, math.nan, "", text=data.hex(" ").upper())
        fields = decode(self._pids[number], data, full_scale_kpa=self._full_scale_kpa)
        samples = []
        for column, each in inputs:
            value, quality = fields[each.field]
            counters["undecodable"] += quality is Quality.UNDECODABLE
            samples.append(Sample(column, t_ms, value * each.factor + each.offset, quality))
        return samples


async def _tail(stream: asyncio.StreamReader) -> bytes:
    """The end of what was said, once it has ended."""
    kept = b""
    while data := await stream.read(4096):
        kept = (kept + data)[-2000:]
    return kept
