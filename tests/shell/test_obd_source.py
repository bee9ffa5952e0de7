"""The OBD source with an adapter that is missing, goes, comes back or hangs, and with children that fail."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Self

import pytest

from support.collected import WITHIN_S, Collected, reading
from support.elm_peer import ElmPeer
from uphaul.app import App
from uphaul.clock import Clock
from uphaul.config import load_texts
from uphaul.config.spec import Input, ObdSpec
from uphaul.errors import ConfigError, SourceError
from uphaul.rules import Condition
from uphaul.signals import Quality
from uphaul.sources.base import supervise
from uphaul.sources.obd import ObdSource

pytestmark = pytest.mark.asyncio

RPM = (0, Input("rpm", "obd", "0x0C", "value", every_s=0.05))
COOLANT = (1, Input("coolant", "obd", "0x05", "value", every_s=0.5))
ANSWERS: dict[int, str | None] = {0x0C: "1AF8", 0x05: "7B"}


def spec(port: Path, *, silent_after_s: float = 5.0) -> ObdSpec:
    return ObdSpec("obd", str(port), 38400, "6", silent_after_s)


@asynccontextmanager
async def supervised(source: ObdSource) -> AsyncIterator[Collected]:
    collected = Collected()
    task = asyncio.create_task(supervise(source, collected, first_delay_s=0.05, longest_delay_s=0.1))
    try:
        yield collected
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def failure(task: asyncio.Task[None], within_s: float = WITHIN_S) -> SourceError:
    async with asyncio.timeout(within_s):
        with pytest.raises(SourceError) as caught:
            await asyncio.shield(task)
    return caught.value


def alive(pid: int) -> bool:
    """Whether the process is there and not merely waiting to be reaped."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


async def gone(pid: int, within_s: float = WITHIN_S) -> None:
    """Wait until the process, nobody's child any more, has ended. Raises TimeoutError."""
    loop, ended = asyncio.get_running_loop(), asyncio.Event()
    descriptor = os.pidfd_open(pid)
    loop.add_reader(descriptor, ended.set)
    try:
        async with asyncio.timeout(within_s):
            await ended.wait()
    finally:
        loop.remove_reader(descriptor)
        os.close(descriptor)


def child_of(source: ObdSource) -> int:
    process = source._process
    assert process is not None
    return process.pid


# ------------------------------------------------------------------------------------------- with an adapter


async def test_answers_become_samples_at_the_rates_asked_for(tmp_path: Path) -> None:
    clock = Clock()
    before = clock.now_ms()
    with ElmPeer(tmp_path / "adapter", ANSWERS) as peer:
        async with reading(source := ObdSource(spec(peer.link), [RPM, COOLANT], clock)) as (got, _):
            await got.until(lambda: len(got.values(1)) >= 3)
    assert set(got.values(0)) == {1726.0}
    assert set(got.values(1)) == {83.0}
    # ten times as often by their rates; a busy machine makes both come later, the fast one more so
    assert len(got.values(0)) > 2 * len(got.values(1))
    assert all(before <= s.t_ms <= clock.now_ms() and s.quality is Quality.GOOD for s in got.samples)
    assert source.health.problem == ""
    assert source.health.counters["answers"] == len(got.samples)


async def test_a_changed_answer_is_followed(tmp_path: Path) -> None:
    with ElmPeer(tmp_path / "adapter", ANSWERS) as peer:
        async with reading(ObdSource(spec(peer.link), [RPM], Clock())) as (got, _):
            await got.until(lambda: got.values(0)[-1:] == [1726.0])
            peer.answer(0x0C, "0FA0")
            await got.until(lambda: got.values(0)[-1:] == [1000.0])


async def test_the_protocol_is_found_out_when_left_out(tmp_path: Path) -> None:
    with ElmPeer(tmp_path / "adapter", ANSWERS) as peer:
        source = ObdSource(ObdSpec("obd", str(peer.link), 38400), [RPM], Clock())
        async with supervised(source) as got:
            await got.until(lambda: bool(got.samples), within_s=2 * WITHIN_S)


async def test_an_adapter_that_is_missing_at_start_is_awaited(tmp_path: Path) -> None:
    source = Watched(spec(tmp_path / "adapter"))
    async with supervised(source) as got:
        for _ in range(2):
            async with asyncio.timeout(WITHIN_S):
                await source.failed.wait()
            source.failed.clear()
        assert "no adapter answers" in source.health.problem
        assert str(tmp_path / "adapter") in source.health.problem
        with ElmPeer(tmp_path / "adapter", ANSWERS):
            await got.until(lambda: bool(got.samples))
            assert source.health.problem == ""
            assert source.health.counters["reopened"] == 0


