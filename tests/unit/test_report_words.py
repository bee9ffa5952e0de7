"""How reports write what was measured: no finer than a sensor of its kind tells, or than its doubt leaves open."""

from __future__ import annotations

import pytest

from uphaul.reports.words import measured, measured_span


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        # a pressure sensor of 300 kPa is good to 1 % of it: common practice
        (162.4, "kPa", "162 kPa"),
        (23.55, "psi", "23.6 psi"),
        (1.624, "bar", "1.62 bar"),
        (-3.49, "kPa", "−3 kPa"),
        # a thermocouple is good to 1.5 K: IEC 60584-1, class 1, from memory
        (641.26, "degC", "641 °C"),
        (1186.3, "degF", "1186 °F"),
        (0.18, "K", "0 K"),
        (-0.18, "K", "0 K"),
        (17.83, "K/s", "18 K/s"),
        (1.1634, "1", "1.16"),
        (0.4, "%", "0 %"),
        (12.27, "V", "12.3 V"),
        (749.6, "rpm", "750 rpm"),
        (6.83, "s", "6.8 s"),
        (863.6, "s", "864 s"),
        (4.26, "kPa/s", "4.3 kPa/s"),  # neither is of a kind that is known
        (float("nan"), "kPa", "–"),
        (None, "kPa", "–"),
    ],
)
def test_a_measured_value_is_no_finer_than_its_sensor(value: float | None, unit: str, text: str) -> None:
    assert measured(value, unit).replace("\N{NO-BREAK SPACE}", " ") == text


@pytest.mark.parametrize(
    ("value", "unit", "doubt", "text"),
    [
        # two digits of the uncertainty: JCGM 100:2008 (GUM) 7.2.6, from memory
        (13.248, "A", 12.7, "13 A"),
        (1.2345, "1", 0.12, "1.23"),
        (1.2345, "1", 1.2, "1.2"),
        (97.83, "kW", 0.4, "98 kW"),  # a sensor tells no finer, whatever is said of its doubt
        (97.83, "kW", 13.4, "98 kW"),
    ],
)
def test_a_value_is_no_finer_than_its_doubt(value: float, unit: str, doubt: float, text: str) -> None:
    assert measured(value, unit, doubt=doubt).replace("\N{NO-BREAK SPACE}", " ") == text


def test_signs_are_told_where_they_are_asked_for() -> None:
    assert [measured(x, "K", sign=True) for x in (18.7, -2.2, 0.2)] == ["+19\xa0K", "−2\xa0K", "0\xa0K"]


def test_a_span_is_one_value_where_both_ends_read_alike() -> None:
    assert measured_span(1.170, 1.174, "1") == "1.17"
    assert measured_span(11.8, 23.2, "degC") == "12 to 23\xa0°C"
