"""What a source of kind gps can tell, each channel with its unit, and how finely a position is kept."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["GPS_CHANNELS", "POSITION_PER_UNIT"]

GPS_CHANNELS: Mapping[str, str] = MappingProxyType(
    {
        "latitude": "deg",
        "longitude": "deg",
        "altitude": "m",
        "speed": "m/s",
        "climb": "m/s",
        "track": "deg",
        "horizontal_error": "m",
        "fix": "1",
        "satellites": "1",
        "hdop": "1",
    }
)
"""Units as in gpsd's protocol: degrees north and east, metres over mean sea level, degrees from true north."""

POSITION_PER_UNIT = {"latitude": 1_000_000, "longitude": 1_000_000}
"""Counts per degree unless the configuration says otherwise: a millionth of a degree of latitude is 0.11 m, by the
definition of the metre as a ten-millionth of a quarter meridian."""
