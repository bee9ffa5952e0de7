"""``uphaul run``: the daemon on a configuration."""

from __future__ import annotations

import asyncio
import logging
import signal
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from uphaul.app import App

__all__ = ["DEFAULT_LOG", "command", "serve_forever"]

log = logging.getLogger("uphaul")

DEFAULT_LOG = "uphaul.db"


async def serve_forever(app: App) -> None:
    """Run `app` until SIGTERM or SIGINT."""
    loop = asyncio.get_running_loop()
    for name in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(name, app.stop)
    await app.run()


@click.command()
@click.option(
    "--config",
    "directory",
    required=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Directory with signals.toml, rules.toml and the rest.",
)
@click.option(
    "--log",
    "log_path",
    type=click.Path(dir_okay=False, path_type=Path),
    help=f"The log file (default: [log] path in daemon.toml, else {DEFAULT_LOG} beside it).",
)
def command(directory: Path, log_path: Path | None) -> None:
    """Run the daemon until SIGTERM; it listens to the vehicle bus and does not transmit unless told to."""
    from uphaul.config.apart import load_apart

    logging.basicConfig(format="%(levelname)s %(name)s: %(message)s", level=logging.INFO)
    loading = load_apart(directory)
    from uphaul.app import App  # while the configuration is loaded
    from uphaul.cli.telling import teller

    config = loading()
    path = log_path or config.log.path or directory / DEFAULT_LOG

    def ready(port: int) -> None:
        page = f", page on http://{config.web.host}:{port}/" if port else ", no page yet" if config.web.host else ""
        click.echo(f"uphaul: {len(config.signals)} signals, {len(config.rules)} rules, log {path}{page}", err=True)

    asyncio.run(serve_forever(App(config, path, ready=ready, heard=teller(config, log.info))))
