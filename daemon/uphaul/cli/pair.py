"""``uphaul pair``: let a phone or another device act on the page; list devices and take them off.

The code is printed for whoever stands at the board or is logged in there: that is what being allowed to act rests on.
"""

from __future__ import annotations

import json
import os
import pwd
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from uphaul.cli import text
from uphaul.errors import UphaulError

if TYPE_CHECKING:
    from uphaul.config.spec import WebSpec
    from uphaul.web.access import Access

__all__ = ["check_user", "command"]

USUAL_CONFIG = Path("/etc/uphaul")
DEFAULT_LOG = "uphaul.db"  # as `uphaul run` names it
MARGIN = 4  # around a QR code, in modules. Source: ISO/IEC 18004, quiet zone


@click.command()
@click.option(
    "--config",
    "directory",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help=f"Directory with the daemon's configuration (default: {USUAL_CONFIG}, unless --log is given).",
)
@click.option(
    "--log",
    "log_path",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The daemon's log, beside which the list of devices is (default: as `uphaul run` has it).",
)
@click.option("--port", type=click.IntRange(1, 65535), help="The page's port, where the configuration does not tell.")
@click.option("--list", "listing", is_flag=True, help="List the paired devices instead.")
@click.option("--revoke", metavar="NAME", help="Take this device off the list instead, or all of them: --revoke all.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def command(  # noqa: PLR0917  # click hands them over by name
    directory: Path | None, log_path: Path | None, port: int | None, listing: bool, revoke: str | None, as_json: bool
) -> None:
    """Print a code, good for ten minutes and one device, with which a phone may act on the page."""
    if listing and revoke is not None:
        raise click.UsageError("--list and --revoke are two different things: one at a time")
    web, log = _where(directory, log_path)
    check_user(log, f"pair{f' --config {directory}' if directory else ''} --log {log}")
    from uphaul.web.access import Access, store_path

    access = Access(store_path(log))
    if access.problem:
        click.echo(f"uphaul: {access.problem}", err=True)
    if listing:
        _list(access, as_json=as_json)
    elif revoke is not None:
        _revoke(access, revoke, as_json=as_json)
    else:
        _code(access, web, port, log, as_json=as_json)


def _where(directory: Path | None, log_path: Path | None) -> tuple[WebSpec, Path]:
    """The page's settings, and the log that the daemon writes."""
    from uphaul.config import load
    from uphaul.config.spec import WebSpec

    if directory is None and log_path is not None:
        return WebSpec(), log_path
    if directory is None and not USUAL_CONFIG.is_dir():
        raise UphaulError(
            f"there is no {USUAL_CONFIG}: name the daemon's configuration with --config, or its log with --log"
        )
    config = load(directory or USUAL_CONFIG)
    return config.web, log_path or config.log.path or (directory or USUAL_CONFIG) / DEFAULT_LOG


def check_user(log: Path, command: str) -> None:
    """Refuse another user than the daemon's: it could not read what that one leaves. Raises UphaulError.

    `command` is what that user is to call instead.
    """
    folder = log.absolute().parent
    try:
        owner = _owner(log)
        what = str(log)
    except FileNotFoundError:
        if not folder.is_dir():
            raise UphaulError(
                f"{log}: there is no such folder; name the log that the daemon writes with --log"
            ) from None
        if os.access(folder, os.W_OK) and os.geteuid() != 0:
            return
        owner, what = _owner(folder), str(folder)
    except PermissionError:
        owner, what = _owner_above(folder), str(folder)
    if owner == os.geteuid():
        return
    try:
        name = pwd.getpwuid(owner).pw_name
    except KeyError:
        name = f"#{owner}"
    program = shutil.which("uphaul") or text.program()  # with its path: sudo has a search path of its own
    raise UphaulError(
        f"{what} belongs to {name}, and the list of devices beside it must be the daemon's own: run this as its user, "
        f"sudo -u {name} {program} {command}; or name another log with --log"
    )


