"""Who may look at the page and who may act on it: paired devices, and how a device becomes one.

Theory of operation. `new_code` (the command) leaves a code in the store; `pair` (the daemon) takes it once, within
`CODE_S` and before `MOST_TRIES` wrong ones, and gives the device a token of 256 random bits, which the browser keeps in
a cookie and the store only as a hash. From then on `actor` tells the device's name, until it is revoked: by the command
or by itself. Both sides see each other's changes at once, since every question looks whether the file has changed.

What writes blocks (`fsync` on a card can take seconds): `new_code`, `pair`, `revoke` and `note_seen` belong into a
thread; `actor` and `may_look` are for the loop. When the store is unusable nobody counts as paired, so acting is
refused, and looking stays as configured; `problem` says why in words.
"""

from __future__ import annotations

import datetime
import hashlib
import hmac
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from uphaul.errors import UphaulError
from uphaul.web.access_store import LONGEST_NAME, MOST_DEVICES, Book, Code, Device, Store, StoreError, store_path

if TYPE_CHECKING:
    from aiohttp.web import BaseRequest

__all__ = [
    "CODE_DIGITS",
    "CODE_S",
    "COOKIE",
    "MOST_TRIES",
    "Access",
    "Device",
    "Paired",
    "PairingError",
    "StoreError",
    "store_path",
]

COOKIE = "uphaul-"
"""Begins the cookie's name. Cookies know hosts, not ports: the rest tells the lists on one host apart."""
CODE_DIGITS = 8
CODE_S = 600
"""A code is good for so long, in s: time to walk to the vehicle with a phone."""
MOST_TRIES = 5
"""Wrong tries that burn a code: 5 in 10^8 is the whole chance of guessing one."""
TOKEN_BYTES = 32
# Source: C. Percival, "Stronger key derivation via sequential memory-hard functions" (2009), for interactive logins;
# 16 MB for as long as it takes.
SCRYPT_N, SCRYPT_R, SCRYPT_P = 2**14, 8, 1
SCRYPT_MEMORY = 64 * 2**20
LOOKS = ("open", "paired")


class PairingError(UphaulError):
    """The device is not paired; the message says why in words for whoever holds it."""


@dataclass(frozen=True, slots=True)
class Paired:
    """What came of pairing: the device's name in the list, and the token that only the device will know."""

    name: str
    token: str


