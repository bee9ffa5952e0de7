"""One line a change of a condition, for the terminal and the journal."""

from __future__ import annotations

from collections.abc import Callable

from uphaul.cli import text
from uphaul.config.spec import Config
from uphaul.rules import Condition, Kind

__all__ = ["teller"]


def teller(config: Config, say: Callable[[str], None]) -> Callable[[Condition, str], None]:
    """A listener for `App` that puts each change of a condition into words and hands them to `say`."""
    units = {s.name: s.unit for s in config.signals}

    def tell(change: Condition, cause: str) -> None:
        rule = config.rules[change.rule]
        at = text.clock(change.t_ms)
        if not change.active:
            say(f"{at}  over   {rule.name}")
            return
        unit = {
            Kind.RATE: f"{units[rule.signal]}/s",
            Kind.EXPOSURE: "s",
            Kind.REACH: "s",
        }.get(rule.kind, units[rule.signal])
        why = f": {text.number(change.value, unit)}, limit {text.number(change.limit, unit)}"
        if rule.kind is Kind.LOST:
            why = f": {cause}" if cause else ""
        say(f"{at}  {rule.action.word:<5}  {rule.say or rule.name} [{rule.name}{why}]")

    return tell
