"""Prints a report's page as PDF, without anything from elsewhere."""

from __future__ import annotations

from typing import Any

from uphaul.errors import UphaulError

__all__ = ["to_pdf"]


def to_pdf(html: str) -> bytes:
    """The page on paper (A4, or what the page's own style asks for). Raises UphaulError without the library."""
    try:
        import weasyprint
    except (ImportError, OSError) as error:  # OSError: the libraries that it draws with are not there
        raise UphaulError(
            "--pdf needs weasyprint (pip install 'uphaul[pdf]') and Pango (Debian: libpango-1.0-0 libpangoft2-1.0-0); "
            "or print the HTML file from a browser"
        ) from error

    def nothing(url: str, *_: Any, **__: Any) -> Any:
        raise ValueError(f"{url}: a report holds all that it needs")

    out: bytes = weasyprint.HTML(string=html, url_fetcher=nothing).write_pdf()
    return out
