"""The table of daemon.toml that says where messages go: MQTT."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from uphaul.config.tables import LONGEST_S, ONE_LINE, Table, key

__all__ = ["MqttTable"]

PATH: dict[str, Any] = {"min_length": 1, "max_length": 1000}


class MqttTable(Table):
    """A broker that is told of alerts, signals and drives. Left out: none is."""

    host: str = key("the broker's name or address", min_length=1, max_length=253, pattern=ONE_LINE)
    port: int | None = key("the broker's port; left out: 1883, with tls 8883", None, ge=1, le=65_535)
    username: str | None = key("name to log in with", None, min_length=1, max_length=200, pattern=ONE_LINE)
    password_file: str | None = key(
        "file whose first line is the password, since the log keeps this configuration and not that file", None, **PATH
    )
    tls: bool = key("encrypt, and believe no broker whose certificate does not fit", False)
    ca_file: str | None = key("certificates of the authorities to believe (PEM); left out: the system's", None, **PATH)
    cert_file: str | None = key("our own certificate, where the broker asks for one (PEM)", None, **PATH)
    key_file: str | None = key("the key of `cert_file` (PEM)", None, **PATH)
    prefix: str | None = key(
        "what all topics begin with; left out: uphaul/ and the vehicle's name in small letters", None, max_length=200
    )
    telemetry_s: float = key("signals are told so often", 1.0, unit="s", ge=0.05, le=LONGEST_S)
    signals: Annotated[list[str], Field(max_length=1000)] | None = key(
        "the signals that are told; left out: all, []: none", None
    )
    outbox_mb: int = key(
        "what waits on the card for a broker that is away; beyond it the oldest telemetry goes first",
        50,
        unit="MB",
        ge=2,
        le=10_000,
    )
    accept_acts: bool = key(
        "let whoever may write to the topic `act` quiet and set aside alerts, mark, and choose the tune", False
    )
    keepalive_s: int = key(
        "a connection that is silent for so long is asked for a sign of life", 30, unit="s", ge=5, le=3600
    )
