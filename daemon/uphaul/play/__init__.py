"""Plays a recorded drive as if it were driven now: `Tape` steps through it, `Player` keeps the pace."""

from __future__ import annotations

from uphaul.play.player import FASTEST, SLOWEST, Player
from uphaul.play.tape import Reel, Tape

__all__ = ["FASTEST", "SLOWEST", "Player", "Reel", "Tape"]
