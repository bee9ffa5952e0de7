"""The lines of a dash panel, through the kernel's GPIO interface: two to set, one whose edges are read."""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from uphaul.config.spec import PanelSpec
from uphaul.errors import UphaulError
from uphaul.outputs.panel_sounds import Lines

if TYPE_CHECKING:
    from gpiod import LineRequest

__all__ = ["EdgeSeen", "Opener", "PanelError", "PanelLines", "open_lines"]

BUFFERED_EDGES = 256
"""Edges of the button that the kernel keeps: far more than a bouncing contact makes in a second."""
READS = 4
"""Full buffers in one round at most: noise on an open input must not hold the panel's thread."""


class PanelError(UphaulError):
    """The panel cannot be had, or has gone. `retry` tells whether trying again can help."""

    def __init__(self, message: str, *, retry: bool = True) -> None:
        super().__init__(message)
        self.retry = retry


@dataclass(frozen=True, slots=True)
class EdgeSeen:
    """An edge of the button: after it the button is `pressed`; `t_ns` on CLOCK_MONOTONIC, by the kernel."""

    t_ns: int
    pressed: bool


class PanelLines:
    """The lines as they were asked for. Every method raises PanelError when the chip has gone."""

    def __init__(self, spec: PanelSpec, request: LineRequest) -> None:
        from gpiod import line

        self._spec, self._request = spec, request
        self._on, self._off = line.Value.ACTIVE, line.Value.INACTIVE

    @property
    def fd(self) -> int:
        """Readable when the button has edges; an error on it when the chip has gone."""
        return self._request.fd

    def set(self, lines: Lines) -> None:
        """Switch buzzer and lamp, those that are fitted."""
        wanted = {self._spec.buzzer: lines.buzzer, self._spec.lamp: lines.lamp}
        values = {line: self._on if on else self._off for line, on in wanted.items() if line is not None}
        if not values:
            return
        try:
            self._request.set_values(values)
        except OSError as error:
            raise self.gone(error) from error

    def pressed(self) -> bool:
        """Whether the button is pressed now; False where none is fitted."""
        if self._spec.button is None:
            return False
        try:
            return self._request.get_value(self._spec.button) is self._on
        except OSError as error:
            raise self.gone(error) from error

    def edges(self) -> list[EdgeSeen]:
        """The edges that have gathered, oldest first; never waits."""
        from gpiod import EdgeEvent

        seen: list[EdgeSeen] = []
        try:
            for _ in range(READS):
                if not self._request.wait_edge_events(0):
                    break
                # by its logical type: the kernel has turned an active-low line round already
                seen += [
                    EdgeSeen(e.timestamp_ns, e.event_type is EdgeEvent.Type.RISING_EDGE)
                    for e in self._request.read_edge_events(BUFFERED_EDGES)
                ]
        except OSError as error:
            raise self.gone(error) from error
        return seen

    def close(self) -> None:
        """Switch both off and give the lines back, as far as that can be done."""
        with contextlib.suppress(PanelError):  # what is gone is off, or out of reach
            self.set(Lines())
        with contextlib.suppress(OSError):
            self._request.release()

    def gone(self, error: OSError | None = None) -> PanelError:
        """What to raise when the chip does not answer any more."""
        why = "no answer" if error is None else error.strerror or str(error)
        return PanelError(f"panel: {self._spec.chip} has gone: {why}")


Opener = Callable[[PanelSpec], PanelLines]


def open_lines(spec: PanelSpec) -> PanelLines:
    """Ask for the lines, buzzer and lamp off. Raises PanelError: with ``retry=False`` when no retry can mend it."""
    try:
        import gpiod
        from gpiod import line
    except ImportError as error:
        needed = "the GPIO library is needed: pip install 'uphaul[gpio]'"
        raise PanelError(f"panel: {needed} ({error})", retry=False) from error
    wanted: dict[Iterable[int | str] | int | str, gpiod.LineSettings | None] = {}
    for part, active_low in ((spec.buzzer, spec.buzzer_active_low), (spec.lamp, spec.lamp_active_low)):
        if part is not None:
            wanted[part] = gpiod.LineSettings(
                direction=line.Direction.OUTPUT, active_low=active_low, output_value=line.Value.INACTIVE
            )
    if spec.button is not None:
        wanted[spec.button] = gpiod.LineSettings(
            direction=line.Direction.INPUT,
            edge_detection=line.Edge.BOTH,
            active_low=spec.button_active_low,
            bias={
                "as-is": line.Bias.AS_IS,
                "disabled": line.Bias.DISABLED,
                "pull-up": line.Bias.PULL_UP,
                "pull-down": line.Bias.PULL_DOWN,
            }[spec.button_bias],
            event_clock=line.Clock.MONOTONIC,
        )
    names = ", ".join(str(name) for name in wanted)
    where = f"line{'s' if len(wanted) > 1 else ''} {names} of {spec.chip}"
    try:
        request = gpiod.request_lines(spec.chip, wanted, consumer="uphaul", event_buffer_size=BUFFERED_EDGES)
    except OSError as error:
        why = error.strerror or str(error)
        if error.errno == errno.EBUSY:
            why += " (another program has one of them)"
        raise PanelError(f"panel: {where} cannot be had: {why}") from error
    except ValueError as error:  # no line of that number or name
        raise PanelError(f"panel: {where}: {error}", retry=False) from error
    return PanelLines(spec, request)
