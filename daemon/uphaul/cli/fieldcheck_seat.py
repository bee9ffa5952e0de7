"""A terminal's seat at a daemon's field check: pairs with its page as a phone does, asks how it stands, and acts.

Theory of operation. Whoever is logged in as the daemon's user may leave a code beside its log (`uphaul pair` prints
one); the seat leaves one, takes it at the page, and is a paired device until it is left. One whose process was killed
is taken off the list by the next. No answer is not the end: the daemon may be starting again, so `now` gives None
then, and the caller asks once more.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from pathlib import Path
from typing import Any, Self

import aiohttp

from uphaul.errors import UphaulError
from uphaul.web.access import Access, store_path

__all__ = ["NAME", "Seat"]

NAME = "terminal"
"""What the device is called in the list of paired ones, with its process; it is who acts in the log."""
ANSWER_S = 5.0


class Seat:
    """At the page on `url` (without a slash at its end) of the daemon that records to `log`; a context.

    Entering raises UphaulError where no page answers there, or another log's.
    """

    def __init__(self, url: str, log: Path) -> None:
        self._url, self._log = url, log
        self._http: aiohttp.ClientSession | None = None

    async def __aenter__(self) -> Self:
        self._http = aiohttp.ClientSession(
            headers={"Origin": self._url},
            cookie_jar=aiohttp.CookieJar(unsafe=True),  # the page's host is an address
            timeout=aiohttp.ClientTimeout(total=ANSWER_S),
        )
        try:
            await self._pair()
        except BaseException:
            await self._http.close()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._http is not None
        with contextlib.suppress(aiohttp.ClientError, TimeoutError):  # the daemon has ended before
            await self._ask("POST", "/unpair", {})
        await self._http.close()

    async def _pair(self) -> None:
        code = await asyncio.to_thread(_new_code, Access(store_path(self._log)))
        try:
            refused = await self._ask("POST", "/pair", {"code": code, "name": f"{NAME} {os.getpid()}"})
        except (aiohttp.ClientError, TimeoutError) as error:
            raise UphaulError(
                f"{self._log}: a daemon records to it, but no page of one answers at {self._url}/ ({error}): name the "
                "port that it told with --port, or end it, and the check is run without it"
            ) from error
        if "problem" in refused:
            raise UphaulError(f"{self._url}/: the page does not take this terminal: {refused['problem']}")

    async def _ask(self, method: str, path: str, body: dict[str, Any] | None = None) -> dict[str, Any]:
        assert self._http is not None
        async with self._http.request(method, self._url + path, json=body) as answer:
            try:
                told = await answer.json(content_type=None)
            except ValueError:
                told = None
            if isinstance(told, dict):
                return told
            return {"problem": f"{path} answered {answer.status}"}

    async def now(self) -> dict[str, Any] | None:
        """How the check stands, as its page is told; None while no answer comes."""
        try:
            told = await self._ask("GET", "/check.json")
        except (aiohttp.ClientError, TimeoutError):
            return None
        return None if "check" not in told else told

    async def runs(self) -> list[dict[str, Any]]:
        """Every check of the present drive with all its figures, as the log keeps them; the newest last."""
        try:
            told = await self._ask("GET", "/check-runs.json")
        except (aiohttp.ClientError, TimeoutError):
            return []
        runs: list[dict[str, Any]] = told.get("runs", [])
        return runs

    async def act(self, **act: object) -> str:
        """Ask for something; why it was not done, in words, or empty."""
        try:
            return str((await self._ask("POST", "/act", act)).get("problem", ""))
        except (aiohttp.ClientError, TimeoutError):
            return "not taken: the daemon does not answer"


def _new_code(access: Access) -> str:
    """A code, with the seats of processes that are gone given up. Blocks."""
    for device in access.devices:
        name, _, process = device.name.partition(" ")
        if name == NAME and process.isdigit() and not Path(f"/proc/{process}").exists():
            access.revoke(device.name)
    return access.new_code()
