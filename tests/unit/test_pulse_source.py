"""What the pulse source asks of the GPIO library and of the kernel's counter files, and when its samples were taken."""

from __future__ import annotations

import asyncio
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import gpiod
import pytest
from gpiod import line

from support.collected import WITHIN_S, reading
from support.gpio_line import GpioLine
from support.pulse_train import NS, at_speed
from support.stepped_clock import SteppedClock
from uphaul.clock import Clock
from uphaul.config.spec import Input, PulseSpec
from uphaul.errors import SourceError
from uphaul.signals import Quality
from uphaul.signals.pulse import PulseWheel
from uphaul.sources.pulse import PulseSource, open_line

WHEEL = PulseWheel.crank(60, 2, lowest_rpm=60, highest_rpm=5000)
SPEC = PulseSpec("crank", WHEEL, chip="/dev/gpiochip-none", line=17)
INPUTS = [(3, Input("rpm", "crank", "", "rpm"))]


@pytest.mark.asyncio
async def test_a_sample_is_as_old_as_its_last_edge() -> None:
    edges = at_speed(1800.0, 0.5, per_turn=60, missing=2, teeth=60)
    clock = SteppedClock(10_000.0)
    edge_line = GpioLine(edges, clock.now_ns, lambda: True)
    clock.move(530.0)
    source = PulseSource(SPEC, INPUTS, clock, open_line=lambda _: edge_line, monotonic_ns=clock.now_ns)
    async with reading(source) as (got, _):
        await got.until(lambda: bool(got.samples))
    first = got.samples[0]
    assert (first.signal, first.quality) == (3, Quality.GOOD)
    assert first.value == pytest.approx(1800.0, abs=0.01)
    assert first.t_ms == pytest.approx(edges[-1] / NS * 1000)
    assert source.health.counters["edges"] == len(edges)
    # f = rpm teeth / 60, definition: 1800 rpm of 60 teeth are 1800 Hz
    assert source.readings()["rpm"].value == pytest.approx(1800.0, abs=0.01)
    assert source.readings()["rpm"].unit == "Hz"


def test_a_chip_that_is_not_there_may_come() -> None:
    with pytest.raises(SourceError, match=r"line 17 of /dev/gpiochip-none cannot be had: No such file") as caught:
        open_line(SPEC)
    assert caught.value.retry


def test_a_file_that_is_no_chip_is_named() -> None:
    with pytest.raises(SourceError, match=r"line 17 of /dev/null cannot be had"):
        open_line(replace(SPEC, chip="/dev/null"))


def test_without_the_library_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "gpiod", None)
    with pytest.raises(SourceError, match=r"pip install 'uphaul\[gpio\]'") as caught:
        open_line(SPEC)
    assert not caught.value.retry


@pytest.mark.parametrize(
    ("edge", "bias", "asked_edge", "asked_bias"),
    [
        ("rising", "as-is", line.Edge.RISING, line.Bias.AS_IS),
        ("falling", "pull-up", line.Edge.FALLING, line.Bias.PULL_UP),
        ("rising", "pull-down", line.Edge.RISING, line.Bias.PULL_DOWN),
        ("rising", "disabled", line.Edge.RISING, line.Bias.DISABLED),
    ],
)
def test_what_the_kernel_is_asked_for(
    monkeypatch: pytest.MonkeyPatch, edge: str, bias: str, asked_edge: line.Edge, asked_bias: line.Bias
) -> None:
    asked: dict[str, Any] = {}

    def request_lines(path: str, config: dict[str, gpiod.LineSettings], **more: Any) -> None:
        asked.update(path=path, lines=config, **more)

    monkeypatch.setattr(gpiod, "request_lines", request_lines)
    open_line(replace(SPEC, line="W", edge=edge, bias=bias))
    settings = asked["lines"].pop("W")
    assert (asked["path"], asked["lines"]) == ("/dev/gpiochip-none", {})
    assert (settings.direction, settings.edge_detection) == (line.Direction.INPUT, asked_edge)
    assert (settings.bias, settings.event_clock) == (asked_bias, line.Clock.MONOTONIC)
    assert settings.debounce_period == timedelta(0)
    assert asked["event_buffer_size"] == 1024


def test_a_line_that_no_chip_has_is_not_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    def request_lines(*_: Any, **__: Any) -> None:
        raise ValueError("unknown line name: W")

    monkeypatch.setattr(gpiod, "request_lines", request_lines)
    with pytest.raises(SourceError, match="unknown line name: W") as caught:
        open_line(replace(SPEC, line="W"))
    assert not caught.value.retry


@pytest.mark.parametrize(
    ("files", "counter", "why"),
    [
        ({}, "counter0/count0", "no counter counter0 under"),
        ({"counter0/name": "timer\n"}, "quadrature/count0", "no counter quadrature under"),
        ({"counter0/name": "timer\n"}, "timer/count0", "counter timer has no count0"),
        ({"counter0/count0/enable": "0\n"}, "counter0/count0", "the counter is switched off: .*enable must say 1"),
    ],
)
@pytest.mark.asyncio
async def test_a_counter_that_cannot_be_had_is_tried_again(
    tmp_path: Path, files: dict[str, str], counter: str, why: str
) -> None:
    for name, text in files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text, encoding="ascii")
    source = PulseSource(replace(SPEC, counter=counter, folder=str(tmp_path)), INPUTS, Clock())
    with pytest.raises(SourceError, match=why) as caught:
        await source.__aenter__()
    assert caught.value.retry


@pytest.mark.parametrize(("ceiling", "passes"), [("65535\n", True), (None, False)])
@pytest.mark.asyncio
async def test_a_counter_wraps_where_it_says(tmp_path: Path, ceiling: str | None, passes: bool) -> None:
    # without a ceiling a count that falls back was set, not wrapped: the measurement begins anew
    count = tmp_path / "counter0" / "count0"
    count.mkdir(parents=True)
    if ceiling is not None:
        (count / "ceiling").write_text(ceiling, encoding="ascii")

    def show() -> None:  # 2,900 edges a second: 3,000 rpm on 58 teeth
        (count / "count").write_text(f"{(65_000 + round(2.9 * clock.t_ms)) % 65_536}\n", encoding="ascii")

    clock = SteppedClock(1_000.0, moved=show)
    show()
    spec = replace(SPEC, counter="counter0/count0", folder=str(tmp_path), gate_ms=250)
    source = PulseSource(spec, INPUTS, clock, monotonic_ns=clock.now_ns)
    async with reading(source) as (got, _), asyncio.timeout(WITHIN_S):
        await clock.ended.wait()
    assert got.values(3) == pytest.approx([3000.0] * len(got.samples), abs=4.2)  # one count of 725
    assert len(got.samples) >= 9
    assert source.health.counters["restarts"] == (not passes)
