"""Formulas of the trade, one module a subject, numpy in and out, no state but in what is named a window. Pure."""
