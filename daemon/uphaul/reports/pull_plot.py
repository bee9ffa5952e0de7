"""Plot of pulls: power and torque at the wheels over engine speed, with the band of their uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from io import StringIO
from itertools import cycle
from typing import Any

import numpy as np

from uphaul.analysis.pulls import WHAT_A_ROAD_CANT_KNOW, PullCurve
from uphaul.errors import UphaulError

__all__ = ["pull_page", "pull_plot"]

WIDTH_IN, HEIGHT_IN = 7.1, 6.2
INKS = (("#1f4e79", "-"), ("#a85a00", (0, (5, 1.5))), ("#3f7030", (0, (1.2, 1.2))), ("#6b3a78", (0, (6, 1, 1, 1))))
"""Colour and dash: lines are told apart without colour as well."""


def pull_plot(curves: Sequence[tuple[str, PullCurve]], title: str) -> str:
    """The picture as SVG: a line for each of the named curves. Raises UphaulError without matplotlib."""
    try:
        import matplotlib as mpl
        from matplotlib.backends.backend_svg import FigureCanvasSVG
        from matplotlib.figure import Figure
    except ImportError as error:
        raise UphaulError("--plot needs matplotlib: pip install 'uphaul[workshop]'") from error
    settings: dict[Any, Any] = {
        "font.size": 8.5,
        "svg.hashsalt": "uphaul",
        "svg.fonttype": "none",
        "text.parse_math": False,
    }
    with mpl.rc_context(settings):
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), layout="constrained")
        canvas = FigureCanvasSVG(figure)
        above, below = figure.subplots(2, 1, sharex=True)
        figure.suptitle(title, fontsize=10)
        for (name, curve), (colour, dash) in zip(curves, cycle(INKS), strict=False):
            rpm = np.array(curve.rpm)
            for axes, middle, doubt in (
                (above, curve.of("power_kw"), curve.of("power_doubt_kw")),
                (below, curve.of("torque_nm"), curve.of("torque_doubt_nm")),
            ):
                axes.fill_between(rpm, middle - doubt, middle + doubt, color=colour, alpha=0.13, linewidth=0)
                axes.plot(rpm, middle, color=colour, linestyle=dash, linewidth=1.4, label=name)
        above.set_ylabel("power at the wheels, kW")
        below.set_ylabel("the same as torque at engine speed, N·m")
        below.set_xlabel("engine speed, rpm")
        for axes in (above, below):
            axes.set_ylim(bottom=0.0)
            axes.grid(visible=True, linewidth=0.4, color="#c8ccd0")
        above.legend(loc="upper left", frameon=False, fontsize=7.5)
        out = StringIO()
        print_svg: Any = canvas.print_svg
        print_svg(out, metadata={"Date": None})
    return out.getvalue()


def pull_page(svg: str, title: str, notes: Sequence[str]) -> str:
    """The picture as a page by itself, with the notes and what a road can't know beneath. No scripts."""
    drawing = svg[svg.index("<svg") :]
    sentences = "".join(f"<li>{escape(s)}</li>" for s in (*notes, *WHAT_A_ROAD_CANT_KNOW))
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        "<style>body{font:15px/1.45 sans-serif;max-width:52rem;margin:2rem auto;padding:0 1rem;color:#111}"
        "svg{width:100%;height:auto}</style></head><body>"
        f'<h1>{escape(title)}</h1><div role="img" aria-label="Power and torque at the wheels over engine speed">'
        f"{drawing}</div><p>Shaded: some 95 %.</p><ul>{sentences}</ul></body></html>\n"
    )
