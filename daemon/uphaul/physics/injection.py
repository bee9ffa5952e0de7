"""Injection: how many degrees of crank turn by while the injector is open."""

from __future__ import annotations

from uphaul.physics.basis import Floats, not_negative

__all__ = ["crank_deg"]


def crank_deg(rpm: Floats, pulse_s: Floats, *, opening_s: float = 0.0) -> Floats:
    """Crank angle (deg) of an injection of electrical length `pulse_s`, less the injector's opening delay.

    A pulse shorter than the delay injects nothing: 0. The delay is commonly 0.0003..0.0005 s (common practice); with
    the default of none, the electrical angle is told. Without meaning for a pump that meters by itself.
    Source: 360 deg a revolution, 60 s a minute: 6 * rpm * s.
    """
    open_s = not_negative(pulse_s) - opening_s
    return 6.0 * not_negative(rpm) * open_s * (open_s > 0.0)
