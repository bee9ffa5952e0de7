"""The far end of a serial CAN adapter, on a pseudo-terminal: what the adapter would say over its cable.

In a test::

    with SlcanPeer(link=tmp_path / "adapter") as peer:
        ... open a bus with interface "slcan", channel str(peer.path), sleep_after_open 0 ...
        peer.wait_open()
        peer.send(can.Message(arbitration_id=0x100, data=b"...", is_extended_id=False))

`link` is a name of our own for the terminal, so that another peer can come back under the name of one that went.
As a process (prints ``open PATH``; with ``--frames -`` it sends what it reads on standard input, at once)::

    cd tests && python -m support.slcan_peer --link adapter --frames drive.log [--repeat] [--speed 10]
"""

from __future__ import annotations

import argparse
import contextlib
import os
import select
import sys
import threading
import tty
from pathlib import Path
from typing import Self

import can

from support.can_frames import parse, play, read

__all__ = ["SlcanPeer"]


class SlcanPeer:
    """Owns the pseudo-terminal until closed; `path` is what the client opens."""

    def __init__(self, *, link: Path | None = None) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = Path(os.ttyname(self._slave))
        self.link = link
        if link is not None:
            link.symlink_to(self.path)
            self.path = link
        self.commands: list[str] = []
        """What the client told the adapter: ``S6``, ``L`` ... A command of t, T, r, R, d, D, b or B sends a frame."""
        self._changed = threading.Condition()
        self._stop_read, self._stop_write = os.pipe()
        self._thread = threading.Thread(target=self._listen, name="slcan peer", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Pull the cable: the client's next read fails."""
        if self._master < 0:
            return
        os.write(self._stop_write, b"x")
        self._thread.join()
        for descriptor in (self._master, self._slave, self._stop_read, self._stop_write):
            os.close(descriptor)
        self._master = -1
        if self.link is not None:
            self.link.unlink()

    def wait_open(self, *, within_s: float = 10.0) -> None:
        """Wait until the client has opened the channel, listening or not. Raises TimeoutError. Blocks."""
        with self._changed:
            if not self._changed.wait_for(lambda: {"O", "L"} & set(self.commands), within_s):
                raise TimeoutError("the client has not opened the channel")

    def send(self, *frames: can.Message) -> None:
        """Hand frames to the client as the adapter received them."""
        self.say(b"".join(_line(frame) for frame in frames))

    def say(self, data: bytes) -> None:
        """Send any bytes at all, garbage too."""
        while data:
            data = data[os.write(self._master, data) :]

    def _listen(self) -> None:
        buffer = b""
        while True:
            ready, _, _ = select.select([self._master, self._stop_read], [], [])
            if self._stop_read in ready:
                return
            buffer += os.read(self._master, 1024)
            *lines, buffer = buffer.split(b"\r")
            with self._changed:
                self.commands += [line.decode("ascii") for line in lines]
                self._changed.notify_all()
            self.say(b"\r" * len(lines))


def _line(frame: can.Message) -> bytes:
    number = f"T{frame.arbitration_id:08X}" if frame.is_extended_id else f"t{frame.arbitration_id:03X}"
    return f"{number}{len(frame.data)}{frame.data.hex().upper()}\r".encode()


def _main(link: str, frames: str, *, repeat: bool, speed: float) -> None:
    with SlcanPeer(link=Path(link)) as peer:
        print(f"open {peer.path}", flush=True)
        peer.wait_open(within_s=3600)
        if frames == "-":
            for line in sys.stdin:
                peer.send(parse(line))
            return
        recording = read(Path(frames))
        play(recording, peer.send, speed=speed)
        while repeat:
            play(recording, peer.send, speed=speed)
        threading.Event().wait(3600)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--link", required=True, help="name for the pseudo-terminal")
    parser.add_argument("--frames", required=True, help="candump file, or - for lines on standard input")
    parser.add_argument("--repeat", action="store_true", help="begin again at the end")
    parser.add_argument("--speed", type=float, default=1.0, help="times as fast as recorded")
    arguments = parser.parse_args()
    with contextlib.suppress(KeyboardInterrupt):
        _main(arguments.link, arguments.frames, repeat=arguments.repeat, speed=arguments.speed)
