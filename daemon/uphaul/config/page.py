"""What a configuration leaves to be said of who reaches the page."""

from __future__ import annotations

import ipaddress

from uphaul.config.spec import Config

__all__ = ["on_this_machine_only", "page_notes"]


def page_notes(config: Config) -> list[str]:
    """Remarks on an open page: allowed, and the owner should know of it."""
    web = config.web
    if not web.host or web.look != "open" or on_this_machine_only(web.host):
        return []
    return [
        f"web: host = {web.host!r} with look = 'open': everyone on that network can look at the page, "
        "and acting needs pairing (uphaul pair); look = 'paired' hides it from devices that are not paired"
    ]


def on_this_machine_only(host: str) -> bool:
    """Whether an address to listen on is reached from the machine itself only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"
