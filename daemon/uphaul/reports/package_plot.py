"""Plot of a build sheet: how much of each rating every tune asks for, over engine speed."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from itertools import cycle

import numpy as np

from uphaul.errors import UphaulError
from uphaul.physics.basis import Floats
from uphaul.vehicle.asked import Asked, courses
from uphaul.vehicle.sheet import BuildSheet

__all__ = ["package_plot"]

WIDTH_IN, PANEL_IN, HEAD_IN = 8.3, 2.9, 0.7
INKS = (("#1f4e79", "-"), ("#a85a00", (0, (5, 1.5))), ("#3f7030", (0, (1.2, 1.2))), ("#6b3a78", (0, (6, 1, 1, 1))))
MARKS = ("", "o", "s")
"""Lines are told apart by colour, dash and mark, so without colour as well."""
RATED_INK = "#b00020"


def package_plot(sheet: BuildSheet, tunes: Sequence[tuple[str, Sequence[Asked]]], title: str, kind: str) -> bytes:
    """The picture as `kind`, "svg" or "png": a panel a tune, each rating by the worst of its days, all of it at 100 %.

    `tunes` are titles with what the tune asks for, one a day. Raises UphaulError without matplotlib.
    """
    try:
        import matplotlib as mpl
        from matplotlib.figure import Figure
    except ImportError as error:
        raise UphaulError("--plot needs matplotlib: pip install 'uphaul[workshop]'") from error
    with mpl.rc_context({"font.size": 8.5, "svg.hashsalt": "uphaul", "svg.fonttype": "none"}):
        figure = Figure(figsize=(WIDTH_IN, PANEL_IN * len(tunes) + HEAD_IN), layout="constrained")
        axes = figure.subplots(len(tunes), 1, sharex=True, squeeze=False)[:, 0]
        figure.suptitle(_plain(f"{title}: what each tune asks of the parts, worst of the days"), fontsize=10)
        for axis, (name, asks) in zip(axes, tunes, strict=True):
            worst: dict[str, tuple[float, Floats, Floats]] = {}
            for ask in asks:
                for course in courses(sheet, ask):
                    label = f"{course.part}: {course.rating}"
                    most = float(np.nanmax(course.share))
                    if label not in worst or most > worst[label][0]:
                        worst[label] = most, ask.rpm, course.share * 100.0
            styles = cycle([(ink, mark) for mark in MARKS for ink in INKS])
            for (label, (_, rpm, percent)), ((colour, dash), mark) in zip(worst.items(), styles, strict=False):
                axis.plot(
                    rpm,
                    percent,
                    color=colour,
                    linestyle=dash,
                    marker=mark,
                    markevery=8,
                    markersize=3,
                    linewidth=1.3,
                    label=_plain(label),
                )
            axis.axhline(100.0, color=RATED_INK, linewidth=1.6)
            axis.set_ylim(0, max(120.0, *(110.0 * m[0] for m in worst.values() if m[0] < 2.0), 0.0))
            axis.set_title(_plain(name), loc="left", fontsize=9)
            axis.set_ylabel("% of rating")
            axis.grid(True, linewidth=0.4, color="#c8ccd0")
            axis.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), frameon=False, fontsize=7.5)
        axes[-1].set_xlabel("engine speed, rpm")
        out = BytesIO()
        figure.savefig(out, format=kind, dpi=150, metadata={"Date": None} if kind == "svg" else None)
    return out.getvalue()


def _plain(text: str) -> str:
    """Text as it is drawn: a dollar sign begins no formula."""
    return text.replace("$", r"\$")
