"""The commands, one module each, imported when called."""

from __future__ import annotations

import sys
from importlib import import_module
from keyword import iskeyword
from typing import Any

import click

from uphaul import __version__
from uphaul.errors import UphaulError

__all__ = ["main"]

COMMANDS = {
    "calibrate": "two-point calibration of a live input against a reference",
    "config": "check a configuration, or print its schema",
    "demo": "run the daemon on an invented vehicle, with its page on this machine",
    "desk": "show a drive in the browser, and what other limits and delays would have said",
    "drives": "list the drives of a log",
    "export": "write a drive of a log as CSV, Parquet or MDF4",
    "fieldcheck": "what a field check asks for, and what came of it in logged drives",
    "handover": "write the page that a customer signs after the field check, and make the drive the reference",
    "import": "put a CAN capture, CSV, Parquet or MDF4 file into a log, as a drive that replays",
    "package": "show the band in which the vehicles of one package lie, from their handovers",
    "panel": "play on buzzer and lamp what the driver hears of an alert",
    "pair": "let a phone act on the page, list such devices, take them off",
    "pulls": "full-load pulls of a drive: power and torque at the wheels, with their uncertainty",
    "replay": "judge a recorded drive again, and compare with what was judged live",
    "report": "write what a drive that somebody complains about says, as one page to read, print or send",
    "run": "run the daemon",
    "sensors": "what every input reads now, and what its sensor can tell from a fault",
    "vehicle": "check a build sheet: what each tune asks of each part, in percent of its rating",
}


class _Commands(click.Group):
    """Loads a command's module when it is called, so that none pays for another's libraries."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"uphaul.cli.{cmd_name}{'_' * iskeyword(cmd_name)}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(sorted(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except UphaulError as error:
            for line in str(error).splitlines():  # a configuration can have many problems
                click.echo(f"uphaul: {line}", err=True)
            ctx.exit(2)
        except BrokenPipeError:  # the reader of a pipe has gone
            sys.stderr.close()
            ctx.exit(1)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="uphaul")
def main() -> None:
    """Watches a tuned turbo-diesel tow vehicle, warns its driver, logs the drive, and replays it with the same judge.

    It advises and never controls. Drivers look at the road: a passenger reads the page.
    """