def boot_clock_s() -> float:
    """Seconds since the machine started, sleep included: the same for all processes, whatever the wall clock does."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def boot_id() -> str:
    """Which start of the machine this is."""
    return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()


def today() -> str:
    """The day, UTC, ISO 8601; for labels."""
    return datetime.datetime.now(datetime.UTC).date().isoformat()


class Access:
    """Decides by the store at `path`; a device keeps its token in the cookie named `cookie`.

    `look` is ``open`` or ``paired``; the clocks are for tests to replace.
    Reads nothing before it is asked. Raises UphaulError for another `look`.
    """

    def __init__(
        self,
        path: Path,
        look: str = "open",
        *,
        now_s: Callable[[], float] = boot_clock_s,
        boot: Callable[[], str] = boot_id,
        day: Callable[[], str] = today,
    ) -> None:
        if look not in LOOKS:
            raise UphaulError(f"web: look = {look!r}: one of {', '.join(LOOKS)}")
        self.look = look
        self._store = Store(path)
        self.cookie = COOKIE + hashlib.sha256(str(path.absolute()).encode("utf-8", "surrogateescape")).hexdigest()[:8]
        self._now_s, self._boot, self._day = now_s, boot, day
        self._wrong: dict[bytes, int] = {}
        self._wrong_lock = threading.Lock()
        self._noted: dict[bytes, str] = {}

    # ------------------------------------------------------------------------------------------------ decisions

    @property
    def problem(self) -> str:
        """Why nobody counts as paired, in words; empty while the store is in order."""
        return self._store.read().problem

    @property
    def devices(self) -> tuple[Device, ...]:
        """Everything that is paired."""
        return self._store.read().book.devices

    def device(self, request: BaseRequest) -> Device | None:
        """The paired device that a request comes from."""
        token = request.cookies.get(self.cookie, "")
        return self._device_of(token) if token else None

    def actor(self, request: BaseRequest) -> str | None:
        """Who acts with a request: the paired device's name, None for anyone else, who must be refused."""
        device = self.device(request)
        return None if device is None else device.name

    def may_look(self, request: BaseRequest) -> bool:
        """Whether a request may be shown what the vehicle does."""
        return self.look == "open" or self.device(request) is not None

    def _device_of(self, token: str) -> Device | None:
        wanted = _token_hash(token)
        found = None
        for device in self.devices:  # all of them: the time it takes tells nothing
            if hmac.compare_digest(device.token_hash, wanted):
                found = device
        return found

    # --------------------------------------------------------------------------------------------------- pairing

    def new_code(self) -> str:
        """A new code for one device, good for `CODE_S`; an earlier one is void. Blocks. Raises StoreError."""
        digits = f"{secrets.randbelow(10**CODE_DIGITS):0{CODE_DIGITS}d}"
        salt = secrets.token_bytes(16)
        code = Code(salt, _code_hash(digits, salt), self._boot(), self._now_s() + CODE_S)
        self._store.change(lambda book: replace(book, code=code))
        return digits

    def pair(self, digits: str, name: str, *, instead_of: str = "") -> Paired:
        """Take the code and give a token for the device `name` (as people call it), made unlike the other names.

        `instead_of` is the token that the device has had until now: that pairing ends. A wrong code counts, and the
        last wrong one burns it. Blocks (a slow hash, the card). Raises PairingError, and StoreError with nothing done.
        """
        token = secrets.token_urlsafe(TOKEN_BYTES)
        refused = ""
        given = ""

        def take(book: Book) -> Book:
            nonlocal refused, given
            refused, code = self._try(book.code, digits)
            if refused:
                return replace(book, code=code)
            kept = [d for d in book.devices if not (instead_of and d.token_hash == _token_hash(instead_of))]
            if len(kept) >= MOST_DEVICES:
                refused = f"{MOST_DEVICES} devices are paired already: take one off with uphaul pair --revoke NAME"
                return book
            given = _unlike(name, {d.name for d in kept})
            day = self._day()
            return Book(None, (*kept, Device(given, _token_hash(token), day, day)))

        self._store.change(take)
        if refused:
            raise PairingError(refused)
        return Paired(given, token)

    def _try(self, code: Code | None, digits: str) -> tuple[str, Code | None]:
        """Why the code is refused (empty: it is right), and what is left of it."""
        new = "have a new one printed with uphaul pair"
        if code is None or code.boot != self._boot():
            return f"no code is waiting (each is good once): {new}", None
        if self._now_s() >= code.until_s:
            return f"the code is older than {CODE_S // 60} minutes: {new}", None
        with self._wrong_lock:  # also here: a card that cannot be written must not give tries without end
            tries = max(code.tries, self._wrong.get(code.salt, 0))
            self._wrong = {code.salt: tries + 1}
        if tries >= MOST_TRIES:
            return f"the code is void after {MOST_TRIES} wrong ones: {new}", None
        if hmac.compare_digest(_code_hash(digits, code.salt), code.scrypt):
            with self._wrong_lock:
                self._wrong = {code.salt: tries}
            return "", code
        left = MOST_TRIES - tries - 1
        if not left:
            return f"that is not the code, and it is void now after {MOST_TRIES} wrong ones: {new}", None
        return f"that is not the code; {left} more {'try' if left == 1 else 'tries'}", replace(code, tries=tries + 1)

    def revoke(self, name: str | None) -> tuple[str, ...]:
        """End the pairing of the device `name`, of all for None (and a waiting code with them); the names that went.

        Blocks. Raises StoreError.
        """
        gone: tuple[str, ...] = ()

        def take_off(book: Book) -> Book:
            nonlocal gone
            gone = tuple(d.name for d in book.devices if name in (None, d.name))
            code = None if name is None else book.code
            return Book(code, tuple(d for d in book.devices if d.name not in gone))

        self._store.change(take_off)
        return gone

    # ----------------------------------------------------------------------------------------------- last seen

    def unseen_today(self, device: Device) -> bool:
        """Whether the list is still to learn that `device` is here today; true once a day only."""
        day = self._day()
        if day in (device.seen, self._noted.get(device.token_hash)):
            return False
        present = {d.token_hash for d in self.devices}
        self._noted = {k: v for k, v in self._noted.items() if k in present} | {device.token_hash: day}
        return True

    def note_seen(self, device: Device) -> None:
        """Put today into the list for `device`. Blocks. Raises StoreError."""
        day = self._day()
        self._store.change(
            lambda book: replace(
                book,
                devices=tuple(replace(d, seen=day) if d.token_hash == device.token_hash else d for d in book.devices),
            )
        )


def plain_name(name: str) -> str:
    """A device's name on one line, of what prints, 40 characters at most; ``a device`` where nothing is left."""
    printing = "".join(c if c.isprintable() else " " for c in name)
    return " ".join(printing.split())[:LONGEST_NAME].rstrip() or "a device"


def _unlike(name: str, others: set[str]) -> str:
    """The name, with a number where another device, or the word ``all``, has it."""
    plain = plain_name(name)
    taken = {*others, "all"}
    numbers = (f" {n}" for n in range(2, len(taken) + 3))
    choices = [plain, *(plain[: LONGEST_NAME - len(n)].rstrip() + n for n in numbers)]
    return next(c for c in choices if c not in taken)


def _token_hash(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).digest()


def _code_hash(digits: str, salt: bytes) -> bytes:
    plain = digits.encode("utf-8", "replace")
    return hashlib.scrypt(plain, salt=salt, n=SCRYPT_N, r=SCRYPT_R, p=SCRYPT_P, maxmem=SCRYPT_MEMORY, dklen=32)
