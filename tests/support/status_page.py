"""An invented vehicle's status for tests of the page."""

from __future__ import annotations

from dataclasses import replace

from uphaul.alerts import State
from uphaul.rules import Action
from uphaul.signals import Quality
from uphaul.status import AlertView, LogView, RoomView, SignalView, SourceView, Status

__all__ = ["busy", "calm", "cool", "many"]


def _room(limit: float, left: float, share: float, action: Action = Action.EASE, **more: object) -> RoomView:
    told: dict[str, object] = {"side": "above", "trend": 0.0, **more}
    return RoomView(limit=limit, left=left, share=share, action=action, **told)  # type: ignore[arg-type]


_EGT = _room(750, 18.75, 0.07, trend=21.0, worst=744.0, worst_limit=750.0, worst_share=0.02, worst_ms=1_190_000)
_COOLANT = _room(
    104, 2.5, 0.16, trend=1.2, left_s=125.0, worst=102.5, worst_limit=104.0, worst_share=0.1, worst_ms=900_000
)
_OIL = _room(
    179.2,
    132.8,
    1.1,
    Action.STOP,
    side="below",
    trend=-1.0,
    worst=240.0,
    worst_limit=160.0,
    worst_share=0.7,
    worst_ms=34_000,
)
_RATIO = _room(3.1, 0.226, 0.31, trend=0.01)
_SUPPLY = _room(15.2, 1.088, 0.9, Action.NOTE)
_MIXTURE = _room(16, 3.6, 0.6, side="below", trend=-0.4)

_SIGNALS = (
    SignalView(
        "egt", "degC", 731.25, meaning="exhaust gas before the turbine", per_unit=4, high=680, required=True, room=_EGT
    ),
    SignalView("coolant", "degC", 101.5, meaning="coolant at the thermostat", per_unit=4, high=104, room=_COOLANT),
    SignalView("boost", "kPa", 158.3, meaning="gauge pressure in the intake", per_unit=10, high=180, computed=True),
    SignalView("rpm", "rpm", 2560, per_unit=4),
    SignalView("speed", "km/h", 75.42, per_unit=100),
    SignalView("oil_pressure", "kPa", 312.0, per_unit=10, low=179.2, room=_OIL),
    SignalView("oil_temperature", "degC", None, Quality.OPEN_CIRCUIT, per_unit=4, high=120),
    SignalView("charge_temperature", "degC", 77.0, meaning="after the intercooler", per_unit=4),
    SignalView("barometer", "kPa", 89.1, per_unit=10),
    SignalView("ambient", "degC", 31.25, per_unit=4),
    SignalView("supply", "V", 14.112, per_unit=1000, low=12.2, high=15.2, room=_SUPPLY),
    SignalView("pedal", "%", 86.4, per_unit=10),
    SignalView("map", "kPa", 255.0, Quality.SATURATED, meaning="absolute pressure in the intake", per_unit=10),
    SignalView("gearbox_temperature", "degC", None, Quality.STALE, per_unit=4, high=105),
    SignalView("pressure_ratio", "1", 2.874, per_unit=1000, high=3.1, computed=True, room=_RATIO),
    SignalView("air_fuel_ratio", "1", 19.6, per_unit=1000, low=16, computed=True, room=_MIXTURE),
)

_EASE = AlertView(
    "egt-high",
    Action.EASE,
    State.UNACKNOWLEDGED,
    "Exhaust too hot: ease off, change down",
    "egt",
    731.25,
    680.0,
    "degC",
    42.0,
    signal="egt",
    raise_number=1,
    now=731.25,
)
_SEEN = AlertView(
    "coolant-warm",
    Action.NOTE,
    State.ACKNOWLEDGED,
    "Coolant warm: watch it on this climb",
    "coolant",
    101.5,
    100.0,
    "degC",
    312.0,
    act="Expect to ease off",
    signal="coolant",
    raise_number=2,
    left_s=125.0,
    now=101.5,
)
_LOST = AlertView(
    "lost:oil_temperature",
    Action.NOTE,
    State.UNACKNOWLEDGED,
    "Oil temperature is missing: check its sensor and wiring when stopped",
    "oil_temperature",
    None,
    None,
    "degC",
    128.0,
    side="",
    cause="open circuit",
    signal="oil_temperature",
)
STOP = AlertView(
    "oil-pressure-low",
    Action.STOP,
    State.UNACKNOWLEDGED,
    "Oil pressure lost: stop when safe, engine off",
    "oil_pressure",
    38.0,
    179.2,
    "kPa",
    3.0,
    side="below",
    again="Keeps coming back: do not drive on",
    act="Stop, engine off",
    signal="oil_pressure",
    raise_number=1,
    now=38.0,
    latching=True,
)


def busy(*, stop: bool = False) -> Status:
    """A climb with alerts of every action, unknown signals and a source in trouble."""
    return Status(
        version="0.1.0",
        vehicle="Invented tow rig",
        invented=True,
        drive=7,
        t_ms=1_275_050,
        tick_age_s=0.03,
        tune="tow",
        signals=_SIGNALS,
        alerts=(STOP, _EASE, _SEEN, _LOST) if stop else (_EASE, _SEEN, _LOST),
        sources=(
            SourceView("engine_bus", "running"),
            SourceView("oil_probe", "waiting", "the channel /dev/ttyUSB7 is not there", restarts=4),
        ),
        log=LogView("recording"),
        notices=("Space on the card is short: the oldest drives go first",),
    )


def many(now: int, over: int) -> Status:
    """A drive on which `now` alerts hold and `over` more are over and not yet seen; the instruction is the first."""
    kinds = (_EASE, _LOST, _SEEN)
    alerts = [replace(kinds[i % 3], rule=f"rule-{i}") for i in range(now + over)]
    past = [replace(a, state=State.RETURNED_UNACKNOWLEDGED) for a in alerts[now:]]
    return replace(busy(), alerts=(*alerts[:now], *past), notices=())


def cool(name: str, value: float, share: float, left: float) -> SignalView:
    """A signal of the flat cruise with another reading and room."""
    signal = next(s for s in calm().signals if s.name == name)
    assert signal.room is not None
    return replace(signal, value=value, room=replace(signal.room, share=share, left=left))


def calm() -> Status:
    """A flat cruise: nothing to tell."""
    egt, coolant, *rest = _SIGNALS[:6]
    egt = replace(
        egt, value=478.0, room=_room(720, 242.0, 0.98, worst=602.0, worst_limit=720.0, worst_share=0.48, worst_ms=2_000)
    )
    coolant = replace(coolant, value=88.0, room=_room(104, 16.0, 1.0))
    return Status(
        version="0.1.0",
        drive=8,
        t_ms=4_000,
        tick_age_s=0.03,
        tune="tow",
        signals=(egt, coolant, *rest),
        sources=(SourceView("engine_bus", "running"),),
        log=LogView("recording"),
    )
