"""``uphaul replay``: judge a recorded drive again and compare with what was judged live."""

from __future__ import annotations

import json
import sys
from bisect import bisect_right
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import click

from uphaul.alerts import Carried, Transition
from uphaul.analysis.causes import noting, with_causes
from uphaul.analysis.review import Episode, cut_off, episodes, heard, summarise
from uphaul.cli import replay_notes as notes
from uphaul.cli.replay_rules import all_tunes, rules_of
from uphaul.cli.replay_telling import Replay, print_tables, to_object
from uphaul.config import load, load_texts
from uphaul.derive import Computed
from uphaul.errors import UphaulError
from uphaul.live import carried_from_json
from uphaul.log.drives import Part, csv_part, is_log, log_parts, pick_drive, with_columns
from uphaul.log.reader import Log
from uphaul.pipeline import Row, rejudge
from uphaul.rules import Condition, Rule
from uphaul.signals import QualityChange
from uphaul.vehicle import Vehicle

__all__ = ["command"]

BIG_CSV_BYTES = 5_000_000


@dataclass(slots=True)
class _Piece:
    """A part of a drive: what it is judged by again, what judged it live, and the qualities seen on the way."""

    part: Part
    row: Row
    rules: tuple[Rule, ...]
    computed: tuple[Computed, ...]
    carried: tuple[Carried, ...] = ()
    driven: tuple[Rule, ...] = ()
    changes: list[QualityChange] = field(default_factory=list)

    def episodes(
        self, conditions: Sequence[Condition], names: Sequence[str], steps: Sequence[Transition], rules: Sequence[Rule]
    ) -> list[Episode]:
        """The episodes of this part in one judging, with the reasons of those that were quiet or of a lost signal."""
        found = heard(episodes(conditions, names), steps, rules, self.carried)
        return with_causes(found, self.changes, rules, self.part.signals, self.computed)


def _judge(out: Replay, pieces: Sequence[_Piece]) -> None:
    approaches: dict[str, Any] = {}
    measured: set[str] = set()
    parts = [piece.part for piece in pieces]
    for i, piece in enumerate(pieces):
        row, rules = piece.row, piece.rules
        judged = rejudge(row, noting(piece.part.blocks(), piece.changes))
        out.ticks += judged.ticks
        out.transitions += judged.transitions
        out.notices += judged.notices
        found = piece.episodes(judged.conditions, [r.name for r in rules], judged.transitions, rules)
        out.episodes += _ended(found, parts, i)
        for rule, approach, known in zip(rules, row.approaches, row.judge.measured.tolist(), strict=True):
            best = approaches.get(rule.name)
            if approach is not None and (best is None or approach.excess > best.excess):
                approaches[rule.name] = approach
            if known:
                measured.add(rule.name)
    out.first_ms, out.last_ms = parts[0].ticks_ms[0], parts[-1].ticks_ms[1]
    unmeasured = [r.name for r in out.rules if r.name not in measured]
    near = [approaches.get(r.name) for r in out.rules]
    out.summaries = summarise(out.rules, out.episodes, near, out.last_ms, unmeasured)


def _ended(found: list[Episode], parts: Sequence[Part], i: int) -> list[Episode]:
    """The episodes of part `i`: its alerts ended with it where another part follows, whose judge began anew."""
    if i + 1 == len(parts):
        return found
    what = "configuration" if parts[i].files != parts[i + 1].files else "program"
    return cut_off(found, parts[i].ticks_ms[1], f"{what} changed")


def _judged_live(
    conditions: Sequence[Condition],
    names: Sequence[str],
    steps: Sequence[Transition],
    pieces: Sequence[_Piece],
) -> list[Episode]:
    """The episodes that were judged live, each part of the drive by itself; `names` are those of the rules."""
    out = []
    parts = [piece.part for piece in pieces]
    begins = [part.ticks_ms[0] for part in parts[1:]]
    for i, piece in enumerate(pieces):
        own = [c for c in conditions if bisect_right(begins, c.t_ms) == i]
        told = [t for t in steps if bisect_right(begins, t.t_ms) == i]
        out += _ended(piece.episodes(own, names, told, piece.driven), parts, i)
    return out


def _row(part: Part, rules: tuple[Rule, ...], tunes: tuple[str, ...], **more: Any) -> Row:
    return Row(part.signals, rules, tunes, gap_ms=part.gap_ms, grid_ms=part.grid_ms, approaches=True, **more)


def _of_log(path: Path, drive: int | None, rules_file: Path | None, stack: ExitStack) -> Replay:
    log = stack.enter_context(Log.open(path))
    number = pick_drive(log, drive)
    parts = log_parts(log, number)
    if not parts:
        raise UphaulError(f"{path}: drive {number} has no tick yet")
    pieces: list[_Piece] = []
    for part in parts:
        config = load_texts(dict(part.files), label=f"{path} drive {number}", check_inputs=False)
        rules = config.rules if rules_file is None else rules_of(rules_file, part, config.vehicle)
        carried = carried_from_json(part.initial_state, f"{path} drive {number}")
        row = _row(part, rules, all_tunes(part.tunes, rules), carried=carried)
        pieces.append(_Piece(part, row, rules, config.computed, carried, config.rules))
    by_name = {r.name: r for piece in pieces for r in piece.rules}
    begun = next((d.begun for d in log.drives() if d.id == number), None)
    last, rules = pieces[-1].part, pieces[-1].rules
    out = Replay(str(path), number, begun, last.signals, tuple(by_name.values()), all_tunes(last.tunes, rules))
    _judge(out, pieces)
    out.notes = [*log.notes, *notes.missing(out.rules, [s.name for s in last.signals])]
    if rules_file is not None:
        out.notes += notes.foreign_tunes(rules, last.tunes) + notes.out_of_reach(rules, last.signals)
    numbers = {name: i for i, name in enumerate(dict.fromkeys(c.rule for c in log.conditions(number)))}
    live = [Condition(c.t_ms, numbers[c.rule], c.active, c.value, c.limit, c.tune) for c in log.conditions(number)]
    out.events = log.events(number)
    out.live_steps = log.transitions(number)
    out.live = _judged_live(live, tuple(numbers), out.live_steps, pieces)
    return out


