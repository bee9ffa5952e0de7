"""The page that the daemon serves."""

from __future__ import annotations

from uphaul.web.server import make_app, serve
from uphaul.web.state import AlertView, LogView, SignalView, SourceView, Status, WebState

__all__ = ["AlertView", "LogView", "SignalView", "SourceView", "Status", "WebState", "make_app", "serve"]
