"""What reaches the service manager, over a real datagram socket. Protocol: sd_notify(3), sd_watchdog_enabled(3)."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from uphaul.errors import UphaulError
from uphaul.notify import Notifier

Manager = tuple[socket.socket, str]


def listen(address: str) -> socket.socket:
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listener.bind(address)
    listener.settimeout(5.0)
    return listener


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    if request.param == "path":
        name = str(tmp_path / "notify")
        listener = listen(name)
    else:
        name = f"@uphaul-test-{os.getpid()}"
        listener = listen("\0" + name[1:])
    with listener:
        yield listener, name


def heard(listener: socket.socket) -> str:
    return listener.recv(4096).decode()


def test_each_message_arrives_as_the_protocol_has_it(manager: Manager) -> None:
    listener, name = manager
    notifier = Notifier({"NOTIFY_SOCKET": name})
    notifier.ready("watching 24 signals")
    notifier.watchdog()
    notifier.status("drive 3")
    notifier.stopping()
    notifier.close()
    got = [heard(listener) for _ in range(4)]
    assert got == ["READY=1\nSTATUS=watching 24 signals", "WATCHDOG=1", "STATUS=drive 3", "STOPPING=1"]
    assert notifier.failures == 0


def test_a_line_break_in_a_status_cannot_forge_a_field(manager: Manager) -> None:
    listener, name = manager
    notifier = Notifier({"NOTIFY_SOCKET": name})
    notifier.status("card full\nWATCHDOG=1")
    notifier.close()
    assert heard(listener) == "STATUS=card full WATCHDOG=1"


def test_without_a_manager_every_call_does_nothing() -> None:
    notifier = Notifier({})
    notifier.ready()
    notifier.watchdog()
    notifier.close()
    assert (notifier.failures, notifier.watchdog_s) == (0, None)


def test_a_manager_that_is_gone_is_counted_and_not_raised(tmp_path: Path) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")})
    notifier.watchdog()
    notifier.watchdog()
    notifier.close()
    assert notifier.failures == 2


def test_a_deaf_manager_never_blocks_the_daemon(manager: Manager) -> None:
    _, name = manager
    notifier = Notifier({"NOTIFY_SOCKET": name})
    for _ in range(100_000):
        notifier.watchdog()
        if notifier.failures:
            break
    notifier.close()
    assert notifier.failures == 1


def test_a_relative_address_is_refused_by_name() -> None:
    with pytest.raises(UphaulError, match=r"NOTIFY_SOCKET = 'run/notify': an absolute path"):
        Notifier({"NOTIFY_SOCKET": "run/notify"})


@pytest.mark.parametrize(
    ("environ", "expected"),
    [
        ({"WATCHDOG_USEC": "5000000"}, 5.0),
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": str(os.getpid())}, 5.0),
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_the_watchdog_interval_is_read_as_the_manual_says(environ: dict[str, str], expected: float | None) -> None:
    assert Notifier(environ).watchdog_s == expected
