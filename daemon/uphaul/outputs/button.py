"""What the edges of one dash button mean: a short press quiets, a long one marks the moment. No lines, no clock.

Theory of operation. The `Button` is fed every edge with the kernel's time stamp, and the time now and then; only these
stamps count, so it does not matter how late or in what pieces they arrive. A level counts once it has stood for
`BOUNCE_NS`; its time is that of the edge that began it. So a contact that bounces is one press, and a spike that the
vehicle's wiring picks up is none.

A press that ends before `LONG_NS` quiets as it ends; one that reaches `LONG_NS` marks at that moment, once, and nothing
when it ends. A press that is there from the start on means nothing, however it ends: it may be a short circuit. Held
for `STUCK_NS` the button is `stuck`, and still nothing more comes of it.

Source of the times: common practice (contacts bounce for 1 to 20 ms; 0.5 to 1 s is felt as long).
"""

from __future__ import annotations

from enum import StrEnum

__all__ = ["BOUNCE_NS", "LONG_NS", "STUCK_NS", "Button", "Press"]

NS_PER_MS = 1_000_000
BOUNCE_NS = 30 * NS_PER_MS
LONG_NS = 800 * NS_PER_MS
STUCK_NS = 10_000 * NS_PER_MS


class Press(StrEnum):
    """What a person meant."""

    QUIET = "quiet"
    MARK = "mark"


class Button:
    """One button, whose line says `pressed` at `now_ns`. Times only go forward."""

    def __init__(self, *, pressed: bool, now_ns: int) -> None:
        self._level = self._counts = pressed
        self._edge_ns = self._since_ns = now_ns
        self._spent = pressed
        self._now_ns = now_ns

    @property
    def stuck(self) -> bool:
        """Whether it has been held for longer than anyone would, as of the last time handed in."""
        return self._counts and self._now_ns - self._since_ns >= STUCK_NS

    def edge(self, t_ns: int, *, pressed: bool) -> list[Press]:
        """An edge at `t_ns`, after which the line says `pressed`; what was meant up to then."""
        meant = self.step(t_ns)
        if pressed != self._level or t_ns - self._edge_ns < BOUNCE_NS:
            self._edge_ns = max(t_ns, self._edge_ns)
        self._level = pressed
        return meant

    def step(self, now_ns: int) -> list[Press]:
        """It is `now_ns` and no edge came before that was not told; what was meant since the last time."""
        self._now_ns = max(now_ns, self._now_ns)
        meant: list[Press] = []
        if self._level != self._counts and self._now_ns - self._edge_ns >= BOUNCE_NS:
            if self._counts and not self._spent:
                meant.append(Press.QUIET)
            self._counts, self._since_ns, self._spent = self._level, self._edge_ns, False
        long = self._now_ns - self._since_ns >= LONG_NS
        if self._counts and self._level and long and not self._spent:
            self._spent = True
            meant.append(Press.MARK)
        return meant

    @property
    def due_ns(self) -> int | None:
        """When to look again though no edge comes; None: never."""
        if self._level != self._counts:
            return self._edge_ns + BOUNCE_NS
        if not self._counts:
            return None
        if not self._spent:
            return self._since_ns + LONG_NS
        return None if self.stuck else self._since_ns + STUCK_NS
