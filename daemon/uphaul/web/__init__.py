"""The page that the daemon serves."""

from __future__ import annotations

from uphaul.web.server import keep_trying, make_app, serve
from uphaul.web.state import WebState

__all__ = ["WebState", "keep_trying", "make_app", "serve"]
