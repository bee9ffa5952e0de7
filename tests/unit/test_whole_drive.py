"""A whole drive in memory: by role, in canonical units, whatever the configuration writes."""

from __future__ import annotations

import numpy as np
import pytest

from uphaul.analysis.whole import ROLES, join
from uphaul.signals import Block, Quality, QualityChange, Signal
from uphaul.units import UNITS


def block(signals: tuple[Signal, ...], t_ms: list[int], rows: list[list[float]]) -> Block:
    changes = (QualityChange(t_ms[0], len(signals) - 1, Quality.STALE),)
    return Block(signals, np.array(t_ms), np.array(rows), np.zeros(len(t_ms), dtype=np.int16), changes)


def test_a_role_is_read_in_its_canonical_unit() -> None:
    drive = join([block((Signal("boost", "psi", 100),), [0, 50], [[26.5], [float("nan")]])])
    assert drive.read("boost")[0] == pytest.approx(182.711, abs=1e-3)  # NIST SP 811: 1 psi = 6.894757 kPa
    assert np.isnan(drive.read("boost")[1])
    assert drive.has("boost")


def test_what_is_not_there_or_of_another_kind_is_unknown() -> None:
    drive = join([block((Signal("boost", "degC", 100),), [0], [[26.5]])])
    assert not drive.has("boost")
    assert not drive.has("egt")
    assert np.isnan(drive.read("boost")).all()


def test_parts_with_other_signals_are_brought_together_by_name() -> None:
    rpm, egt = Signal("rpm", "rpm", 1), Signal("egt", "degC", 4)
    drive = join([block((rpm,), [0, 50], [[800.0], [810.0]]), block((egt, rpm), [5000], [[300.0, 900.0]])])
    assert [s.name for s in drive.signals] == ["rpm", "egt"]
    assert drive.read("rpm").tolist() == [800.0, 810.0, 900.0]
    assert drive.quality[-1].signal == 0
    assert drive.dt_s.tolist() == [0.0, 0.05, 0.0]


def test_a_name_with_two_units_is_refused() -> None:
    parts = [block((Signal("egt", unit, 4),), [t], [[300.0]]) for t, unit in ((0, "degC"), (50, "degF"))]
    with pytest.raises(ValueError, match="egt is in degC and in degF"):
        join(parts)


def test_every_role_has_a_canonical_unit() -> None:
    assert all((UNITS[unit].factor, UNITS[unit].offset) == (1.0, 0.0) for unit in ROLES.values())
