"""How patient the connection to a broker is."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Pace"]


@dataclass(frozen=True, slots=True)
class Pace:
    """All in seconds: our own choices, but for tests the same for everyone.

    `answer_s`: a broker that does not answer for so long is given up, and a new connection is made. The pause before
    the next attempt goes from `first_delay_s`, doubled each time, to `longest_delay_s`. `settle_s`: what was
    acknowledged is held for so long. `flush_s`: telemetry that waits so long goes to the card. `look_s`: so often the
    counters are brought up to date.
    """

    answer_s: float = 10.0
    first_delay_s: float = 1.0
    longest_delay_s: float = 30.0
    settle_s: float = 60.0
    flush_s: float = 5.0
    look_s: float = 1.0
