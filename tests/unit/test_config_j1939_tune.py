"""The keys of J1939 and of the tune input: what they come to, and what is said about faults in them."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.config_files import SIGNALS, VEHICLE, config_of, problems_of
from uphaul.config import load_texts
from uphaul.config.spec import CanSpec, TuneInput
from uphaul.sources.can_decode import describe
from uphaul.units import find

TUNE = '\n[tune_input]\nsignal = "map"\n'


def can(*lines: str) -> CanSpec:
    (source,) = config_of(signals=with_lines(*lines)).sources
    assert isinstance(source, CanSpec)
    return source


def with_lines(*lines: str) -> str:
    return SIGNALS.replace('kind = "can"\n', "\n".join(['kind = "can"', *lines, ""]))


def test_a_bus_is_plain_unless_it_says_otherwise() -> None:
    assert (can().protocol, can().source_addresses) == ("plain", (0,))


@pytest.mark.parametrize(
    ("line", "addresses"),
    [
        ("", (0,)),
        ("source_address = 3", (3,)),
        ("source_address = [0, 3, 0]", (0, 3)),
        ("source_address = [0, 253]", (0, 253)),
        ("source_address = []", None),
    ],
)
def test_a_j1939_bus_listens_to_these_addresses(line: str, addresses: tuple[int, ...] | None) -> None:
    source = can('protocol = "j1939"', line)
    assert (source.protocol, source.source_addresses) == ("j1939", addresses)


@pytest.mark.parametrize(
    ("lines", "key", "allowed"),
    [
        (['protocol = "j1939"', "source_address = 254"], "source_address", "an address from 0 to 253"),
        (['protocol = "j1939"', "source_address = [0, -1]"], "source_address[1]", "an address from 0 to 253"),
        (["source_address = 0"], "source_address", 'only for protocol = "j1939"'),
        (['protocol = "j1938"'], "protocol", "one of plain, j1939"),
    ],
)
def test_faults_of_a_j1939_source(lines: list[str], key: str, allowed: str) -> None:
    (problem,) = problems_of(signals=with_lines(*lines))
    assert problem.key == f"source.bus.{key}"
    assert allowed in problem.allowed


def test_the_table_of_facts_can_be_configured_as_it_is() -> None:
    text = (Path(__file__).resolve().parents[2] / "config" / "j1939.dbc").read_text(encoding="utf-8")
    messages = describe(text)
    assert all(find(unit) is not None for fields in messages.values() for unit in fields.values())
    lines = ['[source.bus]\nkind = "can"\ninterface = "virtual"\nprotocol = "j1939"\ndbc = "small.dbc"']
    for message, fields in messages.items():
        for field, unit in fields.items():
            name = f"{message}_{field}".lower()
            origin = f'{{ source = "bus", message = "{message}", field = "{field}" }}'
            lines.append(f'[signal.{name}]\nunit = "{unit}"\nfrom = {origin}')
    config = load_texts({"signals.toml": "\n".join(lines) + "\n", "rules.toml": "", "small.dbc": text})
    assert len(config.inputs) == sum(map(len, messages.values())) > 20
    assert all((i.factor, i.offset) == (1.0, 0.0) for i in config.inputs)


def test_bands_of_a_signal() -> None:
    config = config_of(signals=SIGNALS + TUNE + "bands = { tow = [150, 250], stock = [0, 100] }\nhold_s = 0.5\n")
    assert config.tune_input == TuneInput("map", (), (("stock", 0.0, 100.0), ("tow", 150.0, 250.0)), 500)


def test_without_a_vehicle_file_tunes_come_from_the_bands_too() -> None:
    signals = SIGNALS + TUNE + "bands = { race = [0, 100], eco = [150, 250] }\n"
    assert set(config_of(signals=signals, vehicle=None).tunes) == {"race", "eco"}


@pytest.mark.parametrize(
    ("lines", "key", "allowed"),
    [
        (
            "bands = { stock = [0, 100], tow = [50, 250] }",
            "bands.tow",
            "must begin above 100 kPa, where the band of stock",
        ),
        ("bands = { stock = [0, 100], tow = [100, 250] }", "bands.tow", "must begin above 100 kPa"),
        ("bands = { stock = [0, 300], tow = [50, 100] }", "bands.tow", "must begin above 300 kPa"),
        ("bands = { stock = [100, 0] }", "bands.stock", "the lowest first"),
        ("bands = { stock = [100, 100] }", "bands.stock", "nothing lies in such a band"),
        ("bands = { stock = [0, 401] }", "bands.stock", "must lie within map's range, 0 to 400 kPa"),
        ("bands = { towe = [0, 100] }", "bands.towe", "must be named after a tune of vehicle.toml"),
        ("bands = { stock = [0, 1, 2] }", "bands.stock", "at most 2 entries"),
        ("bands = { }", "bands", "at least 1"),
        ("bands = { stock = [0, 100] }\nvalues = { 0 = 'stock' }", "", "`values` or `bands`, not both"),
        ("", "", "needs `values` or `bands`"),
        ("values = { 0 = 'stock' }\nhold_s = 0.0005", "hold_s", "whole milliseconds"),
        ("values = { 0 = 'stock' }\nhold_s = -1", "hold_s", "a number from 0 to 60, in s"),
    ],
)
def test_faults_of_the_tune_input(lines: str, key: str, allowed: str) -> None:
    (problem,) = problems_of(signals=SIGNALS + TUNE + lines + "\n")
    assert problem.key == ("tune_input." + key).rstrip(".")
    assert allowed in problem.allowed


def test_the_vehicle_file_of_these_tests_names_the_tunes_that_are_used_here() -> None:
    assert "[tune.stock]" in VEHICLE and "[tune.tow]" in VEHICLE
