"""Drift over drives: a sensor that creeps is found, noise and one odd stand are not."""

from __future__ import annotations

import numpy as np
import pytest

from support.drives import block_of, signals_of
from uphaul.analysis.drift import LEAST_DRIVES, Drift, cold_stand, drifts, temperatures
from uphaul.signals import Signal

NAMES = ("coolant", "head", "oil_temp", "ambient")
SIGNALS = signals_of(("rpm", *NAMES), per_unit=100)


def _stand(before: int = 40, **readings: float) -> dict[str, float]:
    n = before + 20
    columns = {"rpm": [0.0] * before + [800.0] * 20}
    for name in NAMES:
        # once it runs everything moves, which must not count
        columns[name] = [readings.get(name, 18.0)] * before + [60.0] * 20
    assert all(len(c) == n for c in columns.values())
    return cold_stand(block_of(SIGNALS, columns), NAMES)


def moved(stands: list[dict[str, float]]) -> list[Drift]:
    return [d for d in drifts(stands) if d.moved]


def test_a_cold_stand_tells_the_distance_from_the_median() -> None:
    assert _stand(coolant=19.5) == pytest.approx({"coolant": 1.5, "head": 0.0, "oil_temp": 0.0, "ambient": 0.0})
    assert _stand(coolant=float("nan")) == {"head": 0.0, "oil_temp": 0.0, "ambient": 0.0}


def test_a_warm_engine_a_running_one_and_a_lone_sensor_say_nothing() -> None:
    nan = float("nan")
    assert _stand(coolant=60.0, head=60.0, oil_temp=55.0) == {}
    assert _stand(before=3) == {}
    assert _stand(coolant=nan, head=nan) == {}


def _drives(n: int, creep: float, seed: int = 2) -> list[dict[str, float]]:
    rng = np.random.default_rng(seed)
    days = [rng.normal(12.0, 6.0) for _ in range(n)]
    return [
        _stand(**{m: day + rng.normal(0, 0.15) + (creep * i if m == "coolant" else 0.0) for m in NAMES})
        for i, day in enumerate(days)
    ]


def test_a_sensor_that_creeps_is_found_and_how_fast() -> None:
    (found,) = moved(_drives(30, 0.1))
    assert found.signal == "coolant"
    assert found.per_drive == pytest.approx(0.1, abs=0.02)
    assert found.total == pytest.approx(2.9, abs=0.5)
    assert found.drives == 30


def test_noise_few_drives_and_one_day_in_the_sun_are_no_drift() -> None:
    assert moved(_drives(30, 0.0)) == []
    assert drifts(_drives(LEAST_DRIVES - 1, 1.0)) == []
    sun = _drives(30, 0.0)
    sun[-1] = _stand(ambient=26.0)
    assert moved(sun) == []
    assert moved([{}, *sun, {}]) == []


def test_sensors_that_stay_are_told_after_those_that_move() -> None:
    found = drifts(_drives(30, 0.1))
    assert [d.moved for d in found] == [True, False, False, False]
    assert {d.signal for d in found} == set(NAMES)


def test_units_of_temperature_go_together() -> None:
    # 64.4 degF are 18 degC, 291.15 K are 18 degC. Source: NIST SP 811, appendix B.8
    units = {"rpm": "rpm", "coolant": "degF", "head": "K", "oil_temp": "degC", "ambient": "degC"}
    signals = [Signal(name, unit, 100) for name, unit in units.items()]
    signals.append(Signal("rise", "degC", 4, computed=True))
    assert temperatures(signals) == list(NAMES)
    still = {"rpm": 0.0, "coolant": 66.2, "head": 291.15, "oil_temp": 18.0, "ambient": 18.0, "rise": 0.0}
    stand = cold_stand(block_of(signals, {name: [x] * 30 for name, x in still.items()}), NAMES)
    assert stand == pytest.approx({"coolant": 1.0, "head": 0.0, "oil_temp": 0.0, "ambient": 0.0}, abs=1e-9)
