"""One line a change of a condition, for the terminal and the journal."""

from __future__ import annotations

from collections.abc import Callable

from uphaul.cli import text
from uphaul.config.spec import Config
from uphaul.rules import Condition, Kind

__all__ = ["teller"]


def teller(config: Config, say: Callable[[str], None]) -> Callable[[Condition], None]:
    """A listener for `App` that puts each change of a condition into words and hands them to `say`."""
    units = {s.name: s.unit for s in config.signals}

    def tell(change: Condition) -> None:
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
        reason = "" if rule.kind is Kind.LOST else why
        say(f"{at}  {rule.action.word:<5}  {rule.say or rule.name} [{rule.name}{reason}]")

    return tell
