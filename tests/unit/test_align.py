"""Two drives laid side by side by distance and by place, on roads whose shape is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from support.whole_drives import Leg, by_hand
from uphaul.analysis.align import EARTH_M, distance_km, places_km
from uphaul.analysis.whole import WholeDrive
from uphaul.physics.basis import Floats
from uphaul.signals import Signal

SPEED_M_S = 20.0


def on_road(north_m: Floats, east_m: Floats, hz: int = 20, *, lat: float = 45.0, lon: float = 7.0) -> WholeDrive:
    """A drive at 20 m/s whose place at each tick is given in m from a corner of the invented road."""
    seconds = len(north_m) / hz
    base = by_hand([Leg(seconds, rpm=2000.0, speed=SPEED_M_S)], hz)
    north = lat + np.degrees(north_m / EARTH_M)
    east = lon + np.degrees(east_m / (EARTH_M * np.cos(np.radians(lat))))
    signals = (*base.signals, Signal("latitude", "deg", 10**7), Signal("longitude", "deg", 10**7))
    return replace(base, signals=signals, values=np.column_stack((base.values, north, east)))


def straight(metres: float, start: float = 0.0, step: float = SPEED_M_S / 20) -> Floats:
    return np.arange(start, start + metres, step)


def test_the_distance_is_speed_by_time_and_stands_still_while_it_is_unknown() -> None:
    drive = by_hand([Leg(100.0, rpm=2000.0, speed=20.0)])
    assert distance_km(drive)[-1] == pytest.approx(20.0 * 99.95 / 1000.0)
    values = drive.values.copy()
    values[400:1400, 1] = np.nan
    lost = distance_km(replace(drive, values=values))
    assert (np.diff(lost) >= 0).all()
    assert lost[1390] == pytest.approx(lost[450], abs=0.03)


def test_a_drive_lies_on_itself() -> None:
    drive = on_road(straight(3000.0), np.zeros(3000))
    place = places_km(drive, drive)
    known = ~np.isnan(place)
    assert known.mean() > 0.99
    np.testing.assert_allclose(place[known], distance_km(drive)[known], atol=0.011)


def test_a_drive_that_began_further_on_lies_that_much_further_on() -> None:
    reference = on_road(straight(3000.0), np.zeros(3000))
    later = on_road(straight(1000.0, 1000.0), np.full(1000, 6.0))
    place = places_km(later, reference)
    known = ~np.isnan(place)
    assert known.mean() > 0.98
    np.testing.assert_allclose(place[known], distance_km(later)[known] + 1.0, atol=0.012)


def test_the_way_back_on_the_same_road_is_another_way() -> None:
    reference = on_road(straight(2000.0), np.zeros(2000))
    back = on_road(straight(2000.0)[::-1].copy(), np.zeros(2000))
    assert np.isnan(places_km(back, reference)).all()


def test_off_the_road_there_is_no_place() -> None:
    reference = on_road(straight(2000.0), np.zeros(2000))
    aside = on_road(straight(2000.0), np.where(np.arange(2000) < 1000, 0.0, 200.0))
    place = places_km(aside, reference)
    assert (~np.isnan(place[:950])).mean() > 0.98
    assert np.isnan(place[1050:]).all()


def test_the_date_line_is_no_edge() -> None:
    reference = on_road(np.zeros(2000), straight(2000.0), lat=10.0, lon=179.99)
    values = reference.values.copy()
    values[:, -1] = (values[:, -1] + 180.0) % 360.0 - 180.0
    place = places_km(replace(reference, values=values), reference)
    known = ~np.isnan(place)
    assert known.mean() > 0.98
    np.testing.assert_allclose(place[known], distance_km(reference)[known], atol=0.012)


def test_without_a_receiver_nothing_has_a_place() -> None:
    blind = by_hand([Leg(10.0, rpm=2000.0, speed=20.0)])
    drive = on_road(straight(200.0), np.zeros(200))
    assert np.isnan(places_km(blind, drive)).all()
    assert np.isnan(places_km(drive, blind)).all()
