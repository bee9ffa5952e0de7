"""Tell systemd how the daemon is doing: ready, alive, stopping, and one line of status.

The protocol is that of sd_notify(3): newline-separated ``NAME=value`` fields in one datagram to the Unix socket that
$NOTIFY_SOCKET names, a leading ``@`` standing for the abstract namespace. Without that variable (started by hand, in a
test) every call does nothing. Send `watchdog` for finished ticks only: a daemon that still runs but no longer judges
is one that systemd should restart.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

from uphaul.errors import UphaulError

__all__ = ["Notifier"]


class Notifier:
    """Speaks to the service manager, or to nobody. Sending never blocks and never raises: a deaf manager is no fault
    of the drive. `failures` counts what could not be sent.
    """

    def __init__(self, environ: Mapping[str, str] | None = None) -> None:
        """Read NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID from `environ` (default: the process's own).

        Raises UphaulError when NOTIFY_SOCKET is neither an absolute path nor an abstract name.
        """
        env = os.environ if environ is None else environ
        self.failures = 0
        self.watchdog_s = _watchdog_s(env)
        self._socket: socket.socket | None = None
        address = env.get("NOTIFY_SOCKET", "")
        if not address:
            return
        if address[0] not in "/@":
            raise UphaulError(
                f"environment: NOTIFY_SOCKET = {address!r}: an absolute path, or a name that begins with @"
            )
        self._address = "\0" + address[1:] if address[0] == "@" else address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
        self._socket.setblocking(False)

    def ready(self, status: str = "") -> None:
        """The start is over: ticks are being judged."""
        self._send("READY=1", status)

    def watchdog(self) -> None:
        """A tick was finished. Call at least every `watchdog_s` / 2 seconds."""
        self._send("WATCHDOG=1")

    def stopping(self, status: str = "") -> None:
        """The end has begun."""
        self._send("STOPPING=1", status)

    def status(self, text: str) -> None:
        """One line that ``systemctl status`` shows."""
        self._send("", text)

    def close(self) -> None:
        """Close the socket; later calls do nothing."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, field: str, status: str = "") -> None:
        if self._socket is None:
            return
        # A line break would begin a field of its own.
        text = f"STATUS={' '.join(status.split())}" if status else ""
        message = "\n".join(part for part in (field, text) if part)
        if not message:
            return
        try:
            self._socket.sendto(message.encode(), self._address)
        except OSError:
            self.failures += 1


def _watchdog_s(env: Mapping[str, str]) -> float | None:
    """How long the manager waits for a sign of life, None if it doesn't. Source: sd_watchdog_enabled(3)."""
    for_pid = env.get("WATCHDOG_PID", "")
    if for_pid and for_pid != str(os.getpid()):
        return None
    text = env.get("WATCHDOG_USEC", "")
    return int(text) / 1e6 if text.isascii() and text.isdigit() and int(text) > 0 else None
