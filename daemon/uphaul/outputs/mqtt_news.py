"""What a moment means for a broker: which messages it comes to, and what the broker has to keep of the alerts.

Nothing here does I/O or reads a clock. `News.take` is given the moments that have something to tell, in order.

The retained state of an alert is its latest step, and the alerts in sight settle the rest: an alert that is gone from
sight without a step (a drive ended, the daemon was restarted) is over. What is out of sight (shelved, suppressed, out
of service) cannot be seen missing, so it is told beside the first moment and the first of every drive.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Literal

from uphaul import __version__
from uphaul.alerts import Notice, State
from uphaul.analysis.field_check import News as CheckNews
from uphaul.config.spec import Config, DemoSpec, DriveFileSpec, MqttSpec
from uphaul.outputs import mqtt_messages as m
from uphaul.outputs.held import Rank
from uphaul.rules import Action, Rule
from uphaul.signals import Event, Quality, index_of
from uphaul.status import OVER, OVER_WORDS, STATE_WORDS, AlertView, CheckView, Moment, act_words

__all__ = ["ASIDE", "Aside", "News", "ToSend", "Told", "about"]

ASIDE = (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)
"""States in which a person does not see an alert though it is not normal."""

ACTIONS: dict[Action, Literal["note", "ease", "stop"]] = {
    Action.NOTE: "note",
    Action.EASE: "ease",
    Action.STOP: "stop",
}

Stream = tuple[str, int]
"""A run and the number of a message in it."""


@dataclass(frozen=True, slots=True)
class Aside:
    """An alert that is out of sight."""

    rule: str
    state: State
    raises: int


@dataclass(frozen=True, slots=True)
class Told:
    """A moment that has something to tell. `due`: its signals as well. `aside` None: no new word of what is aside."""

    moment: Moment
    due: bool
    aside: tuple[Aside, ...] | None = None


@dataclass(frozen=True, slots=True)
class ToSend:
    """A message for the outbox; `stream` is its run and number where it has one."""

    rank: Rank
    topic: str
    payload: bytes
    stream: Stream | None = None


def about(config: Config, spec: MqttSpec, run: str) -> m.About:
    """What the daemon is and what it tells."""
    told = None if spec.signals is None else set(spec.signals)
    return m.About(
        software=__version__,
        vehicle=config.vehicle.name,
        run=run,
        invented=any(isinstance(s, DemoSpec) for s in config.sources),
        replayed=any(isinstance(s, DriveFileSpec) for s in config.sources),
        telemetry_s=spec.telemetry_ms / 1000,
        tunes=list(config.tunes),
        signals=[
            m.AboutSignal(name=s.name, unit=s.unit, meaning=s.meaning, computed=s.computed)
            for s in config.signals
            if told is None or s.name in told
        ],
        rules=[m.AboutRule(name=r.name, signal=r.signal, action=ACTIONS[r.action], say=r.say) for r in config.rules],
    )


class News:
    """Turns moments into messages. `before` gives the end of an earlier run's stream by topic, None where unknown.

    `retained` is what the broker has to keep, by topic; `stale` are the topics of it that changed since they were last
    taken out of the set.
    """

    def __init__(
        self, config: Config, spec: MqttSpec, run: str, before: Callable[[str], Stream | None] = lambda _: None
    ) -> None:
        self.topics = m.Topics(spec.prefix)
        self.retained: dict[str, bytes] = {}
        self.stale: set[str] = set()
        column = index_of(config.signals)
        names = tuple(column) if spec.signals is None else spec.signals
        self._columns = tuple((name, column[name]) for name in names)
        self._rules = {r.name: r for r in config.rules}
        self.run, self._before = run, before
        self._last: dict[str, int] = {}
        self._states: dict[str, tuple[State, int]] = {}
        self._check: tuple[int | None, CheckView | None] = (None, None)
        self._drive: int | None = None
        self._begun = False

    def take(self, told: Told) -> list[ToSend]:
        """The messages that a moment comes to, the most important first."""
        moment = told.moment
        out = [self._step(moment, view) for view in moment.changed]
        out += [self._event(moment, event) for event in moment.events]
        out += [self._notice(moment, notice) for notice in moment.notices]
        out += [self._check_news(moment, news) for news in moment.news]
        out += self._drives(moment)
        self._settle(moment, told.aside)
        self._keep_check(moment)
        if told.due and self._columns:
            out.append(ToSend(Rank.TELEMETRY, self.topics.signals, m.as_json(self._signals(moment))))
        self._begun = True
        return out

    # ------------------------------------------------------------------------------------------------- streams

    def _numbered(self, of: type[m.Numbered], topic: str, moment: Moment, **more: Any) -> ToSend:
        seq = self._last[topic] = self._last.get(topic, 0) + 1
        before = self._before(topic) if seq == 1 else None
        message = of(
            **_stamp(moment),
            run=self.run,
            seq=seq,
            before=None if before is None else m.Before(run=before[0], seq=before[1]),
            **more,
        )
        return ToSend(Rank.IMPORTANT, topic, m.as_json(message), (self.run, seq))

    def _step(self, moment: Moment, view: AlertView) -> ToSend:
        self._set(moment, view)
        return self._numbered(m.AlertStep, self.topics.alerts_log, moment, alert=_alert(view))

    def _event(self, moment: Moment, event: Event) -> ToSend:
        return self._numbered(
            m.PersonsEvent,
            self.topics.events,
            moment,
            kind=event.kind.value,
            rule=event.rule,
            raise_number=event.raise_number,
            actor=event.actor,
            text=event.text,
            until_t_ms=event.end_ms,
        )

    def _notice(self, moment: Moment, notice: Notice) -> ToSend:
        more = {"kind": notice.kind.value, "rule": notice.rule, "text": notice.text}
        return self._numbered(m.NoticeTold, self.topics.notices, moment, **more)

    def _check_news(self, moment: Moment, news: CheckNews) -> ToSend:
        more = {"kind": news.kind.value, "step": news.step, "tune": news.tune, "words": news.words}
        return self._numbered(m.CheckNews, self.topics.check_log, moment, **more)

    def _drives(self, moment: Moment) -> Iterable[ToSend]:
        before, now = self._drive, moment.drive
        if before == now:
            return
        self._drive = now
        if before is not None:
            yield self._drive_step(moment, "ends", before)
        if now is not None:
            yield self._drive_step(moment, "begins" if self._begun or moment.t_ms == 0 else "goes-on", now)

    def _drive_step(self, moment: Moment, kind: str, number: int) -> ToSend:
        more = {"kind": kind, "number": number, "tune": moment.tune}
        return self._numbered(m.DriveStep, self.topics.drives, moment, **more)

    def _signals(self, moment: Moment) -> m.Signals:
        values, qualities = moment.values, moment.qualities
        return m.Signals(
            **_stamp(moment),
            tune=moment.tune,
            values={name: m.number(values[i]) for name, i in self._columns},
            faults={name: qualities[i].words for name, i in self._columns if qualities[i] is not Quality.GOOD},
        )

    # ------------------------------------------------------------------------------------------ what is retained

    def _settle(self, moment: Moment, aside: tuple[Aside, ...] | None) -> None:
        """Make what is retained true for every rule."""
        in_sight = {view.rule for view in moment.standing}
        for view in moment.standing:
            if self._states.get(view.rule) != (view.state, view.raise_number):
                self._set(moment, view)
        hidden = {a.rule: a for a in aside or ()}
        for name, rule in self._rules.items():
            if name in in_sight:
                continue
            state, raises = self._states.get(name, (None, 0))
            if name in hidden:
                state, raises = hidden[name].state, hidden[name].raises
            elif state not in ASIDE or aside is not None:
                state = State.NORMAL
            if self._states.get(name, (None, 0))[0] is not state:
                self._keep(moment, name, (state, raises), _alert_of(rule, state, raises))

    def _set(self, moment: Moment, view: AlertView) -> None:
        self._keep(moment, view.rule, (view.state, view.raise_number), _alert(view))

    def _keep(self, moment: Moment, rule: str, state: tuple[State, int], alert: m.Alert) -> None:
        self._states[rule] = state
        topic = self.topics.alert_state(rule)
        self.retained[topic] = m.as_json(m.AlertState(**_stamp(moment), alert=alert))
        self.stale.add(topic)

    def _keep_check(self, moment: Moment) -> None:
        """Where the field check stands, when that or the drive has changed."""
        drive_and_check = moment.drive, moment.check
        if moment.check is None or drive_and_check == self._check:
            return
        self._check, topic = drive_and_check, self.topics.check_state
        self.retained[topic] = m.as_json(_check_state(moment, moment.check))
        self.stale.add(topic)


def _stamp(moment: Moment) -> dict[str, Any]:
    return {"utc": moment.utc, "drive": moment.drive, "t_ms": moment.t_ms}


def _check_state(moment: Moment, check: CheckView) -> m.CheckState:
    step = check.step
    return m.CheckState(
        **_stamp(moment),
        title=check.title,
        running=check.running,
        confirmed_by=check.confirmed_by,
        now=None
        if step is None
        else m.CheckStep(
            step=step.name,
            tune=check.tune,
            title=step.title,
            do=step.do,
            say=step.say,
            moving=step.moving,
            holding=check.holding,
        ),
        alert=check.alert,
        results=[
            m.CheckResult(
                step=r.step,
                tune=r.tune,
                title=r.title,
                verdict=r.verdict.value,
                attempts=r.attempts,
                why=r.why,
            )
            for r in check.results
        ],
    )


def _alert(view: AlertView) -> m.Alert:
    return m.Alert(
        rule=view.rule,
        raise_number=view.raise_number,
        state=view.state.value,
        action=ACTIONS[view.action],
        over=view.over or view.state in ASIDE,
        act=act_words(view),
        say=view.say,
        again=view.again,
        state_words=STATE_WORDS[view.state],
        signal=view.signal,
        measure=view.measure,
        unit=view.unit,
        side=view.side,  # type: ignore[arg-type]
        value=m.number(view.value),
        limit=m.number(view.limit),
        since_s=m.number(view.since_s),
        cause=view.cause,
        latching=view.latching,
    )


def _alert_of(rule: Rule, state: State, raises: int) -> m.Alert:
    """An alert of which nothing more is told than its state."""
    return m.Alert(
        rule=rule.name,
        raise_number=raises,
        state=state.value,
        action=ACTIONS[rule.action],
        over=True,
        act=OVER_WORDS if state in OVER else STATE_WORDS[state],
        say=rule.say,
        again="",
        state_words=STATE_WORDS[state],
        signal=rule.signal,
        measure=rule.signal,
        unit="",
        side="",
        value=None,
        limit=None,
        since_s=None,
        cause="",
        latching=rule.latch,
    )
