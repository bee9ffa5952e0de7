"""What is told of the drive now, as plain frozen values: a `Moment` a tick for the outputs, a `Status` for a page.

Nothing here reads a clock or another room's objects. Process-plant words of the alert life cycle stay in the code: the
words below are what a person reads, on the page and over MQTT alike.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from uphaul.alerts import Notice, State
from uphaul.analysis.field_check import News, NewsKind, Step, Verdict
from uphaul.rules import Action
from uphaul.signals import Event, Quality

__all__ = [
    "ACTION_WORDS",
    "OVER",
    "OVER_WORDS",
    "STATE_WORDS",
    "AlertView",
    "CheckResult",
    "CheckView",
    "LogView",
    "Moment",
    "Played",
    "Prompt",
    "RoomView",
    "SignalView",
    "Sound",
    "SourceView",
    "Status",
    "act_words",
]

# What an alert's state is called. Source: common practice of the trade, plain words first.
STATE_WORDS = {
    State.NORMAL: "over",
    State.UNACKNOWLEDGED: "",
    State.ACKNOWLEDGED: "seen",
    State.RETURNED_UNACKNOWLEDGED: "over, not yet seen",
    State.LATCHED_UNACKNOWLEDGED: "held until reset",
    State.LATCHED_ACKNOWLEDGED: "seen, held until reset",
    State.SHELVED: "set aside for now",
    State.SUPPRESSED: "covered by another alert",
    State.OUT_OF_SERVICE: "off for now",
}
ACTION_WORDS = {Action.NOTE: "Look when stopped", Action.EASE: "Ease off now", Action.STOP: "Stop when safe"}
# The condition is over: nothing may go on telling the driver to act.
OVER = (State.NORMAL, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED)
OVER_WORDS = "Back to normal"


@dataclass(frozen=True, slots=True)
class RoomView:
    """How much room a signal has to the first limit that asks the driver to act, all in the signal's unit.

    `left` is the distance to `limit` (negative: past it; then `ahead` is the further limit that comes next, if any),
    `share` the same as a share of the distance from a usual reading: 1 as usual, 0 at the limit. `side` is ``above`` or
    ``below``, `action` what the driver would be asked to do there. `trend` is the change per minute, `left_s` how long
    it takes at that trend to the limit that comes next; both None when unknown or not sensible. `worst`, `worst_limit`
    and `worst_ms` (the drive's time) tell of the least share of this drive.
    """

    limit: float
    left: float
    share: float
    side: str
    action: Action
    trend: float | None = None
    left_s: float | None = None
    worst: float | None = None
    worst_limit: float | None = None
    worst_share: float | None = None
    worst_ms: int | None = None
    ahead: float | None = None
    ahead_action: Action | None = None


@dataclass(frozen=True, slots=True)
class SignalView:
    """One signal. `value` None (or NaN) is unknown, and `quality` says why. `low` and `high` are the limits in force
    that the value would meet next below and above, in the signal's unit, None where no rule watches that side.
    `per_unit` (counts per unit) sets how many decimals make sense. `room` None: no limit applies, or nothing is known.
    """

    name: str
    unit: str
    value: float | None
    quality: Quality = Quality.GOOD
    meaning: str = ""
    per_unit: int = 1
    low: float | None = None
    high: float | None = None
    computed: bool = False
    required: bool = False
    room: RoomView | None = None


@dataclass(frozen=True, slots=True)
class AlertView:
    """One alert that is not in its normal state, the most pressing one first in `Status.alerts`.

    `act` is what to do in two or three words, `say` the rule's instruction with its reason. `since_s` is how long ago
    its condition became true, `value` and `limit` (both in `unit`, None when unknown) are those of that tick: an alert
    that was covered by another until now shows how long things have been so. `since_s` None: in an earlier drive.
    `measure` names what they are of: the signal, or for example ``slope of coolant``; `signal` is the signal's name.
    `side` is ``above`` or ``below``, empty where that says nothing (a lost signal). `cause` names what is wrong with a
    signal that is lost: ``open circuit``. `raise_number` is what an acknowledgement names, so that none quiets a later
    raise. `latching`: after it is over it is held until a person resets it. `left_s` is the time left to the next
    limit of its signal, `now` the signal's present value, None where unknown.
    """

    rule: str
    action: Action
    state: State
    say: str
    measure: str
    value: float | None
    limit: float | None
    unit: str
    since_s: float | None
    side: str = "above"
    again: str = ""
    cause: str = ""
    act: str = ""
    signal: str = ""
    raise_number: int = 0
    latching: bool = False
    left_s: float | None = None
    now: float | None = None
    shelf_left_s: float | None = None

    @property
    def over(self) -> bool:
        """Whether its condition is over, so that it asks for nothing any more."""
        return self.state in OVER


def act_words(view: AlertView) -> str:
    """What to do, in two or three words; when it is over, that it is."""
    return OVER_WORDS if view.over else view.act or ACTION_WORDS[view.action]


@dataclass(frozen=True, slots=True)
class Sound:
    """A call for a sound: `number` counts them since the start, so that each is sounded once."""

    number: int
    action: Action
    rule: str


@dataclass(frozen=True, slots=True)
class Prompt:
    """What a field check wants to be heard: `number` counts them since the start, so that each is sounded once."""

    number: int
    kind: NewsKind


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What has come of a step of a field check so far; `tune` is empty for a step that is not done in each."""

    step: str
    tune: str
    title: str
    verdict: Verdict
    attempts: int
    why: str


@dataclass(frozen=True, slots=True)
class CheckView:
    """Where the field check of a drive stands, as of the last thing that there was to say of it.

    `running` is false before one begins and after it has ended; `results` are then those of the last one, until a drive
    begins. `step` (in `tune`, empty for any) is the one to do now, None where none is open; `holding`: all that it
    waits for holds. `alert` is what the alert says that is in the way, empty: none.
    """

    title: str
    running: bool = False
    confirmed_by: str = ""
    step: Step | None = None
    tune: str = ""
    holding: bool = False
    alert: str = ""
    results: tuple[CheckResult, ...] = ()


@dataclass(frozen=True, slots=True)
class Moment:
    """One finished tick, for outputs that follow every one.

    `now_ms` is the clock's, `utc` its label by the wall clock (ISO 8601), `t_ms` the drive's time, `drive` None between
    drives (0 when nothing is logged). `values` (NaN unknown) and `qualities` are by the configuration's signals. `tune`
    None: unknown. `changed` are the alerts whose state changed at this tick, in the order of their steps, those that
    went back to normal included; `standing` are all that a person sees now, the most pressing first. `sound` is the
    call for a sound that falls on this tick, if any. `news` are what a field check has to say at this tick, in order,
    and `check` where it stands (the same object until that changes), None where the configuration has none.
    """

    now_ms: int
    utc: str
    drive: int | None
    t_ms: int
    tune: str | None
    values: tuple[float, ...]
    qualities: tuple[Quality, ...]
    changed: tuple[AlertView, ...] = ()
    standing: tuple[AlertView, ...] = ()
    sound: Sound | None = None
    notices: tuple[Notice, ...] = ()
    events: tuple[Event, ...] = ()
    news: tuple[News, ...] = ()
    check: CheckView | None = None


@dataclass(frozen=True, slots=True)
class SourceView:
    """How a source (or an output) is doing, in the words of its health."""

    name: str
    state: str
    problem: str = ""
    restarts: int = 0


@dataclass(frozen=True, slots=True)
class LogView:
    """How the log is doing: `state` in words (``recording``, ``between drives``, ``not recording``).

    `free_mb` and `size_mb` (10^6 bytes) are of the card and the log, `hours` what the log holds; None where unknown.
    """

    state: str
    problem: str = ""
    lost_ticks: int = 0
    free_mb: float | None = None
    size_mb: float | None = None
    hours: float | None = None


@dataclass(frozen=True, slots=True)
class Played:
    """Where the replay of a recorded drive stands: its drive's time, what there is, and how fast it goes (1: life)."""

    t_ms: int
    first_ms: int
    last_ms: int
    speed: float
    paused: bool
    seeking: bool = False


@dataclass(frozen=True, slots=True)
class Status:
    """Everything on the page at one moment.

    `t_ms` is the last finished tick in ms since the drive began, None before the first. `tick_age_s` is how long ago
    that tick was finished when this was made, None before the first: the page calls itself not live when it is late.
    `drive` None: between drives. `tune` None: unknown; `tunes` are those that a person may choose, empty where an
    input tells it. `invented` marks data of the demo vehicle, `replayed` those of a recorded drive that is played.
    `notices` are lasting remarks in plain words (card full, many alerts). `aside` are alerts that are shelved or out of
    service, which `alerts` leaves out. `recovered` are the last few that a person had seen and that went back to normal
    in this drive, oldest first: each is told once. `clock` says in words how good the wall clock is, `power_cut` tells
    of the last one, both empty when there is nothing to say.
    """

    version: str
    vehicle: str = ""
    invented: bool = False
    replayed: bool = False
    drive: int | None = None
    t_ms: int | None = None
    tick_age_s: float | None = None
    tune: str | None = None
    tunes: tuple[str, ...] = ()
    signals: tuple[SignalView, ...] = ()
    alerts: tuple[AlertView, ...] = ()
    aside: tuple[AlertView, ...] = ()
    sources: tuple[SourceView, ...] = ()
    outputs: tuple[SourceView, ...] = ()
    log: LogView = field(default_factory=lambda: LogView("not recording"))
    notices: tuple[str, ...] = ()
    sound: Sound | None = None
    prompt: Prompt | None = None
    recovered: tuple[AlertView, ...] = ()
    clock: str = ""
    power_cut: str = ""
    played: Played | None = None
