"""Writes a report as one HTML file that needs nothing else: no script, no link, nothing from elsewhere."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

from uphaul.errors import UphaulError
from uphaul.reports.page import Bullets, Chart, Heading, Para, Report, Table
from uphaul.reports.words import clean

__all__ = ["to_html"]

LONG = 24
"""Letters in a row from which on a word may be broken anywhere, rather than widen its column."""

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

    def cleaned(value: object) -> object:
        """Every text before it is escaped; drawings, which are markup already, pass."""
        if isinstance(value, str) and not hasattr(value, "__html__"):
            return clean(value)
        return value

    environment = jinja2.Environment(
        autoescape=True, finalize=cleaned, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.tests["long"] = lambda text: any(len(word) > LONG for word in text.split())
    environment.filters["kind"] = lambda block: _KINDS[type(block)]
    return environment.from_string((files("uphaul.reports") / "report.html.jinja").read_text(encoding="utf-8"))
