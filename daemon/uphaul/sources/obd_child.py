"""Asks a vehicle through an OBD adapter and says the answers in lines: the process that `uphaul.sources.obd` starts.

Run as ``python -m uphaul.sources.obd_child``. python-OBD is imported here and nowhere else: it blocks, it may hang with
its adapter, and it is under another licence. Nothing is decoded here; bytes go out as they came.

Theory of operation. The first line of standard input is a JSON object: `port`, `baud`, `protocol`, `silent_after_s` and
`pids`, which maps each parameter's number to how often to ask for it, in s. When standard input ends, so does the
process, whatever its adapter does: nobody is left to listen. On standard output there is one JSON object a line:

- ``{"hello": "name of the bus protocol"}`` once the vehicle is connected;
- ``{"pid": 12, "data": "1AF8"}`` an answer: the bytes after the echoed PID; ``"data": null`` when none came;
- ``{"pid": 120, "absent": true}`` instead, when the vehicle does not have that parameter by its own account;
- ``{"idle": true}`` when there was nothing to ask for a while;
- ``{"error": "...", "retry": true}`` last of all when it cannot go on; ``{"bye": true}`` when it was told to end.

One request is under way at a time. What has been due longest goes first; when more is wanted than the adapter can, all
due times are put off together, so that everything is asked for more seldom in the same proportion. A parameter that is
not answered costs the adapter's whole waiting time, so after `MISSES` of that it is asked for at most every `SELDOM_S`;
one that the vehicle calls absent every `RETRY_ABSENT_S`, because not all accounts are right. An answer mends both.
"""

from __future__ import annotations

import json
import logging
import os
import sys
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any

__all__ = ["IDLE_S", "Schedule", "frames_to_wait_for", "main", "pick", "supported"]

MISSES = 3
SELDOM_S = 2.0
RETRY_ABSENT_S = 30.0

LATE_S = 0.5
"""Requests that are later than this are put off instead of being made up for."""

IDLE_S = 0.5
"""With nothing to ask for so long it says so: a line comes at least so often from a child that does not hang."""

LEAVE_WITHIN_S = 1.0
"""Time to let go of the adapter once nobody listens any more."""

BITMAPS = (0x00, 0x20, 0x40, 0x60, 0x80)
"""Parameters whose answer tells which of the 32 after them there are. Source: SAE J1979, as python-OBD and scapy do."""

MAXIMA = 0x4F
MANIFOLD_PRESSURE = 0x0B


class Schedule:
    """Which parameter to ask for next. `every_s` by number; times in s on any clock that only goes forward."""

    def __init__(self, every_s: Mapping[int, float], now_s: float) -> None:
        self._every_s = dict(every_s)
        self._due_s = dict.fromkeys(every_s, now_s)
        self._misses = dict.fromkeys(every_s, 0)

    def next(self, now_s: float) -> tuple[int, float]:
        """(parameter, how long until it is due in s, 0 if it is)."""
        pid = min(self._due_s, key=lambda p: self._due_s[p])
        late_s = now_s - self._due_s[pid]
        if late_s > LATE_S:
            # time that is lost is lost to all alike: nothing is made up for, and the proportions stay
            self._due_s = {p: due_s + late_s for p, due_s in self._due_s.items()}
        return pid, max(-late_s, 0.0)

    def asked(self, pid: int, *, answered: bool) -> None:
        """It was asked for, as it was due."""
        self._misses[pid] = 0 if answered else self._misses[pid] + 1
        every_s = self._every_s[pid]
        self._due_s[pid] += every_s if self._misses[pid] < MISSES else max(every_s, SELDOM_S)


