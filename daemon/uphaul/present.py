"""Makes what outputs and pages are told of the drive as it stands: a `Moment` a tick, a `Status` when asked.

Theory of operation. `Presenter.moment` is called after every tick with its outcome; it follows the headroom, counts the
calls for a sound, and makes views of alerts only when one has changed. `status` may be called at any time and changes
nothing. A drive that begins starts the headroom anew. The live daemon and the replay of a drive on the page both have
one, and it does not know which of the two it is in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import isnan
from typing import Protocol

import numpy as np
import numpy.typing as npt

from uphaul import __version__
from uphaul.alerts import State
from uphaul.alerts.annunciation import listed, sounds
from uphaul.alerts.cause import cause_of
from uphaul.alerts.lifecycle import NEVER, Alert
from uphaul.analysis.field_check import News, most_pressing
from uphaul.analysis.field_check_follow import CheckFollower
from uphaul.config.spec import Config, DemoSpec, DriveFileSpec
from uphaul.config.typical import usual_readings
from uphaul.pipeline import Headroom, Limit, Outcome, Room, next_limit
from uphaul.pipeline.row import TUNE_UNKNOWN
from uphaul.rules import ABOVE, BELOW, Kind, Rule
from uphaul.signals import NO_TUNE, Block, EventKind, Quality, Signal
from uphaul.status import (
    AlertView,
    CheckResult,
    CheckView,
    Moment,
    Prompt,
    RoomView,
    SignalView,
    Sound,
    Status,
)

__all__ = ["Presenter", "Watched"]

ASIDE = (State.SHELVED, State.OUT_OF_SERVICE)
RECOVERY = (State.ACKNOWLEDGED, State.NORMAL)
MOST_RECOVERED = 4
OF_CHECKS = (EventKind.CHECK_BEGIN, EventKind.CHECK_END, EventKind.CHECK_SKIP)
SIDES = {ABOVE: "above", BELOW: "below", 0: ""}


class Watched(Protocol):
    """A drive as it stands after its last tick: `uphaul.live.Live`, or a recorded drive that is played."""

    drive: int | None
    block: Block | None
    qualities: tuple[Quality, ...]
    ticked_ms: int | None
    check: CheckFollower | None
    check_news: tuple[News, ...]
    """What the field check had to say at the last tick."""

    @property
    def alerts(self) -> tuple[Alert, ...]:
        """Every alert."""
        ...

    @property
    def applies(self) -> npt.NDArray[np.bool_]:
        """Which rules are judged now, (rules,)."""
        ...

    @property
    def flood(self) -> bool:
        """Whether there are more alerts than anyone can take in."""
        ...


class Presenter:
    """Of one configuration and what is `watched` under it; `now_ms` is the clock that `Watched.ticked_ms` is on.

    `speed` is how much faster than life that clock runs.
    """

    def __init__(
        self, config: Config, watched: Watched, now_ms: Callable[[], float], *, speed: Callable[[], float] = lambda: 1.0
    ) -> None:
        self._config = config
        self._watched = watched
        self._now_ms = now_ms
        self._speed = speed
        self._units = {s.name: s.unit for s in config.signals}
        self._column = {s.name: i for i, s in enumerate(config.signals)}
        self._usual = usual_readings(config)
        self._tunes = config.tunes if config.tune_input is None else ()
        self._fresh(None)
        self._sound: Sound | None = None
        self._prompt: Prompt | None = None

    def _fresh(self, drive: int | None) -> None:
        c = self._config
        self._drive = drive
        self._before_ms = -1
        self._headroom = Headroom(c.rules, c.signals, c.tunes, self._usual)
        self._standing: tuple[AlertView, ...] = ()
        self._listed: list[Alert] = []
        self._recovered: tuple[AlertView, ...] = ()
        self._check: CheckView | None = None
        self._new = True

    def take_up(self, block: Block, applies: npt.NDArray[np.bool_]) -> None:
        """Let the headroom know ticks of the present drive that no `moment` was made of."""
        if self._watched.drive != self._drive or int(block.t_ms[0]) <= self._before_ms:
            self._fresh(self._watched.drive)
        self._headroom.run(block, applies)
        self._before_ms, self._new = int(block.t_ms[-1]), True

    def moment(self, outcome: Outcome, now_ms: int, utc: str) -> Moment:
        """What the tick that has just been finished is to outputs; `now_ms` on the clock, `utc` its label."""
        watched = self._watched
        block = watched.block
        assert block is not None
        t_ms = int(block.t_ms[-1])
        if watched.drive != self._drive or t_ms <= self._before_ms:
            self._fresh(watched.drive)
        self._headroom.run(block, watched.applies)
        self._follow_check(block)
        changed: tuple[AlertView, ...] = ()
        if outcome.transitions or outcome.notices or self._new:
            self._new = False
            by_name = {a.rule.name: a for a in watched.alerts}
            names = dict.fromkeys(t.rule for t in outcome.transitions)
            changed = tuple(self._alert(by_name[n], t_ms) for n in names)
            well = {t.rule for t in outcome.transitions if (t.source, t.target) == RECOVERY}
            if well:
                told = tuple(a for a in changed if a.rule in well)
                self._recovered = (*self._recovered, *told)[-MOST_RECOVERED:]
            self._listed = listed(watched.alerts)
            self._standing = tuple(self._alert(a, t_ms) for a in self._listed)
        sound = self._call(t_ms)
        self._before_ms = t_ms
        tune = int(block.tune[-1])
        return Moment(
            now_ms=now_ms,
            utc=utc,
            drive=watched.drive,
            t_ms=t_ms,
            tune=self._config.tunes[tune] if tune >= 0 else None,
            values=tuple(block.values[-1].tolist()),
            qualities=watched.qualities,
            changed=changed,
            standing=self._standing,
            sound=sound,
            notices=tuple(outcome.notices),
            events=block.events,
            news=watched.check_news,
            check=self._check,
        )

    def _call(self, t_ms: int) -> Sound | None:
        called = next((a for a in self._listed if sounds(a, self._before_ms, t_ms)), None)
        if called is None:
            return None
        number = 1 if self._sound is None else self._sound.number + 1
        self._sound = Sound(number, called.rule.action, called.rule.name)
        return self._sound

    def _follow_check(self, block: Block) -> None:
        """Count what a field check wants to be heard, and look where it stands when that may have changed."""
        check, news = self._watched.check, self._watched.check_news
        if news:
            number = 1 if self._prompt is None else self._prompt.number + 1
            self._prompt = Prompt(number, most_pressing(news))
        running = self._check is not None and self._check.running
        if check is None:
            self._check = None
        elif self._new or news or check.running != running or any(e.kind in OF_CHECKS for e in block.events):
            self._check = _check_view(check)

    # ------------------------------------------------------------------------------------------------------- status

    def status(self) -> Status:
        """What a page shows now of the drive; of sources, outputs and log the caller knows more."""
        config, watched = self._config, self._watched
        block = watched.block
        invented = any(isinstance(s, DemoSpec) for s in config.sources)
        replayed = any(isinstance(s, DriveFileSpec) for s in config.sources)
        if block is None or watched.ticked_ms is None:
            return Status(__version__, config.vehicle.name, invented, replayed, tunes=self._tunes)
        t_ms = int(block.t_ms[-1])
        tune = int(block.tune[-1])
        alerts = watched.alerts
        return Status(
            version=__version__,
            vehicle=config.vehicle.name,
            invented=invented,
            replayed=replayed,
            drive=watched.drive,
            t_ms=t_ms,
            tick_age_s=max(self._now_ms() - watched.ticked_ms, 0.0) / 1000.0 / self._speed(),
            tune=config.tunes[tune] if tune >= 0 else None,
            tunes=self._tunes,
            signals=self._signals(block),
            alerts=tuple(self._alert(a, t_ms) for a in listed(alerts)),
            aside=tuple(self._alert(a, t_ms) for a in alerts if a.state in ASIDE),
            notices=self._notices(tune),
            sound=self._sound,
            prompt=self._prompt,
            recovered=self._recovered,
        )

    def _notices(self, tune: int) -> tuple[str, ...]:
        notices = ["Many alerts at once: the first cause is shown first"] if self._watched.flood else []
        if self._config.tunes and tune == NO_TUNE:
            notices.append(TUNE_UNKNOWN[0].upper() + TUNE_UNKNOWN[1:])
        return tuple(notices)

    def _signals(self, block: Block) -> tuple[SignalView, ...]:
        values = block.values[-1].tolist()
        each = zip(
            self._config.signals,
            values,
            self._watched.qualities,
            self._headroom.limits,
            self._headroom.rooms,
            strict=True,
        )
        return tuple(_signal(*one) for one in each)

    def _alert(self, alert: Alert, now_ms: int) -> AlertView:
        rule = alert.rule
        unit = self._units.get(rule.signal, "")
        measure, unit, side = {
            Kind.THRESHOLD: (rule.signal, unit, rule.side),
            Kind.RATE: (f"slope of {rule.signal}", f"{unit}/s", rule.side),
            Kind.EXPOSURE: (f"time {rule.signal} was past its limit", "s", ABOVE),
            Kind.DEPARTURE: (f"{rule.signal} off the expected curve", unit, rule.side),
            Kind.LOST: (rule.signal, "", 0),
            Kind.REACH: (f"time left for {rule.signal}", "s", -ABOVE),
        }[rule.kind]
        i = self._column.get(rule.signal)
        room = None if i is None else self._headroom.rooms[i]
        block = self._watched.block
        now = None if i is None or block is None else _known(float(block.values[-1, i]))
        return AlertView(
            rule=rule.name,
            action=rule.action,
            state=alert.state,
            say=rule.say or rule.name,
            measure=measure,
            value=_known(alert.value),
            limit=_known(alert.limit),
            unit=unit,
            since_s=None if alert.true_ms is None else (now_ms - alert.true_ms) / 1000.0,
            side=SIDES[side],
            again=rule.again if alert.repeating else "",
            cause=self._cause(rule) if alert.active else "",
            act=rule.act,
            signal=rule.signal,
            raise_number=alert.raises,
            latching=rule.latch,
            left_s=None if room is None else room.left_s,
            now=now,
            shelf_left_s=None if alert.shelf_ends_ms == NEVER else (alert.shelf_ends_ms - now_ms) / 1000.0,
        )

    def _cause(self, rule: Rule) -> str:
        return cause_of(rule, self._config.signals, self._watched.qualities, self._config.computed)


def _known(x: float) -> float | None:
    return None if isnan(x) else x


def _signal(signal: Signal, value: float, quality: Quality, limits: Sequence[Limit], room: Room | None) -> SignalView:
    low, high = next_limit(limits, value, BELOW), next_limit(limits, value, ABOVE)
    return SignalView(
        name=signal.name,
        unit=signal.unit,
        value=value,
        quality=quality,
        meaning=signal.meaning,
        per_unit=signal.per_unit,
        low=None if low is None else low.value,
        high=None if high is None else high.value,
        computed=signal.computed,
        required=signal.required,
        room=None if room is None or isnan(value) else _room(room),
    )


def _room(room: Room) -> RoomView:
    worst = room.worst
    return RoomView(
        limit=room.limit.value,
        left=room.left,
        share=room.share,
        side=SIDES[room.limit.side],
        action=room.limit.action,
        trend=room.trend,
        left_s=room.left_s,
        worst=None if worst is None else worst.value,
        worst_limit=None if worst is None else worst.limit,
        worst_share=None if worst is None else worst.share,
        worst_ms=None if worst is None else worst.t_ms,
        ahead=None if room.ahead is None else room.ahead.value,
        ahead_action=None if room.ahead is None else room.ahead.action,
    )


def _check_view(check: CheckFollower) -> CheckView:
    now, runs = check.now(), check.runs
    run = runs[-1] if runs else None
    titles = {step.name: step.title for step in check.check.steps}
    return CheckView(
        title=check.check.title,
        running=now is not None,
        confirmed_by="" if run is None else run.confirmed_by,
        step=None if now is None else now.step,
        tune="" if now is None else now.tune,
        holding=now is not None and now.holding_s is not None,
        alert="" if now is None else now.alert,
        results=()
        if run is None
        else tuple(
            CheckResult(
                r.step,
                r.tune,
                titles[r.step],
                r.verdict,
                len(r.attempts),
                r.why or (r.attempts[-1].why if r.attempts else ""),
            )
            for r in run.results
        ),
    )
