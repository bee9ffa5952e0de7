"""The tables of the sources that take pulses and positions: kinds pulse and gps."""

from __future__ import annotations

from typing import Literal

from uphaul.config.tables import LONGEST_S, Table, key

__all__ = ["GpsTable", "PulseTable"]


class PulseTable(Table):
    """Engine speed from an alternator's W terminal or from teeth passing a pick-up."""

    kind: Literal["pulse"] = key("what the source is")
    chip: str | None = key(
        "the GPIO chip whose line has the pulses, as /dev/gpiochip0; or `counter`", None, min_length=1
    )
    line: str | int | None = key("number or name of the chip's line", None)
    edge: Literal["rising", "falling"] = key("the edge that counts: of a pick-up's, the steeper one", "rising")
    bias: Literal["as-is", "disabled", "pull-up", "pull-down"] = key("resistor that the chip itself adds", "as-is")
    counter: str | None = key(
        "the kernel's counter that has the pulses: its device's folder or name, and the count, as counter0/count0; or "
        "`chip` and `line`",
        None,
        max_length=200,
    )
    folder: str = key("where the kernel shows its counters", "/sys/bus/counter/devices", min_length=1, max_length=1000)
    pole_pairs: int | None = key(
        "pole pairs of the alternator (12 claws: 6), with `ratio`; or `teeth`", None, ge=1, le=100
    )
    teeth: int | None = key("teeth of the wheel, the missing ones counted; or `pole_pairs`", None, ge=1, le=1000)
    missing: int = key("teeth that are missing, all in one gap (60-2: 2)", 0, ge=0, le=10)
    ratio: float | None = key(
        "turns of alternator or wheel for one of the engine; required with pole_pairs, else 1 when left out (camshaft: "
        "0.5)",
        None,
        gt=0,
        le=100,
    )
    lowest_rpm: float = key("slower than this is standing: 0", 60.0, unit="rpm", gt=0, le=20_000)
    highest_rpm: float = key("faster than this is interference", 6000.0, unit="rpm", gt=0, le=50_000)
    every_s: float = key("a speed is told so often", 0.05, unit="s", ge=0.01, le=LONGEST_S)
    gate_s: float = key(
        "a counter's speed is the mean over so long; one count is 60 / (pulses a turn * gate_s) rpm",
        0.5,
        unit="s",
        gt=0,
        le=LONGEST_S,
    )


class GpsTable(Table):
    """A satellite receiver, through gpsd."""

    kind: Literal["gps"] = key("what the source is")
    host: str = key("where gpsd runs", "127.0.0.1", min_length=1, max_length=253)
    port: int = key("gpsd's port", 2947, ge=1, le=65_535)
    device: str | None = key(
        "the receiver, as gpsd calls it; left out: all that it has", None, min_length=1, max_length=200
    )
    silent_after_s: float = key(
        "no report for so long connects to gpsd anew; a receiver may need half a minute to be found",
        30.0,
        unit="s",
        gt=0,
        le=LONGEST_S,
    )
