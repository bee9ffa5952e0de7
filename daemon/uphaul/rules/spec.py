"""What a rule is once the configuration has been checked: frozen, in the signal's own unit, times in whole ms."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum

__all__ = ["ABOVE", "BELOW", "Action", "Amount", "Condition", "Curve", "Kind", "Rule", "Setting", "Share", "When"]

ABOVE = 1
BELOW = -1


class Action(IntEnum):
    """What an alert asks of the driver, in rising order."""

    NOTE = 0
    EASE = 1
    STOP = 2

    @property
    def word(self) -> str:
        """``note``, ``ease`` or ``stop``."""
        return self.name.lower()


class Kind(StrEnum):
    """What a rule measures."""

    THRESHOLD = "threshold"
    RATE = "rate"
    EXPOSURE = "exposure"
    DEPARTURE = "departure"
    LOST = "lost"
    REACH = "reach"


@dataclass(frozen=True, slots=True)
class Curve:
    """A value over another signal: knots strictly increasing in `x`, end values held, straight between."""

    over: str
    x: tuple[float, ...]
    y: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Share:
    """A share of a reference: of |limit| for a deadband, of |expected value| in a departure rule."""

    share: float


Amount = float | Curve | Share


@dataclass(frozen=True, slots=True)
class Setting:
    """What a tune may change: the limit, its deadband and the delays.

    `limit` is in the signal's unit (rate: signal's unit per second; departure: distance from the expected curve, or a
    `Share` of it; lost: unused). `deadband` is a number in the measure's unit or a `Share`. `allowed_s` is the
    time that an exposure rule allows above its limit, `within_s` the lead time of a reach rule.
    """

    limit: Amount = 0.0
    deadband: float | Share = 0.0
    on_delay_ms: int = 0
    off_delay_ms: int = 0
    allowed_s: float = 0.0
    within_s: float = 0.0


@dataclass(frozen=True, slots=True)
class When:
    """A further condition with a memory of its own: holds once beyond, until within."""

    signal: str
    side: int
    limit: float | Curve
    deadband: float | Share = 0.0


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. `side` is `ABOVE` or `BELOW`. `tunes` maps a tune's name to its setting, complete in itself.

    `window_ms` belongs to rate, exposure and reach; `start` (config key `from`) to reach; `grace_ms` to lost.
    `expected` holds a departure rule's expected curve by tune name. `judge_unknown_when` is True when an unknown
    `when` makes the tick unknown, False when it counts as holding. `act` is what to do in two or three words, empty:
    those of its action.
    """

    name: str
    kind: Kind
    signal: str
    side: int
    base: Setting
    action: Action
    rank: int = 50
    say: str = ""
    again: str = ""
    latch: bool = False
    when: tuple[When, ...] = ()
    judge_unknown_when: bool = False
    tunes: tuple[tuple[str, Setting], ...] = ()
    suppressed_by: tuple[str, ...] = ()
    window_ms: int = 0
    start: float | None = None
    grace_ms: int = 0
    expected: tuple[tuple[str, Curve], ...] = ()
    act: str = ""

    def setting(self, tune: str | None) -> Setting:
        """The setting in force under the tune of that name (None: the base rule)."""
        return dict(self.tunes).get(tune, self.base) if tune is not None else self.base

    def reads(self) -> tuple[str, ...]:
        """Names of all signals this rule reads, each once, its own first."""
        names = [self.signal]
        amounts: list[object] = [w.limit for w in self.when]
        amounts += [s.limit for s in (self.base, *(s for _, s in self.tunes))]
        amounts += [c for _, c in self.expected]
        names += [w.signal for w in self.when]
        names += [a.over for a in amounts if isinstance(a, Curve)]
        return tuple(dict.fromkeys(names))


@dataclass(frozen=True, slots=True)
class Condition:
    """A rule's condition became true or false at a tick.

    `value` is the measure at that tick in the rule's own terms (threshold: the signal; rate: its slope per second;
    exposure: seconds above; departure: distance from the expected curve; reach: seconds left) and `limit` what it
    was held against; both NaN when unknown. `tune` is the tune's number, -1 unknown.
    """

    t_ms: int
    rule: int
    active: bool
    value: float
    limit: float
    tune: int
