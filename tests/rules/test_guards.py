"""The sample's guards on sensors and on use: each is raised by a drive with its fault, and not by one that comes near.

The drives are the invented vehicle's, one reading changed; limits are common practice or our own starting points, as
config/rules.toml says of each.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from support.demo_drives import Drive, drive
from support.sample_examples import whole_sample
from uphaul.analysis.review import episodes
from uphaul.pipeline import Row, rejudge
from uphaul.signals import Block, quantise

Columns = dict[str, np.ndarray]
Change = Callable[[Columns, np.ndarray], None]

GUARDS = {
    "clutch-launch-heat", "towing-on-stock-tune", "temperatures-disagree", "temperature-odd-one", "egt-disagrees",
    "manifold-disagrees", "coolant-lost", "coolant-falls-head-rises", "coolant-falls-under-load", "egt-stuck",
    "manifold-stuck", "boost-altered", "towing-unplugged", "towing-on-stock-tune-plugged",
}  # fmt: skip
EXTRA = {"transmission-warm", "transmission-hot", "transmission-boiling", "egt-post-high"}
OWN = {"mixture": "lambda", "tune_code": "tune"}


def raised(columns: Columns, t_s: np.ndarray, tune: str = "tow") -> set[str]:
    """Names of all rules that became true on the drive."""
    config = whole_sample()
    values = np.full((len(t_s), len(config.signals)), np.nan)
    for k, s in enumerate(config.signals):
        if s.name in columns:
            values[:, k] = quantise(columns[s.name], np.array([float(s.per_unit)]))
    row = Row(config.signals, config.rules, config.tunes, computed=config.computed, gap_ms=config.gap_ms)
    tunes = np.full(len(t_s), config.tunes.index(tune), dtype=np.int16)
    block = Block(config.signals, np.rint(t_s * 1000).astype(np.int64), values, tunes)
    return {e.rule for e in episodes(rejudge(row, [block]).conditions, [r.name for r in config.rules])}


def columns_of(driven: Drive) -> Columns:
    """What the sample's sensors read on that drive; of the examples' sensors the plug alone: in."""
    names = [s.name for s in whole_sample().signals if not s.computed and OWN.get(s.name, s.name) in driven.of]
    out = {n: driven[OWN.get(n, n)].copy() for n in names}
    for n in names:
        out[n][driven.faulted[OWN.get(n, n)]] = np.nan
    out["plug"] = np.ones(len(driven.t_s))
    out["map_told"] = out["map"] - 1.0
    return out


def changed(scenario: str, until_s: float, change: Change) -> tuple[Columns, np.ndarray]:
    """The beginning of a scenario with something changed."""
    driven = drive(scenario, healthy=True)
    keep = driven.t_s < until_s
    columns = {n: x[keep] for n, x in columns_of(driven).items()}
    change(columns, driven.t_s[keep])
    return columns, driven.t_s[keep]


def off(name: str, by: float) -> Change:
    """A sensor that reads so much too high."""

    def change(c: Columns, t: np.ndarray) -> None:
        c[name] += by

    return change


def stuck(name: str, from_s: float, until_s: float = np.inf, wobble: float = 0.0) -> Change:
    """A sensor that stays where it is, but for a wobble."""

    def change(c: Columns, t: np.ndarray) -> None:
        here = (t >= from_s) & (t < until_s)
        c[name][here] = c[name][np.argmax(here)] + wobble * np.sin(t[here])

    return change


def slides(name: str, from_s: float, per_s: float, lowest: float, **held: float) -> Change:
    """A sensor that slides from where it is; others held where they are told."""

    def change(c: Columns, t: np.ndarray) -> None:
        here = t >= from_s
        c[name][here] = np.maximum(c[name][np.argmax(here)] + per_s * (t[here] - from_s), lowest)
        for other, value in held.items():
            c[other][here] = value

    return change


def told_at_most(short_of_peak: float, offset: float = 0.0) -> Change:
    """The engine computer is told no more than so much below the highest manifold pressure."""

    def change(c: Columns, t: np.ndarray) -> None:
        c["map_told"] = np.minimum(c["map"], np.nanmax(c["map"]) - short_of_peak) + offset

    return change


def nothing(c: Columns, t: np.ndarray) -> None:
    """All sound."""


COLD = ("flat-cruise", 20.0)
SETTING_OFF = ("flat-cruise", 400.0)
CLIMB = ("climb-heat", 420.0)
ROWS: dict[str, tuple[tuple[str, float, Change], tuple[str, float, Change]]] = {
    # rule: (a drive that raises it), (one that comes near)
    "temperatures-disagree": ((*COLD, off("coolant", 4.0)), (*COLD, off("coolant", 1.8))),
    "temperature-odd-one": ((*COLD, off("oil_temp", 5.0)), (*COLD, off("oil_temp", 2.0))),
    "egt-disagrees": ((*COLD, off("egt", 14.0)), (*COLD, off("egt", 5.0))),
    "manifold-disagrees": ((*COLD, off("map", -5.0)), (*COLD, off("map", 0.8))),
    "coolant-lost": ((*CLIMB, slides("coolant", 300.0, -1.0, 60.0)), (*CLIMB, off("coolant", -8.0))),
    "coolant-falls-head-rises": (
        (*CLIMB, slides("coolant", 120.0, -0.06, 60.0)),
        (*CLIMB, slides("coolant", 120.0, -0.01, 60.0)),
    ),
    "coolant-falls-under-load": (
        (*CLIMB, slides("coolant", 150.0, -0.08, 60.0, head=88.0, fuel=25.0)),
        (*CLIMB, slides("coolant", 150.0, -0.08, 60.0, head=88.0, fuel=8.0)),
    ),
    "egt-stuck": ((*SETTING_OFF, stuck("egt", 230.0)), (*SETTING_OFF, stuck("egt", 230.0, wobble=3.0))),
    "manifold-stuck": ((*SETTING_OFF, stuck("map", 220.0)), (*SETTING_OFF, stuck("map", 220.0, wobble=2.0))),
    "boost-altered": ((*SETTING_OFF, told_at_most(40.0)), (*SETTING_OFF, told_at_most(12.0))),
}


@pytest.mark.parametrize("rule", sorted(ROWS))
def test_a_sensor_that_can_not_be_right_is_told(rule: str) -> None:
    fault, near = ROWS[rule]
    assert rule in raised(*changed(*fault))
    assert rule not in raised(*changed(*near))


@pytest.mark.parametrize("scenario", ["climb-heat", "flat-cruise"])
def test_a_sound_vehicle_raises_no_guard(scenario: str) -> None:
    assert not raised(*changed(scenario, np.inf, nothing)) & GUARDS


def test_a_coolant_sensor_is_not_judged_by_an_engine_that_is_warm() -> None:
    columns, t = changed("flat-cruise", 20.0, nothing)
    for name in ("coolant", "head", "oil_temp", "charge", "compressor_out"):
        columns[name] += {"coolant": 9.0, "head": 8.0, "oil_temp": 14.0}.get(name, 5.0)
    assert not raised(columns, t) & GUARDS


def test_a_probe_that_stands_still_with_the_pedal_is_believed() -> None:
    assert "egt-stuck" not in raised(*changed("flat-cruise", 900.0, stuck("egt", 600.0)))


def test_sensors_that_differ_at_rest_already_are_not_called_altered() -> None:
    assert "boost-altered" not in raised(*changed(*SETTING_OFF, told_at_most(40.0, offset=9.0)))


def test_a_trailer_is_felt_and_the_tune_told() -> None:
    columns, t = changed("climb-heat", 420.0, nothing)
    assert "towing-on-stock-tune" in raised(columns, t, "stock")
    assert "towing-on-stock-tune" not in raised(columns, t, "tow")
    columns["fuel"] = columns["fuel"] * 0.55  # as much as the vehicle alone takes, about
    assert "towing-on-stock-tune" not in raised(columns, t, "stock")


def test_the_trailers_plug_is_compared_with_what_is_felt_and_with_the_tune() -> None:
    columns, t = changed("climb-heat", 420.0, nothing)
    assert not {"towing-unplugged", "towing-on-stock-tune-plugged"} & raised(columns, t)
    assert "towing-on-stock-tune-plugged" in raised({**columns, "tune_code": np.zeros(len(t))}, t, "stock")
    columns["plug"][:] = 0.0
    assert "towing-unplugged" in raised(columns, t)


def launches(every_s: float, kw: float) -> tuple[Columns, np.ndarray]:
    """Three times from a standstill: 4 s in which the clutch closes evenly at 1,500 rpm, then rest out of gear."""
    t = np.arange(0.0, 3 * every_s, 0.05)
    at = t % every_s
    off_ = at < 4.0
    locked = 1500.0 * np.pi / 30.0 * 0.380 / (4.38 * 4.885) * 3.6  # km/h in first
    return {
        "rpm": np.full(len(t), 1500.0),
        "speed": np.where(off_, at / 4.0 * locked, 0.0),
        "gear": np.where(off_, 1.0, 0.0),
        "fuel": np.where(off_, kw * 0.222, 1.0),
    }, t


def test_three_heavy_launches_in_five_minutes_are_too_many() -> None:
    # 30 kW * 4 s / 2 = 60 kJ each: torque times slip, which falls evenly from all to none
    assert "clutch-launch-heat" in raised(*launches(60.0, 30.0))
    assert "clutch-launch-heat" not in raised(*launches(200.0, 30.0))
    assert "clutch-launch-heat" not in raised(*launches(60.0, 20.0))


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("transmission", 104.0, set()),
        ("transmission", 106.0, {"transmission-warm"}),
        ("transmission", 121.0, {"transmission-warm", "transmission-hot"}),
        ("transmission", 136.0, {"transmission-warm", "transmission-hot", "transmission-boiling"}),
        ("egt_post", 590.0, set()),
        ("egt_post", 610.0, {"egt-post-high"}),
    ],
)
def test_the_examples_for_other_vehicles_have_their_limits(name: str, value: float, expected: set[str]) -> None:
    t = np.arange(0.0, 40.0, 0.05)
    assert raised({name: np.full(len(t), value)}, t) & EXTRA == expected
