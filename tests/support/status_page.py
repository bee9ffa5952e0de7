"""An invented vehicle's status for tests of the page."""

from __future__ import annotations

from dataclasses import replace

from uphaul.alerts import State
from uphaul.rules import Action
from uphaul.signals import Quality
from uphaul.status import AlertView, LogView, SignalView, SourceView, Status

__all__ = ["busy", "calm", "many"]

_SIGNALS = (
    SignalView("egt", "degC", 731.25, meaning="exhaust gas before the turbine", per_unit=4, high=680),
    SignalView("coolant", "degC", 101.5, meaning="coolant at the thermostat", per_unit=4, high=104),
    SignalView("boost", "kPa", 158.3, meaning="gauge pressure in the intake", per_unit=10, high=180, computed=True),
    SignalView("rpm", "rpm", 2560, per_unit=4),
    SignalView("speed", "km/h", 75.42, per_unit=100),
    SignalView("oil_pressure", "kPa", 312.0, per_unit=10, low=179.2),
    SignalView("oil_temperature", "degC", None, Quality.OPEN_CIRCUIT, per_unit=4, high=120),
    SignalView("charge_temperature", "degC", 77.0, meaning="after the intercooler", per_unit=4),
    SignalView("barometer", "kPa", 89.1, per_unit=10),
    SignalView("ambient", "degC", 31.25, per_unit=4),
    SignalView("supply", "V", 14.112, per_unit=1000, low=12.2, high=15.2),
    SignalView("pedal", "%", 86.4, per_unit=10),
    SignalView("map", "kPa", 255.0, Quality.SATURATED, meaning="absolute pressure in the intake", per_unit=10),
    SignalView("gearbox_temperature", "degC", None, Quality.STALE, per_unit=4, high=105),
    SignalView("pressure_ratio", "1", 2.874, per_unit=1000, high=3.1, computed=True),
    SignalView("air_fuel_ratio", "1", 19.6, per_unit=1000, low=16, computed=True),
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


def calm() -> Status:
    """A flat cruise: nothing to tell."""
    return Status(
        version="0.1.0",
        drive=8,
        t_ms=4_000,
        tick_age_s=0.03,
        tune="tow",
        signals=_SIGNALS[:6],
        sources=(SourceView("engine_bus", "running"),),
        log=LogView("recording"),
    )
