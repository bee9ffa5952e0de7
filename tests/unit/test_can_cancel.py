"""A CAN source that is told to stop at the very moment at which its bus is open stops all the same."""

from __future__ import annotations

import asyncio

import pytest

from uphaul.clock import Clock
from uphaul.config.spec import CanSpec, Input
from uphaul.sources import can as can_source

pytestmark = pytest.mark.asyncio

DBC = """VERSION ""
BU_: X
BO_ 256 Box: 1 X
 SG_ Field : 0|8@1+ (1,0) [0|255] "" X
"""


@pytest.mark.parametrize("steps", range(6))
async def test_a_cancellation_around_the_opening_is_not_lost(steps: int, monkeypatch: pytest.MonkeyPatch) -> None:
    spec = CanSpec("bus", "virtual", f"cancel-{steps}", dbc=(("box.dbc", DBC),))
    source = can_source.CanSource(spec, [(0, Input("s", "bus", "Box", "Field"))], Clock())
    loop = asyncio.get_running_loop()

    async def open_and_read() -> None:
        async with source:
            await source.read(lambda samples: None)

    task = asyncio.create_task(open_and_read())
    opened: list[asyncio.Event] = []

    def later(left: int) -> None:
        if left:
            loop.call_soon(later, left - 1)
        else:
            task.cancel()

    def set_and_cancel(event: asyncio.Event) -> None:
        event.set()
        later(steps)

    def tell(reader: can_source._Reader, event: asyncio.Event) -> None:
        if event is reader.opened and not opened:
            opened.append(event)
            loop.call_soon_threadsafe(set_and_cancel, event)
        else:
            loop.call_soon_threadsafe(event.set)

    monkeypatch.setattr(can_source._Reader, "_tell", tell)
    with pytest.raises(asyncio.CancelledError):
        async with asyncio.timeout(10):
            await task
    assert opened
