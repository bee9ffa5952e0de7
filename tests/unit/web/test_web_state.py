"""What the page's JSON says about values, units, qualities and states."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from support.status_page import busy, calm
from uphaul.alerts import State
from uphaul.rules import Action
from uphaul.signals import Quality
from uphaul.status import ACTION_WORDS, STATE_WORDS, SignalView, Status
from uphaul.units import UNITS
from uphaul.web import WebState
from uphaul.web.state import as_json, told, unit_systems


def shown(status: Status) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(as_json(told(status, WebState(calm), 5)))
    return found


def signal(view: SignalView) -> dict[str, Any]:
    found: dict[str, Any] = shown(replace(calm(), signals=(view,)))["signals"][0]
    return found


@pytest.mark.parametrize("value", [None, float("nan"), float("inf")])
def test_a_value_that_is_none_is_unknown_whatever_its_quality(value: float | None) -> None:
    got = signal(SignalView("egt", "degC", value))
    assert (got["value"], got["quality"]) == (None, "unknown")


def test_a_value_of_a_bad_quality_is_not_shown() -> None:
    got = signal(SignalView("egt", "degC", 700.0, Quality.OPEN_CIRCUIT))
    assert (got["value"], got["quality"]) == (None, "open circuit")


def test_a_saturated_value_is_shown_with_its_quality() -> None:
    got = signal(SignalView("map", "kPa", 255.0, Quality.SATURATED))
    assert (got["value"], got["quality"]) == (255.0, "saturated")


@pytest.mark.parametrize(("per_unit", "decimals"), [(1, 0), (4, 0), (10, 0), (100, 1), (1000, 2), (10000, 2)])
def test_decimals_are_fewer_than_the_resolution_supports(per_unit: int, decimals: int) -> None:
    assert signal(SignalView("x", "kPa", 1.0, per_unit=per_unit))["decimals"] == decimals


def test_every_state_and_action_has_words_for_people() -> None:
    assert set(STATE_WORDS) == set(State)
    assert set(ACTION_WORDS) == set(Action)


def test_recoveries_are_told_by_rule_and_raise() -> None:
    got = shown(replace(calm(), recovered=busy().alerts[:1]))["recovered"]
    assert got == [{"rule": "egt-high", "raise": 1, "say": "Exhaust too hot: ease off, change down"}]


def test_alerts_keep_the_order_they_are_given_in() -> None:
    assert [a["action"] for a in shown(busy(stop=True))["alerts"]] == ["stop", "ease", "note", "note"]


def test_the_json_is_one_line_so_that_it_is_one_event() -> None:
    text = as_json(told(replace(calm(), notices=("two\nlines",)), WebState(calm), 0))
    assert "\n" not in text


@pytest.mark.parametrize(
    ("unit", "written"),
    [("degC", "°C"), ("degC/s", "°C/s"), ("1", ""), ("1/s", "/s"), ("km/h", "km/h"), ("m/s2", "m/s²")],
)
def test_units_are_written_for_people(unit: str, written: str) -> None:
    assert signal(SignalView("x", unit, 1.0))["unit"] == written


@pytest.mark.parametrize("state", State)
def test_only_a_condition_that_holds_tells_the_driver_to_act(state: State) -> None:
    alert = replace(busy().alerts[0], state=state)
    got = shown(replace(calm(), alerts=(alert,)))["alerts"][0]
    holds = state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)
    assert got["act"] == ("Ease off now" if holds else "Back to normal")


@pytest.mark.parametrize(
    ("code", "system", "value", "words", "shown_as"),
    [
        ("kPa", "us", 101.325, "psi", 14.6959),  # NIST SP 811 (2008), appendix B.8: 1 psi = 6.894757 kPa
        ("degC", "us", 100.0, "°F", 212.0),  # NIST SP 811, appendix B.8
        ("degF", "metric", 32.0, "°C", 0.0),  # NIST SP 811, appendix B.8
        ("km/h", "us", 100.0, "mph", 62.1371),  # NIST SP 811, appendix B.8: 1 mi/h = 1.609344 km/h
        ("m", "us", 1000.0, "ft", 3280.84),  # NIST SP 811, appendix B.8: 1 ft = 0.3048 m
        ("kg", "us", 2700.0, "lb", 5952.48),  # NIST SP 811, appendix B.8: 1 lb = 0.45359237 kg
        ("N·m", "us", 840.0, "lbf·ft", 619.552),  # NIST SP 811, appendix B.8: 1 lbf·ft = 1.355818 N·m
        ("rpm", "us", 2200.0, "rpm", 2200.0),  # the same on either side
        ("psi", "metric", 26.5, "kPa", 182.711),  # NIST SP 811, appendix B.8
        ("m/s", "us", 10.0, "mph", 22.3694),  # NIST SP 811, appendix B.8: a speed, and no rate of a length in ft
        ("kg/s", "us", 0.1, "lb/min", 13.2277),  # NIST SP 811, appendix B.8
        ("K/min", "us", 5.0, "°F/min", 9.0),  # NIST SP 811, appendix B.8: a difference of 1 K is one of 1.8 degF
        ("K/min", "metric", 5.0, "°C/min", 5.0),  # NIST SP 811, 8.5: a difference of 1 °C is one of 1 K
        ("K/s", "us", 5.0, "°F/s", 9.0),  # likewise
    ],
)
def test_each_unit_system_shows_the_published_conversion(
    code: str, system: str, value: float, words: str, shown_as: float
) -> None:
    row: dict[str, Any] = unit_systems()[code][system]
    assert row["words"] == words
    assert value * row["factor"] + row["offset"] == pytest.approx(shown_as, rel=1e-5, abs=1e-9)


def test_a_slope_has_no_offset() -> None:
    row: dict[str, Any] = unit_systems()["degC/s"]["us"]
    assert (row["words"], row["factor"], row["offset"]) == ("°F/s", pytest.approx(1.8), 0.0)


def test_every_unit_that_a_signal_can_have_is_in_both_systems() -> None:
    for unit in UNITS.values():
        assert set(unit_systems()[unit.name]) == {"metric", "us"}
