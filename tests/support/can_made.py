"""Made-up CAN messages and frames for tests of decoding."""

from __future__ import annotations

import random

from cantools.database.can import Message
from hypothesis import strategies as st

__all__ = ["REFUSED_BY_CANTOOLS", "dbc_message", "payloads"]

REFUSED_BY_CANTOOLS = {
    # cantools 45.1.0's own tests load these to see them fail.
    "incorrect-sig_valtype.dbc",
    "incorrect-val.dbc",
    "issue_199.dbc",
    "issue_199_extended.dbc",
}


def payloads(message: Message, seed: str, count: int) -> list[bytes]:
    """Random data, some with a multiplexer's listed numbers written in, all lengths of frame among them."""
    chance = random.Random(seed)
    full = []
    for _ in range(count):
        data = bytearray(chance.randbytes(message.length))
        for signal in message.signals:
            numbers = sorted(
                {i for s in message.signals if s.multiplexer_signal == signal.name for i in s.multiplexer_ids or ()}
            )
            if numbers and signal.byte_order == "little_endian" and signal.start + signal.length <= 8 * len(data):
                number = int.from_bytes(data, "little") & ~(((1 << signal.length) - 1) << signal.start)
                raw = chance.choice(numbers) & ((1 << signal.length) - 1)
                data = bytearray((number | raw << signal.start).to_bytes(len(data), "little"))
        full.append(bytes(data))
    ends = [b"\0" * message.length, b"\xff" * message.length]
    short = [full[i % count][:n] for i, n in enumerate(sorted({*range(min(message.length, 9)), message.length // 2}))]
    longer = [full[0] + b"\xa5" * n for n in (1, 4)]
    return full + ends + short + longer


LITTLE, BIG = "1", "0"


@st.composite
def dbc_message(draw: st.DrawFn) -> tuple[str, int]:
    """(DBC text, length in bytes) of one message with fields anywhere, overlapping too, some under multiplexers."""
    length = draw(st.sampled_from([1, 2, 3, 5, 8, 8, 8, 12, 64]))
    lines, types = [], []
    selectors = []
    for i in range(draw(st.integers(1, 6))):
        order = draw(st.sampled_from([LITTLE, BIG]))
        size = draw(st.integers(1, min(64, 8 * length)))
        low = draw(st.integers(0, 8 * length - size))
        if real := size in (16, 32, 64) and draw(st.booleans()):
            types.append(f"SIG_VALTYPE_ 256 F{i} : {3 if size == 16 else size // 32};")
        start = low if order == LITTLE else low // 8 * 8 + 7 - low % 8
        sign = draw(st.sampled_from("+-"))
        scale = draw(st.sampled_from(["1", "-1", "2", "0.1", "0.03125", "-0.25", "1e-3", "250", "1.0"]))
        offset = draw(st.sampled_from(["0", "-273", "40", "-0.5", "0.0"]))
        mark = ""
        if selectors and draw(st.booleans()):
            mark = f" m{draw(st.integers(0, 3))}"
        if not selectors and size <= 8 and not real and draw(st.booleans()):
            selectors.append(i)
            mark, scale, offset, sign = " M", "1", "0", "+"
        lines.append(f' SG_ F{i}{mark} : {start}|{size}@{order}{sign} ({scale},{offset}) [0|0] "" X')
    text = "\n".join(['VERSION ""', "BU_: X", f"BO_ 256 M: {length} X", *lines, "", *types, ""])
    return text, length
