"""``uphaul demo``: the real daemon on the invented vehicle."""

from __future__ import annotations

import asyncio
import logging
import uuid
from dataclasses import replace
from pathlib import Path

import click

from uphaul.app import App
from uphaul.cli.run import serve_forever
from uphaul.cli.telling import teller
from uphaul.cli.text import program
from uphaul.clock import Clock

__all__ = ["command"]


@click.command()
@click.option("--scenario", default="demo", show_default=True, help="Which drive: a name under replays/ or a file.")
@click.option("--seed", default=1, show_default=True, help="Of the sensors' noise; the same seed, the same drive.")
@click.option(
    "--speed",
    default=4.0,
    show_default=True,
    type=click.FloatRange(0.1, 50),
    help="How much faster than life. A machine that can't keep up loses ticks, and sensors seem lost.",
)
@click.option("--port", default=None, type=click.IntRange(0, 65535), help="Of the page on this machine (0: any).")
@click.option(
    "--log",
    "log_path",
    default=Path("uphaul-demo.db"),
    show_default=True,
    type=click.Path(dir_okay=False, path_type=Path),
    help="The log file.",
)
def command(scenario: str, seed: int, speed: float, port: int | None, log_path: Path) -> None:
    """Run the daemon on an invented vehicle: a climb with a trailer, until the driver must ease off."""
    from uphaul.config import demo_config
    from uphaul.config.scenario import load_scenario
    from uphaul.web.access import Access, store_path

    logging.basicConfig(format="%(levelname)s %(name)s: %(message)s", level=logging.WARNING)
    drive = load_scenario(scenario)  # first: what is wrong with it is told of its file, not of a configuration
    config = demo_config(scenario, seed)
    engine_off = not drive.rolling and drive.key_off_s < drive.duration_s
    over = f"That was it: {'the engine is off' if engine_off else 'the road goes on'}. Ctrl-C ends the drive."
    if port is not None:
        config = replace(config, web=replace(config.web, port=port))

    code = Access(store_path(log_path)).new_code()

    def ready(bound: int) -> None:
        click.echo(f"An invented vehicle, {speed:g} times faster than life, scenario {scenario!r}.")
        click.echo(f"  page       http://{config.web.host}:{bound}/")
        click.echo(f"  to act     http://{config.web.host}:{bound}/pair#{code} (quiet an alert, mark a moment)")
        click.echo(f"  log        {log_path}")
        click.echo("  to end     Ctrl-C")
        click.echo(f"  afterwards {program()} drives {log_path}")
        click.echo(f"             {program()} replay {log_path}")
        click.echo("Alerts as they come (time into the drive):")
        asyncio.get_running_loop().call_later(drive.duration_s / speed, click.echo, over)

    app = App(
        config,
        log_path,
        clock=Clock(speed=speed),
        boot_id=f"demo-{uuid.uuid4()}",  # times of a faster clock: no other start goes on with this drive
        ready=ready,
        heard=teller(config, click.echo),
        needs_page=True,
    )
    asyncio.run(serve_forever(app))
    click.echo(f"\nThe drive is in {log_path}. Judge it again: {program()} replay {log_path}")
