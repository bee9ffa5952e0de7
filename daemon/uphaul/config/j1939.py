"""From the keys of a CAN source to the J1939 addresses that it listens to."""

from __future__ import annotations

from uphaul.config import model as m
from uphaul.config.amounts import Scope

__all__ = ["addresses_of"]

LAST_ADDRESS = 253
"""254 is "no address yet" and 255 everyone; nobody sends values from these. Source: SAE J1939-81, from memory."""


def addresses_of(scope: Scope, key: str, table: m.CanTable) -> tuple[int, ...] | None:
    """The addresses, None for all. Under another protocol the key is a problem."""
    given = table.source_address
    if table.protocol != "j1939":
        if "source_address" in table.model_fields_set:
            scope.wrong(f"{key}.source_address", given, 'is only for protocol = "j1939"')
        return (0,)
    addresses = [given] if isinstance(given, int) else given
    for i, address in enumerate(addresses):
        if not 0 <= address <= LAST_ADDRESS:
            place = f"{key}.source_address" + ("" if isinstance(given, int) else f"[{i}]")
            scope.wrong(place, address, f"must be an address from 0 to {LAST_ADDRESS}")
    return tuple(dict.fromkeys(addresses)) or None
