"""Far ends for the GPS source: gpsd's JSON from a list of lines, and a receiver's NMEA sentences for gpsd itself.

Every position is invented and lies in the open ocean. Sentences as in NMEA 0183, from memory: gpsd is their judge.
"""

from __future__ import annotations

import asyncio
import datetime
import socket
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, suppress
from typing import Self

__all__ = ["GpsdPeer", "free_port", "receiver", "sentences"]

SATELLITES = range(1, 9)


def free_port() -> int:
    """A port of this machine that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class GpsdPeer:
    """Answers connection after connection with its lines and hangs up, except on the last, which stays open.

    `piecewise` sends a byte at a time. `asked` has what each client wrote first.
    """

    def __init__(self, connections: Sequence[bytes], *, piecewise: bool = False) -> None:
        self._connections, self._piecewise = list(connections), piecewise
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self.port = free_port()
        self.asked: list[str] = []

    async def __aenter__(self) -> Self:
        await self.open()
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._server is not None:
            self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def open(self) -> None:
        """Begin to listen."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        with suppress(ConnectionError, asyncio.CancelledError):
            self.asked.append((await reader.readline()).decode())
            lines = self._connections.pop(0)
            last = not self._connections
            pieces = [lines[i : i + 1] for i in range(len(lines))] if self._piecewise else [lines]
            for piece in pieces:
                writer.write(piece)
                await writer.drain()
            if last:
                await reader.read()
        writer.close()


def _sentence(body: str) -> str:
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n"


def _degrees(value: float, width: int, sides: str) -> str:
    whole, minutes = divmod(abs(value) * 60.0, 60.0)
    return f"{int(whole):0{width}d}{minutes:07.4f},{sides[value < 0]}"


def sentences(
    utc: datetime.datetime, *, mode: int, latitude: float, longitude: float, knots: float, altitude_m: float
) -> bytes:
    """What a receiver says about one moment; `mode` 1 is without a fix."""
    time, date = utc.strftime("%H%M%S.00"), utc.strftime("%d%m%y")
    where = f"{_degrees(latitude, 2, 'NS')},{_degrees(longitude, 3, 'EW')}"
    if mode < 2:
        said = [f"GPRMC,{time},V,,,,,,,{date},,,N", f"GPGGA,{time},,,,,0,00,99.99,,M,,M,,"]
        said.append("GPGSA,A,1,,,,,,,,,,,,,99.99,99.99,99.99")
    else:
        used = ",".join(f"{n:02d}" for n in SATELLITES)
        said = [
            f"GPRMC,{time},A,{where},{knots:.2f},87.5,{date},,,A",
            f"GPGGA,{time},{where},1,08,0.9,{altitude_m:.1f},M,-5.0,M,,",
            f"GPGSA,A,{mode},{used},,,,,1.5,0.9,1.2",
        ]
        for page in (0, 1):
            seen = "".join(f",{n:02d},{20 + 5 * n},{40 * n:03d},40" for n in SATELLITES[4 * page : 4 * page + 4])
            said.append(f"GPGSV,2,{page + 1},08{seen}")
    return "".join(map(_sentence, said)).encode()


@asynccontextmanager
async def receiver(moments: asyncio.Queue[bytes | None]) -> AsyncIterator[int]:
    """A receiver on a TCP port (yielded) that gpsd can read: says each moment that is put in, goes at None."""

    async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError, asyncio.CancelledError):
            while (said := await moments.get()) is not None:
                writer.write(said)
                await writer.drain()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