def supported(bitmaps: Mapping[int, bytes], pid: int) -> bool | None:
    """Whether the vehicle has `pid` by the bitmaps that it answered with; None if it gave no account of that one."""
    base = (pid - 1) // 32 * 32
    given = bitmaps.get(base)
    if given is None or len(given) < 4:
        return None
    place = pid - base - 1
    return bool(given[place // 8] & 0x80 >> place % 8)


def pick(messages: Any, pid: int, engine: int) -> bytes | None:
    """The bytes after the echoed service and PID of the answer that fits; the engine computer's if several do."""
    fitting = [m for m in messages if m.data is not None and bytes(m.data[:2]) == bytes((0x41, pid))]
    for message in fitting:
        if message.ecu == engine:
            return bytes(message.data[2:])
    return bytes(fitting[0].data[2:]) if fitting else None


def frames_to_wait_for(messages: Any) -> int:
    """How many frames the adapter may stop waiting after; 0 where it must be left to find out by itself.

    Told so, it answers as soon as they are there instead of waiting for further ones, some 200 ms otherwise.
    """
    count = len(messages)
    single = all(len(m.frames) == 1 and len(m.data or b"") > 2 for m in messages)
    return count if single and 0 < count < 10 else 0


class _Vehicle:
    """The connection: asks for one parameter at a time."""

    def __init__(self, obd: Any, connection: Any) -> None:
        self._obd, self._connection = obd, connection
        self._frames: dict[int, int] = {}

    @property
    def there(self) -> bool:
        """False once the adapter has gone."""
        return bool(self._connection.status() != self._obd.OBDStatus.NOT_CONNECTED)

    def ask(self, pid: int) -> bytes | None:
        """The answer's bytes after the PID, None without one."""
        frames = self._frames.get(pid, 0)
        command = self._obd.OBDCommand(
            f"PID_{pid:02X}",
            "",
            f"01{pid:02X}{frames or ''}".encode(),
            0,  # neither cut nor filled up
            lambda messages: messages,
            self._obd.ECU.ALL,
            False,
        )
        messages = self._connection.query(command, force=True).messages
        data = pick(messages, pid, self._obd.ECU.ENGINE)
        self._frames[pid] = frames_to_wait_for(messages) if data is not None else 0
        return data


class _LastWords(logging.Handler):
    """Keeps what python-OBD last complained of."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.text = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.text = record.getMessage()


class _EndError(Exception):
    """It cannot go on; `retry` tells whether another try can help."""

    def __init__(self, text: str, *, retry: bool = True) -> None:
        super().__init__(text)
        self.retry = retry


def _connect(order: Mapping[str, Any]) -> tuple[Any, Any]:
    """(python-OBD, its connection to a vehicle). Raises _EndError."""
    try:
        import obd
    except ImportError as error:
        text = f"needs python-OBD, which is not there ({error}): pip install 'uphaul[obd]'"
        raise _EndError(text, retry=False) from error
    words = _LastWords()
    logger = logging.getLogger("obd")
    logger.handlers[:] = [words]
    logger.propagate = False
    port = order["port"]
    connection = obd.OBD(port, order["baud"], order["protocol"], fast=False, check_voltage=False)
    status = connection.status()
    if status == obd.OBDStatus.CAR_CONNECTED:
        return obd, connection
    why = f" ({words.text})" if words.text else ""
    connection.close()
    if status == obd.OBDStatus.NOT_CONNECTED:
        raise _EndError(f"no adapter answers at {port}{why}")
    raise _EndError(f"the adapter at {port} is there and the vehicle does not answer{why}")


def _bitmaps(vehicle: _Vehicle, most: int) -> dict[int, bytes]:
    """The vehicle's accounts of what it has, up to parameter `most`."""
    out: dict[int, bytes] = {}
    for base in BITMAPS:
        told = supported(out, base) if base else True
        if base >= most or told is None:
            break
        data = vehicle.ask(base) if told else bytes(4)  # by its own account there is nothing further on
        if data is not None:
            out[base] = data
    return out


def _run(order: Mapping[str, Any], say: Callable[[Mapping[str, Any]], None], stop: threading.Event) -> None:
    obd, connection = _connect(order)
    try:
        vehicle = _Vehicle(obd, connection)
        every_s = {int(pid): float(every) for pid, every in order["pids"].items()}
        stretchable = MANIFOLD_PRESSURE in every_s
        bitmaps = _bitmaps(vehicle, max(every_s | ({MAXIMA: 0.0} if stretchable else {})))
        say({"hello": connection.protocol_name()})
        if stretchable and supported(bitmaps, MAXIMA):
            answers = (vehicle.ask(MAXIMA) for _ in range(MISSES))
            _say_answer(say, MAXIMA, next((data for data in answers if data is not None), None))
        silent_after_s = float(order["silent_after_s"])
        _ask_on(vehicle, every_s, bitmaps, silent_after_s=silent_after_s, say=say, stop=stop)
    finally:
        connection.close()


def _ask_on(
    vehicle: _Vehicle,
    every_s: Mapping[int, float],
    bitmaps: Mapping[int, bytes],
    *,
    silent_after_s: float,
    say: Callable[[Mapping[str, Any]], None],
    stop: threading.Event,
) -> None:
    schedule = Schedule(every_s, time.monotonic())
    retry_s = {pid: 0.0 for pid in every_s if supported(bitmaps, pid) is False}
    unanswered, since_s = 0, 0.0
    while not stop.is_set():
        now_s = time.monotonic()
        if unanswered >= MISSES and now_s - since_s > silent_after_s:
            raise _EndError(f"no answer from the vehicle for {silent_after_s:g} s")
        pid, wait_s = schedule.next(now_s)
        if wait_s > 0:
            if not stop.wait(min(wait_s, IDLE_S)) and wait_s > IDLE_S:
                say({"idle": True})
            continue
        if now_s < retry_s.get(pid, 0.0):
            say({"pid": pid, "absent": True})
            schedule.asked(pid, answered=True)
            continue
        data = vehicle.ask(pid)
        schedule.asked(pid, answered=data is not None or pid in retry_s)
        if data is not None:
            unanswered = 0
            retry_s.pop(pid, None)
        elif not vehicle.there:
            raise _EndError("the adapter has gone")
        elif pid in retry_s:
            retry_s[pid] = time.monotonic() + RETRY_ABSENT_S
            say({"pid": pid, "absent": True})
            continue
        else:
            since_s = since_s if unanswered else now_s
            unanswered += 1
        _say_answer(say, pid, data)


def _say_answer(say: Callable[[Mapping[str, Any]], None], pid: int, data: bytes | None) -> None:
    say({"pid": pid, "data": None if data is None else data.hex()})


def main() -> int:
    """Read the order, then ask until standard input ends or it cannot go on."""
    out = sys.stdout
    sys.stdout = sys.stderr  # a library that prints must not spoil the lines
    stop = threading.Event()
    order = json.loads(sys.stdin.readline())

    def say(line: Mapping[str, Any]) -> None:
        print(json.dumps(line), file=out, flush=True)

    def watch() -> None:
        while sys.stdin.readline():
            pass
        stop.set()
        time.sleep(LEAVE_WITHIN_S)
        os._exit(0)

    threading.Thread(target=watch, name="input", daemon=True).start()
    try:
        _run(order, say, stop)
    except _EndError as end:
        say({"error": str(end), "retry": end.retry})
        return 1
    except BrokenPipeError:  # nobody listens
        return 1
    say({"bye": True})
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
