"""Build sheet and tunes. Pure."""

from uphaul.vehicle.model import Tune, Vehicle

__all__ = ["Tune", "Vehicle"]
