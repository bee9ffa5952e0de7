"""Moments of an invented drive, as the tick loop hands them to outputs."""

from __future__ import annotations

import dataclasses
from typing import Any

from uphaul.alerts import State
from uphaul.config.spec import Config
from uphaul.rules import Action
from uphaul.signals import Quality
from uphaul.status import AlertView, Moment

__all__ = ["Drive", "alert"]


def alert(number: int = 1, state: State = State.UNACKNOWLEDGED, rule: str = "egt-high", **more: Any) -> AlertView:
    """One alert in the shape it has on its way out."""
    view = AlertView(
        rule=rule,
        action=Action.EASE,
        state=state,
        say="Exhaust is too hot",
        measure="egt",
        value=731.25,
        limit=720.0,
        unit="degC",
        since_s=2.0,
        signal="egt",
        raise_number=number,
    )
    return dataclasses.replace(view, **more)


class Drive:
    """Makes one moment after the other, `step_ms` apart, with values that tell them apart."""

    def __init__(self, config: Config, *, step_ms: int = 50, number: int | None = 7) -> None:
        self._width = len(config.signals)
        self.step_ms = step_ms
        self.number = number
        self.t_ms = 0

    def moment(self, **more: Any) -> Moment:
        """The next tick."""
        t_ms, self.t_ms = self.t_ms, self.t_ms + self.step_ms
        values = (float(t_ms), float("nan"), *(1.5,) * (self._width - 2))
        qualities = (Quality.GOOD, Quality.OPEN_CIRCUIT, *(Quality.GOOD,) * (self._width - 2))
        minute, rest = divmod(t_ms, 60_000)
        moment = Moment(
            now_ms=1_000_000 + t_ms,
            utc=f"2031-03-02T04:{minute % 60:02d}:{rest / 1000:06.3f}+00:00",
            drive=self.number,
            t_ms=t_ms,
            tune="stock",
            values=values,
            qualities=qualities,
        )
        return dataclasses.replace(moment, **more)

    def change(self, view: AlertView) -> Moment:
        """The next tick, at which this alert changed."""
        standing = (view,) if view.state in SEEN else ()
        return self.moment(changed=(view,), standing=standing)


SEEN = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED)
