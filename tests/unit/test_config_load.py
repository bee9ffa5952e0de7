"""How a configuration is read: folders, kept texts, odd bytes, size, and what is imported on the way."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from support.config_files import DBC, RULES, SIGNALS, VEHICLE, config_of
from uphaul.config import load, load_texts
from uphaul.config.loader import LARGEST_BYTES, LARGEST_DBC_BYTES
from uphaul.errors import ConfigError, Problem


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in {"signals": SIGNALS, "rules": RULES, "vehicle": VEHICLE}.items():
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    (tmp_path / "small.dbc").write_text(DBC, encoding="utf-8")
    return tmp_path


def _problems(folder: Path) -> tuple[Problem, ...]:
    with pytest.raises(ConfigError) as caught:
        load(folder)
    return caught.value.problems


def test_a_folder(folder: Path) -> None:
    config = load(folder)
    assert replace(config, files=()) == replace(config_of(), files=())


def test_everything_that_was_read_is_kept(folder: Path) -> None:
    assert dict(load(folder).files) == {
        "signals.toml": SIGNALS,
        "rules.toml": RULES,
        "vehicle.toml": VEHICLE,
        "small.dbc": DBC,
    }


def test_what_was_kept_gives_the_same_configuration(folder: Path) -> None:
    config = load(folder)
    assert load_texts(dict(config.files)) == config
    kept = load_texts(dict(config.files), label="drive 3", check_inputs=False)
    assert (kept.signals, kept.rules, kept.tunes) == (config.signals, config.rules, config.tunes)


def test_problems_of_kept_texts_say_where_they_come_from() -> None:
    with pytest.raises(ConfigError) as caught:
        load_texts(
            {"signals.toml": SIGNALS + "x = 1\n", "rules.toml": RULES}, label="drive 3 of my.db", check_inputs=False
        )
    assert caught.value.problems[0].file == "drive 3 of my.db: signals.toml"


def test_no_folder(tmp_path: Path) -> None:
    (found,) = _problems(tmp_path / "nowhere")
    assert found.file == str(tmp_path / "nowhere")


def test_missing_files(tmp_path: Path) -> None:
    assert [(p.file, p.key) for p in _problems(tmp_path)] == [("signals.toml", "file"), ("rules.toml", "file")]


def test_a_missing_dbc(folder: Path) -> None:
    (folder / "small.dbc").unlink()
    (found,) = _problems(folder)
    assert (found.file, found.key, found.value) == ("signals.toml", "source.bus.dbc", "small.dbc")
    assert "a DBC file that is there" in found.allowed


def test_a_dbc_that_is_none(folder: Path) -> None:
    (folder / "small.dbc").write_text("BO_ nonsense", encoding="utf-8")
    (found,) = _problems(folder)
    assert (found.file, found.key) == ("small.dbc", "text")


def test_a_folder_where_a_dbc_should_be(folder: Path) -> None:
    (folder / "small.dbc").unlink()
    (folder / "small.dbc").mkdir()
    (found,) = _problems(folder)
    assert (found.file, found.key) == ("small.dbc", "file")


def test_a_dbc_in_the_code_page_of_most_tools(folder: Path) -> None:
    (folder / "small.dbc").write_bytes(DBC.replace('"degC"', '"°C"').encode("cp1252"))
    assert load(folder).inputs[1].factor == 1.0


def test_byte_order_mark_and_windows_line_ends(folder: Path) -> None:
    text = "\ufeff" + RULES.replace("\n", "\r\n")
    (folder / "rules.toml").write_bytes(text.encode("utf-8"))
    assert [r.name for r in load(folder).rules] == ["egt-high", "lost:egt"]


def test_text_that_is_not_utf8(folder: Path) -> None:
    (folder / "rules.toml").write_bytes(RULES.encode() + b"# \xb0C\n")
    (found,) = _problems(folder)
    assert (found.file, found.key) == ("rules.toml", f"line {RULES.count(chr(10)) + 1}")
    assert "0xb0" in found.allowed


@pytest.mark.parametrize(("name", "largest"), [("rules.toml", LARGEST_BYTES), ("small.dbc", LARGEST_DBC_BYTES)])
def test_a_file_beyond_any_sense(folder: Path, name: str, largest: int) -> None:
    with (folder / name).open("ab") as file:
        file.truncate(largest + 1)
    (found,) = _problems(folder)
    assert (found.file, found.key) == (name, "size")


def _modules_after(code: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", code + "\nimport sys; print(*sys.modules)"], check=True, capture_output=True, text=True
    )
    return set(done.stdout.split())


def test_types_alone_do_not_import_pydantic() -> None:
    assert not _modules_after("import uphaul.config.spec") & {"pydantic", "cantools", "can"}


def test_a_kept_configuration_is_loaded_without_libraries_for_can() -> None:
    files = {"signals.toml": SIGNALS, "rules.toml": RULES, "small.dbc": DBC}
    code = f"from uphaul.config import load_texts\nload_texts({files!r}, check_inputs=False)"
    got = _modules_after(code)
    assert "pydantic" in got
    assert not got & {"cantools", "can"}
