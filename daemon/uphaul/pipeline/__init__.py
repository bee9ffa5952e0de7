"""Derive, judge and alerts in a row: the one way in for live, replay and desk. Pure."""

from uphaul.pipeline.drive import DriveKeeper, DriveStep
from uphaul.pipeline.headroom import Headroom, Room
from uphaul.pipeline.limits import Limit, LimitsInForce, next_limit
from uphaul.pipeline.rejudge import Judged, rejudge
from uphaul.pipeline.row import Outcome, Row

__all__ = [
    "DriveKeeper",
    "DriveStep",
    "Headroom",
    "Judged",
    "Limit",
    "LimitsInForce",
    "Outcome",
    "Room",
    "Row",
    "next_limit",
    "rejudge",
]
