"""Two-point calibration: the straight line that carries an input's readings to what a reference says, or why not."""

from __future__ import annotations

from dataclasses import dataclass

from uphaul.errors import UphaulError

__all__ = [
    "HIGHEST_FACTOR",
    "LOWEST_FACTOR",
    "CalibrationError",
    "Point",
    "check_noise",
    "check_references",
    "two_point",
]

LOWEST_FACTOR, HIGHEST_FACTOR = 0.8, 1.25
"""A sensor that is further off is broken, or is not the one that was described. Our own bound."""
LEAST_SHARE = 0.05
"""The references must be apart by this share of the range: a line is not to be stretched to more than 20 times its
length. Our own bound."""
MOST_NOISE = 0.01
"""Noise (one standard deviation) at a point, as a share of the distance of the references: so the factor is uncertain
by less than 1.5 %, even if the mean of many readings were no better than one. Our own bound."""
MOST_SHIFT = 0.2
"""A point may be corrected by this share of the range: gauge pressure written for absolute is further off in most
ranges. Our own bound."""


class CalibrationError(UphaulError):
    """A calibration that would do harm; the message says what would be right."""


@dataclass(frozen=True, slots=True)
class Point:
    """What was read where the reference said `reference`, both in the signal's unit; `noise` one standard deviation."""

    reading: float
    reference: float
    noise: float = 0.0


def check_references(low: float, high: float, span: float | None, unit: str) -> None:
    """Raise CalibrationError unless the references lie in order and far enough apart for a range of `span`."""
    least = 0.0 if span is None else LEAST_SHARE * span
    if not high - low > 0.0:
        raise CalibrationError(
            f"the references are {low:g} and {high:g} {unit}: the low one must be below the high one"
        )
    if high - low < least:
        raise CalibrationError(
            f"the references are {high - low:g} {unit} apart: they must be apart by at least {least:g} {unit}, "
            f"a twentieth of the signal's range, or the line is stretched too far"
        )


def check_noise(point: Point, low: float, high: float, unit: str) -> None:
    """Raise CalibrationError for a point that is too noisy for references at `low` and `high`."""
    most = MOST_NOISE * (high - low)
    if not point.noise <= most:
        raise CalibrationError(
            f"at {point.reference:g} {unit} the reading is not steady: noise {point.noise:.3g} {unit}, "
            f"at most {most:.3g} {unit} would do for references {high - low:g} {unit} apart: wait, hold it steadier, "
            "or take references further apart"
        )


def two_point(low: Point, high: Point, span: float | None, unit: str) -> tuple[float, float]:
    """(factor, offset) with reference = reading * factor + offset at both points.

    `span` is the width of the signal's range in `unit`, None where it has none. Raises CalibrationError.
    """
    check_references(low.reference, high.reference, span, unit)
    apart = high.reference - low.reference
    for point in (low, high):
        check_noise(point, low.reference, high.reference, unit)
    read = high.reading - low.reading
    if not read > 0.0:
        raise CalibrationError(
            f"the reading went from {low.reading:.4g} to {high.reading:.4g} {unit} while the reference rose from "
            f"{low.reference:g} to {high.reference:g} {unit}: it must rise too. Was the input brought to both points?"
        )
    factor = apart / read
    if not LOWEST_FACTOR <= factor <= HIGHEST_FACTOR:
        raise CalibrationError(
            f"the reading went from {low.reading:.4g} to {high.reading:.4g} {unit} while the reference went from "
            f"{low.reference:g} to {high.reference:g} {unit}: a factor of {factor:.3g}, which must lie from "
            f"{LOWEST_FACTOR:g} to {HIGHEST_FACTOR:g}. Look at the sensor, its wiring and its table in signals.toml"
        )
    for point in (low, high):
        shift = point.reference - point.reading
        if span is not None and abs(shift) > MOST_SHIFT * span:
            raise CalibrationError(
                f"at {point.reference:g} {unit} it read {point.reading:.4g} {unit}: further off than "
                f"{MOST_SHIFT * span:g} {unit}, a fifth of the signal's range. Is the reference in {unit}, and gauge "
                "or absolute as the signal is?"
            )
    return factor, low.reference - factor * low.reading