class Watched(ObdSource):
    """Tells when it failed to open."""

    def __init__(self, spec: ObdSpec) -> None:
        super().__init__(spec, [RPM], Clock())
        self.failed = asyncio.Event()

    async def __aenter__(self) -> Self:
        try:
            return await super().__aenter__()
        except SourceError:
            self.failed.set()
            raise


async def test_an_adapter_pulled_out_fails_at_once_and_is_back_when_plugged_in(tmp_path: Path) -> None:
    source = ObdSource(spec(tmp_path / "adapter", silent_after_s=60), [RPM], Clock())
    with ElmPeer(tmp_path / "adapter", ANSWERS) as peer:
        async with reading(source) as (got, task):
            await got.until(lambda: bool(got.samples))
            child = child_of(source)
            peer.close()
            error = await failure(task)
            assert error.retry
            assert "adapter has gone" in str(error)
        assert not alive(child)
    with ElmPeer(tmp_path / "adapter", {0x0C: "0FA0"}):
        async with reading(source) as (got, _):
            await got.until(lambda: got.values(0)[-1:] == [1000.0])
            assert source.health.counters["reopened"] == 1


async def test_an_adapter_that_hangs_is_given_up_and_asked_anew_when_it_works_again(tmp_path: Path) -> None:
    source = ObdSource(spec(tmp_path / "adapter", silent_after_s=1.0), [RPM], Clock())
    with ElmPeer(tmp_path / "adapter", ANSWERS) as peer:
        async with reading(source) as (got, task):
            await got.until(lambda: bool(got.samples))
            child = child_of(source)
            peer.freeze()
            error = await failure(task)
            assert error.retry
            assert "hangs" in str(error)
        assert not alive(child)
        peer.thaw()
        async with supervised(source) as got:
            await got.until(lambda: bool(got.samples), within_s=3 * WITHIN_S)


async def test_a_hanging_adapter_keeps_neither_the_loop_nor_the_end_waiting(tmp_path: Path) -> None:
    source = ObdSource(spec(tmp_path / "adapter", silent_after_s=60), [RPM], Clock())
    with ElmPeer(tmp_path / "adapter", ANSWERS) as peer:
        async with reading(source) as (got, task):
            await got.until(lambda: bool(got.samples))
            child = child_of(source)
            peer.freeze()
            for _ in range(50):  # a loop that is held up for its adapter's patience would not get through these
                await asyncio.sleep(0)
            assert not task.done()
            leaving = asyncio.get_running_loop().time()
        assert asyncio.get_running_loop().time() - leaving < 2.0  # what the daemon has for all of its end
        assert not alive(child)


async def test_a_vehicle_that_stops_answering_is_told_from_a_lost_adapter(tmp_path: Path) -> None:
    source = ObdSource(spec(tmp_path / "adapter", silent_after_s=0.5), [RPM], Clock())
    with ElmPeer(tmp_path / "adapter", ANSWERS) as peer:
        async with reading(source) as (got, task):
            await got.until(lambda: bool(got.samples))
            peer.answer(0x0C, None)
            error = await failure(task)
        assert error.retry
        assert "no answer from the vehicle" in str(error)
        assert source.health.counters["unanswered"] >= 3


async def test_one_parameter_without_answers_leaves_the_others_alone(tmp_path: Path) -> None:
    source = ObdSource(spec(tmp_path / "adapter", silent_after_s=1.0), [RPM, COOLANT], Clock())
    with ElmPeer(tmp_path / "adapter", {**ANSWERS, 0x05: None}) as peer:
        async with reading(source) as (got, task):
            await got.until(lambda: source.health.counters["unanswered"] >= 4)
            assert not task.done()
            assert got.values(1) == []
            peer.answer(0x05, "7B")
            await got.until(lambda: got.values(1)[-1:] == [83.0])


async def test_only_what_the_configuration_allows_is_asked_for(tmp_path: Path) -> None:
    with ElmPeer(tmp_path / "adapter", ANSWERS) as peer:
        async with reading(ObdSource(spec(peer.link), [RPM, COOLANT], Clock())) as (got, _):
            await got.until(lambda: bool(got.values(0)) and bool(got.values(1)))
        asked = peer.asked()
    wanted = {"TEST_0C", "TEST_05"}
    support = {name for name in asked if name.startswith(("ELM_PIDS", "PIDS", "MIDS", "ELM_MIDS"))}
    settings = {name for name in asked if name.startswith("AT_")}
    assert wanted <= asked
    assert asked - wanted - support - settings == set()


