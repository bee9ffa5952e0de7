"""``uphaul vehicle``: which part of the build sheet is the weakest for each tune, before anyone drives."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

import click

from uphaul.cli import text
from uphaul.errors import UphaulError

if TYPE_CHECKING:
    from uphaul.config.spec import Config
    from uphaul.vehicle.asked import Asked, Use
    from uphaul.vehicle.model import Dyno, Targets

__all__ = ["command"]

PLOTS = ("svg", "png")
ONLY_DRIVEN = (
    "Exhaust and coolant temperatures, shaft speed of the turbo and what the intercooler really does are told by "
    "a drive alone."
)
ASSUMED = (
    "Steady full load; the manifold pressure of the expected boost at sea level is held at any height. Good to about a "
    "tenth: filling, consumption and efficiencies are the sheet's."
)


@dataclass(frozen=True, slots=True)
class _Tune:
    """One tune with what it asks for; both empty where the sheet is not enough, and why.

    `span` are the engine speeds, in rpm, from and to which its loaded pull goes.
    """

    name: str
    title: str
    asks: tuple[Asked, ...]
    uses: tuple[Use, ...]
    lacks: str = ""
    span: tuple[float, float] | None = None

    @property
    def over(self) -> tuple[Use, ...]:
        return tuple(u for u in self.uses if u.share > 1.0)


@click.command()
@click.argument("directory", type=click.Path(path_type=Path))
@click.option(
    "--height",
    type=click.FloatRange(0, 5000),
    default=1500.0,
    show_default=True,
    metavar="M",
    help="Highest road, in m: judged there on a day of 35 degC, and at sea level.",
)
@click.option(
    "--speed-limit",
    "limit_km_h",
    type=click.FloatRange(5, 200),
    default=80.0,
    show_default=True,
    metavar="KM/H",
    help="Of the road on which the pulls of the field check are driven: it sets their gear.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of tables.")
@click.option(
    "--plot",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE.svg|png",
    help="Draw all ratings over engine speed (extra `workshop`); a file that is there is written over.",
)
@click.pass_context
def command(
    ctx: click.Context, directory: Path, *, height: float, limit_km_h: float, as_json: bool, plot: Path | None
) -> None:
    """Check the build sheet in DIRECTORY: what each tune asks of each part, the weakest on top.

    Exit status 1 if a tune asks for more than a part's rating, 2 if the configuration is wrong or says too little.
    No tune raises a rating. It judges the sheet, not the vehicle: a drive tells how much of it is so.

    For each tune's loaded pull, from twice idle to where it is at its power, it tells the highest gear that stays
    within the speed limit, and its end speed; where none does, the pull is one for a dynamometer.
    """
    from uphaul.config import load

    kind = "" if plot is None else plot.suffix.lower().removeprefix(".")
    if plot is not None and kind not in PLOTS:
        raise click.UsageError(f"--plot {plot}: must end in .svg or .png")
    config = load(directory, check_inputs=False)
    tunes = _work_out(config, height)
    if plot is not None:
        from uphaul.reports.package_plot import package_plot

        drawn = [(t.title or t.name, t.asks) for t in tunes if t.uses]
        picture = package_plot(config.vehicle.sheet, drawn, config.vehicle.name or "vehicle", kind)
        try:
            plot.write_bytes(picture)
        except OSError as error:
            raise UphaulError(f"{plot}: can't be written: {error.strerror or error}") from error
    if as_json:
        click.echo(json.dumps(_object(config, tunes, limit_km_h), ensure_ascii=False, indent=1, allow_nan=False))
    else:
        _print(config, tunes, limit_km_h)
    ctx.exit(1 if any(t.over for t in tunes) else 0)


def _work_out(config: Config, height_m: float) -> list[_Tune]:
    """Every tune; raises UphaulError where the sheet is not enough for any of them."""
    from uphaul.signals import index_of
    from uphaul.vehicle.asked import SEA_LEVEL, asked, high_road, uses
    from uphaul.vehicle.pull_gear import pull_span

    vehicle = config.vehicle
    missing = [
        word for word, there in (("[engine]", vehicle.sheet.engine), ("a [part]", vehicle.sheet.parts)) if not there
    ]
    if missing or not vehicle.tunes:
        raise UphaulError(f"vehicle.toml: needs {' and '.join([*missing, *([] if vehicle.tunes else ['a [tune]'])])}")
    column = index_of(config.signals).get("boost")
    unit = "kPa" if column is None else config.signals[column].unit
    days = (SEA_LEVEL, high_road(height_m)) if height_m > 0 else (SEA_LEVEL,)
    out = []
    for tune in vehicle.tunes:
        made = tuple(a for day in days if (a := asked(vehicle.sheet, tune, day, boost_unit=unit)) is not None)
        lacks = "" if made else "needs `power` and `torque`, or a `dyno` run"
        if made and not any(c.signal == "boost" and c.over == "rpm" for c in tune.expected):
            lacks = "has no expected boost over rpm: nothing is told of air and turbo but the power"
        engine = vehicle.sheet.engine
        span = pull_span(engine, made[0].rpm, made[0].power_kw) if made and engine is not None else None
        out.append(_Tune(tune.name, tune.title, made, uses(vehicle.sheet, made), lacks, span))
    if not any(t.asks for t in out):
        raise UphaulError(
            "vehicle.toml: no tune has `power` (kW) and `torque` (N·m) to reach, or a `dyno` run: nothing is told"
        )
    return out


def _object(config: Config, tunes: list[_Tune], limit_km_h: float) -> dict[str, object]:
    from uphaul.config.sheet_notes import sheet_notes

    return {
        "vehicle": config.vehicle.name,
        "parts": {p.name: {"title": p.title, "source": p.source} for p in config.vehicle.sheet.parts},
        "tunes": [
            {
                "name": t.name,
                "title": t.title,
                "note": t.lacks,
                "asks_too_much": bool(t.over),
                "pull": _pull(config, t, limit_km_h),
                "ratings": [
                    {k: v if not isinstance(v, float) or isfinite(v) else None for k, v in asdict(u).items()}
                    for u in t.uses
                ],
            }
            for t in tunes
        ],
        "assumed": ASSUMED,
        "notes": sheet_notes(config),
    }


def _pull(config: Config, tune: _Tune, limit_km_h: float) -> dict[str, object] | None:
    """Gear and speeds of the tune's pull, None where its engine speeds are not known."""
    from uphaul.vehicle.pull_gear import pull_gear

    if tune.span is None:
        return None
    found = pull_gear(config.vehicle.sheet, limit_km_h, *tune.span)
    told: dict[str, object] = {"from_rpm": tune.span[0], "to_rpm": tune.span[1], "speed_limit_km_h": limit_km_h}
    if found is not None:
        return told | {
            "where": "road",
            "gear": found.gear,
            "from_km_h": round(found.from_km_h, 1),
            "to_km_h": round(found.to_km_h, 1),
            "words": f"pull within {limit_km_h:g} km/h: {found.words}",
        }
    why = "the sheet has no [driveline]" if config.vehicle.sheet.driveline is None else "no gear is slow enough"
    words = f"pull within {limit_km_h:g} km/h: {why} for {tune.span[0]:.0f} to {tune.span[1]:.0f} rpm: on a dynamometer"
    return told | {"where": "dynamometer", "gear": None, "from_km_h": None, "to_km_h": None, "words": words}


