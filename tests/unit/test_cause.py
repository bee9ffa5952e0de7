"""An alert about a lost signal names the fault, on the page and in the journal."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import pytest

from support.status_page import busy, calm
from uphaul.alerts.cause import cause_of
from uphaul.cli.telling import teller
from uphaul.config.spec import Config
from uphaul.derive import Computed
from uphaul.rules import ABOVE, Action, Condition, Kind, Rule, Setting
from uphaul.signals import Quality, Signal
from uphaul.vehicle import Vehicle
from uphaul.web import WebState
from uphaul.web.state import told

MAP, BARO = Signal("map", "kPa", 10), Signal("baro", "kPa", 10)
BOOST, RATIO = (Signal(name, unit, 10, computed=True) for name, unit in (("boost", "kPa"), ("ratio", "1")))
SIGNALS = (MAP, BARO, BOOST, RATIO)
COMPUTED = (
    Computed(BOOST, "gauge-pressure", (("absolute", "map"), ("barometric", "baro"))),
    Computed(RATIO, "ratio", (("numerator", "boost"), ("denominator", "boost"))),
)


def lost(signal: str, kind: Kind = Kind.LOST) -> Rule:
    return Rule(f"lost:{signal}", kind, signal, ABOVE, Setting(on_delay_ms=2000), Action.NOTE, say="No reading")


@pytest.mark.parametrize(
    ("signal", "map_is", "baro_is", "words"),
    [
        ("map", Quality.OPEN_CIRCUIT, Quality.GOOD, "open circuit"),
        ("map", Quality.SHORT_TO_GROUND, Quality.STALE, "short to ground"),
        ("map", Quality.STALE, Quality.GOOD, "stale"),
        ("map", Quality.SATURATED, Quality.GOOD, ""),
        ("baro", Quality.OPEN_CIRCUIT, Quality.GOOD, ""),
        ("boost", Quality.GOOD, Quality.SHORT_TO_SUPPLY, "baro: short to supply"),
        ("ratio", Quality.OPEN_CIRCUIT, Quality.GOOD, "map: open circuit"),
        ("ratio", Quality.GOOD, Quality.GOOD, ""),
    ],
)
def test_the_fault_behind_a_lost_signal(signal: str, map_is: Quality, baro_is: Quality, words: str) -> None:
    qualities = (map_is, baro_is, Quality.GOOD, Quality.GOOD)
    assert cause_of(lost(signal), SIGNALS, qualities, COMPUTED) == words


def test_an_alert_of_another_kind_has_a_value_for_its_reason() -> None:
    qualities = (Quality.OPEN_CIRCUIT,) * 4
    assert cause_of(lost("map", Kind.THRESHOLD), SIGNALS, qualities) == ""


def test_the_journal_names_it() -> None:
    config = Config(20, 1000, (), SIGNALS, (), COMPUTED, (lost("map"),), Vehicle())
    said: list[str] = []
    tell = teller(config, said.append)
    tell(Condition(65_000, 0, True, nan, nan, -1), "open circuit")
    tell(Condition(66_000, 0, True, nan, nan, -1), "")
    assert said == ["1:05.0  note   No reading [lost:map: open circuit]", "1:06.0  note   No reading [lost:map]"]


def test_the_page_is_told_it() -> None:
    alert = replace(busy().alerts[-1], cause="open circuit")
    shown = told(replace(calm(), alerts=(alert,)), WebState(calm), 0)
    assert shown["alerts"][0]["cause"] == "open circuit"
