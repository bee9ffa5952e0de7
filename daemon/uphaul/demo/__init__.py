"""The invented vehicle, on its own equations. Pure."""

from __future__ import annotations

from uphaul.demo.channels import CHANNELS, Channel
from uphaul.demo.engine import TUNES
from uphaul.demo.model import STEP_S, Model
from uphaul.demo.record import record_csv
from uphaul.demo.scenario import Fault, Leg, Scenario, parse_scenario

__all__ = [
    "CHANNELS",
    "STEP_S",
    "TUNES",
    "Channel",
    "Fault",
    "Leg",
    "Model",
    "Scenario",
    "parse_scenario",
    "record_csv",
]
