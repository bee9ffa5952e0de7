"""Uphaul: watches a tuned tow vehicle, warns its driver, logs the drive, replays it with the same judge."""

__version__ = "0.1.0"
