"""Opens and closes a CAN bus through python-can, with what its interfaces do otherwise than they should."""

from __future__ import annotations

import contextlib
import importlib
import inspect
import logging
import socket
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from uphaul.config.spec import CanSpec
from uphaul.errors import SourceError

if TYPE_CHECKING:
    from can import BusABC

__all__ = ["close_bus", "open_bus"]

CONNECT_WITHIN_S = 3.0

KERNEL_FILTERS = 512
"""CAN_RAW_FILTER_MAX of Linux (include/uapi/linux/can.h): more filters than that are refused."""


def open_bus(spec: CanSpec, filters: Sequence[tuple[int, int, bool]]) -> BusABC:
    """The open bus, with filters of (frame id, mask, extended) where the kernel or the hardware applies them.

    Without filters all frames come. Blocks as long as the driver does. Raises SourceError: with ``retry=False`` when no
    retry can mend it.
    """
    import can  # 0.1 s that commands without a CAN bus need not spend

    # Logs a warning for each part of a line, thousands a second on a busy bus; its errors reach us as exceptions.
    logging.getLogger("can.interfaces.socketcand").setLevel(logging.CRITICAL)
    options: dict[str, Any] = dict(spec.options)
    if spec.bitrate is not None:
        options["bitrate"] = spec.bitrate
    entry = can.interfaces.BACKENDS.get(spec.interface)
    if entry is None:
        known = ", ".join(sorted(can.interfaces.BACKENDS))
        raise SourceError(f"CAN {spec.name}: no interface {spec.interface!r}; there are {known}", retry=False)
    try:
        kind = getattr(importlib.import_module(entry[0]), entry[1])
        if spec.listen_only and "listen_only" in inspect.signature(kind).parameters:
            options["listen_only"] = True
        if spec.interface == "socketcand" and {"host", "port"} <= options.keys():
            # Its client tries a refused connection for 10 s without pause; a first look by ourselves spares that.
            where = (str(options["host"]), int(options["port"]))
            socket.create_connection(where, CONNECT_WITHIN_S).close()
        # `ignore_config`: what is opened is what our configuration says, whatever else lies on the machine.
        bus: BusABC = can.Bus(interface=spec.interface, channel=spec.channel, ignore_config=True, **options)
    except (TypeError, ValueError, ImportError, can.CanInterfaceNotImplementedError) as error:
        raise SourceError(f"CAN {spec.name}: {spec.interface} cannot be opened so: {error}", retry=False) from error
    except Exception as error:  # drivers fail in ways of their own; all may pass when the adapter comes back
        raise SourceError(f"CAN {spec.name}: {spec.channel} cannot be opened: {error}") from error
    if len(filters) <= KERNEL_FILTERS:
        bus.set_filters([{"can_id": i, "can_mask": mask, "extended": extended} for i, mask, extended in filters])
        if not getattr(bus, "_is_filtered", False):
            # python-can would filter in software, and then `recv(0)` answers "nothing" at the first frame that is
            # not wanted, whatever is behind it. Our own table throws unwanted frames away for less.
            bus.set_filters(None)
    return bus


def close_bus(bus: BusABC) -> None:
    """Close the bus, broken or not."""
    # What is broken fails at closing too, each driver in its own way, and there is nothing left to do then.
    with contextlib.suppress(Exception):
        bus.shutdown()
    # The serial client's last command fails on an adapter that was pulled out, and then it leaves the device open;
    # the kernel would give the adapter another name when it comes back.
    port = getattr(bus, "serialPortOrig", None)
    if port is not None:
        with contextlib.suppress(Exception):
            port.close()
