"""Rule specifications and the judge. Pure."""

from uphaul.rules.spec import ABOVE, BELOW, Action, Amount, Condition, Curve, Kind, Rule, Setting, Share, When

__all__ = ["ABOVE", "BELOW", "Action", "Amount", "Condition", "Curve", "Kind", "Rule", "Setting", "Share", "When"]
