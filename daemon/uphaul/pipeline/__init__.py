"""Derive, judge and alerts in a row: the one way in for live, replay and desk. Pure."""
