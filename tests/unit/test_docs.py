"""What a user or developer can reach is documented, and what the documents name is there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest

from uphaul.alerts.table import diagram
from uphaul.cli import main
from uphaul.config.model import FILES

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCUMENTS = [
    path
    for path in (*ROOT.glob("*.md"), *(ROOT / "config").glob("*.md"), *(ROOT / "systemd").glob("*.md"))
    if path.name != "CHANGELOG.md"
] + [ROOT / "daemon" / "uphaul" / room / "README.md" for room in ("outputs", "rules")]


def commands(command: click.Command, name: str = "uphaul") -> Iterator[tuple[str, click.Command]]:
    """Every command that does something, with its full name."""
    if not isinstance(command, click.Group):
        yield name, command
        return
    context = click.Context(command)
    for each in command.list_commands(context):
        inner = command.get_command(context, each)
        assert inner is not None, f"{name} {each} is listed and not there"
        yield from commands(inner, f"{name} {each}")


def test_there_are_commands_to_look_at() -> None:
    names = {name for name, _ in commands(main)}
    assert names >= {"uphaul run", "uphaul demo", "uphaul drives", "uphaul replay", "uphaul config check"}


def test_every_command_is_in_the_readme() -> None:
    missing = [name for name, _ in commands(main) if not re.search(rf"`{name}\b", README)]
    assert missing == []


def test_the_readme_names_no_command_that_is_not_there() -> None:
    there = {name for name, _ in commands(main)}
    named = set(re.findall(r"`(uphaul (?:config )?[a-z]+)", README))
    assert named - there == set()


def test_a_drive_is_named_alike_in_every_command() -> None:
    found = {
        name: option.make_metavar(click.Context(command))
        for name, command in commands(main)
        for option in command.params
        if "--drive" in option.opts
    }
    assert len(found) >= 8
    assert set(found.values()) == {"N"}


def test_every_page_has_its_name_before_that_of_the_program() -> None:
    pages = [*(ROOT / "daemon" / "uphaul").glob("*/static/*.html")]
    titles = [re.findall(r"<title>(.*?)</title>", page.read_text(encoding="utf-8")) for page in pages]
    assert len(titles) >= 5
    assert all(len(found) == 1 and re.fullmatch(r"[^·–]+ – Uphaul", found[0]) for found in titles), titles


def test_every_command_and_option_explains_itself() -> None:
    silent = [
        f"{name} {option.opts[0]}"
        for name, command in commands(main)
        for option in command.params
        if isinstance(option, click.Option) and not option.help
    ]
    silent += [name for name, command in commands(main) if not command.help]
    assert silent == []


def config_keys() -> Iterator[tuple[str, str]]:
    """Every key of every table in every configuration file, by the JSON Schema that is made from the models."""
    for file, model in FILES.items():
        schema = model.model_json_schema(by_alias=True)
        for table in (schema, *schema.get("$defs", {}).values()):
            yield from ((file, key) for key in table.get("properties", {}))


@pytest.mark.parametrize("file", FILES)
def test_every_configuration_key_is_in_the_reference(file: str) -> None:
    reference = (ROOT / "config" / "README.md").read_text(encoding="utf-8")
    keys = {key for where, key in config_keys() if where == file}
    assert keys
    assert file in reference
    assert sorted(key for key in keys if not re.search(rf"`[^`\n]*\b{re.escape(key)}\b[^`\n]*`", reference)) == []


def test_every_configuration_key_has_a_description() -> None:
    silent: list[str] = []
    for file, model in FILES.items():
        schema: dict[str, Any] = model.model_json_schema(by_alias=True)
        for name, table in {file: schema, **schema.get("$defs", {})}.items():
            silent += [
                f"{name}: {key}" for key, value in table.get("properties", {}).items() if not value.get("description")
            ]
    assert silent == []


def test_the_steps_of_an_alert_are_those_of_the_table() -> None:
    page = (ROOT / "daemon" / "uphaul" / "rules" / "README.md").read_text(encoding="utf-8")
    shown = re.search(r"<!-- steps:[^\n]*-->\n\n(.*)\n<!-- end of steps -->", page, re.DOTALL)
    assert shown is not None
    assert shown[1] == diagram()


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_link_and_path_in_a_document_leads_somewhere(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    links = [link.partition("#")[0] for link in re.findall(r"\]\(([^)\s]+)\)", text) if "://" not in link]
    dead = [link for link in links if link and not (document.parent / link).exists()]
    paths = re.findall(r"`((?:\.ci|config|daemon|replays|systemd|tests)/[\w./-]*)`", text)
    dead += [path for path in paths if not any((top / path).exists() for top in (ROOT, ROOT / "daemon" / "uphaul"))]
    assert dead == []


def test_every_room_is_on_the_map() -> None:
    package = ROOT / "daemon" / "uphaul"
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rooms = [f"{p.name}/" for p in package.iterdir() if (p / "__init__.py").exists()]
    rooms += [p.name for p in package.glob("*.py") if not p.name.startswith("__")]
    assert sorted(room for room in rooms if f"`{room}`" not in text) == []


FOR_DRIVERS = [
    *(ROOT / "config").glob("*.toml"),
    *(ROOT / "replays").glob("*.*"),
    *(p for p in (ROOT / "daemon" / "uphaul" / "web" / "static").iterdir() if p.suffix != ".png"),
    ROOT / "README.md",
    ROOT / "CHANGELOG.md",
]


@pytest.mark.parametrize("path", FOR_DRIVERS, ids=lambda p: str(p.relative_to(ROOT)))
def test_what_drivers_read_says_intercooler(path: Path) -> None:
    assert "charge cooler" not in path.read_text(encoding="utf-8").casefold()
