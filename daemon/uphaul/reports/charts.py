"""Charts of a drive as SVG to be put into a page: panels over one time axis, with alerts, marks and limits.

No text that comes from a log is drawn: alerts and marks stand there by number, quantities by the words of this project.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from uphaul.analysis.decimate import decimate
from uphaul.physics.basis import Bools, Floats, Ints
from uphaul.reports.drawing import INKS, LIMIT_INK, as_svg, library, settings
from uphaul.rules import Action

__all__ = ["Band", "Line", "Panel", "Pin", "Span", "chart", "thin"]

WIDTH_IN, PANEL_IN, STRIP_IN, FOOT_IN = 7.1, 0.80, 0.30, 0.36
BUCKETS = 420
"""Stretches of the time axis of which the extremes are drawn: finer than a printer's line on the width of a page."""

FINEST = 0.0015
"""Share of the width that something needs to be seen: some quarter of a millimetre on paper."""

WASH = {Action.NOTE: "#e4e7ea", Action.EASE: "#f6dfb5", Action.STOP: "#f3c3bb"}
STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200)


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """What is drawn of a signal: values over ms of the drive's time, NaN where the line breaks."""

    t_ms: Floats
    values: Floats
    words: str = ""

    @property
    def ends(self) -> tuple[float, float]:
        """The lowest and the highest value; thinning keeps both."""
        return float(np.nanmin(self.values)), float(np.nanmax(self.values))


def thin(t_ms: Ints, gaps: Bools, values: Floats, words: str = "") -> Line | None:
    """The line to draw of `values` (N,), None where all are unknown. `gaps` (N,): ticks that follow a gap."""
    at = decimate(t_ms.astype(np.float64), values, gaps, BUCKETS)
    y = np.where(at < 0, np.nan, values[at])
    return Line(np.where(at < 0, np.nan, t_ms[at]), y, words) if np.isfinite(y).any() else None


@dataclass(frozen=True, slots=True)
class Band:
    """An alert that lasted from `start_ms` to `stop_ms`."""

    start_ms: int
    stop_ms: int
    label: str
    action: Action


@dataclass(frozen=True, slots=True)
class Panel:
    """One axis: lines, and limits in force, all in `unit`; the alerts that are shaded on it."""

    title: str
    unit: str
    lines: tuple[Line, ...]
    limits: tuple[Line, ...] = ()
    bands: tuple[Band, ...] = ()


