"""How reports write times, numbers, units and the names of quantities, for people."""

from __future__ import annotations

import re
from math import ceil, floor, isfinite, log10

from uphaul.units import find

__all__ = [
    "ROLE_WORDS",
    "and_list",
    "capital",
    "clean",
    "clock",
    "decimals",
    "duration",
    "figure",
    "measured",
    "measured_span",
    "minus",
    "plural",
    "role_words",
    "sentence",
    "unit_words",
]

ROLE_WORDS = {
    "rpm": "engine speed",
    "speed": "road speed",
    "pedal": "pedal",
    "gear": "gear",
    "gear_by_ratio": "gear by its ratio",
    "boost": "boost",
    "map": "manifold pressure",
    "map_told": "manifold pressure as told by the engine computer",
    "baro": "barometer",
    "boost_actuator": "boost control's actuator, closed by",
    "exhaust_pressure": "pressure before the turbine",
    "drive_pressure": "drive pressure",
    "drive_ratio": "drive pressure to boost",
    "pressure_ratio": "compressor pressure ratio",
    "egt": "EGT",
    "egt_post": "EGT after the turbine",
    "coolant": "coolant",
    "head": "head metal",
    "charge": "air after the intercooler",
    "compressor_out": "air leaving the turbo",
    "ambient": "ambient",
    "oil_temp": "oil temperature",
    "oil_pressure": "oil pressure",
    "transmission": "transmission",
    "mixture": "mixture (lambda)",
    "fuel": "fuel",
    "air": "air",
    "battery": "supply voltage",
    "altitude": "altitude",
    "grade": "grade",
    "mass": "mass",
    "wheel_power": "power at the wheels",
    "crank_power": "power at the crankshaft",
    "clutch_slip": "clutch slip",
    "cooler_effectiveness": "intercooler effectiveness",
    "turbo_speed": "turbo speed",
}
"""What people call the roles of the analysis."""

_UNITS = {"1": "", "m3/s": "m³/s", "m/s2": "m/s²", "kg/m3": "kg/m³"}

_ODD = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufdd0-\ufdef\ufffe\uffff\ud800-\udfff]"
)
"""What no page may hold, and marks that turn the direction of the text after them."""


NO_BREAK = "\N{NO-BREAK SPACE}"


def clean(text: str) -> str:
    """A text that somebody wrote, without what would upset a page or a terminal."""
    return _ODD.sub("\N{REPLACEMENT CHARACTER}", text)


def role_words(role: str) -> str:
    """What people call a role; the role itself where there is no word."""
    return ROLE_WORDS.get(role, role.replace("_", " "))


def unit_words(unit: str) -> str:
    """A unit as people write it: ``°C``; nothing for a plain number."""
    return _UNITS.get(unit, unit).replace("degC", "°C").replace("degF", "°F")


def clock(t_ms: float) -> str:
    """Time into a drive: ``12:34.5``, with hours where there are any."""
    tenths = round(abs(t_ms) / 100)
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    sign = "-" if t_ms < 0 else ""
    return f"{sign}{hours}:{minutes:02d}:{rest / 10:04.1f}" if hours else f"{sign}{minutes}:{rest / 10:04.1f}"


def duration(ms: float) -> str:
    """A length of time in words: ``4.2 s``, ``3 min 12 s``, ``2 h 05 min``."""
    tenths = round(ms / 100)  # rounded before it is divided up: 119.6 s are 2 min 00 s, never 1 min 60 s
    if tenths < 600:
        return f"{tenths / 10:.1f} s"
    seconds = round(ms / 1000)
    if seconds < 3600:
        return f"{seconds // 60} min {seconds % 60:02d} s"
    return f"{seconds // 3600} h {seconds % 3600 // 60:02d} min"


def figure(value: float | None, unit: str = "", *, sign: bool = False) -> str:
    """A value to about three digits with its unit in people's words, a dash when unknown."""
    if value is None or not isfinite(value):
        return "–"
    decimals = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2 if abs(value) >= 0.1 else 3
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    text = "0" if text == "-0" else text
    if sign and not text.startswith("-") and text != "0":
        text = f"+{text}"
    text = text.replace("-", "\N{MINUS SIGN}")
    words = unit_words(unit)
    return f"{text}\N{NO-BREAK SPACE}{words}" if words else text


def measured_span(low: float, high: float, unit: str) -> str:
    """Lowest to highest measured, one value where they read alike."""
    first, last = measured(low, unit), measured(high, unit)
    return last if first == last else f"{first.split(NO_BREAK)[0]} to {last}"


FINEST = {
    "pressure": 1.0, "temperature": 1.0, "rotation": 1.0, "speed": 0.3, "voltage": 0.1,
    "current": 1.0, "ratio": 0.01, "length": 1.0, "angle": 0.1, "mass": 1.0, "mass flow": 0.001, "power": 1.0,
    "torque": 1.0, "energy": 1.0, "acceleration": 0.1,
}  # fmt: skip
"""What a sensor of the kind can tell apart at best, in the canonical unit. Source: common practice: a pressure sensor
of 300 kPa is good to 1 % of it, a thermocouple to 1.5 K (IEC 60584-1, class 1, from memory), a wide-band lambda to
0.01."""


def decimals(value: float, unit: str) -> int:
    """How many decimals of a measured value say something: by its unit, times by their length."""
    if unit == "s":
        return 0 if abs(value) >= 10 else 1
    known = find(unit)
    if known is None or known.kind not in FINEST:
        return 0 if abs(value) >= 10 else 1 if abs(value) >= 1 else 2
    return max(0, ceil(-log10(FINEST[known.kind] / known.factor) - 1e-9))


def minus(text: str) -> str:
    """A number's text with a proper minus sign, and none before a zero."""
    return text.lstrip("-") if not text.strip("-0.") else text.replace("-", "\N{MINUS SIGN}")


def measured(value: float | None, unit: str = "", *, sign: bool = False, doubt: float | None = None) -> str:
    """A measured value with its unit, no finer than its sensor tells, or than `doubt` (of the same unit) leaves open.

    Two digits of the doubt count. Source: JCGM 100:2008 (GUM), 7.2.6, from memory.
    """
    if value is None or not isfinite(value):
        return "–"
    digits = decimals(value, unit)
    if doubt is not None and isfinite(doubt) and doubt > 0.0:
        digits = min(digits, max(0, 1 - floor(log10(doubt))))
    text = f"{value:{'+' if sign else ''}.{digits}f}"
    text = minus(text.lstrip("+") if not text.strip("+-0.") else text)
    words = unit_words(unit)
    return f"{text}\N{NO-BREAK SPACE}{words}" if words else text


def plural(count: int, one: str, many: str = "") -> str:
    """``1 alert``, ``3 alerts``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def capital(words: str) -> str:
    """The words with a capital at the beginning."""
    return words[:1].upper() + words[1:]


def sentence(words: str) -> str:
    """The words with an end: a full stop, unless they end as a question or a sentence already."""
    return words if words.endswith((".", "?", "!")) else f"{words}."


def and_list(words: list[str]) -> str:
    """``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""
