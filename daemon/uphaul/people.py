"""The one way in for what people do: by page, by button, by message.

Theory of operation. An `Act` is what a person asks for, from wherever. `People.do` looks at once whether it can be
meant (a rule that is there, a tune that a person may choose) and says in words why not; what fits goes to the
collector, falls on the next tick, and is judged, logged and replayed there like everything else. The life cycle has
the last word: what no longer fits when its tick comes is logged as refused.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from uphaul.alerts import State
from uphaul.alerts.annunciation import listed
from uphaul.alerts.lifecycle import Alert
from uphaul.config.spec import Config
from uphaul.errors import UphaulError
from uphaul.rules import Action
from uphaul.signals import Collector, EventKind

__all__ = ["KINDS", "LONGEST_SHELF_MIN", "LONGEST_TEXT", "SHELF_MIN", "Act", "ActError", "People", "act_from"]

LONGEST_TEXT = 500
LONGEST_ACTOR = 80
SHELF_MIN = 10.0
LONGEST_SHELF_MIN = 24 * 60.0
UNSEEN = (State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED)

QUIET = "quiet"
KINDS = {QUIET: None, **{k.value: k for k in EventKind if k is not EventKind.REMARK}}
"""What can be asked for, by word; `quiet` acknowledges everything that a person has not seen."""

OF_RULES = frozenset(
    {
        EventKind.ACKNOWLEDGE,
        EventKind.RESET,
        EventKind.SHELVE,
        EventKind.UNSHELVE,
        EventKind.DISABLE,
        EventKind.ENABLE,
    }
)

OF_THE_LOG = frozenset({EventKind.MARK, EventKind.CHECK_BEGIN, EventKind.CHECK_END, EventKind.CHECK_SKIP})
"""What changes nothing but the record of a drive."""


class ActError(UphaulError):
    """What a person asked for cannot be done; the message says why and what could."""


@dataclass(frozen=True, slots=True)
class Act:
    """What a person asks for. `kind` None: quiet, acknowledge all that is unseen.

    `rule` is the alert meant, `raise_number` the raise that an acknowledgement is for (0: the present one), `minutes`
    how long to shelve, `text` the note of a mark or the name of a tune. `actor` says who. A field check is begun by who
    confirmed its cautions (`text`); of a skip `rule` is the step (``pull`` or ``pull:tow``) and `text` the reason.
    """

    kind: EventKind | None
    actor: str
    rule: str = ""
    raise_number: int = 0
    minutes: float = SHELF_MIN
    text: str = ""


def act_from(told: object, actor: str) -> Act:
    """The act in a decoded JSON object: ``do`` (a word of `KINDS`), ``rule``, ``raise``, ``minutes``, ``text``.

    Raises ActError for anything else in it: it comes from outside.
    """
    if not isinstance(told, Mapping):
        raise ActError('an act is an object: {"do": "quiet"}')
    unknown = sorted(str(k) for k in told.keys() - {"do", "rule", "raise", "minutes", "text"})
    if unknown:
        raise ActError(f"{unknown[0][:40]!r}: no such key; there are do, rule, raise, minutes and text")
    word = told.get("do")
    if not isinstance(word, str) or word not in KINDS:
        raise ActError(f"do = {str(word)[:40]!r}: one of {', '.join(KINDS)}")
    rule, text = told.get("rule", ""), told.get("text", "")
    number, minutes = told.get("raise", 0), told.get("minutes", SHELF_MIN)
    if not isinstance(rule, str) or not isinstance(text, str):
        raise ActError("rule and text are texts")
    if len(text) > LONGEST_TEXT:
        raise ActError(f"text: {len(text)} characters; {LONGEST_TEXT} at most")
    if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number < 1 << 31:
        raise ActError(f"raise = {str(number)[:40]}: a whole number from 0")
    if isinstance(minutes, bool) or not isinstance(minutes, int | float) or not 0 < minutes <= LONGEST_SHELF_MIN:
        raise ActError(f"minutes = {str(minutes)[:40]}: above 0, at most {LONGEST_SHELF_MIN:g}")
    return Act(KINDS[word], actor[:LONGEST_ACTOR], rule, number, float(minutes), _plain(text))


def _plain(text: str) -> str:
    """The text on one line, without what does not print."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


