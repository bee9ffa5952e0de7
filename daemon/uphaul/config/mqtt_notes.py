"""What a configuration leaves to be said of the login at a broker; for the running daemon too, so without pydantic."""

from __future__ import annotations

from uphaul.config.page import on_this_machine_only
from uphaul.config.spec import MqttSpec

__all__ = ["mqtt_notes"]


def mqtt_notes(spec: MqttSpec | None) -> list[str]:
    """Remarks for the owner: allowed, and better known."""
    if spec is None or spec.username is None or spec.tls or on_this_machine_only(spec.host):
        return []
    return [
        f"mqtt: the user name and password for {spec.host} go over the network in the clear; tls = true encrypts them"
    ]
