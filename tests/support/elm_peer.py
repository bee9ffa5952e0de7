"""An OBD adapter and the vehicle behind it, on a pseudo-terminal: ELM327-emulator as a process of its own.

Its licence (CC-BY-NC-SA-4.0) keeps it out of Uphaul: a peer that tests talk to, never imported, nothing of it copied.
What the vehicle answers is told to it through its command input.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Self

__all__ = ["ElmPeer"]

READY_WITHIN_S = 20.0


class ElmPeer:
    """The emulator, until closed. `link` is the name of our own under which the port is found.

    `answers` maps a PID to the bytes of its answer as hex digits after the PID, None for one that the vehicle does not
    answer; `delay_s` is how long the adapter takes for each answer.
    """

    def __init__(self, link: Path, answers: dict[int, str | None], *, delay_s: float = 0.0) -> None:
        command = [sys.executable, "-W", "ignore", "-u", "-m", "elm", "-s", "car", "-b", "-"]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, cwd=link.parent
        )
        self._path = ""
        self.link = link
        try:
            self._path = self._wait_for("/dev/")
            for pid, data in answers.items():
                self.answer(pid, data)
            if delay_s:
                self._tell(f"delay {delay_s}")
            self.settle()
        except BaseException:
            self.close()
            raise
        link.symlink_to(self._path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def pid(self) -> int:
        """The emulator's process."""
        return self._process.pid

    def answer(self, pid: int, data: str | None) -> None:
        """From now on the vehicle answers so."""
        if data is None:
            reply = "<writeln>NO DATA</writeln>"
        else:
            reply = f"<pos_answer>{bytes.fromhex(data).hex(' ').upper()}</pos_answer>"
        self.say_raw(pid, reply)

    def say_raw(self, pid: int, text: str) -> None:
        """From now on the adapter says these lines for a PID, whatever they are."""
        entry = f"{{'Request': '^01{pid:02X}[0123456]?$', 'Descr': 'test', 'Priority': 1, 'Response': {text!r}}}"
        others = f"{{k: v for k, v in emulator.ObdMessage['car'].items() if k != 'TEST_{pid:02X}'}}"
        self._tell(f"emulator.ObdMessage['car'] = {{'TEST_{pid:02X}': {entry}}} | {others}")
        self._tell("scenario car")

    def settle(self) -> None:
        """Wait until all that was told has been taken in."""
        self._tell("echo Ready")
        self._wait_for("Ready")

    def freeze(self) -> None:
        """The adapter hangs: the port stays and nothing comes."""
        os.kill(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        """It works again."""
        os.kill(self.pid, signal.SIGCONT)

    def asked(self) -> set[str]:
        """The emulator's names of all commands and requests that it has had; ours begin with TEST_."""
        self._tell("print('ASKED', ' '.join(k for k, n in emulator.counters.items() if n and k[:1].isupper()))")
        return set(self._wait_for("ASKED").split()[1:])

    def close(self) -> None:
        """Pull the adapter out."""
        with contextlib.suppress(FileNotFoundError):
            self.link.unlink()
        with contextlib.suppress(ProcessLookupError):
            self._process.send_signal(signal.SIGCONT)
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()

    def _tell(self, command: str) -> None:
        assert self._process.stdin is not None, "piped"
        self._process.stdin.write(command.encode() + b"\n")
        self._process.stdin.flush()

    def _wait_for(self, start: str) -> str:
        """The first line of its output that begins so. Raises TimeoutError."""
        assert self._process.stdout is not None, "piped"
        until, said = time.monotonic() + READY_WITHIN_S, b""
        while (left := until - time.monotonic()) > 0:
            ready, _, _ = select.select([self._process.stdout], [], [], left)
            data = os.read(self._process.stdout.fileno(), 4096) if ready else b""
            if ready and not data:
                break
            said += data
            for line in said.decode("utf-8", "replace").splitlines()[: said.count(b"\n")]:
                if line.strip().startswith(start):
                    return line.strip()
        raise TimeoutError(f"the emulator said no {start!r}, but {said[-500:]!r}")