class People:
    """Brings what people do to `collector`. `alerts` gives every alert as it stands, `driving` if a drive is on."""

    def __init__(
        self,
        config: Config,
        collector: Collector,
        alerts: Callable[[], Sequence[Alert]],
        *,
        driving: Callable[[], bool] = lambda: True,
    ) -> None:
        self._rules = {r.name: r for r in config.rules}
        self._tunes = config.tunes
        self._field_check = config.field_check
        self._told_by = None if config.tune_input is None else config.tune_input.signal
        self._collector = collector
        self._alerts = alerts
        self._driving = driving

    def do(self, act: Act) -> int:
        """Take it in; the number of events that it comes to (quiet with nothing to quiet: 0).

        Raises ActError for what cannot be meant.
        """
        if act.kind is None:
            return self._quiet(act.actor)
        if act.kind in OF_THE_LOG and not self._driving():
            raise ActError("no drive is under way, so nothing would be kept of it")
        if act.kind in OF_RULES:
            self._check_rule(act)
        if act.kind is EventKind.TUNE:
            self._check_tune(act)
        if act.kind is EventKind.CHECK_BEGIN:
            return self._begin_check(act)
        if act.kind is EventKind.CHECK_SKIP:
            self._check_skip(act)
        shelf_ms = round(act.minutes * 60_000) if act.kind is EventKind.SHELVE else None
        self._collector.event(
            act.kind,
            rule=act.rule,
            raise_number=act.raise_number,
            actor=act.actor,
            text=act.text,
            shelf_ms=shelf_ms,
        )
        return 1

    def mark(self, actor: str, text: str = "") -> None:
        """Note this moment."""
        self.do(Act(EventKind.MARK, actor, text=text))

    def _quiet(self, actor: str) -> int:
        unseen = [a for a in listed(self._alerts()) if a.state in UNSEEN]
        for alert in unseen:
            self._collector.event(EventKind.ACKNOWLEDGE, rule=alert.rule.name, raise_number=alert.raises, actor=actor)
        return len(unseen)

    def _check_rule(self, act: Act) -> None:
        rule = self._rules.get(act.rule)
        if rule is None:
            raise ActError(f"rule = {act.rule[:60]!r}: there is no such rule")
        if act.kind in (EventKind.SHELVE, EventKind.DISABLE) and rule.action is Action.STOP:
            raise ActError(f"{act.rule}: an alert that says stop cannot be set aside")

    def _begin_check(self, act: Act) -> int:
        """A field check is begun by the one who confirmed its cautions, whose name the act brings as text."""
        check = self._field_check
        if check is None:
            raise ActError("there is no field check: fieldcheck.toml in the configuration says what one asks for")
        name = act.text[:LONGEST_ACTOR].strip()
        if not name:
            raise ActError("text: the name of the one who has read the cautions and sees to them")
        self._collector.event(EventKind.CHECK_BEGIN, actor=name, text=check.title)
        return 1

    def _check_skip(self, act: Act) -> None:
        steps = () if self._field_check is None else self._field_check.steps
        step, _, tune = act.rule.partition(":")
        if step not in {s.name for s in steps} or (tune and tune not in self._tunes):
            raise ActError(f"rule = {act.rule[:60]!r}: there is no such step of the field check")
        if not act.text.strip():
            raise ActError("text: a step is skipped for a reason; say which")

    def _check_tune(self, act: Act) -> None:
        if self._told_by is not None:
            raise ActError(f"the tune is read from {self._told_by}: choose it in the vehicle")
        if act.text not in self._tunes:
            raise ActError(
                f"text = {act.text[:60]!r}: one of the tunes, {', '.join(self._tunes) or 'and there is none'}"
            )
