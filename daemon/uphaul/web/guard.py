"""What every request must pass before a handler sees it: whose page it thinks this is, who sent it, how big, how often.

Theory of operation. `make_guard` gives one aiohttp middleware. It asks in this order, and the first no is the answer:

1. *Host* (all requests): the address the connection came in on, localhost, the machine's own name, or a name of the
   configuration. A page elsewhere whose name was made to point here (DNS rebinding) comes with its own name: 421.
2. *Whether it acts*: everything but GET and HEAD. It must come from a page of this server: `Origin` is there and equals
   the host, and `Sec-Fetch-Site`, where the browser sends it, says same-origin: 403. Its body is JSON (415) of a
   length that is told (411) and at most `LARGEST_BODY` (413).
3. *How often* (what acts): a paired device has its own allowance; all others share one besides that of their address,
   so that strangers can't use up what the driver needs to quiet an alert: 429 with Retry-After.
4. *Looking*, where that needs pairing too: a browser is sent to the pairing page, anything else gets 403.

Answers are JSON ``{"problem": words}``, with ``"pair": "/pair"`` where pairing is what helps. Pages
should use plain ``fetch``: by the Fetch standard ("append a request Origin header") a form, or ``fetch`` in another
mode, under the referrer policy of these pages is sent with ``Origin: null``.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import json
import logging
import math
import socket
import time
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass

from aiohttp import web
from aiohttp.typedefs import Middleware

from uphaul.web.access import Access, Device, StoreError

__all__ = [
    "LARGEST_BODY",
    "PAIRING",
    "Allowance",
    "Limits",
    "Rate",
    "json_object",
    "make_guard",
    "not_paired",
    "problem",
    "set_cookie",
    "unset_cookie",
]

_log = logging.getLogger(__name__)

LARGEST_BODY = 8_000
BODY_S = 5.0
MOST_KEYS = 256
COOKIE_S = 10 * 365 * 86_400
"""Ten years; browsers cut that to about 400 days (RFC 6265bis, section 4.1.2.2), so it is set again at every visit."""
PAIRING = "/pair"
SAFE = ("GET", "HEAD")
RENEWING = ("/", "/me.json")

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


# -------------------------------------------------------------------------------------------------------- rates


@dataclass(frozen=True, slots=True)
class Rate:
    """So many at once, and one more each `every_s`."""

    burst: int
    every_s: float


@dataclass(frozen=True, slots=True)
class Limits:
    """Allowances of what acts. Our own choice: a person taps twice a second at most, and mistypes a code twice."""

    device: Rate = Rate(20, 0.25)
    remote: Rate = Rate(20, 0.5)
    strangers: Rate = Rate(60, 0.1)
    pairing_remote: Rate = Rate(6, 10.0)
    pairing: Rate = Rate(12, 5.0)


class Allowance:
    """Counts, by key, what a `Rate` allows. The least recent of more than 256 keys is forgotten."""

    def __init__(self, rate: Rate, now_s: Callable[[], float] = time.monotonic) -> None:
        self._rate, self._now_s = rate, now_s
        self._full_at: dict[str, float] = {}

    def wait_s(self, key: str = "") -> float:
        """0.0: allowed now. Otherwise how long to wait, in s."""
        used_s = max(self._full_at.get(key, 0.0) - self._now_s(), 0.0)
        return max(used_s - (self._rate.burst - 1) * self._rate.every_s, 0.0)

    def take(self, key: str = "") -> None:
        """Use up one."""
        now = self._now_s()
        full_at = max(self._full_at.pop(key, now), now)
        self._full_at[key] = full_at + self._rate.every_s
        if len(self._full_at) > MOST_KEYS:
            del self._full_at[next(iter(self._full_at))]


# -------------------------------------------------------------------------------------------------------- hosts


def split_host(host: str) -> str:
    """The name or address in a Host header, small letters, without port and brackets; empty if there is none."""
    name = host.strip().lower()
    if name.startswith("["):
        return _address(name[1:].partition("]")[0])
    return _address(name.rpartition(":")[0] if ":" in name else name)


def _address(text: str) -> str:
    """An address in its one usual form, without zone, IPv4 also where it came in through IPv6; a name as it is."""
    with contextlib.suppress(ValueError):
        found = ipaddress.ip_address(text.partition("%")[0])
        mapped = found.ipv4_mapped if isinstance(found, ipaddress.IPv6Address) else None
        return str(mapped or found)
    return text.removesuffix(".")


def own_names() -> frozenset[str]:
    """What the machine is called: its name, and that with ``.local``, which networks without a name server use."""
    name = socket.gethostname().lower().partition(".")[0]
    return frozenset({"localhost", name, f"{name}.local", socket.gethostname().lower()})


# ------------------------------------------------------------------------------------------------------ answers


def problem(status: int, words: str, **headers: str) -> web.Response:
    """An answer that refuses, in words; a question mark for what UTF-8 cannot hold of what was asked."""
    text = json.dumps({"problem": words}, ensure_ascii=False).encode(errors="replace").decode()
    return web.json_response(text=text, status=status, headers=headers)


def not_paired(access: Access) -> web.Response:
    """The answer for an act of a device that is not paired."""
    words = access.problem or "this device is not paired: uphaul pair prints a code for the page /pair"
    return web.json_response({"problem": words, "pair": "/pair"}, status=403)


def set_cookie(access: Access, request: web.Request, response: web.StreamResponse, token: str) -> None:
    """Leave the token with the browser: out of reach of scripts and of other sites; only over TLS if it came so."""
    response.set_cookie(
        access.cookie, token, max_age=COOKIE_S, path="/", secure=request.secure, httponly=True, samesite="Strict"
    )


def unset_cookie(access: Access, request: web.Request, response: web.StreamResponse) -> None:
    """Have the browser forget its token."""
    response.del_cookie(access.cookie, path="/", secure=request.secure, httponly=True, samesite="Strict")


def _as_json(kind: type[web.HTTPException], words: str) -> web.HTTPException:
    return kind(text=json.dumps({"problem": words}), content_type="application/json")


async def json_object(request: web.Request) -> dict[str, object]:
    """The body as a JSON object, for handlers behind the guard. Raises HTTPBadRequest or HTTPRequestTimeout."""
    try:
        async with asyncio.timeout(BODY_S):
            told = json.loads(await request.text())
    except TimeoutError:
        raise _as_json(web.HTTPRequestTimeout, "the body did not come") from None
    except (ValueError, RecursionError, LookupError):  # LookupError: a charset that is none
        told = None
    if not isinstance(told, dict):
        raise _as_json(web.HTTPBadRequest, "the body must be a JSON object")
    return told


# -------------------------------------------------------------------------------------------------------- guard


class _Guard:
    def __init__(self, access: Access, host: str, names: Iterable[str], open_paths: frozenset[str], limits: Limits):
        self._access = access
        self._names = own_names() | {_address(n.lower()) for n in names} | ({_address(host.lower())} if host else set())
        self._open = open_paths
        self._devices = Allowance(limits.device)
        self._remotes, self._strangers = Allowance(limits.remote), Allowance(limits.strangers)
        self._pairing_remotes, self._pairing_all = Allowance(limits.pairing_remote), Allowance(limits.pairing)
        self._noting: set[asyncio.Task[None]] = set()

    @web.middleware
    async def check(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Let a request through to `handler`, or refuse it."""
        if not self._knows(request):
            return problem(
                421, "the page is not known under this name: open it by its address, or add the name to [web] names"
            )
        resource = request.match_info.route.resource
        path = "" if resource is None else resource.canonical  # what will answer, however the path was written
        device = self._access.device(request)
        if request.method not in SAFE and (no := self._acting(request) or self._too_often(request, path, device)):
            return no
        if self._access.look == "paired" and device is None and path not in self._open:
            if request.method in SAFE and "text/html" in request.headers.get("Accept", ""):
                return web.Response(status=303, headers={"Location": "/pair"})
            return not_paired(self._access)
        if device is not None and self._access.unseen_today(device):
            self._note(device)
        response = await handler(request)
        if device is not None and path in RENEWING and not response.prepared:
            set_cookie(self._access, request, response, request.cookies[self._access.cookie])
        return response

    def _knows(self, request: web.Request) -> bool:
        name = split_host(request.headers.get("Host", ""))
        if not name:
            return False
        at = request.get_extra_info("sockname")
        return name in self._names or (isinstance(at, tuple) and name == _address(str(at[0])))

    def _acting(self, request: web.Request) -> web.Response | None:
        """The refusal of what does not come from a page of this server, or is no small JSON."""
        origin = request.headers.get("Origin", "")
        scheme, _, at = origin.lower().partition("://")
        if scheme not in ("http", "https") or at != request.headers["Host"].strip().lower():
            return problem(403, "that does not come from this page, so it is not done")
        if request.headers.get("Sec-Fetch-Site", "same-origin") != "same-origin":
            return problem(403, "that does not come from this page, so it is not done")
        if request.content_type != "application/json" or "Content-Encoding" in request.headers:
            return problem(415, "the body must be of type application/json, not compressed")
        length = request.content_length
        if length is None:
            return problem(411, "the body's length must be told")
        if length > LARGEST_BODY:
            return problem(413, f"the body has {length} bytes; {LARGEST_BODY} at most")
        return None

    def _too_often(self, request: web.Request, path: str, device: Device | None) -> web.Response | None:
        remote = request.remote or ""
        if path == PAIRING:
            asked = [(self._pairing_remotes, remote), (self._pairing_all, "")]
        elif device is not None:
            asked = [(self._devices, device.token_hash.hex())]
        else:
            asked = [(self._remotes, remote), (self._strangers, "")]
        wait_s = max(allowance.wait_s(key) for allowance, key in asked)
        if wait_s > 0:
            seconds = math.ceil(wait_s)
            return problem(429, f"too often: try again in {seconds} s", **{"Retry-After": str(seconds)})
        for allowance, key in asked:
            allowance.take(key)
        return None

    def _note(self, device: Device) -> None:
        """Have the day in the list, in a thread: nobody waits for a slow card."""
        task = asyncio.create_task(self._noted(device), name="web-last-seen")
        self._noting.add(task)
        task.add_done_callback(self._noting.discard)

    async def _noted(self, device: Device) -> None:
        try:
            await asyncio.to_thread(self._access.note_seen, device)
        except StoreError as error:  # a label only: said once a day
            _log.warning("%s", error)


def make_guard(
    access: Access,
    *,
    host: str = "",
    names: Iterable[str] = (),
    open_paths: Iterable[str] = (),
    limits: Limits | None = None,
) -> Middleware:
    """The middleware. `host` is listened on, `names` are further ones; `open_paths` are shown to everyone always."""
    return _Guard(access, host, names, frozenset(open_paths), limits or Limits()).check
