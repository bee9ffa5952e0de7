"""``uphaul pair``: a code, addresses and a picture that a camera reads; the list; and refusals that help."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import segno
import zxingcpp
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

from uphaul.cli import main, pair
from uphaul.cli.qr import as_blocks, as_letters
from uphaul.web import addresses
from uphaul.web.access import Access, store_path
from uphaul.web.addresses import page_hosts

SIGNALS = '[signal.egt]\nunit = "degC"\n'


def folder_of(folder: Path, web: str = 'host = "192.0.2.7"') -> Path:
    """A configuration whose log is `folder`/vehicle.db."""
    config = folder / "config"
    config.mkdir()
    (config / "signals.toml").write_text(SIGNALS)
    (config / "rules.toml").write_text("")
    (config / "daemon.toml").write_text(f'[log]\npath = "{folder / "vehicle.db"}"\n[web]\n{web}\n')
    return config


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["pair", *map(str, arguments)])


def access_of(folder: Path) -> Access:
    return Access(store_path(folder / "vehicle.db"))


def read(drawn: str, *, letters: bool = False) -> list[str]:
    """What a camera sees in a drawn code: every light part white, eight dots a module, on a dark terminal."""
    lines = drawn.splitlines()
    if letters:
        rows = [[c == "#" for c in line[::2]] for line in lines]
    else:
        rows = [[c in "█" + half for c in line] for line in lines for half in "▀▄"]
    picture = np.kron(np.array(rows, dtype=np.uint8) * 255, np.ones((8, 8), dtype=np.uint8))
    framed = np.pad(picture, 16)  # the rest of the terminal
    return [found.text for found in zxingcpp.read_barcodes(framed)]


def qr_in(output: str) -> str:
    return "\n".join(line for line in output.splitlines() if set(line) <= set("█▀▄ ") and "█" in line)


def test_it_prints_a_code_that_pairs_and_a_picture_that_a_camera_reads(tmp_path: Path) -> None:
    result = run("--config", folder_of(tmp_path))
    assert result.exit_code == 0
    first = result.stdout.splitlines()[0]
    code = "".join(c for c in first.partition("good")[0] if c.isdigit())
    assert "http://192.0.2.7:8710/pair\n" in result.stdout
    assert read(qr_in(result.stdout)) == [f"http://192.0.2.7:8710/pair#{code}"]
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert access_of(tmp_path).pair(code, "phone").name == "phone"


def test_for_a_program_it_prints_json(tmp_path: Path) -> None:
    told = json.loads(run("--config", folder_of(tmp_path), "--json").stdout)
    assert told["valid_s"] == 600
    assert told["pages"] == ["http://192.0.2.7:8710/pair"]
    assert told["links"] == [f"http://192.0.2.7:8710/pair#{told['code']}"]
    assert access_of(tmp_path).pair(told["code"], "phone").name == "phone"


def test_a_page_on_every_address_is_printed_with_each(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(addresses, "_ipv4", lambda: ["192.0.2.7", "198.51.100.4"])
    monkeypatch.setattr("socket.gethostname", lambda: "Board.example")
    told = json.loads(run("--config", folder_of(tmp_path, 'host = "0.0.0.0"\nport = 80'), "--json").stdout)
    hosts = [page.removeprefix("http://").removesuffix(":80/pair") for page in told["pages"]]
    assert hosts == ["192.0.2.7", "198.51.100.4", "board.local"]


def test_a_machine_without_network_is_told_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(addresses, "_ipv4", list)
    result = run("--config", folder_of(tmp_path, 'host = "0.0.0.0"'))
    assert result.exit_code == 0
    assert "no address in any network" in result.stderr
    assert qr_in(result.stdout) == ""


def test_a_page_that_no_phone_reaches_is_told_and_gets_no_picture(tmp_path: Path) -> None:
    result = run("--config", folder_of(tmp_path, 'host = "127.0.0.1"'))
    assert result.exit_code == 0
    assert "http://127.0.0.1:8710/pair" in result.stdout
    assert "no phone reaches it" in result.stderr
    assert qr_in(result.stdout) == ""


@pytest.mark.parametrize(
    ("web", "words"), [('host = ""', "serves no page"), ('host = "192.0.2.7"\nport = 0', "name it with --port")]
)
def test_a_page_that_cannot_be_opened_is_refused(tmp_path: Path, web: str, words: str) -> None:
    result = run("--config", folder_of(tmp_path, web))
    assert (result.exit_code, words in result.stderr) == (2, True)
    assert not store_path(tmp_path / "vehicle.db").exists()


def test_the_port_can_be_named(tmp_path: Path) -> None:
    told = json.loads(run("--log", tmp_path / "vehicle.db", "--port", "4711", "--json").stdout)
    assert told["pages"] == ["http://127.0.0.1:4711/pair"]


def test_it_says_when_no_daemon_is_there(tmp_path: Path) -> None:
    config = folder_of(tmp_path)
    assert "No daemon is writing" in run("--config", config).stderr
    (tmp_path / "vehicle.db.lock").touch()  # as a running daemon's writer has it
    assert run("--config", config).stderr == ""


def test_the_list_tells_names_and_days(tmp_path: Path) -> None:
    config = folder_of(tmp_path)
    assert "no device is paired" in run("--config", config, "--list").stdout
    access = access_of(tmp_path)
    access.pair(access.new_code(), "red phone")
    day = access.devices[0].paired
    header, row = run("--config", config, "--list").stdout.splitlines()
    assert header.split() == ["device", "paired", "(UTC)", "last", "seen"]
    assert row.split() == ["red", "phone", day, day]
    rows = json.loads(run("--config", config, "--list", "--json").stdout)
    assert rows == {"devices": [{"name": "red phone", "paired": day, "seen": day}], "problem": ""}


def test_a_device_is_taken_off_by_its_name(tmp_path: Path) -> None:
    config = folder_of(tmp_path)
    access = access_of(tmp_path)
    for name in ("red phone", "blue phone"):
        access.pair(access.new_code(), name)
    assert run("--config", config, "--revoke", "red phone").stdout == "no longer paired: red phone\n"
    assert [d.name for d in access.devices] == ["blue phone"]
    wrong = run("--config", config, "--revoke", "red phone")
    assert (wrong.exit_code, "there are: blue phone" in wrong.stderr) == (2, True)
    assert json.loads(run("--config", config, "--revoke", "all", "--json").stdout) == {"revoked": ["blue phone"]}
    assert access.devices == ()
    assert run("--config", config, "--revoke", "all").exit_code == 0


def test_list_and_revoke_are_not_mixed(tmp_path: Path) -> None:
    assert run("--config", folder_of(tmp_path), "--list", "--revoke", "all").exit_code == 2


@pytest.mark.parametrize("there", [True, False])
def test_another_user_than_the_daemons_is_told_how_to_call_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, there: bool
) -> None:
    config = folder_of(tmp_path)
    if there:
        (tmp_path / "vehicle.db").touch()
    access = os.access
    monkeypatch.setattr(os, "geteuid", lambda: 54_321)
    monkeypatch.setattr(os, "access", lambda path, mode: path != tmp_path and access(path, mode))
    monkeypatch.setattr("pwd.getpwuid", lambda uid: type("Entry", (), {"pw_name": "driver"}))
    monkeypatch.setattr("shutil.which", lambda name: f"/opt/bin/{name}")
    result = run("--config", config)
    assert result.exit_code == 2
    assert f"sudo -u driver /opt/bin/uphaul pair --config {config} --log {tmp_path / 'vehicle.db'};" in result.stderr
    assert not store_path(tmp_path / "vehicle.db").exists()


def test_root_leaves_no_file_that_the_daemon_cannot_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    config = folder_of(tmp_path)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(pair, "_owner", lambda path: 54_321)  # and root may write anywhere
    result = run("--config", config)
    assert (result.exit_code, "belongs to #54321" in result.stderr) == (2, True)
    assert not store_path(tmp_path / "vehicle.db").exists()


def test_without_a_configuration_it_says_what_to_name(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(pair, "USUAL_CONFIG", tmp_path / "none")
    result = run()
    assert (result.exit_code, "--config" in result.stderr, "--log" in result.stderr) == (2, True, True)


def test_a_log_in_no_folder_is_told(tmp_path: Path) -> None:
    result = run("--log", tmp_path / "nowhere" / "vehicle.db")
    assert (result.exit_code, "no such folder" in result.stderr) == (2, True)


def test_a_damaged_list_is_said_and_a_new_code_works(tmp_path: Path) -> None:
    config = folder_of(tmp_path)
    store_path(tmp_path / "vehicle.db").write_text("{")
    result = run("--config", config, "--json")
    assert "set aside" in result.stderr
    assert access_of(tmp_path).pair(json.loads(result.stdout)["code"], "phone").name == "phone"


def test_a_terminal_without_block_characters_gets_letters(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "uphaul", "pair", "--config", folder_of(tmp_path)],
        env={**os.environ, "PYTHONIOENCODING": "ascii", "COLUMNS": "80"},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    drawn = "\n".join(line for line in done.stdout.splitlines() if set(line) <= {"#", " "} and "#" in line)
    (link,) = read(drawn, letters=True)
    assert link.startswith("http://192.0.2.7:8710/pair#")
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_a_narrow_terminal_is_told_what_is_needed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    result = run("--config", folder_of(tmp_path))
    assert "too narrow" in result.stdout
    assert qr_in(result.stdout) == ""


LINKS = st.from_regex(r"\Ahttp://[a-z0-9.]{1,40}:[0-9]{2,5}/pair#[0-9]{8}\Z")


@settings(deadline=None, max_examples=25)
@given(LINKS)
def test_what_is_drawn_is_what_a_camera_reads(link: str) -> None:
    rows = [[bool(d) for d in row] for row in segno.make_qr(link, error="m").matrix_iter(border=4)]
    assert read(as_blocks(rows, colours=False)) == [link]
    assert read(as_letters(rows), letters=True) == [link]


def test_colours_are_set_and_taken_back_on_every_line() -> None:
    lines = as_blocks([[True, False], [False, True], [True, True]], colours=True).splitlines()
    assert lines == ["\x1b[97;40m▄▀\x1b[0m", "\x1b[97;40m▄▄\x1b[0m"]


@pytest.mark.parametrize(
    ("host", "shown"),
    [("192.0.2.7", ["192.0.2.7"]), ("fd00::1", ["[fd00::1]"]), ("tow.example", ["tow.example"])],
)
def test_one_address_is_itself(host: str, shown: list[str]) -> None:
    assert page_hosts(host) == shown


def test_the_kernels_list_of_addresses_is_read_as_it_writes_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Source: proc(5) and the kernel's net/ipv6/addrconf.c: address, interface, prefix length, scope, flags, name.
    table = tmp_path / "if_inet6"
    table.write_text(
        "00000000000000000000000000000001 01 80 10 80       lo\n"
        "fe80000000000000020000fffe000001 02 40 20 80    wlan0\n"
        "fd000000000000000000000000000007 02 40 00 80    wlan0\n"
    )
    monkeypatch.setattr(addresses, "IN6", table)
    monkeypatch.setattr("socket.gethostname", lambda: "board")
    assert page_hosts("::") == ["[fd00::7]", "board.local"]


def test_the_addresses_of_this_machine_are_those_it_can_be_reached_at() -> None:
    for address in page_hosts("0.0.0.0")[:-1]:
        with socket.create_server((address, 0)):  # refused for an address that is not this machine's
            pass
