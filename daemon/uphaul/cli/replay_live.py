"""``uphaul replay --live``: a past drive on the page that the daemon serves, on this machine only."""

from __future__ import annotations

import asyncio
import logging
import signal
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import click

from uphaul.cli import replay_notes as notes
from uphaul.cli import text
from uphaul.cli.replay_rules import all_tunes, rules_of
from uphaul.clock import Clock
from uphaul.config import load, load_texts
from uphaul.config.spec import Config
from uphaul.derive import Deriver
from uphaul.errors import UphaulError
from uphaul.live import carried_from_json
from uphaul.log.drives import Part, csv_part, is_log, log_parts, pick_drive, with_columns
from uphaul.log.reader import Log
from uphaul.play import Player, Reel, Tape
from uphaul.rules import Rule
from uphaul.vehicle import Tune
from uphaul.web import WebState, make_app, serve
from uphaul.web.check import add_check
from uphaul.web.playing import add_playing

__all__ = ["show"]

HOST = "127.0.0.1"
"""A drive tells where its owner went: its page is for this machine alone."""


def show(
    drive_file: Path, drive: int | None, rules_file: Path | None, directory: Path | None, *, speed: float, port: int
) -> None:
    """Serve the page with the drive on it until Ctrl-C. Raises UphaulError."""
    logging.basicConfig(format="%(levelname)s %(name)s: %(message)s", level=logging.WARNING)
    with ExitStack() as stack:
        if is_log(drive_file):
            log = stack.enter_context(Log.open(drive_file))
            number = pick_drive(log, drive)
            reels = _of_log(log, number, rules_file)
            begun = next((d.begun for d in log.drives() if d.id == number), None)
            what = f"drive {number} of {drive_file.name}"
            when = f", begun {begun[:19].replace('T', ' ')} UTC" if begun else ""
            last = reels[-1].config
            told = [*log.notes, *notes.missing(last.rules, [s.name for s in last.signals])]
        else:
            number = 0
            reels, told = _of_csv(drive_file, rules_file, directory)
            what, when = drive_file.name, ""
        tape = Tape(reels, number)
        pace = "at the drive's own pace" if speed == 1 else f"at {speed:g} times its pace"
        lines = [f"Replay of {what}{when}: {text.duration(tape.last_ms - tape.first_ms)}, {pace}.", *told]
        asyncio.run(_serve(tape, speed, f"Replay of {what}{when}", port, lines))


async def _serve(tape: Tape, speed: float, label: str, port: int, lines: Sequence[str]) -> None:
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    player = Player(tape, Clock(), speed=speed, label=label)
    web = WebState(player.status)
    player.nudge = web.nudge
    app = make_app(web)
    add_playing(app, player)
    add_check(
        app, lambda: tape.check, "", invented=False, driving=lambda: False, may_act=lambda _: False, replayed=True
    )
    async with serve(app, HOST, port) as bound:
        for line in lines:
            click.echo(line)
        click.echo(f"  page       http://{HOST}:{bound}/")
        click.echo("  to end     Ctrl-C")
        playing = asyncio.create_task(player.run(), name="play")
        stopping = asyncio.create_task(stop.wait(), name="stop")
        try:
            await asyncio.wait((playing, stopping), return_when=asyncio.FIRST_COMPLETED)
            if playing.done():
                playing.result()  # it ends by an error only
        finally:
            playing.cancel()
            stopping.cancel()


def _of_log(log: Log, number: int, rules_file: Path | None) -> list[Reel]:
    place = f"{log.path} drive {number}"
    reels = []
    for part in log_parts(log, number):
        config = load_texts(dict(part.files), label=place, check_inputs=False)
        rules = config.rules if rules_file is None else rules_of(rules_file, part, config.vehicle)
        carried = carried_from_json(part.initial_state, place)
        reels.append(Reel(part, _shown(config, part, rules), carried))
    if not reels:
        raise UphaulError(f"{log.path}: drive {number} has no tick yet")
    return reels


def _of_csv(path: Path, rules_file: Path | None, directory: Path | None) -> tuple[list[Reel], list[str]]:
    if directory is None:
        raise UphaulError(f"{path}: the page shows a CSV by a configuration: name it with --config DIR")
    config = load(directory, check_inputs=False)
    part = csv_part(path, config.signals, config.tunes, gap_ms=config.gap_ms)
    there = {s.name for s in part.signals}
    part, added = with_columns(part, tuple(s for s in config.signals if s.computed))
    rules = config.rules if rules_file is None else rules_of(rules_file, part, config.vehicle)
    computed = tuple(c for c in config.computed if c.signal in added)
    there |= {c.signal.name for c in notes.complete(computed, there)}
    (block,) = part.blocks()
    Deriver(part.signals, computed, gap_ms=part.gap_ms).run(block.t_ms, block.values)
    part = replace(part, blocks=lambda start_ms=None, rows=0: iter([block]))
    return [Reel(part, _shown(config, part, rules))], notes.missing(rules, there)


def _shown(config: Config, part: Part, rules: tuple[Rule, ...]) -> Config:
    """The configuration with the part's columns, the rules it is judged by, and the tunes by the part's numbers."""
    known = {tune.name: tune for tune in config.vehicle.tunes}
    tunes = tuple(known.get(name) or Tune(name) for name in all_tunes(part.tunes, rules))
    columns = {s.name for s in part.signals}
    return replace(
        config,
        signals=part.signals,
        rules=rules,
        computed=tuple(c for c in config.computed if c.signal.name in columns),
        vehicle=replace(config.vehicle, tunes=tunes),
    )
