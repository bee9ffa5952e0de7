"""Under which addresses this machine's page can be opened; asks the kernel, sends nothing."""

from __future__ import annotations

import fcntl
import ipaddress
import socket
import struct
from pathlib import Path

__all__ = ["page_hosts"]

SIOCGIFADDR = 0x8915
"""Source: linux/sockios.h, "get PA address"."""
IN6 = Path("/proc/net/if_inet6")
GLOBAL = "00"
"""Scope of an IPv6 address in /proc/net/if_inet6. Source: linux net/ipv6/addrconf.c (IPV6_ADDR_SCOPE_MASK, 0)."""


def page_hosts(host: str) -> list[str]:
    """What to put between ``http://`` and the port for a page that listens on `host`, the likeliest first.

    An address or name that is no wildcard is itself. ``0.0.0.0`` is every address of the machine's networks and, last,
    its name with ``.local``, which works where the network resolves such names. Empty: no network.
    """
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return [host]
    if not address.is_unspecified:
        return [f"[{host}]" if address.version == 6 else host]
    found = _ipv4() if address.version == 4 else [f"[{a}]" for a in _ipv6()]
    return [*found, f"{socket.gethostname().partition('.')[0].lower()}.local"] if found else []


def _ipv4() -> list[str]:
    """The IPv4 address of every interface that has one, but for the loopback's."""
    out = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        for _, name in socket.if_nameindex():
            asked = struct.pack("256s", name.encode()[:15])
            try:
                answer = fcntl.ioctl(any_socket.fileno(), SIOCGIFADDR, asked)
            except OSError:  # has none, or has just gone
                continue
            out.append(socket.inet_ntoa(answer[20:24]))
    return [a for a in out if not ipaddress.ip_address(a).is_loopback]


def _ipv6() -> list[str]:
    """The IPv6 addresses that are good beyond their own link."""
    try:
        lines = IN6.read_text(encoding="ascii").splitlines()
    except OSError:
        return []
    rows = [line.split() for line in lines]
    return [str(ipaddress.IPv6Address(bytes.fromhex(row[0]))) for row in rows if len(row) >= 4 and row[3] == GLOBAL]
