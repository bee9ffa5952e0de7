"""What ``uphaul replay`` tells of a drive that was judged again: tables for people, one object for programs."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite
from typing import Any

import click

from uphaul.alerts import Notice, Transition
from uphaul.analysis.review import Difference, Episode, RuleSummary, compare
from uphaul.cli import text
from uphaul.rules import Kind, Rule
from uphaul.signals import Event, Signal

__all__ = ["Replay", "print_tables", "to_object"]


@dataclass(slots=True)
class Replay:
    """A drive judged again. `live` and `live_steps` are what the daemon judged, None where nobody did."""

    source: str
    drive: int | None
    begun: str | None
    signals: tuple[Signal, ...]
    rules: tuple[Rule, ...]
    tunes: tuple[str, ...]
    episodes: list[Episode] = field(default_factory=list)
    transitions: list[Transition] = field(default_factory=list)
    summaries: list[RuleSummary] = field(default_factory=list)
    first_ms: int = 0
    last_ms: int = 0
    ticks: int = 0
    live: list[Episode] | None = None
    live_steps: list[Transition] | None = None
    notes: list[str] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    @property
    def differences(self) -> list[Difference]:
        """What changed against what was judged live."""
        return [] if self.live is None else compare(self.live, self.episodes, self.last_ms)

    @property
    def same_as_live(self) -> bool | None:
        """Whether every step of every alert is the one that was judged live, to the bit."""
        if self.live_steps is None:
            return None
        return [_key(t) for t in self.live_steps] == [_key(t) for t in self.transitions]

    def tune_name(self, number: int) -> str | None:
        """Name of a tune, None when unknown."""
        return self.tunes[number] if 0 <= number < len(self.tunes) else None

    def unit(self, rule: str) -> str:
        """The unit of a rule's value and limit."""
        spec = next((r for r in self.rules if r.name == rule), None)
        if spec is None or spec.kind is Kind.LOST:
            return ""
        if spec.kind in (Kind.EXPOSURE, Kind.REACH):
            return "s"
        unit = next((s.unit for s in self.signals if s.name == spec.signal), "")
        return f"{unit}/s" if spec.kind is Kind.RATE else unit


def _key(t: Transition) -> tuple[int, str, str, str]:
    return t.t_ms, t.rule, t.source.value, t.target.value


def _known(value: float) -> float | None:
    return value if isfinite(value) else None


def _episode(out: Replay, e: Episode) -> dict[str, Any]:
    return {
        "rule": e.rule,
        "raised_t_s": e.raised_ms / 1000,
        "cleared_t_s": None if e.cleared_ms is None else e.cleared_ms / 1000,
        "value": _known(e.value),
        "limit": _known(e.limit),
        "tune": out.tune_name(e.tune),
        "told": not e.quiet,
        "quiet": e.quiet or None,
        "cut": e.cut or None,
        "cause": e.cause or None,
    }


def to_object(out: Replay) -> dict[str, Any]:
    closest = [
        None
        if s.approach is None
        else {
            "t_s": s.approach.t_ms / 1000,
            "value": _known(s.approach.value),
            "limit": _known(s.approach.limit),
            "headroom": 0.0 - s.approach.excess,
            "tune": out.tune_name(s.approach.tune),
        }
        for s in out.summaries
    ]
    live = None
    if out.live is not None:
        live = {
            "same": out.same_as_live,
            "differences": [
                {
                    "kind": d.kind,
                    "rule": d.rule,
                    "live": None if d.before is None else _episode(out, d.before),
                    "now": None if d.after is None else _episode(out, d.after),
                }
                for d in out.differences
            ],
        }
    return {
        "file": out.source,
        "drive": out.drive,
        "begun": out.begun,
        "duration_s": (out.last_ms - out.first_ms) / 1000,
        "ticks": out.ticks,
        "conditions": [_episode(out, e) for e in out.episodes],
        "transitions": [
            {"t_s": t.t_ms / 1000, "rule": t.rule, "from": t.source.value, "to": t.target.value}
            for t in out.transitions
        ],
        "rules": [
            {
                "rule": s.rule.name,
                "raises": s.raises,
                "active_s": s.active_ms / 1000,
                "unit": out.unit(s.rule.name),
                "closest": near,
            }
            for s, near in zip(out.summaries, closest, strict=True)
        ],
        "notices": [{"t_s": n.t_ms / 1000, "kind": n.kind.value, "rule": n.rule, "text": n.text} for n in out.notices],
        "events": [
            {"t_s": e.t_ms / 1000, "kind": e.kind.value, "rule": e.rule, "actor": e.actor, "text": e.text}
            for e in out.events
        ],
        "live": live,
        "notes": out.notes,
    }


