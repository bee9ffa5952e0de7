"""Draws quantities over engine speed, with what was expected of them, as SVG to be put into a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from uphaul.physics.basis import Floats
from uphaul.reports.drawing import LIMIT_INK, as_svg, library, settings

__all__ = ["BENCH", "EXPECTED_ROLE", "OWN", "PACKAGE", "RATED", "Course", "CurvePanel", "Role", "curve_chart"]

WIDTH_IN, ROW_IN, FOOT_IN = 7.1, 1.75, 0.42


@dataclass(frozen=True, slots=True)
class Role:
    """How a kind of course looks: colour, dash, and the hatching of its band; told apart without colour as well."""

    words: str
    ink: str
    dash: Any
    hatch: str = ""
    wash: float = 0.16


OWN = Role("this pull, shaded: some 95 %", "#1f4e79", "-")
EXPECTED_ROLE = Role("expected of the tune, shaded: what the check accepts after spool-up", "#a85a00", (0, (5, 1.5)))
BENCH = Role("dynamometer, brought to the wheels", "#3f7030", (0, (1.2, 1.2)))
PACKAGE = Role("vehicles of the package, hatched: where a new one is expected", "#5b6670", (0, (6, 1, 1, 1)), "//", 0.0)
RATED = Role("rating of a part", LIMIT_INK, (0, (4, 2)))
ROLES = (OWN, EXPECTED_ROLE, BENCH, PACKAGE, RATED)


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Values over engine speed in rpm (N,), and the band around them where there is one. NaN where the line breaks."""

    role: Role
    rpm: Floats
    values: Floats
    low: Floats | None = None
    high: Floats | None = None


@dataclass(frozen=True, slots=True, eq=False)
class CurvePanel:
    """One quantity: its courses, all in `unit`."""

    title: str
    unit: str
    courses: tuple[Course, ...]


def curve_chart(panels: Sequence[CurvePanel], name: str) -> str:
    """Draw the panels two in a row; `name` must differ between the drawings of a page. Raises UphaulError."""
    mpl = library()
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

    rows = (len(panels) + 1) // 2
    height = ROW_IN * rows + FOOT_IN
    with mpl.rc_context({**settings(name), "hatch.linewidth": 0.35}):
        figure = Figure(figsize=(WIDTH_IN, height))
        canvas = FigureCanvasSVG(figure)
        grid = figure.add_gridspec(
            rows, 2, hspace=0.42, wspace=0.16, left=0.06, right=0.985, top=1.0 - 0.2 / height, bottom=0.62 / height
        )
        used: dict[str, Role] = {}
        for i, panel in enumerate(panels):
            axes = figure.add_subplot(grid[i // 2, i % 2])
            for course in panel.courses:
                used[course.role.words] = course.role
                _course(axes, course)
            title = f"{panel.title}, {panel.unit}" if panel.unit else panel.title
            axes.text(0.0, 1.03, title, transform=axes.transAxes, ha="left", va="bottom", size=7.2, weight="bold")
            axes.grid(visible=True, color="#d5d9dd", lw=0.4, zorder=1)
            axes.tick_params(length=2.0, pad=1.5)
            axes.margins(x=0.02, y=0.08)
            if i + 2 >= len(panels):
                axes.set_xlabel("engine speed, rpm", labelpad=1)
        shown = [r for r in ROLES if r.words in used]
        lines = [Line2D([], [], color=r.ink, ls=r.dash, lw=1.1) for r in shown]
        figure.legend(
            lines, [r.words for r in shown], loc="lower left", bbox_to_anchor=(0.05, 0.0), ncols=2, fontsize=6.2,
            frameon=False, borderpad=0.0, borderaxespad=0.2, handlelength=3.0, columnspacing=1.6, labelspacing=0.25,
        )  # fmt: skip
        return as_svg(canvas, name)


def _course(axes: Any, course: Course) -> None:
    role = course.role
    if course.low is not None and course.high is not None:
        axes.fill_between(
            course.rpm, course.low, course.high, facecolor=role.ink if role.wash else "none",
            edgecolor=role.ink if role.hatch else "none", alpha=role.wash or None, hatch=role.hatch or None,
            linewidth=0.0, zorder=2,
        )  # fmt: skip
        if role.hatch:  # printed small, hatching alone fades
            for edge in (course.low, course.high):
                axes.plot(course.rpm, edge, color=role.ink, lw=0.5, zorder=2)
    axes.plot(course.rpm, course.values, color=role.ink, ls=role.dash, lw=1.1, zorder=3)
