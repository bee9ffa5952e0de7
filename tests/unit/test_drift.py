"""Drift over drives: a sensor that creeps is found, noise and one odd stand are not."""

from __future__ import annotations

import numpy as np
import pytest

from support.drives import block_of, signals_of
from uphaul.analysis.drift import LEAST_DRIVES, cold_stand, drifts

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
    (found,) = drifts(_drives(30, 0.1))
    assert found.signal == "coolant"
    assert found.per_drive == pytest.approx(0.1, abs=0.02)
    assert found.total == pytest.approx(2.9, abs=0.5)
    assert found.drives == 30


def test_noise_few_drives_and_one_day_in_the_sun_are_no_drift() -> None:
    assert drifts(_drives(30, 0.0)) == []
    assert drifts(_drives(LEAST_DRIVES - 1, 1.0)) == []
    sun = _drives(30, 0.0)
    sun[-1] = _stand(ambient=26.0)
    assert drifts(sun) == []
    assert drifts([{}, *sun, {}]) == []