def _length(e: Episode) -> str:
    if e.cleared_ms is None:
        return "to the end"
    length = text.duration(e.cleared_ms - e.raised_ms)
    return f"{length}, until the {e.cut}" if e.cut else length


def _says(e: Episode, rule: Rule) -> str:
    """What the driver was told, and the fault behind a lost signal: words that a line of the table ends with."""
    words = f"quiet ({e.quiet})" if e.quiet else rule.say
    return f"{words} [{e.cause}]" if e.cause else words


def _difference(d: Difference) -> str:
    if d.before is None and d.after is not None:
        return f"new: {d.rule} at {text.clock(d.after.raised_ms)}"
    if d.after is None and d.before is not None:
        return f"gone: {d.rule}, judged live at {text.clock(d.before.raised_ms)}"
    assert d.before is not None and d.after is not None
    earlier = d.before.raised_ms - d.after.raised_ms
    parts = []
    if earlier:
        parts.append(f"raised {text.duration(abs(earlier))} {'earlier' if earlier > 0 else 'later'}")
    was, now = d.before.cleared_ms, d.after.cleared_ms
    if now is None and was is not None:
        parts.append(f"not over at the end, live at {text.clock(was)}")
    elif now is not None and was is None:
        parts.append(f"over at {text.clock(now)}, live not at the end")
    elif now is not None and was is not None and now != was:
        parts.append(
            f"over {text.duration(abs(now - was))} {'earlier' if now < was else 'later'}, at {text.clock(now)}"
        )
    return f"moved: {d.rule} at {text.clock(d.after.raised_ms)}, " + ", ".join(parts)


def print_tables(out: Replay) -> None:
    name = out.source if out.drive is None else f"{out.source}, drive {out.drive}"
    begun = f", begun {out.begun[:19].replace('T', ' ')} UTC" if out.begun else ""
    ticks = "1 tick" if out.ticks == 1 else f"{out.ticks} ticks"
    click.echo(f"{name}: {text.duration(out.last_ms - out.first_ms)}, {ticks}{begun}")
    for note in out.notes:
        click.echo(f"  {note}")
    by_name = {r.name: r for r in out.rules}
    click.echo()
    if out.episodes:
        rows = [
            [
                text.clock(e.raised_ms),
                _length(e),
                by_name[e.rule].action.word,
                e.rule,
                text.number(e.value, out.unit(e.rule)),
                text.number(e.limit, out.unit(e.rule)),
                out.tune_name(e.tune) or "unknown",
                _says(e, by_name[e.rule]),
            ]
            for e in out.episodes
        ]
        header = ["raised", "for", "asks", "rule", "value", "limit", "tune", "says"]
        text.table(header, rows, right=(0, 1, 4, 5))
    else:
        click.echo("No rule was raised.")  # one may have been past its limit, but not for long enough
    near = sorted((s for s in out.summaries if s.approach is not None), key=lambda s: (-s.raises, s.rule.rank))
    if near:
        click.echo()
        rows = [
            [
                s.rule.name,
                str(s.raises),
                text.duration(s.active_ms),
                text.number(s.approach.value, out.unit(s.rule.name)),
                text.number(s.approach.limit, out.unit(s.rule.name)),
                text.number(-s.approach.excess, out.unit(s.rule.name)),
                text.clock(s.approach.t_ms),
                "not long enough" if s.too_short else "",
            ]
            for s in near
            if s.approach is not None
        ]
        header = ["rule", "raised", "active", "closest", "limit", "headroom", "at", ""]
        text.table(header, rows, right=(1, 2, 3, 4, 5, 6))
    silent = [s for s in out.summaries if s.approach is None and s.rule.kind is not Kind.LOST]
    for why, measured in (("never known", False), ("further conditions never held", True)):
        if names := [s.rule.name for s in silent if s.measured is measured]:
            click.echo(f"{why}: {', '.join(names)}")
    told = sorted(
        [(n.t_ms, n.kind.value, n.rule, n.text) for n in out.notices]
        + [(e.t_ms, e.kind.value, e.rule, e.text) for e in out.events]
    )
    if told:
        click.echo()
        rows = [[text.clock(t), kind, rule, words] for t, kind, rule, words in told]
        text.table(["at", "noted", "rule", ""], rows, right=(0,))
    if out.live is not None:
        click.echo()
        if out.same_as_live:
            click.echo("The same as judged live: every step of every alert at the same tick.")
        elif out.differences:
            click.echo("Against what was judged live:")
            for d in out.differences:
                click.echo(f"  {_difference(d)}")
        else:
            click.echo("The conditions are the same as judged live; what the alerts did then differs.")
