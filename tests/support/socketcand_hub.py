"""A small socketcand server on loopback, in the test's loop or as a process of its own: the vehicle's bus.

It speaks as much of socketcand's raw mode as a client needs to listen. In a test::

    async with SocketcandHub() as hub:
        ... open a bus with interface "socketcand", channel "bus", host "127.0.0.1", port hub.port ...
        await hub.client()
        hub.send(can.Message(arbitration_id=0x100, data=b"...", is_extended_id=False))

As a process (prints ``listening PORT``; with ``--frames -`` it sends what it reads on standard input, at once)::

    cd tests && python -m support.socketcand_hub --frames drive.log [--repeat] [--speed 10] [--port 29536]
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import sys
from pathlib import Path
from typing import Self

import can

from support.can_frames import parse, play, read

__all__ = ["SocketcandHub"]


class SocketcandHub:
    """Serves one bus to any number of clients; `port` is set once it listens."""

    def __init__(self, *, port: int = 0) -> None:
        self.port = port
        self.served = 0
        """How many clients have come as far as raw mode."""
        self.received: list[str] = []
        """Everything that clients said; a `< send` among it would be a frame put on the bus."""
        self._raw: set[asyncio.StreamWriter] = set()
        self._all: set[asyncio.StreamWriter] = set()
        self._changed = asyncio.Condition()
        self._server: asyncio.Server | None = None

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    async def stop(self) -> None:
        """Die: stop listening and close every connection."""
        if self._server is not None:
            self._server.close()
            self._server = None
        self.hang_up()
        async with asyncio.timeout(5), self._changed:
            await self._changed.wait_for(lambda: not self._all)

    def hang_up(self) -> None:
        """Close every connection and go on listening."""
        for writer in self._all:
            writer.close()

    async def client(self, number: int = 1, *, within_s: float = 10.0) -> None:
        """Wait until `number` clients in all have come as far as raw mode."""
        async with asyncio.timeout(within_s), self._changed:
            await self._changed.wait_for(lambda: self.served >= number)

    def send(self, *frames: can.Message) -> None:
        """Put frames on the bus: every client in raw mode gets them."""
        self.say("".join(_text(frame) for frame in frames))

    def say(self, text: str) -> None:
        """Send anything at all, garbage too."""
        for writer in self._raw:
            writer.write(text.encode("ascii"))

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._all.add(writer)
        try:
            writer.write(b"< hi >")
            while True:
                said = (await reader.readuntil(b">")).decode("ascii").strip()
                self.received.append(said)
                if said == "< rawmode >":
                    writer.write(b"< ok >")
                    await writer.drain()
                    self._raw.add(writer)
                    async with self._changed:
                        self.served += 1
                        self._changed.notify_all()
                elif said.startswith("< open "):
                    writer.write(b"< ok >")
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            self._raw.discard(writer)
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()
            async with self._changed:
                self._all.discard(writer)
                self._changed.notify_all()


def _text(frame: can.Message) -> str:
    number = f"{frame.arbitration_id:08X}" if frame.is_extended_id else f"{frame.arbitration_id:03X}"
    if frame.is_error_frame:
        return f"< error {frame.arbitration_id | 0x20000000:08X} {frame.timestamp:.6f} >"
    return f"< frame {number} {frame.timestamp:.6f} {frame.data.hex().upper()} >"


async def _main(port: int, frames: str, *, repeat: bool, speed: float) -> None:
    async with SocketcandHub(port=port) as hub:
        print(f"listening {hub.port}", flush=True)
        loop = asyncio.get_running_loop()

        def send(frame: can.Message) -> None:
            loop.call_soon_threadsafe(hub.send, frame)

        await hub.client(within_s=3600)
        if frames == "-":
            while line := await asyncio.to_thread(sys.stdin.readline):
                hub.send(parse(line))
            return
        recording = read(Path(frames))
        await asyncio.to_thread(play, recording, send, speed=speed)
        while repeat:
            await asyncio.to_thread(play, recording, send, speed=speed)
        await asyncio.sleep(3600)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", required=True, help="candump file, or - for lines on standard input")
    parser.add_argument("--repeat", action="store_true", help="begin again at the end")
    parser.add_argument("--speed", type=float, default=1.0, help="times as fast as recorded")
    parser.add_argument("--port", type=int, default=0)
    arguments = parser.parse_args()
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_main(arguments.port, arguments.frames, repeat=arguments.repeat, speed=arguments.speed))
