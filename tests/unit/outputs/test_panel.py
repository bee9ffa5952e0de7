"""The panel on a chip at the library's seam: acts reach the collector, a chip may go, and the end is silence."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import sys
import threading
import time
from collections.abc import AsyncIterator
from typing import Any

import gpiod
import pytest
from gpiod import line

from support.config_files import config_of
from support.gpio_panel import DEADLINE_S, Chip
from uphaul.alerts import State
from uphaul.alerts.lifecycle import Alert
from uphaul.analysis.field_check import News, NewsKind
from uphaul.config.spec import Config, PanelSpec
from uphaul.hub import Hub
from uphaul.outputs.panel import STUCK, Panel, play_trial
from uphaul.outputs.panel_lines import PanelError, open_lines
from uphaul.outputs.panel_sounds import PROMPTS
from uphaul.people import People
from uphaul.rules import Action
from uphaul.signals import Collector, Event, EventKind
from uphaul.status import AlertView, Moment, Sound

BUZZER, LAMP, BUTTON = 17, "LAMP", 22
SPEC = PanelSpec("/dev/gpiochip-none", BUZZER, LAMP, BUTTON)
MS = 1_000_000
DARK = {BUZZER: False, LAMP: False}


class Clock:
    """CLOCK_MONOTONIC as it was at the beginning, and `ahead_ms` later: it moves only when the test moves it."""

    def __init__(self) -> None:
        self._begun_ns = time.monotonic_ns()
        self.ahead_ms = 0

    def __call__(self) -> int:
        return self._begun_ns + self.ahead_ms * MS


class Heard(Collector):
    """Says that an event came."""

    came: asyncio.Event

    def event(self, kind: EventKind, **more: Any) -> None:
        super().event(kind, **more)
        self.came.set()


class Bench:
    """A panel with what it hangs on."""

    def __init__(self, spec: PanelSpec, **more: Any) -> None:
        self.config: Config = config_of()
        self.collector = Heard(self.config.signals, self.config.tunes)
        self.collector.came = asyncio.Event()
        self.alerts: list[Alert] = []
        self.asked = asyncio.Event()
        self.people = People(self.config, self.collector, self.standing)
        self.hub: Hub[Moment] = Hub()
        self.clock = Clock()
        self.panel = Panel(
            spec, self.people, monotonic_ns=self.clock, first_delay_s=0.001, longest_delay_s=0.004, **more
        )

    def standing(self) -> list[Alert]:
        """What there is to quiet; notes that it was asked for."""
        self.asked.set()
        return self.alerts

    def tell(self, *standing: AlertView, sound: Action | None = None, check: NewsKind | None = None) -> None:
        call = None if sound is None else Sound(1, sound, sound.word)
        news = () if check is None else (News(0, check, "pull", "", "words"),)
        self.hub.publish(Moment(0, "", 1, 0, None, (), (), standing=standing, sound=call, news=news))

    async def event(self) -> Event:
        """The one event that reached the collector, when it has."""
        async with asyncio.timeout(DEADLINE_S):
            await self.collector.came.wait()
        self.collector.came.clear()
        (event,) = self.collector.collect(0.0).events
        return event


@contextlib.asynccontextmanager
async def running(bench: Bench) -> AsyncIterator[asyncio.Task[None]]:
    task = asyncio.create_task(bench.panel.run(bench.hub.subscribe(100)), name="panel")
    await asyncio.sleep(0)
    try:
        yield task
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def until(chip: Chip, what: Any) -> None:
    await asyncio.to_thread(chip.until, what)


@pytest.fixture
def chip(monkeypatch: pytest.MonkeyPatch) -> Chip:
    made = Chip()
    monkeypatch.setattr(gpiod, "request_lines", made.request_lines)
    return made


def alert(action: Action, state: State = State.UNACKNOWLEDGED) -> AlertView:
    return AlertView(action.word, action, state, "say", "m", 1.0, 0.0, "kPa", 1.0)


def unseen(bench: Bench) -> None:
    rule = bench.config.rules[0]
    bench.alerts = [Alert(rule, State.UNACKNOWLEDGED, active=True, raises=3)]


# --------------------------------------------------------------------------------------------------------- lines


@pytest.mark.asyncio
async def test_it_tests_itself_and_both_are_off_when_it_ends(chip: Chip) -> None:
    bench = Bench(SPEC)
    async with running(bench):
        await until(chip, lambda: {BUZZER: True, LAMP: True} in chip.changes)
        assert bench.panel.health.state == "running"
    assert chip.levels == DARK
    assert chip.requests[0].released
    assert bench.panel.health.state == "ended"
    assert [t.name for t in threading.enumerate() if t.name == "panel"] == []
    assert bench.collector.collect(0.0).events == ()  # a test is no alert


@pytest.mark.asyncio
async def test_it_ends_with_the_hub_and_leaves_both_off(chip: Chip) -> None:
    bench = Bench(SPEC)
    async with running(bench) as task:
        bench.tell(alert(Action.STOP), sound=Action.STOP)
        await until(chip, lambda: chip.levels == {BUZZER: True, LAMP: True})
        bench.hub.close()
        async with asyncio.timeout(DEADLINE_S):
            await task
    assert chip.levels == DARK


@pytest.mark.asyncio
async def test_a_call_ends_when_the_alert_was_seen(chip: Chip) -> None:
    bench = Bench(SPEC)
    async with running(bench):
        bench.tell(alert(Action.STOP), sound=Action.STOP)
        await until(chip, lambda: chip.levels == {BUZZER: True, LAMP: True})
        bench.tell(alert(Action.STOP, State.ACKNOWLEDGED))
        await until(chip, lambda: chip.levels == {BUZZER: False, LAMP: True})


@pytest.mark.asyncio
async def test_a_prompt_of_a_field_check_reaches_the_lines_and_ends_with_both_off(chip: Chip) -> None:
    bench = Bench(SPEC)
    async with running(bench):
        await until(chip, lambda: {BUZZER: True, LAMP: True} in chip.changes)  # the test at the start
        bench.clock.ahead_ms += 1500
        chip.kick()
        await until(chip, lambda: chip.levels == DARK)
        bench.tell(check=NewsKind.PASSED)
        await until(chip, lambda: chip.levels == {BUZZER: True, LAMP: True})
        bench.clock.ahead_ms += 50  # between two of its quick ticks the lamp stays lit
        chip.kick()
        await until(chip, lambda: chip.levels == {BUZZER: False, LAMP: True})
        bench.clock.ahead_ms += PROMPTS[NewsKind.PASSED].total_ms
        chip.kick()
        await until(chip, lambda: chip.levels == DARK)


@pytest.mark.asyncio
async def test_ticks_that_stop_are_told(chip: Chip) -> None:
    bench = Bench(SPEC)
    async with running(bench):
        bench.tell()
        await until(chip, lambda: {BUZZER: True, LAMP: True} in chip.changes)
        bench.clock.ahead_ms = 1_990
        chip.kick()
        await until(chip, lambda: chip.levels == DARK)
        bench.clock.ahead_ms = 2_010
        chip.kick()
        await until(chip, lambda: chip.levels == {BUZZER: True, LAMP: True})
        bench.clock.ahead_ms = 7_010  # between two double flashes
        chip.kick()
        await until(chip, lambda: chip.levels == DARK)
        bench.tell(alert(Action.NOTE, State.ACKNOWLEDGED))
        await until(chip, lambda: chip.levels == {BUZZER: False, LAMP: True})  # news: the lamp shows what stands


@pytest.mark.asyncio
async def test_ticks_that_stop_are_told_also_where_the_event_loop_is_what_holds_them_up(chip: Chip) -> None:
    bench = Bench(SPEC)
    async with running(bench):
        bench.tell()
        await until(chip, lambda: chip.changes)
        bench.clock.ahead_ms = 1_500  # past the test
        chip.kick()
        await until(chip, lambda: chip.levels == DARK)
        bench.clock.ahead_ms = 2_010
        chip.kick()
        chip.until(lambda: chip.levels[BUZZER])  # not awaited: nothing else runs on the loop meanwhile


@pytest.mark.asyncio
async def test_a_part_that_is_not_fitted_is_not_asked_for(chip: Chip) -> None:
    bench = Bench(PanelSpec("/dev/gpiochip-none", lamp=LAMP, lamp_active_low=True))
    async with running(bench):
        await until(chip, lambda: {LAMP: True} in chip.changes)
    assert chip.levels == {LAMP: False}
    ((_, lines, _),) = chip.asked
    assert list(lines) == [LAMP]
    assert lines[LAMP].active_low


@pytest.mark.parametrize(
    ("bias", "asked"),
    [
        ("as-is", line.Bias.AS_IS),
        ("disabled", line.Bias.DISABLED),
        ("pull-up", line.Bias.PULL_UP),
        ("pull-down", line.Bias.PULL_DOWN),
    ],
)
def test_what_the_kernel_is_asked_for(chip: Chip, bias: str, asked: line.Bias) -> None:
    open_lines(PanelSpec("/dev/gpiochip-none", BUZZER, LAMP, BUTTON, buzzer_active_low=True, button_bias=bias)).close()
    ((path, lines, more),) = chip.asked
    assert (path, list(lines), more["consumer"]) == ("/dev/gpiochip-none", [BUZZER, LAMP, BUTTON], "uphaul")
    for each in (BUZZER, LAMP):
        assert (lines[each].direction, lines[each].output_value) == (line.Direction.OUTPUT, line.Value.INACTIVE)
    assert (lines[BUZZER].active_low, lines[LAMP].active_low) == (True, False)
    button = lines[BUTTON]
    assert (button.direction, button.edge_detection) == (line.Direction.INPUT, line.Edge.BOTH)
    assert (button.active_low, button.bias, button.event_clock) == (True, asked, line.Clock.MONOTONIC)


# -------------------------------------------------------------------------------------------------------- button


@pytest.mark.asyncio
async def test_a_short_press_quiets_what_nobody_has_seen(chip: Chip) -> None:
    bench = Bench(SPEC)
    unseen(bench)
    async with running(bench):
        await until(chip, lambda: chip.changes)
        bench.clock.ahead_ms = 1_500
        now = bench.clock()
        chip.press((True, now - 500 * MS), (False, now - 300 * MS))
        event = await bench.event()
    assert (event.kind, event.rule, event.raise_number) == (EventKind.ACKNOWLEDGE, bench.config.rules[0].name, 3)
    assert event.actor == "button"


@pytest.mark.asyncio
async def test_a_long_press_marks_at_once_and_is_confirmed(chip: Chip) -> None:
    bench = Bench(SPEC)
    async with running(bench):
        await until(chip, lambda: chip.changes)
        bench.clock.ahead_ms = 1_500  # past the test
        chip.kick()
        await until(chip, lambda: chip.levels == DARK)
        before = len(chip.changes)
        chip.press((True, bench.clock() - 801 * MS))  # and still held
        event = await bench.event()
        assert (event.kind, event.actor) == (EventKind.MARK, "button")
        bench.clock.ahead_ms += 130
        chip.kick()
        await until(chip, lambda: {BUZZER: True, LAMP: True} in chip.changes[before:])


@pytest.mark.asyncio
async def test_a_press_that_finds_nothing_to_quiet_is_answered_by_a_tick(chip: Chip) -> None:
    bench = Bench(SPEC)
    async with running(bench):
        await until(chip, lambda: chip.changes)
        bench.clock.ahead_ms = 600
        chip.kick()
        await until(chip, lambda: chip.levels == {BUZZER: False, LAMP: True})  # the test's tone is over
        now, before = bench.clock(), len(chip.changes)
        chip.press((True, now - 500 * MS), (False, now - 300 * MS))
        async with asyncio.timeout(DEADLINE_S):
            await bench.asked.wait()
        bench.clock.ahead_ms += 130
        chip.kick()
        await until(chip, lambda: {BUZZER: True, LAMP: True} in chip.changes[before:])
        assert bench.collector.collect(0.0).events == ()


@pytest.mark.asyncio
async def test_a_button_that_is_stuck_is_a_problem_and_one_mark(chip: Chip) -> None:
    bench = Bench(SPEC)
    async with running(bench):
        await until(chip, lambda: chip.changes)
        now = bench.clock()
        chip.press((True, now))
        bench.clock.ahead_ms += 30_000
        chip.kick()
        await until(chip, lambda: bench.panel.health.problem == STUCK)
        assert bench.panel.health.state == "running"
        assert (await bench.event()).kind is EventKind.MARK
        chip.press((False, bench.clock()))
        bench.clock.ahead_ms += 6_000
        chip.kick()
        await until(chip, lambda: bench.panel.health.problem == "")
        assert bench.collector.collect(0.0).events == ()


# ------------------------------------------------------------------------------------------------- chips that go


@pytest.mark.asyncio
async def test_a_chip_that_is_not_there_is_told_once_and_tried_again(
    chip: Chip, caplog: pytest.LogCaptureFixture
) -> None:
    chip.there = False
    bench = Bench(SPEC)
    with caplog.at_level(logging.WARNING, "uphaul.panel"):
        async with running(bench):
            await until(chip, lambda: chip.tries >= 5)
            assert bench.panel.health.state in ("waiting", "starting")
            assert "lines 17, LAMP, 22 of /dev/gpiochip-none cannot be had: No such file" in bench.panel.health.problem
            assert len(caplog.records) == 1
            chip.there = True
            await until(chip, lambda: {BUZZER: True, LAMP: True} in chip.changes)  # the test
            assert (bench.panel.health.state, bench.panel.health.problem) == ("running", "")
            assert bench.panel.health.restarts >= 4
    assert [r.getMessage().partition(".")[0] for r in caplog.records][1:] == [
        "the panel on /dev/gpiochip-none is there now"
    ]
    assert chip.levels == DARK


@pytest.mark.asyncio
async def test_a_chip_that_vanishes_is_opened_again_and_plays_what_was_told_meanwhile(chip: Chip) -> None:
    bench = Bench(SPEC)
    async with running(bench):
        await until(chip, lambda: chip.changes)
        bench.clock.ahead_ms = 1_500  # past the test, which is not made again
        chip.there = False
        chip.kick()
        await until(chip, lambda: chip.tries >= 3 and bench.panel.health.state == "waiting")
        assert chip.requests[0].released
        chip.changes.clear()
        bench.tell(alert(Action.STOP), sound=Action.STOP)
        chip.there = True
        await until(chip, lambda: {BUZZER: True, LAMP: True} in chip.changes)
        assert len(chip.requests) == 2


@pytest.mark.asyncio
async def test_a_second_of_no_chip_is_not_followed_by_another_test(chip: Chip) -> None:
    bench = Bench(SPEC)
    async with running(bench):
        await until(chip, lambda: chip.changes)
        bench.clock.ahead_ms = 1_500
        chip.there = False
        chip.kick()
        await until(chip, lambda: chip.tries >= 2)
        chip.changes.clear()
        chip.there = True
        await until(chip, lambda: chip.changes)
        assert chip.changes[0] == DARK


@pytest.mark.asyncio
async def test_lines_that_another_program_has_are_named(chip: Chip) -> None:
    chip.busy = True
    bench = Bench(SPEC)
    async with running(bench):
        await until(chip, lambda: chip.tries >= 2)
        assert "another program has one of them" in bench.panel.health.problem


@pytest.mark.asyncio
async def test_without_the_library_the_panel_ends_and_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "gpiod", None)
    bench = Bench(SPEC)
    async with running(bench) as task, asyncio.timeout(DEADLINE_S):
        await task  # returns: nothing else ends with it
    assert bench.panel.health.state == "ended"
    assert "pip install 'uphaul[gpio]'" in bench.panel.health.problem
    assert bench.hub.subscriptions == ()


@pytest.mark.asyncio
async def test_what_is_unexpected_goes_up(chip: Chip) -> None:
    def broken(_: PanelSpec) -> Any:
        raise ZeroDivisionError

    bench = Bench(SPEC, open_lines=broken)
    async with running(bench) as task, asyncio.timeout(DEADLINE_S):
        with pytest.raises(ZeroDivisionError):
            await task


def test_a_line_that_no_chip_has_is_not_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    def request_lines(*_: Any, **__: Any) -> None:
        raise ValueError("unknown line name: LAMP")

    monkeypatch.setattr(gpiod, "request_lines", request_lines)
    with pytest.raises(PanelError, match="unknown line name: LAMP") as caught:
        open_lines(SPEC)
    assert not caught.value.retry


# ---------------------------------------------------------------------------------------------------------- trial


def test_a_trial_plays_and_leaves_both_off(chip: Chip) -> None:
    waited: list[float] = []
    play_trial(SPEC, "stop", wait=waited.append)
    assert sum(waited) == pytest.approx(6.0)
    assert {BUZZER: True, LAMP: True} in chip.changes
    assert chip.levels == DARK
    assert chip.requests[0].released


def test_a_trial_that_is_broken_off_leaves_both_off(chip: Chip) -> None:
    def ctrl_c(_: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        play_trial(SPEC, "stop", wait=ctrl_c)
    assert chip.levels == DARK
