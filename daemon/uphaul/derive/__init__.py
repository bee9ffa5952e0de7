"""Computed signals: which formulas feed which signal. Pure."""
