"""Draws a QR code's modules with a terminal's characters."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["as_blocks", "as_letters"]

# Two modules a character, upper and lower; what is drawn is the light part, so that a dark terminal without colours
# shows the code as it should be, and with colours every terminal does.
HALVES = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}
WHITE_ON_BLACK, PLAIN = "\x1b[97;40m", "\x1b[0m"


def as_blocks(rows: Sequence[Sequence[bool]], *, colours: bool) -> str:
    """Two rows a line; `rows` hold True for dark, margin included."""
    light = [False] * len(rows[0])
    lines = []
    for i in range(0, len(rows), 2):
        below = rows[i + 1] if i + 1 < len(rows) else light
        line = "".join(HALVES[upper, lower] for upper, lower in zip(rows[i], below, strict=True))
        lines.append(f"{WHITE_ON_BLACK}{line}{PLAIN}" if colours else line)
    return "\n".join(lines)


def as_letters(rows: Sequence[Sequence[bool]]) -> str:
    """A row a line, two letters a module, for terminals that have nothing but ASCII."""
    return "\n".join("".join("  " if dark else "##" for dark in row) for row in rows)