@dataclass(frozen=True, slots=True)
class Pin:
    """A moment with a label."""

    t_ms: int
    label: str


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a strip above the panels, with a word that is drawn where it fits."""

    start_ms: int
    stop_ms: int
    word: str


def chart(
    panels: Sequence[Panel],
    ends_ms: tuple[int, int],
    *,
    bands: Sequence[Band] = (),
    pins: Sequence[Pin] = (),
    strip: Sequence[Span] = (),
    name: str = "chart",
) -> str:
    """Draw panels over the drive's time from `ends_ms` to `ends_ms`; `bands` and `pins` are named above them.

    `name` must differ between the charts of a page.

    Raises UphaulError when the library is not installed.
    """
    mpl = library()
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    height = STRIP_IN + PANEL_IN * len(panels) + FOOT_IN
    with mpl.rc_context(settings(name)):
        figure = Figure(figsize=(WIDTH_IN, height))
        canvas = FigureCanvasSVG(figure)
        ratios = [STRIP_IN, *[PANEL_IN] * len(panels)]
        grid = figure.add_gridspec(
            len(ratios),
            1,
            height_ratios=ratios,
            hspace=0.32,
            left=0.075,
            right=0.975,
            top=0.995,
            bottom=FOOT_IN / height,
        )
        top = figure.add_subplot(grid[0])
        _strip(top, ends_ms, strip, bands, pins)
        for i, panel in enumerate(panels):
            axes = figure.add_subplot(grid[i + 1])
            _panel(axes, panel)
            _dress(axes, ends_ms, panel.bands, pins, last=i + 1 == len(panels))
        return as_svg(canvas, name)


def _strip(
    axes: Any, ends_ms: tuple[int, int], strip: Sequence[Span], bands: Sequence[Band], pins: Sequence[Pin]
) -> None:
    """What the vehicle was doing, below; the numbers of alerts and marks, above."""
    axes.set_axis_off()
    axes.set_xlim(ends_ms)
    axes.set_ylim(0.0, 2.0)
    wide = ends_ms[1] - ends_ms[0]
    bars: tuple[list[tuple[float, float]], ...] = ([], [])
    for i, span in enumerate(strip):
        a, b = max(span.start_ms, ends_ms[0]), min(span.stop_ms, ends_ms[1])
        if b - a < FINEST * wide:
            continue
        bars[i % 2].append((a, b - a))
        if (b - a) / wide > 0.0105 * len(span.word) + 0.004:
            axes.text((a + b) / 2, 0.40, span.word, ha="center", va="center", size=6.0, color="#22313f")
    for shade, own in zip(("#dfe6ec", "#c9d4de"), bars, strict=True):
        axes.broken_barh(own, (0.0, 0.84), facecolor=shade, edgecolor="none")
    taken = -1.0
    labels = [
        (max(b.start_ms, ends_ms[0]), b.label) for b in bands if b.stop_ms >= ends_ms[0] and b.start_ms <= ends_ms[1]
    ]
    labels += [(p.t_ms, p.label) for p in pins if ends_ms[0] <= p.t_ms <= ends_ms[1]]
    for at, label in sorted(labels):
        place = (at - ends_ms[0]) / wide
        if place < taken:
            continue  # the table has it; two labels on one another have neither
        bold = "bold" if any(p.label == label for p in pins) else "normal"
        left = place < 0.97
        axes.text(at, 1.45, label, ha="left" if left else "right", va="center", size=6.5, weight=bold, color="#111111")
        taken = place + 0.011 * len(label) + 0.006


def _panel(axes: Any, panel: Panel) -> None:
    """The lines of one panel."""
    for line in panel.limits:
        axes.plot(line.t_ms, line.values, color=LIMIT_INK, lw=0.7, ls=(0, (4, 2)), zorder=2)
    drawn = []
    for line, (colour, dash) in zip(panel.lines, INKS, strict=False):
        drawn += axes.plot(line.t_ms, line.values, color=colour, ls=dash, lw=0.9, zorder=3)
    lows, highs = zip(*(line.ends for line in (*panel.lines, *panel.limits)), strict=True)
    room = max(max(highs) - min(lows), 1e-9) * 0.08
    axes.set_ylim(min(lows) - room, max(highs) + room)
    title = f"{panel.title}, {panel.unit}" if panel.unit else panel.title
    if len(panel.lines) > 1:
        axes.legend(
            drawn, [line.words for line in panel.lines], loc="lower right",
            bbox_to_anchor=(1.0, 0.98), ncols=4, fontsize=6.0,
            frameon=False, borderpad=0.0, borderaxespad=0.0, handlelength=2.4, columnspacing=1.0,
        )  # fmt: skip
    axes.text(0.0, 1.03, title, transform=axes.transAxes, ha="left", va="bottom", size=6.8, weight="bold")


def _dress(axes: Any, ends_ms: tuple[int, int], bands: Sequence[Band], pins: Sequence[Pin], *, last: bool) -> None:
    axes.set_xlim(ends_ms)
    whole = axes.get_xaxis_transform()
    for action, wash in WASH.items():
        bars = _bars([b for b in bands if b.action is action], ends_ms)
        if bars:
            axes.broken_barh(bars, (0.0, 1.0), transform=whole, facecolor=wash, edgecolor="none", zorder=0)
    for pin in pins:
        if ends_ms[0] <= pin.t_ms <= ends_ms[1]:
            axes.axvline(pin.t_ms, color="#111111", lw=0.9, zorder=4)
    span_s = (ends_ms[1] - ends_ms[0]) / 1000.0
    step_s = next((s for s in STEPS_S if span_s / s <= 9), STEPS_S[-1])
    begin = -(-ends_ms[0] // (step_s * 1000)) * step_s * 1000
    ticks = list(range(int(begin), ends_ms[1] + 1, step_s * 1000))
    axes.set_xticks(ticks)
    axes.yaxis.get_major_locator().set_params(nbins=4)
    axes.grid(visible=True, color="#d5d9dd", lw=0.4, zorder=1)
    axes.tick_params(length=2.0, pad=1.5)
    if last:
        axes.set_xticklabels([_time(t) for t in ticks])
        axes.set_xlabel(
            "time into the drive, min:s" if ends_ms[1] < 3_600_000 else "time into the drive, h:min:s", labelpad=1
        )
    else:
        axes.set_xticklabels([])


def _bars(bands: Sequence[Band], ends_ms: tuple[int, int]) -> list[tuple[float, float]]:
    """(begin, width) of what the bands cover: none too narrow to be seen, and those that nobody could part as one."""
    least = FINEST * (ends_ms[1] - ends_ms[0])
    out: list[tuple[float, float]] = []
    for band in sorted(bands, key=lambda b: b.start_ms):
        a, b = float(max(band.start_ms, ends_ms[0])), float(min(band.stop_ms, ends_ms[1]))
        if b < a:
            continue
        b = max(b, a + least)
        if out and a <= out[-1][0] + out[-1][1] + least:
            out[-1] = (out[-1][0], max(b - out[-1][0], out[-1][1]))
        else:
            out.append((a, b - a))
    return out


def _time(t_ms: int) -> str:
    minutes, seconds = divmod(t_ms // 1000, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"
