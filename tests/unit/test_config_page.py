"""Who may look at the page and by which names it goes, as daemon.toml says it, and what `config check` makes of it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from support.config_files import config_of, problems_of
from uphaul.cli import main
from uphaul.config.page import on_this_machine_only, page_notes
from uphaul.config.spec import WebSpec


def test_looking_is_open_unless_told_otherwise() -> None:
    assert (config_of().web.look, config_of().web.names) == ("open", ())
    web = config_of(daemon='[web]\nlook = "paired"\nnames = ["tow.example", "board"]\n').web
    assert web == WebSpec(look="paired", names=("tow.example", "board"))


@pytest.mark.parametrize(
    ("line", "key", "right"),
    [
        ('look = "closed"', "web.look", "one of open, paired"),
        ('names = ["tow.example:80"]', "web.names[0]", "without port"),
        ('names = ["board", "a b"]', "web.names[1]", "letters, digits"),
        ('names = ["http://board"]', "web.names[0]", "name of a host"),
        ('names = [""]', "web.names[0]", "name of a host"),
        ('names = "board"', "web.names", "list"),
    ],
)
def test_what_is_wrong_is_named_with_what_is_right(line: str, key: str, right: str) -> None:
    (problem,) = problems_of(daemon=f"[web]\n{line}\n")
    assert (problem.file, problem.key) == ("daemon.toml", key)
    assert right in problem.allowed


@pytest.mark.parametrize(
    ("web", "noted"),
    [
        ("", False),
        ('host = "0.0.0.0"', True),
        ('host = "192.0.2.7"', True),
        ('host = "tow.example"', True),
        ('host = "0.0.0.0"\nlook = "paired"', False),
        ('host = "localhost"', False),
        ('host = "::1"', False),
        ('host = ""', False),
    ],
)
def test_a_page_that_a_network_can_look_at_is_noted(web: str, noted: bool) -> None:
    assert len(page_notes(config_of(daemon=f"[web]\n{web}\n"))) == int(noted)


def test_config_check_tells_the_note(tmp_path: Path) -> None:
    (tmp_path / "signals.toml").write_text('[signal.egt]\nunit = "degC"\n')
    (tmp_path / "rules.toml").write_text("")
    (tmp_path / "daemon.toml").write_text('[web]\nhost = "0.0.0.0"\n')
    text = CliRunner().invoke(main, ["config", "check", str(tmp_path)])
    assert (text.exit_code, "everyone on that network can look" in text.stdout) == (0, True)
    told = json.loads(CliRunner().invoke(main, ["config", "check", "--json", str(tmp_path)]).stdout)
    assert any("acting needs pairing" in note for note in told["notes"])


@pytest.mark.parametrize(("host", "only"), [("127.0.0.1", True), ("127.8.8.8", True), ("::", False), ("board", False)])
def test_loopback_is_this_machine_only(host: str, only: bool) -> None:
    assert on_this_machine_only(host) == only
