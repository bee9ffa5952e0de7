"""Road load: what the road, the air, the slope and the mass with its trailer ask of the wheels.

Grade is rise over run (0.06 is 6 %), positive uphill. Speed is over ground and taken as speed through the air: a head
wind of 20 km/h at 75 km/h adds some 10 kW to a boxy trailer and is not seen.
"""

from __future__ import annotations

import numpy as np

from uphaul.physics.basis import GRAVITY_M_S2, Floats, not_negative, positive

__all__ = [
    "climb_n",
    "coastdown_s",
    "combined_kg",
    "crank_kw",
    "drag_n",
    "from_coefficients_n",
    "inertia_n",
    "mass_kg",
    "road_load_n",
    "rolling_n",
    "wheel_kw",
    "wheel_nm",
]


def _slope(grade: Floats) -> tuple[Floats, Floats]:
    """(sine, cosine) of the slope's angle."""
    cosine = 1.0 / np.sqrt(1.0 + grade * grade)
    return grade * cosine, cosine


def combined_kg(vehicle_kg: Floats, trailer_kg: Floats, hitched: Floats) -> Floats:
    """Mass (kg) of vehicle and, where `hitched` (0 or 1), trailer, whose mass may be unknown while it is not.

    Source: sum of masses.
    """
    towed = np.where(hitched > 0.5, not_negative(trailer_kg), 0.0)
    return np.where(np.isnan(hitched), np.nan, positive(vehicle_kg) + towed)


def rolling_n(mass_kg: Floats, grade: Floats, *, rolling_coefficient: float) -> Floats:
    """Rolling resistance (N) of all wheels, moving; free of speed. Source: definition of the coefficient."""
    return positive(mass_kg) * (GRAVITY_M_S2 * rolling_coefficient) * _slope(grade)[1]


def drag_n(speed_m_s: Floats, density_kg_m3: Floats, *, drag_area_m2: float) -> Floats:
    """Air drag (N); `drag_area_m2` is drag coefficient times frontal area. Source: definition of the coefficient."""
    v = not_negative(speed_m_s)
    return positive(density_kg_m3) * (0.5 * drag_area_m2) * v * v


def climb_n(mass_kg: Floats, grade: Floats) -> Floats:
    """Force (N) along the slope, negative downhill. Source: statics of the inclined plane."""
    return positive(mass_kg) * GRAVITY_M_S2 * _slope(grade)[0]


def inertia_n(mass_kg: Floats, accel_m_s2: Floats, *, rotating: float = 1.0) -> Floats:
    """Force (N) of acceleration; `rotating` is 1 plus the share that turning parts add, J / (m r2).

    Source: Newton's second law. 1.03..1.05 in high gears is common practice; the default leaves it out.
    """
    return positive(mass_kg) * accel_m_s2 * rotating


def road_load_n(
    speed_m_s: Floats,
    accel_m_s2: Floats,
    grade: Floats,
    mass_kg: Floats,
    density_kg_m3: Floats,
    *,
    rolling_coefficient: float,
    drag_area_m2: float,
    rotating: float = 1.0,
) -> Floats:
    """Force (N) that the wheels must give, negative when they must brake. Source: the sum of the four parts above."""
    sine, cosine = _slope(grade)
    weight = positive(mass_kg) * GRAVITY_M_S2
    return (
        weight * (sine + rolling_coefficient * cosine)
        + inertia_n(mass_kg, accel_m_s2, rotating=rotating)
        + drag_n(speed_m_s, density_kg_m3, drag_area_m2=drag_area_m2)
    )


def from_coefficients_n(
    speed_m_s: Floats,
    accel_m_s2: Floats,
    grade: Floats,
    mass_kg: Floats,
    *,
    a_n: float,
    b_n_s_m: float,
    c_n_s2_m2: float,
    rotating: float = 1.0,
) -> Floats:
    """Force (N) that the wheels must give, from the coefficients of a coastdown: A + B v + C v2 on the level.

    Source: 40 CFR 1066.210(d)(3).
    """
    sine, cosine = _slope(grade)
    v = not_negative(speed_m_s)
    level = a_n * cosine + v * (b_n_s_m + v * c_n_s2_m2)
    return level + inertia_n(mass_kg, accel_m_s2, rotating=rotating) + positive(mass_kg) * GRAVITY_M_S2 * sine


def wheel_kw(force_n: Floats, speed_m_s: Floats) -> Floats:
    """Power (kW) of a force at the wheels. Source: definition of power."""
    return force_n * not_negative(speed_m_s) / 1000.0


def wheel_nm(force_n: Floats, *, rolling_radius_m: float) -> Floats:
    """Torque (N·m) of a force at the driven wheels together. Source: definition of torque."""
    return force_n * rolling_radius_m


def crank_kw(wheel_kw: Floats, *, efficiency: float) -> Floats:
    """Crankshaft power (kW) behind a power at the wheels; on overrun the driveline's loss helps to brake.

    `efficiency` of clutch to wheels, over 0..1; 0.85..0.92 is common practice. Source: definition of efficiency.
    """
    return np.where(wheel_kw >= 0.0, wheel_kw / efficiency, wheel_kw * efficiency)


def mass_kg(
    force_n: Floats,
    speed_m_s: Floats,
    accel_m_s2: Floats,
    grade: Floats,
    density_kg_m3: Floats,
    *,
    rolling_coefficient: float,
    drag_area_m2: float,
    rotating: float = 1.0,
    least_m_s2: float = 0.3,
) -> Floats:
    """Mass (kg) that a known wheel force moves as seen: the inverse of `road_load_n`.

    NaN where slope, rolling and acceleration together ask less than `least_m_s2` of each kilogram (steady on the level,
    mass hardly shows), and where the force does not exceed the drag. Source: `road_load_n` solved for mass.
    """
    sine, cosine = _slope(grade)
    each = accel_m_s2 * rotating + GRAVITY_M_S2 * (sine + rolling_coefficient * cosine)
    left = positive(force_n - drag_n(speed_m_s, density_kg_m3, drag_area_m2=drag_area_m2))
    return left / np.where(each >= least_m_s2, each, np.nan)


def coastdown_s(from_m_s: Floats, to_m_s: Floats, effective_kg: Floats, *, a_n: float, c_n_s2_m2: float) -> Floats:
    """Time (s) to roll from one speed down to another against A + C v2 on the level; NaN if it never gets there.

    `effective_kg` includes turning parts. Source: the equation of motion integrated; 40 CFR 86.529-98 tabulates it.
    """
    v1, v2, m = positive(from_m_s), not_negative(to_m_s), positive(effective_kg)
    v2 = np.where(v2 <= v1, v2, np.nan)
    if a_n > 0.0 and c_n_s2_m2 > 0.0:
        knee = np.sqrt(c_n_s2_m2 / a_n)
        turned: Floats = np.arctan(v1 * knee) - np.arctan(v2 * knee)
        return m / float(np.sqrt(a_n * c_n_s2_m2)) * turned
    if a_n > 0.0:
        return m / a_n * (v1 - v2)
    if c_n_s2_m2 > 0.0:
        return m / c_n_s2_m2 * (1.0 / positive(v2) - 1.0 / v1)
    return np.full(np.shape(m), np.nan)