def _print(config: Config, tunes: list[_Tune], limit_km_h: float) -> None:
    from uphaul.config.sheet_notes import sheet_notes
    from uphaul.vehicle.asked import AIR

    by_name = {t.name: t for t in config.vehicle.tunes}
    click.echo(config.vehicle.name or "vehicle without a name")
    for tune in tunes:
        written, ask = by_name[tune.name], tune.asks[0] if tune.asks else None
        click.echo("")
        click.echo(f"{tune.name}" + (f" ({tune.title})" if tune.title else ""))
        if tune.lacks:
            click.echo(f"  {tune.lacks}")
        if (pull := _pull(config, tune, limit_km_h)) is not None:
            click.echo(f"  {pull['words']}")
        if ask is None or not tune.uses:
            continue
        if written.dyno is not None:
            click.echo(f"  {_bench(written.dyno, written.targets)}")
        click.echo(
            f"  weakest at {ask.power_kw.max():.4g} kW: {_weakest(tune.uses, 'at_power')}; "
            f"at {ask.torque_nm.max():.4g} N·m: {_weakest(tune.uses, 'at_torque')}"
        )
    click.echo("")
    rows = [
        [
            t.name,
            u.part,
            u.rating,
            text.number(u.most),
            text.number(u.rated) if u.part != AIR else f"at least {text.number(u.rated)}",
            "" if u.unit == "1" else u.unit,
            f"{u.share:.0%}",
            f"{u.at_power:.0%}" if isfinite(u.at_power) else "–",
            f"{u.at_torque:.0%}" if isfinite(u.at_torque) else "–",
            f"{u.rpm:,.0f} rpm, {u.day}",
        ]
        for t in tunes
        for u in t.uses
    ]
    header = ["tune", "part", "rating", "asked", "rated", "", "use", "at power", "at torque", "most at"]
    text.table(header, rows, right=(3, 4, 6, 7, 8))
    click.echo("\n".join(["", ONLY_DRIVEN, ASSUMED, *sheet_notes(config)]))
    over = [(t, u) for t in tunes for u in t.over]
    if over:
        click.echo("")
    for t, u in over:
        what = f"{text.number(u.most, u.unit)} of {text.number(u.rated, u.unit)}"
        where = f"at {u.rpm:,.0f} rpm, {u.day}"
        click.echo(f"Asks too much: {t.name}, {u.part} {u.rating}: {what}, {u.share - 1:.1%} over, {where}")


def _bench(run: Dyno, targets: Targets) -> str:
    """What the dynamometer measured, beside what was meant."""
    said = []
    for values, meant, unit in (
        (run.power_kw, targets.power_kw, "kW"),
        (run.torque_nm, targets.torque_nm, "N·m"),
    ):
        most = max(values)
        of = "" if meant is None else f" of {meant:g} meant"
        said.append(f"{most:.4g} {unit}{of} at {run.rpm[values.index(most)]:,.0f} rpm")
    where = "at the wheels, brought to the crankshaft by the driveline's efficiency" if run.at_wheels else "crankshaft"
    return f"dynamometer ({run.file}, {where}): {', '.join(said)}"


def _weakest(uses: tuple[Use, ...], at: str) -> str:
    weakest = max(uses, key=lambda u: getattr(u, at))
    share = getattr(weakest, at)
    left = f"{1 - share:.0%} left" if share <= 1 else f"{share - 1:.1%} too much"
    return f"{weakest.part} ({weakest.rating}, {share:.0%}, {left})"
