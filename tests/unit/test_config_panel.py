"""The dash panel in a configuration: what it becomes, what is wrong with it, and the command that plays it."""

from __future__ import annotations

import json
from pathlib import Path

import gpiod
import pytest
from click.testing import CliRunner

from support.config_files import config_of, problems_of
from support.gpio_panel import Chip
from uphaul.cli import main
from uphaul.cli.config import command as config_command
from uphaul.config.spec import PanelSpec

PANEL = '[panel]\nchip = "/dev/gpiochip0"\n'
BUZZER = "buzzer = 17\n"
PULSE = (
    '[source.crank]\nkind = "pulse"\nchip = "/dev/gpiochip0"\nline = 17\nteeth = 60\n'
    '[signal.y]\nunit = "rpm"\nfrom = { source = "crank" }\n'
)


def test_no_table_is_no_panel() -> None:
    assert config_of().panel is None


def test_parts_by_number_and_name() -> None:
    table = PANEL + BUZZER + 'lamp = "LAMP"\nlamp_active_low = true\nbutton = 22\nbutton_bias = "as-is"\n'
    assert config_of(daemon=table).panel == PanelSpec(
        "/dev/gpiochip0", 17, "LAMP", 22, lamp_active_low=True, button_active_low=True, button_bias="as-is"
    )


def test_a_part_that_is_left_out_is_not_fitted() -> None:
    assert config_of(daemon=PANEL + BUZZER).panel == PanelSpec("/dev/gpiochip0", buzzer=17)


@pytest.mark.parametrize(
    ("table", "key", "allowed"),
    [
        ("[panel]\n" + BUZZER, "panel.chip", "is required"),
        (PANEL, "panel.buzzer", "a panel has at least one of them"),
        (PANEL + "buzzer = -1\n", "panel.buzzer", "must be a number from 0, or a name"),
        (PANEL + 'lamp = ""\n', "panel.lamp", "must be a number from 0, or a name"),
        (PANEL + "lamp = true\n", "panel.lamp", "must be a whole number or text"),
        (PANEL + BUZZER + "button = 17\n", "panel.button", "must be a line of its own: panel.buzzer has it"),
        (PANEL + BUZZER + 'button_bias = "up"\n', "panel.button_bias", "one of as-is, disabled, pull-up, pull-down"),
        (PANEL + BUZZER + "horn = 18\n", "panel.horn", ""),
    ],
)
def test_faults_are_told_with_place_and_what_would_be_right(table: str, key: str, allowed: str) -> None:
    found = problems_of(daemon=table)
    assert {(p.file, p.key) for p in found} == {("daemon.toml", key)}
    assert allowed in found[0].allowed


def folder(tmp_path: Path, table: str, signals: str = '[signal.y]\nunit = "rpm"\n') -> Path:
    (tmp_path / "signals.toml").write_text(signals)
    (tmp_path / "rules.toml").write_text("")
    (tmp_path / "daemon.toml").write_text(table)
    return tmp_path


def test_a_line_that_has_the_pulses_is_none_of_the_panels(tmp_path: Path) -> None:
    done = CliRunner().invoke(config_command, ["check", str(folder(tmp_path, PANEL + BUZZER, PULSE))])
    assert done.exit_code == 2
    assert "daemon.toml: panel.buzzer = 17: must be a line of its own: source crank has it." in done.output
    done = CliRunner().invoke(config_command, ["check", str(folder(tmp_path, PANEL + "buzzer = 18\n", PULSE))])
    assert done.exit_code == 0, done.output


def test_the_check_tells_what_is_wired(tmp_path: Path) -> None:
    where = str(folder(tmp_path, PANEL + BUZZER + 'lamp = "LAMP"\n'))
    assert (
        "panel     buzzer 17, lamp LAMP of /dev/gpiochip0"
        in CliRunner().invoke(config_command, ["check", where]).output
    )
    told = json.loads(CliRunner().invoke(config_command, ["check", where, "--json"]).output)
    assert (told["panel"]["buzzer"], told["panel"]["button"]) == (17, None)


# ------------------------------------------------------------------------------------------------- uphaul panel


def test_the_fitter_hears_it_and_it_ends_in_silence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    chip = Chip()
    monkeypatch.setattr(gpiod, "request_lines", chip.request_lines)
    done = CliRunner().invoke(main, ["panel", "--config", str(folder(tmp_path, PANEL + BUZZER)), "--try", "normal"])
    assert (done.exit_code, done.output) == (0, "")
    assert [each[17] for each in chip.changes] == [True, False, True, False]  # two ticks, and off for good
    assert chip.requests[0].released


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("", "has no [panel]: buzzer and lamp are described there"),
        (PANEL.replace("gpiochip0", "gpiochip-none") + BUZZER, "line 17 of /dev/gpiochip-none cannot be had: No such"),
    ],
)
def test_what_cannot_be_played_is_said(tmp_path: Path, table: str, said: str) -> None:
    done = CliRunner().invoke(main, ["panel", "--config", str(folder(tmp_path, table)), "--try", "stop"])
    assert done.exit_code == 2
    assert said in done.output


def test_lines_that_the_daemon_has_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    chip = Chip()
    chip.busy = True
    monkeypatch.setattr(gpiod, "request_lines", chip.request_lines)
    done = CliRunner().invoke(main, ["panel", "--config", str(folder(tmp_path, PANEL + BUZZER)), "--try", "stop"])
    assert done.exit_code == 2
    assert "another program has one of them" in done.output