CONFIG = {
    "signals.toml": """
[source.plug]
kind = "obd"
port = "@"
baud = 38400
protocol = "6"
allow_requests = true
[signal.rpm]
unit = "rpm"
from = { source = "plug", pid = "RPM" }
[signal.egt]
unit = "degC"
from = { source = "plug", pid = 0x78, field = "sensor_2" }
""",
    "rules.toml": """
[[rule]]
name = "rpm-high"
kind = "threshold"
signal = "rpm"
above = 1700
action = "note"
""",
    "daemon.toml": '[web]\nhost = ""\n',
}


async def test_the_daemon_judges_what_comes_of_it(tmp_path: Path) -> None:
    heard: asyncio.Queue[Condition] = asyncio.Queue()
    with ElmPeer(tmp_path / "adapter", {0x0C: "1AF8", 0x78: "0D1D4C000000000000"}) as peer:
        texts = {name: text.replace("@", str(peer.link)) for name, text in CONFIG.items()}
        app = App(load_texts(texts), None, heard=lambda change, *_: heard.put_nowait(change))
        task = asyncio.create_task(app.run())
        async with asyncio.timeout(2 * WITHIN_S):
            change = await heard.get()
        status = app.status()
        app.stop()
        await task
    assert (change.active, change.value, change.limit) == (True, 1726.0, 1700.0)
    assert {s.name: (s.value, s.quality) for s in status.signals} == {
        "rpm": (1726.0, Quality.GOOD),
        "egt": (pytest.approx(float("nan"), nan_ok=True), Quality.NOT_FITTED),
    }
    assert [(s.name, s.state) for s in status.sources] == [("plug", "running")]


# ------------------------------------------------------------------------------------- with a child of its own


def child(*lines: str, then: str = "sys.stdin.read()") -> list[str]:
    """A child that says these lines and then does that."""
    code = f"import sys\nsys.stdin.readline()\nfor line in {list(lines)!r}: print(line, flush=True)\n{then}"
    return [sys.executable, "-c", code]


HELLO = json.dumps({"hello": "test"})
ANSWER = json.dumps({"pid": 12, "data": "1AF8"})


@pytest.mark.parametrize(
    "garbage",
    [
        "",
        "nothing of the kind",
        "[1, 2]",
        "12",
        "null",
        '{"pid": 12}',
        '{"pid": 5, "data": "7B"}',
        '{"pid": "12", "data": "1AF8"}',
        '{"pid": 12, "data": "1AF"}',
        '{"pid": 12, "data": 7}',
        '{"pid": [12], "data": "1AF8"}',
        '{"pid": 12, "absent": 1}',
        "x" * 100_000,
        "\udcff\udcfe",
    ],
)
async def test_a_line_that_is_none_is_counted_and_survived(garbage: str) -> None:
    said = garbage.encode("utf-8", "surrogateescape")
    lines = f"sys.stdout.buffer.write({said!r} + b'\\n' + {ANSWER.encode()!r} + b'\\n'); sys.stdout.flush()"
    command = child(HELLO, then=f"{lines}\nsys.stdin.read()")
    async with reading(source := ObdSource(spec(Path("none")), [RPM], Clock(), child=command)) as (got, task):
        await got.until(lambda: bool(got.samples))
        assert got.values(0) == [1726.0]
        assert not task.done()
        assert source.health.counters["garbled"] >= 1


async def test_a_child_that_dies_is_told_with_its_last_words() -> None:
    command = child(HELLO, ANSWER, then="raise SystemExit('no more luck')")
    async with reading(ObdSource(spec(Path("none")), [RPM], Clock(), child=command)) as (_, task):
        error = await failure(task)
        assert error.retry
        assert str(error) == "OBD obd: its process ended: no more luck"


async def test_a_child_that_never_connects_is_given_up() -> None:
    command = child("starting up")
    source = ObdSource(spec(Path("none")), [RPM], Clock(), child=command, open_within_s=0.3)
    with pytest.raises(SourceError, match=r"no connection after 0\.3 s") as caught:
        async with source:
            pass
    assert caught.value.retry
    assert source._process is None


