"""``uphaul panel``: for whoever fits buzzer and lamp, what they do when the driver is to know something."""

from __future__ import annotations

from pathlib import Path

import click

from uphaul.errors import UphaulError
from uphaul.outputs.panel_sounds import TRIALS

__all__ = ["command"]


@click.command()
@click.option(
    "--config",
    "directory",
    required=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Directory whose daemon.toml has [panel].",
)
@click.option(
    "--try", "word", required=True, type=click.Choice(list(TRIALS)), help="What to play; what never ends, for 6 s."
)
def command(*, directory: Path, word: str) -> None:
    """Play what the driver hears and sees of an alert or a field check. The daemon must not run: it has the lines."""
    from uphaul.config import load
    from uphaul.outputs.panel import play_trial

    config = load(directory)
    if config.panel is None:
        raise UphaulError(f"{directory / 'daemon.toml'}: has no [panel]: buzzer and lamp are described there")
    play_trial(config.panel, word)
