"""``uphaul calibrate``: two points of a live input against a reference, kept in calibration.toml."""

from __future__ import annotations

import asyncio
import datetime
import os
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

import click

from uphaul.cli import text
from uphaul.errors import UphaulError

if TYPE_CHECKING:
    from uphaul.config.spec import Calibration, Config
    from uphaul.signals import Signal
    from uphaul.signals.calibration import Point

__all__ = ["command"]

FIRST_WITHIN_S = 20.0
"""An input that has told no value for so long is not there: an OBD adapter takes ten seconds to find its bus."""
LEAST_READINGS = 10
"""Fewer readings tell no noise. Common practice."""


@click.command()
@click.argument("name", metavar="SIGNAL")
@click.option(
    "--config",
    "directory",
    required=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Directory with signals.toml and the rest; calibration.toml is written there.",
)
@click.option("--low", required=True, type=float, help="What the reference says at the lower point, in the unit.")
@click.option("--high", required=True, type=float, help="What it says at the higher point.")
@click.option("--by", help="Who calibrates; asked for if left out.")
@click.option("--instrument", help="The reference instrument; asked for if left out.")
@click.option(
    "--seconds", default=10.0, show_default=True, type=click.FloatRange(1, 120), help="How long a point is read."
)
def command(
    *, name: str, directory: Path, low: float, high: float, by: str | None, instrument: str | None, seconds: float
) -> None:
    """Calibrate SIGNAL at two points that a reference tells.

    Bring the input to each point, press Enter, and hold it while it is read. What was found is shown before it is
    written. The sensor's own table stays as it is; the entry in calibration.toml comes after it, and older entries of
    the signal are kept. Other programs must leave the source alone meanwhile if it can be opened only once.
    """
    from uphaul.config import load
    from uphaul.signals.calibration import check_references, two_point

    for word, value in (("--low", low), ("--high", high)):
        if not isfinite(value):
            raise click.BadParameter("must be a number", param_hint=word)
    config = load(directory, calibrated=False)
    signal = _signal(config, name)
    span = signal.high - signal.low if isfinite(signal.high - signal.low) else None
    check_references(low, high, span, signal.unit)
    by = by or click.prompt("Who calibrates")
    instrument = instrument or click.prompt("What tells the reference values")
    points = [_point(config, signal, at, (low, high), seconds) for at in (low, high)]
    factor, offset = two_point(points[0], points[1], span, signal.unit)
    entry = _entry(config, signal, points, (factor, offset), (by, instrument))
    click.echo(f"{name}: value = reading * {factor:.6g} {_signed(offset)} {signal.unit}")
    if not click.confirm(f"Write this to {directory / 'calibration.toml'}?", default=True):
        click.echo("Nothing was written.")
        return
    path = _write(config, directory, entry)
    click.echo(f"{path} has it. A daemon that runs takes it when it is started anew.")


def _signal(config: Config, name: str) -> Signal:
    """The signal, if it can be calibrated. Raises UphaulError."""
    from uphaul.config.calibration import refusal
    from uphaul.config.problems import nearest

    signal = next((s for s in config.signals if s.name == name), None)
    origin = next((i for i in config.inputs if i.signal == name), None)
    why = refusal(signal, origin, config.sources)
    if why or signal is None:
        near = nearest(name, [i.signal for i in config.inputs]) if signal is None else None
        raise UphaulError(f"{name}: {why}" + (f". Did you mean {near!r}?" if near else ""))
    return signal


def _signed(offset: float) -> str:
    return f"{'-' if offset < 0 else '+'} {abs(offset):.6g}"


# ------------------------------------------------------------------------------------------------------ points


def _point(config: Config, signal: Signal, reference: float, both: tuple[float, float], seconds: float) -> Point:
    """One point, read as often as the person wants to. Raises UphaulError when it is given up."""
    from uphaul.signals.calibration import check_noise

    while True:
        click.prompt(
            f"Bring {signal.name} to {reference:g} {signal.unit}, let it settle, then press Enter",
            default="",
            show_default=False,
            prompt_suffix=" ",
        )
        click.echo(f"Reading for {seconds:g} s ...")
        try:
            point = asyncio.run(_measure(config, signal, reference, seconds))
            told = f"read {text.number(point.reading, signal.unit)}, noise {point.noise:.3g} {signal.unit}"
            check_noise(point, *both, signal.unit)
        except UphaulError as error:
            click.echo(f"uphaul: {error}", err=True)
            if not click.confirm("Read this point again?", default=True):
                raise
            continue
        click.echo(f"At {reference:g} {signal.unit} it {told}")
        return point


async def _measure(config: Config, signal: Signal, reference: float, seconds: float) -> Point:
    """The mean of `seconds` of readings. Raises UphaulError where there is no steady value."""
    from uphaul.clock import Clock
    from uphaul.signals.calibration import CalibrationError, Point
    from uphaul.sources.watch import Watch

    watch = Watch(config, Clock(), only=signal.name, window_s=seconds)
    async with watch.running():
        try:
            async with asyncio.timeout(FIRST_WITHIN_S):
                while (newest := watch.newest(signal.name)) is None or not newest.quality.known:
                    await watch.more()
        except TimeoutError:
            newest = watch.newest(signal.name)
            why = watch.source_of(signal.name).health.problem or (newest.quality.words if newest else "nothing is read")
            raise CalibrationError(f"{signal.name} has no value: {why}") from None
        watch.forget()
        await asyncio.sleep(seconds)
        found = watch.summary(signal.name)
    if found.bad:
        raise CalibrationError(
            f"{found.bad} of {found.good + found.bad} readings had no value: look at the wiring with `uphaul sensors`"
        )
    if found.saturated:
        raise CalibrationError("the reading is saturated, at an end of what the sensor can tell: take another point")
    if found.mean is None or found.noise is None or found.good < LEAST_READINGS:
        raise CalibrationError(
            f"only {found.good} readings in {seconds:g} s: {LEAST_READINGS} are needed, so read for longer (--seconds)"
        )
    return Point(found.mean, reference, found.noise)


# ----------------------------------------------------------------------------------------------------- writing


def _entry(
    config: Config, signal: Signal, points: list[Point], line: tuple[float, float], who: tuple[str, str]
) -> Calibration:
    from uphaul.config.calibration import place_of
    from uphaul.config.spec import Calibration

    origin = next(i for i in config.inputs if i.signal == signal.name)
    now = datetime.datetime.now(datetime.UTC).astimezone()
    by, instrument = who
    return Calibration(
        signal=signal.name,
        unit=signal.unit,
        input=place_of(origin),
        date=now.isoformat(timespec="seconds"),
        by=by,
        instrument=instrument,
        low=points[0],
        high=points[1],
        factor=line[0],
        offset=line[1],
    )


def _write(config: Config, directory: Path, entry: Calibration) -> Path:
    """Put the entry behind those that are there, whole or not at all. Raises UphaulError."""
    from uphaul.config import load_texts
    from uphaul.config.calibration import CALIBRATION, HEAD, entry_text

    texts = dict(config.files)
    whole = texts.get(CALIBRATION, HEAD).rstrip("\n") + "\n" + entry_text(entry)
    load_texts({**texts, CALIBRATION: whole})  # what is written can be read, or the person is told now
    path = directory / CALIBRATION
    new = directory / f".{CALIBRATION}.new"
    try:
        with new.open("w", encoding="utf-8") as file:
            file.write(whole)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError as error:
        raise UphaulError(f"{path}: cannot be written: {error.strerror or error}") from error
    return path
