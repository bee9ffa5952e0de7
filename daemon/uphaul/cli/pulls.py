"""``uphaul pulls``: the full-load pulls of a drive, with power and torque at the wheels and their uncertainty."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from uphaul.cli import text
from uphaul.errors import LogError, UphaulError

if TYPE_CHECKING:
    from uphaul.analysis.pull_spread import Corrected, Spread
    from uphaul.analysis.pulls import Pull, PullCurve
    from uphaul.vehicle.model import Vehicle

__all__ = ["command"]

PLOTS = ("svg", "html")


@click.command()
@click.argument("log", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--drive", type=int, metavar="N", help="The drive; the last one by default.")
@click.option(
    "--config",
    "directory",
    type=click.Path(file_okay=False, exists=True, path_type=Path),
    metavar="DIR",
    help="Take build sheet and tunes from here instead of from the log.",
)
@click.option(
    "--correct",
    type=click.Choice(["iso1585", "r85"]),
    help="Correct to standard air by ISO 1585:1992 or UN R85; by default nothing is corrected.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of tables.")
@click.option(
    "--plot",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE.svg|html",
    help="Draw power and torque over engine speed (extra `workshop`); a file that is there is written over.",
)
def command(
    log: Path, *, drive: int | None, directory: Path | None, correct: str | None, as_json: bool, plot: Path | None
) -> None:
    """Find the full-load pulls of a drive in LOG: power and torque at the wheels, boost, exhaust, mixture, slip.

    A pull is full pedal in one gear while the engine gains 500 rpm. Power is estimated from the acceleration and the
    road load of the build sheet; ± is a half width of some 95 %. A road estimate is no dynamometer run: what it can't
    know is told with it.
    """
    from uphaul.analysis.pull_spread import spread
    from uphaul.analysis.pulls import WHAT_A_ROAD_CANT_KNOW, find_pulls
    from uphaul.config import load, load_texts
    from uphaul.log.drives import log_parts, pick_drive
    from uphaul.log.joined import joined
    from uphaul.log.reader import Log

    kind = "" if plot is None else plot.suffix.lower().removeprefix(".")
    if plot is not None and kind not in PLOTS:
        raise click.UsageError(f"--plot {plot}: must end in .svg or .html")
    with Log.open(log) as file:
        number = pick_drive(file, drive)
        parts = log_parts(file, number)
        if not parts:
            raise LogError(f"{file.path}: drive {number} has no tick yet")
        label = f"{file.path} drive {number}"
        whole = joined(parts, label)
        if directory is not None:
            vehicle = load(directory, check_inputs=False).vehicle
        else:
            vehicle = load_texts(dict(parts[-1].files), label=label, check_inputs=False).vehicle
    pulls = find_pulls(whole, vehicle.sheet, vehicle.tunes)
    fixed = [_correct(pull, vehicle, correct) for pull in pulls]
    curves = [pull.curve if c is None or isinstance(c, str) else c.curve for pull, c in zip(pulls, fixed, strict=True)]
    groups = spread(pulls)
    edition = next((f", corrected by {c.edition}" for c in fixed if c is not None and not isinstance(c, str)), "")
    if plot is not None:
        _draw(plot, kind, f"{label}{edition}", pulls, curves)
    if as_json:
        made = {
            "file": str(log),
            "drive": number,
            "pulls": [
                {**asdict(p), "missing": dict(p.missing), "corrected": _fixed(c)}
                for p, c in zip(pulls, fixed, strict=True)
            ],
            "spread": [asdict(g) for g in groups],
            "cant_know": list(WHAT_A_ROAD_CANT_KNOW),
        }
        click.echo(json.dumps(_plain(made), ensure_ascii=False, indent=1, allow_nan=False))
        return
    _print(f"{label}: full-load pulls, at the wheels{edition}, ± some 95 %", pulls, curves, int(whole.t_ms[0]))
    _print_notes(pulls, fixed)
    _print_spread(groups)
    if pulls:
        click.echo("\nWhat a road estimate can't know:")
        for sentence in WHAT_A_ROAD_CANT_KNOW:
            click.echo(f"  {sentence}")


def _correct(pull: Pull, vehicle: Vehicle, by: str | None) -> Corrected | str | None:
    """The corrected pull, why there is none, or None where none is asked for."""
    from uphaul.analysis.pull_spread import corrected
    from uphaul.physics.correction import Edition

    if by is None:
        return None
    if vehicle.sheet.engine is None:
        raise UphaulError("--correct: the build sheet has no [engine], whose displacement and filling are needed")
    edition = Edition.UN_R85 if by == "r85" else Edition.ISO_1585_1992
    try:
        return corrected(pull, vehicle.sheet.engine, edition)
    except UphaulError as error:
        return f"Not corrected: {error}."


def _fixed(found: Corrected | str | None) -> object:
    return found if found is None or isinstance(found, str) else asdict(found)


def _plain(value: Any) -> Any:
    """What JSON can hold: unknown numbers as null."""
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return None if isinstance(value, float) and not isfinite(value) else value


def _draw(path: Path, kind: str, label: str, pulls: Sequence[Pull], curves: Sequence[PullCurve | None]) -> None:
    from uphaul.reports.pull_plot import pull_page, pull_plot

    shown = [
        (_name(i, p), c) for i, (p, c) in enumerate(zip(pulls, curves, strict=True), 1) if c and not c.without_power
    ]
    if not shown:
        raise UphaulError(f"--plot {path}: no pull of which power is known: nothing to draw")
    title = f"Pulls of {Path(label).name}: estimate from the road"
    made = pull_plot(shown, title)
    if kind == "html":
        made = pull_page(made, title, _smoothings(pulls))
    try:
        path.write_text(made, encoding="utf-8")
    except OSError as error:
        raise UphaulError(f"{path}: can't be written: {error.strerror or error}") from error


def _name(number: int, pull: Pull) -> str:
    gear = "gear unknown" if pull.gear is None else f"gear {pull.gear}"
    return f"{number}: {pull.tune or 'tune unknown'}, {gear}"


def _smoothings(pulls: Sequence[Pull]) -> list[str]:
    return list(dict.fromkeys(p.curve.smoothing.words for p in pulls if p.curve and p.curve.smoothing))


def _print(title: str, pulls: Sequence[Pull], curves: Sequence[PullCurve | None], start_ms: int) -> None:
    if not pulls:
        click.echo(f"{title}: none. A pull is full pedal for 2 s in one gear while the engine gains 500 rpm")
        return
    click.echo(title)
    header = ["", "when", "tune", "gear", "rpm", "s", "power kW", "at", "torque N·m", "at", "slope"]
    rows = []
    for i, (p, c) in enumerate(zip(pulls, curves, strict=True), 1):
        grade = "–" if p.grade is None else f"{100 * p.grade:+.1f} %"
        rows.append(
            [
                str(i),
                text.duration(p.t_ms[0] - start_ms),
                p.tune or "–",
                "–" if p.gear is None else str(p.gear),
                f"{p.rpm[0]:.0f}–{p.rpm[1]:.0f}",
                f"{p.seconds:.1f}",
                *_most(c, "power_kw", "power_doubt_kw"),
                *_most(c, "torque_nm", "torque_doubt_nm"),
                grade,
            ]
        )
    text.table(header, rows, right=(0, 1, 3, 4, 5, 6, 7, 8, 9, 10))
    header = ["", "boost kPa", "at", "to 90 %", "over", "EGT °C", "K/s", "lambda", "charge °C", "slip", "air °C", "kPa"]
    rows = [
        [
            str(i),
            *(_told(x, d) for x, d in ((p.boost_peak_kpa, 0), (p.boost_peak_rpm, 0))),
            _told(p.boost_s, 1, " s"),
            *(_told(x, d) for x, d in ((p.overshoot_kpa, 0), (p.egt_most_degc, 0), (p.egt_rate_k_s, 0))),
            _told(p.mixture_least, 2),
            _told(p.charge_most_degc, 0),
            "–" if p.slip_most is None else f"{100 * p.slip_most:.1f} %",
            *(_told(x, d) for x, d in ((p.ambient_degc, 0), (p.baro_kpa, 1))),
        ]
        for i, p in enumerate(pulls, 1)
    ]
    text.table(header, rows, right=range(12))


def _most(curve: PullCurve | None, name: str, doubt: str) -> tuple[str, str]:
    """The highest of a course with its doubt, and the engine speed."""
    if curve is None or np.isnan(curve.of(name)).all():
        return "–", "–"
    at = int(np.nanargmax(curve.of(name)))
    return f"{curve.of(name)[at]:.0f} ± {curve.of(doubt)[at]:.0f}", f"{curve.rpm[at]:.0f}"


def _told(value: float | None, decimals: int, unit: str = "") -> str:
    return "–" if value is None else f"{value:.{decimals}f}{unit}"


def _print_notes(pulls: Sequence[Pull], fixed: Sequence[Corrected | str | None]) -> None:
    from uphaul.analysis.pull_curve import SHARES

    for i, (p, c) in enumerate(zip(pulls, fixed, strict=True), 1):
        if p.curve is None:
            click.echo(f"{i}: no curve: too short for a window at each end")
            continue
        if p.curve.without_power:
            click.echo(f"{i}: no power: {p.curve.without_power}")
        for said in p.curve.assumed:
            click.echo(f"{i}: {said}")
        if not np.isnan(p.curve.of("power_kw")).all():
            at = int(np.nanargmax(p.curve.of("power_kw")))
            parts = sorted(((x[at], SHARES[name]) for name, x in p.curve.shares), reverse=True)
            told = ", ".join(f"{name} {x:.1f}" for x, name in parts if x >= 0.05)
            click.echo(f"{i}: what the ± of the power at {p.curve.rpm[at]:.0f} rpm is made of, kW: {told}")
        if c is not None:
            for note in (c,) if isinstance(c, str) else c.notes:
                click.echo(f"{i}: {note}")
    for sentence in _smoothings(pulls):
        click.echo(sentence)


def _print_spread(groups: Sequence[Spread]) -> None:
    for g in groups:
        course = g.of("power_kw")
        if g.pulls < 2 or course is None:
            continue
        shared = [i for i, n in enumerate(course.pulls) if n >= 2]
        if not shared:
            continue
        apart = max(course.spread[i] / course.middle[i] for i in shared if course.middle[i] > 0.0)
        top = max(shared, key=lambda i: course.middle[i])
        ways = ", the mean of both directions" if g.both_ways else ""
        click.echo(
            f"{g.tune or 'tune unknown'}, gear {g.gear}: {g.pulls} pulls, in the middle {course.middle[top]:.0f} kW at "
            f"{g.rpm[top]:.0f} rpm{ways}; from pull to pull {apart:.1%} at most (robust standard deviation)"
        )
