"""Derive, judge and alerts in a row: the one way in for live, replay and desk. Pure."""

from uphaul.pipeline.row import Outcome, Row

__all__ = ["Outcome", "Row"]
