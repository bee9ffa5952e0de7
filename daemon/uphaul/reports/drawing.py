"""What all drawings of reports share: how matplotlib is set up, and how its SVG becomes an element of a page."""

from __future__ import annotations

import re
from io import StringIO
from itertools import count
from typing import Any

from uphaul.errors import UphaulError

__all__ = ["INKS", "LIMIT_INK", "as_svg", "library", "settings"]

INKS = (("#1f4e79", "-"), ("#a85a00", (0, (5, 1.5))), ("#3f7030", (0, (1.2, 1.2))), ("#6b3a78", (0, (6, 1, 1, 1))))
"""Colour and dash of the lines of a panel: told apart without colour as well."""

LIMIT_INK = "#b00020"


def library() -> Any:
    """matplotlib. Raises UphaulError when it is not installed."""
    try:
        import matplotlib as mpl
    except ImportError as error:
        raise UphaulError("the report's charts need matplotlib: pip install 'uphaul[workshop]'") from error
    return mpl


def settings(name: str) -> dict[Any, Any]:
    """What a drawing of that name is drawn with, whatever the user's own settings are."""
    plain = {
        k: v for k, v in library().rcParamsDefault.items() if not k.startswith(("backend", "interactive", "toolbar"))
    }
    ours = {
        "svg.fonttype": "none",
        "svg.hashsalt": name,
        "text.parse_math": False,
        "font.family": "sans-serif",
        "font.sans-serif": ["DejaVu Sans"],
        "font.size": 7.0,
        "axes.linewidth": 0.6,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "xtick.major.width": 0.6,
        "ytick.major.width": 0.6,
        "axes.unicode_minus": True,
    }
    return plain | ours


def as_svg(canvas: Any, name: str) -> str:
    """The drawing on a canvas as an element of a page; `name` must differ between the drawings of a page."""
    out = StringIO()
    canvas.print_svg(out, metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return _inline(out.getvalue(), name)


_ID = re.compile(r' id="([^"]*)"')
_SPACES = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
_USED = re.compile(r'(?:url\(#|xlink:href="#)([^)"]+)')
_LONG = re.compile(r"-?\d+\.\d{3,}")
_COORDINATES = re.compile(r' (?:d|x|y|x1|x2|y1|y2|width|height|transform|points)="[^"]*"')


def _inline(svg: str, name: str) -> str:
    """The drawing as an element of a page: no prolog, no size, ids that no other chart has, short numbers."""
    svg = svg[svg.index("<svg") :]
    used = set(_USED.findall(svg))
    number = count()
    names = {old: f"{name}-{next(number)}" for old in sorted(used)}
    svg = _ID.sub(lambda m: f' id="{names[m[1]]}"' if m[1] in names else "", svg)
    svg = re.sub(r"(url\(#|xlink:href=\"#)([^)\"]+)", lambda m: m[1] + names[m[2]], svg)
    svg = _COORDINATES.sub(lambda m: _LONG.sub(lambda n: f"{float(n[0]):.2f}", m[0]), svg)
    head, rest = svg.split(">", 1)
    box = re.search(r'viewBox="[^"]*"', head)
    assert box is not None, "matplotlib gives every drawing a viewBox"
    return f'<svg {_SPACES} {box[0]} aria-hidden="true">{rest}'.strip()