def _of_csv(path: Path, rules_file: Path | None, directory: Path | None) -> Replay:
    if rules_file is None and directory is None:
        raise UphaulError(f"{path}: a CSV brings no rules: name them with --rules FILE or --config DIR")
    config = None if directory is None else load(directory, check_inputs=False)
    known = () if config is None else config.signals
    tunes = () if config is None else config.tunes
    gap_ms = 1000 if config is None else config.gap_ms
    size = path.stat().st_size
    if size > BIG_CSV_BYTES and sys.stderr.isatty():
        with click.progressbar(length=size, label=f"reading {path.name}", file=sys.stderr) as bar:
            part = csv_part(path, known, tunes, gap_ms=gap_ms, progress=lambda at: bar.update(at - bar.pos))
    else:
        part = csv_part(path, known, tunes, gap_ms=gap_ms)
    told = [note for block in part.blocks() for note in notes.out_of_range(block)]
    columns = {s.name for s in part.signals}
    part, added = with_columns(part, tuple(s for s in known if s.computed))
    vehicle = Vehicle() if config is None else config.vehicle
    rules = () if config is None else config.rules
    if rules_file is not None:
        rules = rules_of(rules_file, part, vehicle)
    computed = () if config is None else tuple(c for c in config.computed if c.signal in added)
    filled = [c.signal.name for c in notes.complete(computed, columns)]
    named = all_tunes(part.tunes, rules)
    out = Replay(str(path), None, None, part.signals, rules, named)
    out.notes = notes.units_taken(rules, part.signals, {s.name for s in known}) + told
    out.notes += notes.missing(rules, {*columns, *filled})
    if filled:
        out.notes.append("computed from the CSV: " + ", ".join(filled))
    out.notes += notes.unknown_tunes(part.tunes, all_tunes(tunes, rules))
    if rules_file is not None:
        if config is not None:
            out.notes += notes.foreign_tunes(rules, config.tunes)
        out.notes += notes.out_of_reach(rules, part.signals)
    _judge(out, [_Piece(part, _row(part, rules, named, computed=computed), rules, computed)])
    return out


@click.command()
@click.argument("drive_file", metavar="LOG|CSV", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--drive", type=int, metavar="N", help="Which drive of a log (default: the last one).")
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
@click.option("--live", is_flag=True, help="Show the drive on the page instead, on this machine, as if it were now.")
@click.option(
    "--speed", type=click.FloatRange(0.1, 100), help="With --live: how much faster than the drive was (default: 1)."
)
@click.option("--port", type=click.IntRange(0, 65535), help="With --live: of the page (default: any free one).")
def command(
    drive_file: Path,
    *,
    drive: int | None,
    rules_file: Path | None,
    directory: Path | None,
    as_json: bool,
    live: bool,
    speed: float | None,
    port: int | None,
) -> None:
    """Judge the drive in a LOG or a CSV again, by the rules that judged it live or by others.

    Rules are judged in the units of the configuration. A log brings its own; for a CSV name it with --config, else
    limits are taken in the units of the CSV.

    Where the configuration or the program changed in the middle of a drive, the judge began anew. An alert that was
    still on then ends at the last tick before ("until the configuration changed"; in the JSON `cleared_t_s` is that
    tick and `cut` the reason). `cleared_t_s` is null only for a condition that is still true at the drive's end. An
    alert that the driver was never told of, being suppressed, shelved or out of service throughout, is marked as quiet
    (`told` false, and `quiet` the reason). An alert about a lost signal names the fault behind it (`cause`).

    With --live the drive is played on the page that the daemon serves, with pause, seek and speed. Only this machine
    can open it: a drive tells where its owner went.
    """
    if not live and (speed is not None or port is not None):
        raise UphaulError(f"{'--speed' if port is None else '--port'} is for --live: without it no page is served")
    if live and as_json:
        raise UphaulError("--json and --live exclude each other: one prints what was judged, the other plays it")
    of_log = is_log(drive_file)
    if of_log and directory is not None:
        raise UphaulError("--config is for a CSV: a log brings its own configuration (--rules changes the rules)")
    if not of_log and drive is not None:
        raise UphaulError(f"--drive {drive}: a CSV is one drive, without a number")
    if live:
        from uphaul.cli.replay_live import show  # with the page's library, which judging does without

        show(drive_file, drive, rules_file, directory, speed=speed or 1.0, port=port or 0)
        return
    with ExitStack() as stack:
        out = _of_log(drive_file, drive, rules_file, stack) if of_log else _of_csv(drive_file, rules_file, directory)
    if as_json:
        click.echo(json.dumps(to_object(out), ensure_ascii=False, allow_nan=False))
    else:
        print_tables(out)
