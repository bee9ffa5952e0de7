"""The daemon as a process of its own, for tests that stand outside of it."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

__all__ = ["Daemon", "Process", "command", "eventually", "running"]


def eventually(check: Callable[[], Any], what: str, *, within_s: float = 20.0) -> Any:
    """The first true answer of `check`. Raises TimeoutError."""
    end = time.monotonic() + within_s
    pause = threading.Event()
    while time.monotonic() < end:
        answer = check()
        if answer:
            return answer
        pause.wait(0.02)
    raise TimeoutError(what)


class Process:
    """A child process whose lines on one stream can be waited for."""

    def __init__(self, arguments: list[str], *, stream: str, cwd: Path | None = None, stdin: bool = False) -> None:
        environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
        self.child = subprocess.Popen(
            arguments,
            cwd=cwd,
            env=environment,
            text=True,
            stdin=subprocess.PIPE if stdin else subprocess.DEVNULL,
            stdout=subprocess.PIPE if stream == "stdout" else subprocess.DEVNULL,
            stderr=subprocess.PIPE if stream == "stderr" else None,
        )
        self._stream = self.child.stdout if stream == "stdout" else self.child.stderr
        self._lines: queue.Queue[str] = queue.Queue()
        self.said: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._stream is not None
        for line in self._stream:
            self._lines.put(line.rstrip("\n"))

    def wait_for(self, start: str, *, within_s: float = 20.0) -> str:
        """The next line that begins so. Raises TimeoutError."""
        end = time.monotonic() + within_s
        while True:
            try:
                line = self._lines.get(timeout=max(end - time.monotonic(), 0.01))
            except queue.Empty:
                raise TimeoutError(f"no line {start!r}; it said: {self.said}") from None
            self.said.append(line)
            if line.startswith(start):
                return line

    def rest(self) -> list[str]:
        """The lines that nobody has waited for; all of them once the process has ended."""
        lines: list[str] = []
        while not self._lines.empty():
            lines.append(self._lines.get_nowait())
        return lines

    def say(self, line: str) -> None:
        """Write a line to its standard input."""
        assert self.child.stdin is not None
        self.child.stdin.write(line + "\n")
        self.child.stdin.flush()

    def end(self, number: int = signal.SIGTERM, *, within_s: float = 10.0) -> tuple[int, float]:
        """Send the signal and wait: (exit status, seconds that it took)."""
        begun = time.monotonic()
        if self.child.poll() is None:
            self.child.send_signal(number)
        try:
            status = self.child.wait(within_s)
        finally:
            if self.child.poll() is None:
                self.child.kill()
                self.child.wait()
            took = time.monotonic() - begun
            self._reader.join(5)
            for stream in (self.child.stdin, self.child.stdout, self.child.stderr):
                if stream is not None:
                    stream.close()
        return status, took


class Daemon(Process):
    """``uphaul run`` on a configuration; ready once constructed."""

    def __init__(self, config: Path, log: Path) -> None:
        arguments = [sys.executable, "-m", "uphaul", "run", "--config", str(config), "--log", str(log)]
        super().__init__(arguments, stream="stderr")
        self.log = log
        line = self.wait_for("uphaul: ")
        if " signals, " not in line:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.child.wait(10)
            self.end(signal.SIGKILL)
            raise RuntimeError(f"the daemon did not start, exit status {self.child.returncode}: {line}")
        self.url = line.rpartition("page on ")[2] if "page on" in line else ""

    def status(self) -> dict[str, Any]:
        """What the page would show now."""
        with urllib.request.urlopen(self.url + "status.json", timeout=5) as answer:
            found: dict[str, Any] = json.load(answer)
            return found


@contextmanager
def running(process: Process) -> Iterator[Process]:
    """End the process whatever happens."""
    try:
        yield process
    finally:
        if process.child.poll() is None:
            process.end(signal.SIGKILL)


def command(*arguments: str, status: int = 0) -> str:
    """Run an ``uphaul`` command and give its output; its standard error too if it fails as expected."""
    done = subprocess.run(
        [sys.executable, "-m", "uphaul", *arguments], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == status, f"exit status {done.returncode}: {done.stderr}"
    assert "Traceback" not in done.stderr
    return done.stdout if status == 0 else done.stderr
