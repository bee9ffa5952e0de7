"""What is told to a broker: the topics, and every message as a frozen value with its JSON form.

The JSON Schemas of the messages are made from these classes (`mqtt_schema`). A key's description stands beside it;
`README.md` beside this file says how topics and messages are meant. Version 1: keys may be added, none goes or changes.
"""

# ruff: noqa: RUF009  (`said` is dataclasses.field with a description)

from __future__ import annotations

import json
from dataclasses import dataclass, field, fields
from math import isfinite
from typing import Any, Literal

__all__ = [
    "About",
    "AboutRule",
    "AboutSignal",
    "Alert",
    "AlertState",
    "AlertStep",
    "Answer",
    "Availability",
    "Before",
    "CheckNews",
    "CheckResult",
    "CheckState",
    "CheckStep",
    "DriveStep",
    "NoticeTold",
    "Numbered",
    "PersonsEvent",
    "Signals",
    "Topics",
    "as_json",
    "number",
]

SIGNIFICANT = 9
"""Digits of a number that is not on a signal's grid (a slope); a double has 15 that mean something."""


def said(description: str, **more: Any) -> Any:
    """A key of a message with what it means; `alias` is its name in JSON where Python has another use for it."""
    return field(metadata={"description": description, **more})


@dataclass(frozen=True, slots=True, kw_only=True)
class Availability:
    """Whether the daemon is connected to the broker. Retained."""

    state: Literal["online", "offline"] = said("online while the daemon is connected")
    reason: Literal["", "ended", "lost"] = said("why it is offline: ended in good order, or the connection was lost")


@dataclass(frozen=True, slots=True, kw_only=True)
class AboutSignal:
    """A signal that is told."""

    name: str = said("the signal's name")
    unit: str = said("the unit of its values")
    meaning: str = said("what it is, in words")
    computed: bool = said("computed from others, not measured")


@dataclass(frozen=True, slots=True, kw_only=True)
class AboutRule:
    """A rule that is judged."""

    name: str = said("the rule's name")
    signal: str = said("the signal that it watches")
    action: Literal["note", "ease", "stop"] = said("what it asks of the driver")
    say: str = said("what the driver is told")


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    """What the daemon is and what it tells. Retained."""

    software: str = said("the daemon's version")
    vehicle: str = said("the vehicle's name for people")
    run: str = said("this run of the daemon")
    invented: bool = said("the data are those of the invented demo vehicle")
    replayed: bool = said("the data are those of a recorded drive that is played")
    telemetry_s: float = said("signals are told so often, in s")
    tunes: list[str] = said("the tunes by name")
    signals: list[AboutSignal] = said("the signals that are told")
    rules: list[AboutRule] = said("the rules that are judged")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """When it was."""

    utc: str = said("the wall clock's time (RFC 3339); a label, it may be wrong until the clock is set")
    drive: int | None = said("the drive's number in the log; null between drives, 0 when nothing is logged")
    t_ms: int = said("time since the drive (or the time between drives) began, in ms")


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """The end of an earlier run's stream."""

    run: str = said("that run")
    seq: int = said("number of its last message")


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered(Stamp):
    """One message of a stream that has them all, once and in order, for those who drop what they have."""

    run: str = said("this run of the daemon; numbers begin anew with it")
    seq: int = said("number of the message in this topic and run, from 1 without a gap")
    before: Before | None = said("in the first message of a run: where the run before ended; null when that is unknown")


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One alert as it stands, or as it stood when it changed."""

    rule: str = said("the rule's name")
    raise_number: int = said("number of the raise in this drive; what an acknowledgement is for", alias="raise")
    state: Literal[
        "normal",
        "unacknowledged",
        "acknowledged",
        "returned-unacknowledged",
        "latched-unacknowledged",
        "latched-acknowledged",
        "shelved",
        "suppressed-by-design",
        "out-of-service",
    ] = said("where it is in its life")
    action: Literal["note", "ease", "stop"] = said("what it asks of the driver while its condition is true")
    over: bool = said("its condition is over (or it is set aside): it asks for nothing now")
    act: str = said("what to do, in two or three words")
    say: str = said("the instruction with its reason")
    again: str = said("what to add because it keeps coming back, or empty")
    state_words: str = said("the state in words for people; empty for one that nobody has seen")
    signal: str = said("the signal that it is about")
    measure: str = said("what `value` and `limit` are of")
    unit: str = said("the unit of both")
    side: Literal["above", "below", ""] = said(
        "on which side of the limit things are wrong; empty where that says nothing"
    )
    value: float | None = said("the value when the condition became true; null: unknown")
    limit: float | None = said("the limit in force then; null: unknown")
    since_s: float | None = said("how long the condition had been true at `utc`, in s; null: not in this drive")
    cause: str = said("what is wrong with a signal that is lost, or empty")
    latching: bool = said("it is held after it is over until a person resets it")


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertState(Stamp):
    """The latest state of one rule's alert. Retained, one topic a rule."""

    alert: Alert = said("the alert")


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertStep(Numbered):
    """One step of an alert's life."""

    alert: Alert = said("the alert after the step")


