"""``uphaul replay``: judge a recorded drive again and compare with what was judged live."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from uphaul.analysis.review import episodes, summarise
from uphaul.cli.replay_telling import Replay, print_tables, to_object
from uphaul.config import load, load_rules, load_texts
from uphaul.errors import UphaulError
from uphaul.live import carried_from_json
from uphaul.log.drives import Part, csv_part, is_log, log_parts, pick_drive, with_columns
from uphaul.log.reader import Log
from uphaul.pipeline import Row, rejudge
from uphaul.rules import Condition, Rule
from uphaul.signals import Signal
from uphaul.vehicle import Vehicle

__all__ = ["command"]

BIG_CSV_BYTES = 5_000_000


def _all_tunes(known: Sequence[str], rules: Sequence[Rule]) -> tuple[str, ...]:
    """The drive's tunes, then those that only the rules know."""
    return tuple(dict.fromkeys((*known, *(name for r in rules for name, _ in (*r.tunes, *r.expected)))))


def _judge(out: Replay, parts: Sequence[tuple[Part, Row, tuple[Rule, ...]]]) -> None:
    approaches: dict[str, Any] = {}
    conditions: list[Condition] = []
    names = tuple(dict.fromkeys(r.name for _, _, rules in parts for r in rules))
    for part, row, rules in parts:
        judged = rejudge(row, part.blocks())
        out.ticks += judged.ticks
        out.transitions += judged.transitions
        out.notices += judged.notices
        conditions += [
            Condition(c.t_ms, names.index(rules[c.rule].name), c.active, c.value, c.limit, c.tune)
            for c in judged.conditions
        ]
        for rule, approach in zip(rules, row.approaches, strict=True):
            best = approaches.get(rule.name)
            if approach is not None and (best is None or approach.excess > best.excess):
                approaches[rule.name] = approach
    out.episodes = episodes(conditions, names)
    out.first_ms, out.last_ms = parts[0][0].ticks_ms[0], parts[-1][0].ticks_ms[1]
    out.summaries = summarise(out.rules, out.episodes, [approaches.get(r.name) for r in out.rules], out.last_ms)


def _row(part: Part, rules: tuple[Rule, ...], tunes: tuple[str, ...], **more: Any) -> Row:
    return Row(part.signals, rules, tunes, gap_ms=part.gap_ms, grid_ms=part.grid_ms, approaches=True, **more)


def _missing(rules: Sequence[Rule], signals: Sequence[Signal]) -> list[str]:
    known = {s.name for s in signals}
    notes = []
    for rule in rules:
        lacking = [name for name in rule.reads() if name not in known]
        if lacking:
            notes.append(f"rule {rule.name}: the drive has no signal {', '.join(lacking)}; it counts as unknown")
    return notes


def _of_log(path: Path, drive: int | None, rules_file: Path | None, stack: ExitStack) -> Replay:
    log = stack.enter_context(Log.open(path))
    number = pick_drive(log, drive)
    parts = log_parts(log, number)
    if not parts:
        raise UphaulError(f"{path}: drive {number} has no tick yet")
    rows = []
    for part in parts:
        config = load_texts(dict(part.files), label=f"{path} drive {number}", check_inputs=False)
        rules = config.rules if rules_file is None else _rules(rules_file, part, config.vehicle)
        tunes = _all_tunes(part.tunes, rules)
        carried = carried_from_json(part.initial_state, f"{path} drive {number}")
        rows.append((part, _row(part, rules, tunes, carried=carried), rules))
    by_name = {r.name: r for _, _, rules in rows for r in rules}
    begun = next((d.begun for d in log.drives() if d.id == number), None)
    last, _, rules = rows[-1]
    out = Replay(str(path), number, begun, last.signals, tuple(by_name.values()), _all_tunes(last.tunes, rules))
    _judge(out, rows)
    out.notes = [*log.notes, *_missing(out.rules, last.signals)]
    numbers = {name: i for i, name in enumerate(dict.fromkeys(c.rule for c in log.conditions(number)))}
    live = [Condition(c.t_ms, numbers[c.rule], c.active, c.value, c.limit, c.tune) for c in log.conditions(number)]
    out.events = log.events(number)
    out.live, out.live_steps = episodes(live, tuple(numbers)), log.transitions(number)
    return out


def _of_csv(path: Path, rules_file: Path | None, directory: Path | None) -> Replay:
    if rules_file is None and directory is None:
        raise UphaulError(f"{path}: a CSV brings no rules: name them with --rules FILE or --config DIR")
    config = None if directory is None else load(directory, check_inputs=False)
    measured = () if config is None else tuple(s for s in config.signals if not s.computed)
    tunes = () if config is None else config.tunes
    gap_ms = 1000 if config is None else config.gap_ms
    size = path.stat().st_size
    if size > BIG_CSV_BYTES and sys.stderr.isatty():
        with click.progressbar(length=size, label=f"reading {path.name}", file=sys.stderr) as bar:
            part = csv_part(path, measured, tunes, gap_ms=gap_ms, progress=lambda at: bar.update(at - bar.pos))
    else:
        part = csv_part(path, measured, tunes, gap_ms=gap_ms)
    added = () if config is None else tuple(s for s in config.signals if s.computed)
    part, added = with_columns(part, added)
    vehicle = Vehicle() if config is None else config.vehicle
    rules = () if config is None else config.rules
    if rules_file is not None:
        rules = _rules(rules_file, part, vehicle)
    all_tunes = _all_tunes(part.tunes, rules)
    computed = () if config is None else tuple(c for c in config.computed if c.signal in added)
    out = Replay(str(path), None, None, part.signals, rules, all_tunes)
    out.notes = _missing(rules, part.signals)
    if computed:
        out.notes.append("computed from the CSV: " + ", ".join(c.signal.name for c in computed))
    _judge(out, [(part, _row(part, rules, all_tunes, computed=computed), rules)])
    return out


def _rules(path: Path, part: Part, vehicle: Vehicle) -> tuple[Rule, ...]:
    """The rules of a file, for a drive that need not have every signal they read."""
    try:
        words = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not a UTF-8 text file"
        raise UphaulError(f"{path}: {reason}") from error
    return load_rules(words, str(path), part.signals, vehicle, allow_unknown=True)


@click.command()
@click.argument("drive_file", metavar="LOG|CSV", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--drive", type=int, help="Which drive of a log (default: the last one).")
@click.option(
    "--rules",
    "rules_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Judge by the rules in this file instead.",
)
@click.option(
    "--config",
    "directory",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="For a CSV: signals, computed signals, tunes and rules from this directory.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of tables.")
def command(
    drive_file: Path, drive: int | None, rules_file: Path | None, directory: Path | None, as_json: bool
) -> None:
    """Judge the drive in a LOG or a CSV again, by the rules that judged it live or by others."""
    with ExitStack() as stack:
        if is_log(drive_file):
            if directory is not None:
                raise UphaulError(
                    "--config is for a CSV: a log brings its own configuration (--rules changes the rules)"
                )
            out = _of_log(drive_file, drive, rules_file, stack)
        elif drive is not None:
            raise UphaulError(f"--drive {drive}: a CSV is one drive, without a number")
        else:
            out = _of_csv(drive_file, rules_file, directory)
    if as_json:
        click.echo(json.dumps(to_object(out), ensure_ascii=False, allow_nan=False))
    else:
        print_tables(out)
