"""What can be said about an output at any moment."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["Health"]


@dataclass(slots=True)
class Health:
    """How an output is doing, as a source's health says it; counters never go back while the daemon runs.

    `problem` is in words, empty when there is none; it may stand beside a `state` of ``running``. `notes` is what else
    the owner should know and still holds; the whole tuple is replaced, from any thread.
    """

    state: str = "starting"  # starting | running | waiting | ended
    problem: str = ""
    restarts: int = 0
    counters: dict[str, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
