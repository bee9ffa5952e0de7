"""A drive of the invented vehicle as rows of a CSV drive: names, units, then one row of readings a tick.

What a reading is while its wire is open or without contact is unknown, so the cell is empty.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from uphaul.demo.channels import CHANNELS
from uphaul.demo.engine import TUNES
from uphaul.demo.model import Model
from uphaul.demo.scenario import Scenario

__all__ = ["RECORDED", "record_csv"]

RECORDED = (
    "rpm",
    "map",
    "baro",
    "egt",
    "coolant",
    "head",
    "charge",
    "compressor_out",
    "ambient",
    "speed",
    "pedal",
    "lambda",
    "fuel",
    "oil_temp",
    "oil_pressure",
    "battery",
    "gear",
    "altitude",
    "exhaust_pressure",
    "turbo",
)
"""The channels of an ordinary drive file; the tune is a column of its own kind."""

_DECIMALS = {"rpm": 0, "turbo": 0, "gear": 0, "baro": 2, "lambda": 3, "fuel": 2, "battery": 2, "speed": 2}


def record_csv(
    scenario: Scenario,
    seconds: float,
    hz: float,
    *,
    seed: int | None = None,
    start_s: float = 0.0,
    channels: Sequence[str] = RECORDED,
) -> Iterator[list[str]]:
    """The cells of each row: the header, the units, then rows `1 / hz` apart from 0 s to before `seconds`.

    `start_s` is where in the scenario the drive begins. Raises KeyError for an unknown channel.
    """
    if not hz > 0.0:
        raise ValueError("hz must be positive")
    kinds = [CHANNELS[name] for name in channels]
    yield ["t_s", *channels, "tune"]
    yield ["s", *(kind.unit for kind in kinds), ""]
    columns = [(name, _DECIMALS.get(name, 1)) for name in channels]
    model = Model(scenario, seed)
    for i in range(round(seconds * hz)):
        t_s = i / hz
        reading = model.step(start_s + t_s)
        cells = ["" if name in model.faulted else f"{reading[name]:.{places}f}" for name, places in columns]
        tune = "" if "tune" in model.faulted else TUNES[int(reading["tune"])].name
        yield [f"{t_s:.3f}", *cells, tune]
