"""Writes a report as one HTML file that needs nothing else: no script, no link, nothing from elsewhere."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from typing import Any

from uphaul.errors import UphaulError
from uphaul.reports.page import Bullets, Chart, Heading, Para, Report, Table

__all__ = ["to_html"]

_ODD = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufdd0-\ufdef\ufffe\uffff\ud800-\udfff]"
)
"""What no page may hold, and marks that turn the direction of the text after them."""

_KINDS = {Para: "para", Heading: "heading", Bullets: "bullets", Table: "table", Chart: "chart"}


def to_html(report: Report) -> str:
    """The whole page. Raises UphaulError when the library is not installed."""
    return str(_template().render(report=report))


@cache
def _template() -> Any:
    try:
        import jinja2
    except ImportError as error:
        raise UphaulError("a report needs jinja2: pip install 'uphaul[workshop]'") from error

    def clean(value: object) -> object:
        """Every text before it is escaped; drawings, which are markup already, pass."""
        if isinstance(value, str) and not hasattr(value, "__html__"):
            return _ODD.sub("\N{REPLACEMENT CHARACTER}", value)
        return value

    environment = jinja2.Environment(
        autoescape=True, finalize=clean, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["kind"] = lambda block: _KINDS[type(block)]
    return environment.from_string((files("uphaul.reports") / "report.html.jinja").read_text(encoding="utf-8"))
