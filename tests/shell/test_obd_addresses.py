"""Vehicles that answer with 29-bit addresses (ISO 15765-4: 18DB33F1 asks all, 18DAF1xx answers), and several computers.

The addresses are from memory, highly sure; tshark takes them so (tests/shell/test_dissected_frames.py). The engine is
taken for 0x10 and the gearbox for 0x18, as in SAE J2178 (from memory); by the bitmaps, not by these numbers, the source
knows which is which.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from support.collected import reading
from support.elm_peer import ElmPeer
from uphaul.clock import Clock
from uphaul.config.spec import Input, ObdSpec
from uphaul.sources.obd import ObdSource

pytestmark = pytest.mark.asyncio

RPM = (0, Input("rpm", "obd", "0x0C", "value", every_s=0.05))
EGT = (1, Input("egt", "obd", "0x78", "sensor_2", every_s=0.1))


def lines(*frames: str) -> str:
    return "".join(f"<writeln>{frame}</writeln>" for frame in frames)


def say(peer: ElmPeer, engine: str, gearbox: str) -> None:
    """Answers of two computers: what they have, engine speed from both, exhaust temperatures from one."""
    for base in (0x00, 0x20, 0x40, 0x60):
        peer.say_raw(base, lines(f"{gearbox}0641{base:02X}0010000100", f"{engine}0641{base:02X}FFFFFFFF00"))
    peer.say_raw(0x0C, lines(f"{gearbox}04410C0FA0000000", f"{engine}04410C1AF8000000"))
    peer.say_raw(0x78, lines(f"{engine}100B41780F1D4C1C", f"{engine}21E8000000000000"))
    peer.settle()


@pytest.mark.parametrize(
    ("protocol", "engine", "gearbox"),
    [("7", "18DAF110", "18DAF118"), ("9", "18DAF110", "18DAF118"), ("6", "7E8", "7E9")],
    ids=["29 bits, 500 kbit/s", "29 bits, 250 kbit/s", "11 bits"],
)
async def test_the_engine_is_heard_by_its_address(tmp_path: Path, protocol: str, engine: str, gearbox: str) -> None:
    with ElmPeer(tmp_path / "adapter", {}) as peer:
        say(peer, engine, gearbox)
        source = ObdSource(ObdSpec("obd", str(peer.link), 38400, protocol), [RPM, EGT], Clock())
        async with reading(source) as (got, _):
            await got.until(lambda: len(got.values(0)) >= 3 and len(got.values(1)) >= 2)
    assert set(got.values(0)) == {1726.0}  # the gearbox says 1,000
    assert set(got.values(1)) == {700.0}
