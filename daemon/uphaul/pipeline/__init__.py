"""Derive, judge and alerts in a row: the one way in for live, replay and desk. Pure."""

from uphaul.pipeline.drive import DriveKeeper, DriveStep
from uphaul.pipeline.limits import LimitsInForce
from uphaul.pipeline.rejudge import Judged, rejudge
from uphaul.pipeline.row import Outcome, Row

__all__ = ["DriveKeeper", "DriveStep", "Judged", "LimitsInForce", "Outcome", "Row", "rejudge"]
