"""What `uphaul replay` says of a drive in which nothing was raised."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from uphaul.cli.replay import command

RULES = """
[[rule]]
name = "hot"
kind = "threshold"
signal = "egt"
above = 700
on_delay_s = 10
action = "ease"
say = "Exhaust too hot"
"""


def test_past_the_limit_but_not_for_long_enough_is_not_called_within_it(tmp_path: Path) -> None:
    (tmp_path / "rules.toml").write_text(RULES, encoding="utf-8")
    (tmp_path / "drive.csv").write_text("t_s,egt\ns,degC\n0,800\n", encoding="utf-8")
    done = CliRunner().invoke(command, [str(tmp_path / "drive.csv"), "--rules", str(tmp_path / "rules.toml")])
    assert done.exit_code == 0
    assert "No rule was raised." in done.output
    assert "beyond" not in done.output
    assert "-100 degC" in done.output  # the headroom of the closest approach says how far past it was
    assert "1 tick\n" in done.output