@dataclass(frozen=True, slots=True, kw_only=True)
class Signals(Stamp):
    """The signals at one tick."""

    tune: str | None = said("the active tune; null: unknown")
    values: dict[str, float | None] = said("value by signal, in its unit; null: unknown")
    faults: dict[str, str] = said("what is to be said of a value by signal: why it is unknown, or that it is a bound")


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveStep(Numbered):
    """A drive begins, goes on after a restart of the daemon, or ends."""

    kind: Literal["begins", "goes-on", "ends"] = said("what happens")
    number: int = said("the drive")
    tune: str | None = said("the active tune; null: unknown")


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonsEvent(Numbered):
    """What a person did, or what a source has to say (a remark)."""

    kind: Literal[
        "acknowledge",
        "reset",
        "shelve",
        "unshelve",
        "disable",
        "enable",
        "mark",
        "tune",
        "check-begin",
        "check-end",
        "check-skip",
        "remark",
    ] = said("what was done")
    rule: str = said("the alert that it was done to, the step of a field check, or empty")
    raise_number: int = said("the raise that it was meant for, 0 for none", alias="raise")
    actor: str = said("who did it")
    text: str = said("note of a mark, name of a tune or of a field check, why a step is skipped, a source's words")
    until_t_ms: int | None = said("end of a shelving in the drive's time, in ms")


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeTold(Numbered):
    """What else is told."""

    kind: Literal[
        "chattering",
        "chattering-ended",
        "repeating",
        "flood",
        "flood-ended",
        "refused",
        "tune-unknown",
        "tune-known",
    ] = said("what it is about: alerts that come and go, many at once, an act that did not fit, the tune")
    rule: str = said("the rule, or empty")
    text: str = said("more, in words, or empty")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckStep:
    """The step of a field check that is to be done now."""

    step: str = said("the step's name")
    tune: str = said("the tune to do it in, or empty")
    title: str = said("what it is called")
    do: str = said("what to do, in words")
    say: str = said("the same, short enough to be spoken")
    moving: bool = said("it is done while the vehicle moves: nobody is to look at a screen for it")
    holding: bool = said("all that it waits for holds, and it is being measured")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """What has come of a step so far."""

    step: str = said("the step's name")
    tune: str = said("the tune, or empty for a step that is not done in each")
    title: str = said("what it is called")
    verdict: Literal[
        "not done",
        "passed",
        "failed",
        "stopped by an alert",
        "could not be measured",
        "skipped",
        "not needed",
    ] = said("what came of the last attempt, or why there was none")
    attempts: int = said("how often it was tried")
    why: str = said("more, in words, or empty")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckState(Stamp):
    """Where the field check of the drive stands, as of the last thing that there was to say of it. Retained."""

    title: str = said("what the check is called")
    running: bool = said("one is under way; else `results` are those of the last one, until a drive begins")
    confirmed_by: str = said("who has confirmed the cautions, or empty")
    now: CheckStep | None = said("the step to do now; null: none is open, or no check is under way")
    alert: str = said("what the alert says that is in the way, or empty")
    results: list[CheckResult] = said("every step, in each tune that it is done in; empty before a check has begun")


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckNews(Numbered):
    """What a field check has to say, to be spoken or beeped."""

    kind: Literal["next", "hold", "broken", "passed", "failed", "stop", "done"] = said(
        "another step is the one to do; all holds and is measured; it broke off too early; the step has passed; it has "
        "not (or could not be measured); an alert has stopped it; no step is open"
    )
    step: str = said("the step's name, or empty")
    tune: str = said("the tune, or empty")
    words: str = said("what to say")


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What became of an act that was asked for."""

    id: str | None = said("the id that came with it")
    done: int | None = said("how many events it came to (quiet with nothing to quiet: 0); null: refused")
    refused: str | None = said("why it was not done, in words; null: it was")


@dataclass(frozen=True, slots=True)
class Topics:
    """Where each message goes; `prefix` ends in ``/``."""

    prefix: str

    def _of(self, name: str) -> str:
        return f"{self.prefix}v1/{name}"

    @property
    def availability(self) -> str:
        return self._of("availability")

    @property
    def about(self) -> str:
        return self._of("about")

    @property
    def alerts_log(self) -> str:
        return self._of("alerts/log")

    @property
    def signals(self) -> str:
        return self._of("signals")

    @property
    def drives(self) -> str:
        return self._of("drives")

    @property
    def events(self) -> str:
        return self._of("events")

    @property
    def notices(self) -> str:
        return self._of("notices")

    @property
    def check_log(self) -> str:
        return self._of("check/log")

    @property
    def check_state(self) -> str:
        return self._of("check/state")

    @property
    def act(self) -> str:
        return self._of("act")

    @property
    def answer(self) -> str:
        return self._of("act/answer")

    def alert_state(self, rule: str) -> str:
        """The topic of one rule's state."""
        return self._of(f"alerts/state/{rule}")


def number(value: float | None) -> float | None:
    """`value` as JSON may hold it: None for what is no number, whole ones without a point."""
    if value is None or not isfinite(value):
        return None
    short = float(f"{value:.{SIGNIFICANT}g}")
    return int(short) if short.is_integer() else short


_KEYS: dict[type, tuple[tuple[str, str], ...]] = {}


def _keys(kind: type[Any]) -> tuple[tuple[str, str], ...]:
    """The attributes of a message with their names in JSON."""
    if kind not in _KEYS:
        _KEYS[kind] = tuple((f.name, str(f.metadata.get("alias", f.name))) for f in fields(kind))
    return _KEYS[kind]


def _plain(value: Any) -> Any:
    if hasattr(value, "__dataclass_fields__"):
        return {key: _plain(getattr(value, name)) for name, key in _keys(type(value))}
    if isinstance(value, list):
        return [_plain(v) for v in value]
    return value


def as_json(message: Any) -> bytes:
    """The payload: one JSON object in UTF-8, without blanks; a question mark for what UTF-8 cannot hold."""
    text = json.dumps(_plain(message), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.encode(errors="replace")
