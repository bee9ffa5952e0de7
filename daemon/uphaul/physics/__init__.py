"""Formulas of the trade, one module a subject, numpy in and out, no state. Pure."""
