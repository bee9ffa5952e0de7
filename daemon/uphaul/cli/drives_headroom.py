"""``uphaul drives --headroom``: how much of each part's rating a drive used, by the build sheet in its log."""

from __future__ import annotations

import json
from dataclasses import asdict
from math import isfinite
from typing import Any

import click

from uphaul.analysis.powers import Agreement
from uphaul.analysis.ratings import Estimate, Reading, Use, Used, headroom
from uphaul.analysis.whole import ROLES
from uphaul.cli import text
from uphaul.config import load_texts
from uphaul.errors import LogError
from uphaul.log.drives import log_parts, pick_drive
from uphaul.log.joined import joined
from uphaul.log.reader import Log

__all__ = ["show"]

SHOWN = {"rpm": ("rpm", 1.0, 0), "speed": ("km/h", 3.6, 0), "grade": ("%", 100.0, 1), "altitude": ("m", 1.0, 0)}
"""Roles that tell where: unit for people, factor to it, decimals."""


def show(log: Log, drive: int | None, *, as_json: bool) -> None:
    """Print the headroom table of a drive of `log`, the last one for None. Raises LogError."""
    number = pick_drive(log, drive)
    parts = log_parts(log, number)
    if not parts:
        raise LogError(f"{log.path}: drive {number} has no tick yet")
    label = f"{log.path} drive {number}"
    whole = joined(parts, label)
    vehicle = load_texts(dict(parts[-1].files), label=label, check_inputs=False).vehicle
    if not vehicle.sheet.parts:
        raise LogError(f"{label}: was driven without a build sheet: its vehicle.toml has no [part] with ratings")
    used = headroom(whole, vehicle.sheet, vehicle.tunes)
    start_ms = int(whole.t_ms[0])
    if as_json:
        click.echo(json.dumps(_object(log, number, used), ensure_ascii=False, indent=1, allow_nan=False))
        return
    _print(label, used, start_ms)
    if len(parts) > 1:
        click.echo("Its configuration or program changed on the way: the build sheet is that of its last part.")


def _object(log: Log, number: int, used: Used) -> dict[str, object]:
    return {
        "file": str(log.path),
        "drive": number,
        "ratings": [
            {**_plain(asdict(u)), "share": _plain(u.judged.share), "words": u.words, "past": u.past} for u in used.uses
        ],
        "missing": [{"part": part, "rating": rating, "why": why} for part, rating, why in used.missing],
        "power": [_plain(asdict(e)) for e in used.estimates],
        "agreement": None if used.agreement is None else {**asdict(used.agreement), "agree": used.agreement.agree},
        "bench": [asdict(b) for b in used.bench],
        "units": {role: ROLES[role] for role in SHOWN},
    }


def _plain(value: Any) -> Any:
    """What JSON can hold: unknown numbers as null, places by role."""
    if isinstance(value, dict):
        return {k: dict(v) if k == "where" else _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return None if isinstance(value, float) and not isfinite(value) else value


def _print(label: str, used: Used, start_ms: int) -> None:
    click.echo(f"{label}: use of ratings, the weakest part on top")
    rows = [_row(u, start_ms) for u in used.uses]
    header = ["part", "rating", "use", "rated", "peak, 1 s", "10 s", "60 s", "", "when", "where"]
    text.table(header, rows, right=(2, 3, 4, 5, 6))
    for part, rating, why in used.missing:
        click.echo(f"{part}, {rating}: not told: {why}")
    for u in (u for u in used.uses if u.past):
        far = f"{text.number(u.judged.value, u.unit)} where {text.number(u.rated)}"
        click.echo(f"Past its rating: {u.part}, {u.rating}: {far} is rated ({u.source})")
    if used.estimates:
        click.echo("\nPower and torque at the crankshaft, sustained for 10 s, with one standard uncertainty:")
        rows = [_estimate(e, start_ms) for e in used.estimates]
        text.table(["by", "power", "", "when", "torque", "", "when", "made of"], rows, right=(1, 3, 4, 6))
    click.echo(_compared(used.agreement, used.estimates))
    for b in used.bench:
        more = "more" if b.apart > 0 else "less"
        far = "within" if abs(b.apart) <= 2.0 * b.doubt else "beyond"
        click.echo(
            f"At full pedal under {b.tune} {b.way} tells {abs(b.apart):.0%} {more} than its dynamometer run "
            f"({b.windows} times 1 s), {far} what the estimate leaves open (± {b.doubt:.0%})."
        )


def _row(u: Use, start_ms: int) -> list[str]:
    by_window = {r.window_s: text.number(r.value) for r in u.readings}
    j = u.judged
    doubt = "" if u.doubt is None else f" ± {u.doubt:.0%}"
    return [
        u.part,
        u.rating,
        u.words,
        text.number(u.rated),
        *(by_window.get(w, "–") for w in (1.0, 10.0, 60.0)),
        ("" if u.unit == "1" else u.unit) + doubt,
        text.duration(j.t_ms - start_ms),
        _where(j),
    ]


def _where(reading: Reading) -> str:
    said = []
    for role, value in reading.where:
        unit, factor, decimals = SHOWN[role]
        said.append(f"{value * factor:,.{decimals}f} {unit}")
    return ", ".join([*said, *([reading.tune] if reading.tune else [])])


def _estimate(e: Estimate, start_ms: int) -> list[str]:
    cells = [e.way]
    for reading, doubt, unit in ((e.power, e.power_doubt_kw, "kW"), (e.torque, e.torque_doubt_nm, "N·m")):
        if reading is None:
            cells += ["–", "", ""]
        else:
            cells += [f"{reading.value:.0f} ± {doubt:.0f}", unit, text.duration(reading.t_ms - start_ms)]
    return [*cells, e.made_of]


def _compared(agreement: Agreement | None, estimates: tuple[Estimate, ...]) -> str:
    if len(estimates) < 2:
        return (
            "" if estimates else "Power is not told: the drive has neither fuel or mixture nor what a road load needs."
        )
    if agreement is None:
        return "The two ways can't be compared: less than 30 s under load in gear."
    more = "more" if agreement.apart > 0 else "less"
    said = f"Under load the road tells {abs(agreement.apart):.0%} {more} than the fuel ({agreement.windows} times 10 s)"
    if agreement.doubt < abs(agreement.apart) and agreement.agree:
        usual = f"more than usual (± {agreement.doubt:.0%})"
        return f"{said}: {usual}; look at weight, wind and slope before you trust either."
    if agreement.agree:
        return f"{said}, within what both leave open (± {agreement.doubt:.0%})."
    why = (
        "more weight or drag than the sheet says, headwind, a dragging brake, or more fuel injected than told"
        if agreement.apart > 0
        else "less weight than the sheet says (no trailer?), tail wind, a slipping clutch, or less power from the fuel"
    )
    return (
        f"{said}: they disagree (± {agreement.doubt:.0%} would be usual). Trust neither before it is known why: {why}."
    )