def _owner(path: Path) -> int:
    return path.stat().st_uid


def _owner_above(folder: Path) -> int:
    """The owner of the nearest folder that can be looked at."""
    for each in (folder, *folder.parents):
        try:
            return _owner(each)
        except PermissionError:
            continue
    return 0


# ------------------------------------------------------------------------------------------------------ a code


def _code(access: Access, web: WebSpec, port: int | None, log: Path, *, as_json: bool) -> None:
    from uphaul.config.page import on_this_machine_only
    from uphaul.log.claims import lock_path
    from uphaul.web.access import CODE_S
    from uphaul.web.addresses import page_hosts

    if not web.host:
        raise UphaulError('daemon.toml: web.host = "": the configuration serves no page to pair with')
    port = port or web.port
    if not port:
        raise UphaulError("daemon.toml: web.port = 0: the daemon takes any free port and tells it: name it with --port")
    hosts = page_hosts(web.host)
    code = access.new_code()
    here_only = on_this_machine_only(web.host)
    notes = []
    if here_only:
        notes.append(
            f"The page is served on this machine only ([web] host = {web.host!r}): no phone reaches it until host is "
            "an address of the vehicle's network."
        )
    if not hosts:
        notes.append("This machine has no address in any network now: connect it, then open the page by its address.")
    if not lock_path(log).exists():
        notes.append(f"No daemon is writing {log} now: start it, or name its log with --log.")
    pages = [f"http://{host}:{port}/pair" for host in hosts]
    if as_json:
        told = {
            "code": code,
            "valid_s": CODE_S,
            "pages": pages,
            "links": [f"{p}#{code}" for p in pages],
            "notes": notes,
        }
        click.echo(json.dumps(told, ensure_ascii=False, indent=1))
        return
    click.echo(f"Code  {code[:4]} {code[4:]}   good for {CODE_S // 60} minutes and one device")
    for i, page in enumerate(pages):
        click.echo(f"{'Open ' if i == 0 else '  or '} {page}")
    if pages and not here_only:
        click.echo("Or scan this, which brings the code along:\n")
        click.echo(_qr(f"{pages[0]}#{code}"))
    for note in notes:
        click.echo(note, err=True)


def _qr(link: str) -> str:
    """The link as a QR code for this terminal, or why there is none."""
    import segno

    from uphaul.cli.qr import as_blocks, as_letters

    columns = shutil.get_terminal_size((80, 24)).columns
    rows = [[bool(dark) for dark in row] for row in segno.make_qr(link, error="m").matrix_iter(border=MARGIN)]
    try:
        "▀▄█".encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        drawn, width = as_letters(rows), 2 * len(rows)
    else:
        drawn, width = as_blocks(rows, colours=sys.stdout.isatty()), len(rows)
    return drawn if width <= columns else f"(The terminal is too narrow for a QR code: {width} columns are needed.)"


# ----------------------------------------------------------------------------------------------------- the list


def _list(access: Access, *, as_json: bool) -> None:
    devices = access.devices
    if as_json:
        rows = [{"name": d.name, "paired": d.paired, "seen": d.seen} for d in devices]
        click.echo(json.dumps({"devices": rows, "problem": access.problem}, ensure_ascii=False, indent=1))
    elif not devices:
        click.echo("no device is paired")
    else:
        text.table(["device", "paired (UTC)", "last seen"], [[d.name, d.paired, d.seen] for d in devices])


def _revoke(access: Access, name: str, *, as_json: bool) -> None:
    gone = access.revoke(None if name == "all" else name)
    if not gone and name != "all":
        there = ", ".join(d.name for d in access.devices) or "none"
        raise UphaulError(f"--revoke {name!r}: no paired device has this name; there are: {there}")
    if as_json:
        click.echo(json.dumps({"revoked": list(gone)}, ensure_ascii=False))
    else:
        click.echo(f"no longer paired: {', '.join(gone)}" if gone else "no device was paired")
