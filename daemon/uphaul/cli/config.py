"""``uphaul config``: check a configuration before it is driven with, and print what editors check it by."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from uphaul.errors import ConfigError, Problem

if TYPE_CHECKING:
    from uphaul.config.spec import Calibration, Config

__all__ = ["command"]

FILES = ("signals", "rules", "vehicle", "daemon", "fieldcheck", "calibration")


@click.group()
def command() -> None:
    """Check a configuration, or print its schema."""


@command.command()
@click.argument("directory", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@click.pass_context
def check(ctx: click.Context, directory: Path, as_json: bool) -> None:
    """Check every file in DIRECTORY: prints what is configured, or every problem (exit status 2)."""
    from uphaul.config import load

    try:
        config = load(directory)
    except ConfigError as error:
        if as_json:
            click.echo(json.dumps({"ok": False, "problems": [_plain(p) for p in error.problems]}, indent=1))
        else:
            for problem in error.problems:
                click.echo(str(problem), err=True)
            count = len(error.problems)
            click.echo(f"{directory}: {count} problem{'s' if count > 1 else ''}", err=True)
        ctx.exit(2)
    if as_json:
        click.echo(json.dumps({"ok": True, **_summary(config)}, indent=1, ensure_ascii=False))
        return
    click.echo(_text(config, directory))


@command.command()
@click.option("--file", "name", type=click.Choice(FILES), help="Only this file's schema.")
def schema(name: str | None) -> None:
    """Print the JSON Schema of the files, which editors complete and check by."""
    from uphaul.config.schema import json_schema

    if name:
        click.echo(json_schema(name), nl=False)
    else:
        click.echo(json.dumps({f"{n}.toml": json.loads(json_schema(n)) for n in FILES}, indent=1, ensure_ascii=False))


def _plain(problem: Problem) -> dict[str, object]:
    value = problem.value
    if not isinstance(value, str | int | bool | list | type(None)):
        value = str(value)  # NaN, infinity and dates are no JSON
    return {
        "file": problem.file,
        "key": problem.key,
        "value": value,
        "allowed": problem.allowed,
        "nearest": problem.nearest,
    }


def _summary(config: Config) -> dict[str, object]:
    from uphaul.config.mqtt_notes import mqtt_notes
    from uphaul.config.page import page_notes
    from uphaul.config.sheet_notes import sheet_notes
    from uphaul.config.typical import correction_notes, typical

    return {
        "vehicle": config.vehicle.name,
        "tick_hz": config.tick_hz,
        "sources": [{"name": s.name, "kind": s.kind} for s in config.sources],
        "signals": [
            {"name": s.name, "unit": s.unit, "computed": s.computed, "required": s.required} for s in config.signals
        ],
        "computed": [
            {"name": t.signal, "unit": t.unit, "formula": t.formula, "typical": t.value, "uncertainty": t.uncertainty}
            for t in typical(config)
        ],
        "calibrations": [asdict(c) for c in config.calibrations],
        "notes": [*correction_notes(config), *page_notes(config), *mqtt_notes(config.mqtt), *sheet_notes(config)],
        "tunes": list(config.tunes),
        "panel": None if config.panel is None else asdict(config.panel),
        "mqtt": None if config.mqtt is None else _with_paths(asdict(config.mqtt)),
        "rules": [
            {"name": r.name, "kind": r.kind.value, "signal": r.signal, "action": r.action.word} for r in config.rules
        ],
    }


def _text(config: Config, directory: Path) -> str:
    from uphaul.config.mqtt_notes import mqtt_notes
    from uphaul.config.page import page_notes
    from uphaul.config.sheet_notes import sheet_notes
    from uphaul.config.typical import correction_notes, typical

    measured = [s.name for s in config.signals if not s.computed]
    computed = [s.name for s in config.signals if s.computed]
    actions = Counter(r.action for r in config.rules)
    by_action = ", ".join(f"{n} {a.word}" for a, n in sorted(actions.items(), reverse=True))
    sources = ", ".join(f"{s.name} ({s.kind})" for s in config.sources)
    lines = [
        f"{directory}: in order" + (f": {config.vehicle.name}" if config.vehicle.name else ""),
        f"sources   {sources or 'none: a drive file brings the signals'}",
        f"signals   {len(measured)} measured at {config.tick_hz} ticks/s: {', '.join(measured)}",
        f"computed  {len(computed)}" + (f": {', '.join(computed)}" if computed else ""),
        f"tunes     {', '.join(config.tunes) or 'none'}",
        f"rules     {len(config.rules)}" + (f": {by_action}" if config.rules else ""),
    ]
    if config.panel is not None:
        fitted = {"buzzer": config.panel.buzzer, "lamp": config.panel.lamp, "button": config.panel.button}
        wired = [f"{part} {line}" for part, line in fitted.items() if line is not None]
        lines.append(f"panel     {', '.join(wired)} of {config.panel.chip}")
    if config.mqtt is not None:
        lines.append(f"mqtt      {config.mqtt.prefix}... at {config.mqtt.host}:{config.mqtt.port}")
    if config.calibrations:
        lines.append("calibrated, beyond what the makers of the sensors say:")
        lines += [f"          {_calibrated(c)}" for c in config.calibrations]
    told = [t for t in typical(config) if t.value is not None and t.uncertainty is not None]
    if told:
        lines.append("at typical values, with one standard uncertainty:")
        lines += [f"          {t.signal} {t.value:.4g} ± {t.uncertainty:.2g} {_unit(t.unit)}".rstrip() for t in told]
    return "\n".join(
        [*lines, *correction_notes(config), *page_notes(config), *mqtt_notes(config.mqtt), *sheet_notes(config)]
    )


def _with_paths(spec: dict[str, object]) -> dict[str, object]:
    return {key: str(value) if isinstance(value, Path) else value for key, value in spec.items()}


def _calibrated(c: Calibration) -> str:
    sign = "-" if c.offset < 0 else "+"
    line = f"{c.signal} = reading * {c.factor:.6g} {sign} {abs(c.offset):.6g} {_unit(c.unit)}".rstrip()
    return f"{line}, {c.date[:10]} by {c.by} against {c.instrument}"


def _unit(unit: str) -> str:
    return "" if unit == "1" else unit
