"""Charts of a report: no extreme is lost, no gap is bridged, and the drawing stands alone."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from uphaul.reports.charts import Band, Panel, Pin, Span, chart, thin
from uphaul.rules import Action

N = 100_000
T = 50 * np.arange(N, dtype=np.int64)
NO_GAPS = np.zeros(N, dtype=bool)


def line(svg: str, colour: str = "#1f4e79") -> list[list[tuple[float, float]]]:
    """The points of the line of that colour, one list for each piece of it."""
    (path,) = [
        d for d, style in re.findall(r'<path d="([^"]+)"[^>]*style="([^"]*)"', svg) if f"stroke: {colour}" in style
    ]
    pieces: list[list[tuple[float, float]]] = []
    for kind, x, y in re.findall(r"([ML]) (\S+) (\S+)", path):
        if kind == "M":
            pieces.append([])
        pieces[-1].append((float(x), float(y)))
    return pieces


def drawn(values: np.ndarray, gaps: np.ndarray = NO_GAPS, **more: object) -> str:  # type: ignore[type-arg]
    line = thin(T, gaps, values, "EGT")
    assert line is not None
    panel = Panel("EGT", "°C", (line,), bands=tuple(more.get("bands", ())))  # type: ignore[call-overload]
    return chart([panel], (0, int(T[-1])), **more)  # type: ignore[arg-type]


def test_a_peak_of_one_tick_in_a_hundred_thousand_is_drawn_where_it_was() -> None:
    values = np.full(N, 500.0)
    values[N // 4] = 800.0
    (points,) = line(drawn(values))
    highest = min(points, key=lambda p: p[1])  # y grows downwards
    first, last = points[0][0], points[-1][0]
    assert (highest[0] - first) / (last - first) == pytest.approx(0.25, abs=0.003)
    assert highest[1] < points[0][1] - 20.0
    assert sum(p[1] < points[0][1] - 1.0 for p in points) == 1


def test_a_gap_and_an_unknown_stretch_break_the_line() -> None:
    values = 500.0 + 10.0 * np.sin(np.arange(N) / 300.0)
    values[20_000:40_000] = np.nan
    gaps = NO_GAPS.copy()
    gaps[70_000] = True
    assert len(line(drawn(values, gaps))) == 3


def test_alerts_and_marks_stand_there_by_number() -> None:
    svg = drawn(
        np.full(N, 500.0),
        bands=[Band(100_000, 200_000, "A1", Action.STOP)],
        pins=[Pin(2_500_000, "M1")],
        strip=[Span(0, 4_000_000, "climb"), Span(4_000_000, 4_010_000, "pull")],
    )
    words = re.findall(r">([^<>]+)</text>", svg)
    assert {"A1", "M1", "climb", "EGT, °C"} <= set(words)
    assert "pull" not in words  # too narrow for its word


def test_it_is_one_well_formed_element_without_a_size_or_a_name_that_another_has() -> None:
    values = np.full(N, 500.0)
    one, other = drawn(values, name="a"), drawn(values, name="b")
    for svg in (one, other):
        head = ElementTree.fromstring(svg)
        assert head.tag == "{http://www.w3.org/2000/svg}svg" and "viewBox" in head.attrib
        assert "width" not in head.attrib and "height" not in head.attrib
        assert "metadata" not in svg and "<?xml" not in svg
    ids = [set(re.findall(r' id="([^"]+)"', svg)) for svg in (one, other)]
    assert ids[0] and not ids[0] & ids[1]
    assert one == drawn(values, name="a")


def test_it_draws_by_its_own_settings_whatever_the_user_has_set() -> None:
    import matplotlib as mpl

    values = np.full(N, 500.0)
    plain = drawn(values)
    with mpl.rc_context({"font.size": 30.0, "lines.linewidth": 9.0, "axes.facecolor": "red"}):
        assert drawn(values) == plain


def test_a_thousand_alerts_side_by_side_are_drawn_as_one_and_a_single_short_one_is_seen() -> None:
    side_by_side = [Band(1000 * i, 1000 * i + 900, f"A{i}", Action.NOTE) for i in range(1000)]
    alone = Band(4_000_000, 4_000_000, "A1001", Action.NOTE)
    svg = drawn(np.full(N, 500.0), bands=[*side_by_side, alone])
    bars = [d for d, style in re.findall(r'<path d="([^"]+)"[^>]*style="([^"]*)"', svg) if "fill: #e4e7ea" in style]
    assert len(bars) == 2
    assert len(svg) < 40_000