async def test_a_child_that_ignores_its_end_is_killed() -> None:
    command = child(HELLO, then="import time\nwhile True: time.sleep(60)")
    async with ObdSource(spec(Path("none")), [RPM], Clock(), child=command) as source:
        pid = child_of(source)
    assert not alive(pid)


async def test_a_child_that_complains_without_end_is_not_held_up() -> None:
    command = child(HELLO, then=f"sys.stderr.write('x' * 1_000_000)\nprint({ANSWER!r}, flush=True)\nsys.stdin.read()")
    async with reading(ObdSource(spec(Path("none")), [RPM], Clock(), child=command)) as (got, _):
        await got.until(lambda: got.values(0) == [1726.0])


async def test_without_the_library_it_ends_for_good_and_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "obd.py").write_text("raise ModuleNotFoundError(\"No module named 'obd'\")\n", encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    source = ObdSource(spec(tmp_path / "adapter"), [RPM], Clock())
    async with asyncio.timeout(WITHIN_S):
        await supervise(source, Collected())
    assert source.health.state == "ended"
    assert "pip install 'uphaul[obd]'" in source.health.problem


async def test_the_child_ends_when_the_daemon_dies(tmp_path: Path) -> None:
    code = """
import asyncio, os, sys
from uphaul.app import App
from uphaul.clock import Clock
from uphaul.config import load_texts
from uphaul.config.spec import Input, ObdSpec
from uphaul.sources.obd import ObdSource
async def main():
    source = ObdSource(ObdSpec("obd", sys.argv[1], 38400, "6"), [(0, Input("rpm", "obd", "0x0C", "value"))], Clock())
    async with source:
        print(source._process.pid, flush=True)
        await source.read(lambda samples: None)
asyncio.run(main())
"""
    with ElmPeer(tmp_path / "adapter", ANSWERS) as peer:
        daemon = await asyncio.create_subprocess_exec(
            sys.executable, "-c", code, str(peer.link), stdout=asyncio.subprocess.PIPE
        )
        assert daemon.stdout is not None
        pid = int(await daemon.stdout.readline())
        assert alive(pid)
        daemon.kill()
        await daemon.wait()
        await gone(pid)


# --------------------------------------------------------------------------------------------- before any of it


async def test_it_tells_the_journal_what_it_is_about_to_send(caplog: pytest.LogCaptureFixture) -> None:
    source = ObdSource(spec(Path("none")), [RPM, COOLANT], Clock(), child=child(HELLO))
    with caplog.at_level(logging.WARNING):
        for _ in range(2):
            async with source:
                pass
    assert [r.getMessage() for r in caplog.records] == [
        "OBD obd sends requests on the vehicle's bus, as the configuration allows: 0x0C every 0.05 s, 0x05 every 0.5 s"
    ]


async def test_of_two_signals_of_one_parameter_the_faster_sets_the_rate(caplog: pytest.LogCaptureFixture) -> None:
    inputs = [
        (0, Input("egt", "obd", "0x78", "sensor_1", every_s=1.0)),
        (1, Input("egt_2", "obd", "0x78", "sensor_2", every_s=0.5)),
    ]
    with caplog.at_level(logging.WARNING):
        async with ObdSource(spec(Path("none")), inputs, Clock(), child=child(HELLO)):
            pass
    assert caplog.records[0].getMessage().endswith(": 0x78 every 0.5 s")


async def test_a_source_that_nothing_comes_from_asks_nothing() -> None:
    with pytest.raises(SourceError, match="nothing to ask") as caught:
        async with ObdSource(spec(Path("none")), [], Clock()):
            pass
    assert not caught.value.retry


@pytest.mark.parametrize(("pid", "field"), [("0xFF", "value"), ("0x0C", "sensor_1")])
async def test_an_unknown_parameter_or_field_shows_before_anything_is_started(pid: str, field: str) -> None:
    with pytest.raises(ConfigError, match=pid):
        ObdSource(spec(Path("none")), [(0, Input("x", "obd", pid, field))], Clock())


async def test_neither_the_source_nor_the_check_of_its_configuration_loads_the_library() -> None:
    code = "import sys, uphaul.sources.obd, uphaul.config.obd, uphaul.sources.obd_child; "
    code += "sys.exit(bool({'obd', 'pint', 'serial'} & set(sys.modules)))"
    process = await asyncio.create_subprocess_exec(sys.executable, "-c", code, env={**os.environ})
    assert await process.wait() == 0
