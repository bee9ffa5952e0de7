"""Builds what is told to a broker, and checks what no single key of its table can tell."""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path

from uphaul.config.amounts import Scope, whole_ms
from uphaul.config.mqtt_tables import MqttTable
from uphaul.config.spec import MqttSpec

__all__ = ["build_mqtt", "slug"]

PORT, TLS_PORT = 1883, 8883
"""Registered with IANA as ``mqtt`` and ``secure-mqtt``."""
FORBIDDEN = re.compile(r"[+#\x00-\x1f\x7f]")
"""Wildcards are no part of a topic that is published to (OASIS MQTT 3.1.1, section 4.7.1); nor control characters."""


def slug(name: str) -> str:
    """A vehicle's name as part of a topic: small letters, digits and ``-``; ``vehicle`` where nothing is left."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40].strip("-") or "vehicle"


def build_mqtt(scope: Scope, table: MqttTable | None, vehicle: str) -> MqttSpec | None:
    """The table as the output reads it; what does not go together is a problem. `vehicle` is the vehicle's name."""
    if table is None:
        return None
    prefix = table.prefix if table.prefix is not None else f"uphaul/{slug(vehicle)}/"
    prefix = prefix if prefix.endswith("/") else f"{prefix}/"
    if FORBIDDEN.search(prefix) or prefix.startswith(("/", "$")):
        scope.wrong("mqtt.prefix", table.prefix, "must be the beginning of a topic: no + and #, no / or $ in front")
    if table.password_file is not None and table.username is None:
        scope.wrong("mqtt.password_file", table.password_file, "needs `username`: the password is that user's")
    for name in ("ca_file", "cert_file", "key_file"):
        if getattr(table, name) is not None and not table.tls:
            scope.wrong(f"mqtt.{name}", getattr(table, name), "needs tls = true")
    if (table.cert_file is None) != (table.key_file is None):
        there, lacking = ("key_file", "cert_file") if table.cert_file is None else ("cert_file", "key_file")
        scope.wrong(f"mqtt.{there}", getattr(table, there), f"needs `{lacking}`: certificate and key belong together")
    for i, name in enumerate(table.signals or ()):
        scope.named(name, f"mqtt.signals[{i}]")
    return MqttSpec(
        host=table.host,
        port=table.port or (TLS_PORT if table.tls else PORT),
        username=table.username,
        password_file=_path(table.password_file),
        tls=table.tls,
        ca_file=_path(table.ca_file),
        cert_file=_path(table.cert_file),
        key_file=_path(table.key_file),
        prefix=prefix,
        telemetry_ms=whole_ms(scope, "mqtt.telemetry_s", table.telemetry_s),
        signals=None if table.signals is None else tuple(dict.fromkeys(table.signals)),
        outbox_mb=table.outbox_mb,
        accept_acts=table.accept_acts,
        keepalive_s=table.keepalive_s,
    )


def _path(name: str | None) -> Path | None:
    return None if name is None else Path(name)
