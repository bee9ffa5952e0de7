"""What the invented vehicle can be asked for: every channel with its unit, meaning and how its sensor behaves."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CHANNELS", "Channel"]


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity that the vehicle reports.

    `noise` is the standard deviation of a reading and `lag_s` the time constant of the sensor, both of ordinary
    vehicle sensors (common practice). A channel without noise is a number that a real vehicle counts or computes.
    """

    name: str
    unit: str
    meaning: str
    noise: float = 0.0
    lag_s: float = 0.0


_ROWS = (
    Channel("rpm", "rpm", "engine speed", 4.0),
    Channel("map", "kPa", "absolute pressure in the intake manifold", 0.6, 0.03),
    Channel("baro", "kPa", "barometric pressure", 0.05),
    Channel("egt", "degC", "exhaust gas before the turbine, 3 mm sheathed probe", 0.8, 3.0),
    Channel("coolant", "degC", "coolant leaving the engine, before the thermostat", 0.12, 4.0),
    Channel("head", "degC", "metal of the cylinder head", 0.15, 2.0),
    Channel("charge", "degC", "charge air after the cooler", 0.3, 1.5),
    Channel("compressor_out", "degC", "charge air before the cooler", 0.4, 2.5),
    Channel("ambient", "degC", "outside air", 0.08, 10.0),
    Channel("speed", "km/h", "road speed", 0.08, 0.1),
    Channel("pedal", "%", "accelerator pedal", 0.15),
    Channel("lambda", "1", "air-fuel ratio over the stoichiometric one, at most 8", 0.006, 0.3),
    Channel("fuel", "kg/h", "fuel injected", 0.04, 0.1),
    Channel("oil_temp", "degC", "engine oil in the sump", 0.12, 4.0),
    Channel("oil_pressure", "kPa", "engine oil in the main gallery, above barometric", 2.5, 0.1),
    Channel("battery", "V", "supply voltage", 0.02),
    Channel("gear", "1", "gear engaged, 0 for neutral or an open clutch"),
    Channel("altitude", "m", "height above the sea", 0.6),
    Channel("exhaust_pressure", "kPa", "absolute pressure before the turbine (drive pressure)", 1.2, 0.1),
    Channel("turbo", "rpm", "speed of the turbocharger's shaft", 120.0),
    Channel("tune", "1", "number of the calibration in use"),
    Channel("key", "1", "ignition key: 1 on, 0 off"),
    Channel("air", "kg/h", "air drawn in by the engine", 1.2, 0.05),
    Channel("afr", "1", "mass of air over mass of fuel, at most 116"),
    Channel("torque", "N·m", "torque at the crankshaft before the accessories"),
    Channel("power", "kW", "power at the crankshaft before the accessories"),
    Channel("grade", "%", "slope of the road, positive uphill"),
    Channel("distance", "m", "way driven since the start"),
    Channel("fan", "%", "engagement of the cooling fan"),
)

CHANNELS: dict[str, Channel] = {c.name: c for c in _ROWS}
"""Every channel by name, in the order in which they are reported."""
