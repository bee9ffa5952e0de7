"""The page that the daemon serves."""

from __future__ import annotations

from uphaul.web.server import keep_trying, make_app, serve
from uphaul.web.state import AlertView, LogView, SignalView, SourceView, Status, WebState

__all__ = ["AlertView", "LogView", "SignalView", "SourceView", "Status", "WebState", "keep_trying", "make_app", "serve"]
