"""Pairing over real sockets: the code becomes a cookie once, and what is revoked is refused at once."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator
from http.cookies import SimpleCookie
from pathlib import Path

import aiohttp
import pytest

from support.paired_page import Page, page
from uphaul.web import access as access_module
from uphaul.web.access import CODE_S, MOST_TRIES, Access

ACT = {"do": "quiet"}
DEADLINE_S = 20.0


@pytest.fixture(autouse=True)
def quick_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    """The slow hash of codes, less slow."""
    monkeypatch.setattr("uphaul.web.access.SCRYPT_N", 2)


@contextlib.asynccontextmanager
async def stranger(folder: Path, look: str = "open") -> AsyncIterator[tuple[Page, aiohttp.ClientSession]]:
    """The page and a device that is not paired yet."""
    jar = aiohttp.CookieJar(unsafe=True)
    async with (
        asyncio.timeout(DEADLINE_S),
        page(folder, look) as made,
        aiohttp.ClientSession(cookie_jar=jar) as session,
    ):
        yield made, session


async def me(made: Page, session: aiohttp.ClientSession) -> dict[str, object]:
    async with session.get(made.url + "/me.json") as answer:
        told: dict[str, object] = await answer.json()
        return told


@pytest.mark.asyncio
@pytest.mark.parametrize("writing", ["{0}{1}", "{0} {1}", " {0}-{1}\u00a0"])
async def test_a_code_pairs_the_device_that_brings_it(tmp_path: Path, writing: str) -> None:
    async with stranger(tmp_path, "paired") as (made, session):
        assert await me(made, session) == {"name": None, "look": "paired", "may_look": False, "problem": ""}
        code = made.access.new_code()
        body = {"code": writing.format(code[:4], code[4:]), "name": " Red\tphone "}
        assert await made.send(session, "/pair", body) == (200, {"name": "Red phone"})
        assert await me(made, session) == {"name": "Red phone", "look": "paired", "may_look": True, "problem": ""}
        assert (await made.send(session, "/act", ACT))[0] == 200
        assert made.done == ["Red phone: quiet"]


@pytest.mark.asyncio
async def test_the_cookie_is_kept_from_scripts_and_other_sites_for_as_long_as_it_may(tmp_path: Path) -> None:
    async with stranger(tmp_path) as (made, session):
        body = {"code": made.access.new_code(), "name": "phone"}
        async with session.post(made.url + "/pair", json=body, headers={"Origin": made.url}) as answer:
            cookie = SimpleCookie(answer.headers["Set-Cookie"])[made.access.cookie]
            assert answer.headers["Cache-Control"] == "no-store"
            assert cookie.value not in await answer.text()
    assert (cookie["httponly"], cookie["samesite"], cookie["path"]) == (True, "Strict", "/")
    assert int(cookie["max-age"]) > 400 * 86_400  # the longest that browsers keep one
    assert cookie["domain"] == ""
    assert not cookie["secure"]  # plain HTTP: a browser would throw it away
    assert len(cookie.value) == 43  # 256 bits in base 64


@pytest.mark.asyncio
async def test_visits_make_the_cookie_last(tmp_path: Path) -> None:
    async with stranger(tmp_path) as (made, session):
        async with session.get(made.url + "/") as answer:
            assert "Set-Cookie" not in answer.headers
        await made.pair(session)
        for path in ("/", "/me.json"):
            async with session.get(made.url + path) as answer:
                assert "Max-Age=315360000" in answer.headers["Set-Cookie"]
                assert "HttpOnly" in answer.headers["Set-Cookie"]
        async with session.get(made.url + "/status.json") as answer:
            assert "Set-Cookie" not in answer.headers


@pytest.mark.asyncio
async def test_a_wrong_code_is_refused_and_burns(tmp_path: Path) -> None:
    async with stranger(tmp_path) as (made, session):
        code = made.access.new_code()
        other = f"{(int(code) + 1) % 10**8:08d}"
        for left in range(MOST_TRIES - 1, -1, -1):
            status, told = await made.send(session, "/pair", {"code": other, "name": "phone"})
            assert status == 403
            assert (f"{left} more" in str(told["problem"])) == (left > 0)
        status, told = await made.send(session, "/pair", {"code": code, "name": "phone"})
        assert status == 403
        assert "no code is waiting" in str(told["problem"])
        assert (await me(made, session))["name"] is None


@pytest.mark.asyncio
async def test_a_code_that_is_too_old_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with stranger(tmp_path) as (made, session):
        before = Access(tmp_path / "vehicle.access.json", now_s=lambda: access_module.boot_clock_s() - CODE_S)
        status, told = await made.send(session, "/pair", {"code": before.new_code(), "name": "phone"})
        assert status == 403
        assert "older than 10 minutes" in str(told["problem"])


@pytest.mark.asyncio
async def test_a_code_that_is_sent_again_is_refused(tmp_path: Path) -> None:
    async with stranger(tmp_path) as (made, session), aiohttp.ClientSession() as thief:
        code = made.access.new_code()
        assert (await made.send(session, "/pair", {"code": code, "name": "phone"}))[0] == 200
        assert (await made.send(thief, "/pair", {"code": code, "name": "phone"}))[0] == 403
        assert [d.name for d in made.access.devices] == ["phone"]


@pytest.mark.asyncio
async def test_of_two_that_bring_the_code_at_once_one_is_paired(tmp_path: Path) -> None:
    async with stranger(tmp_path) as (made, session), aiohttp.ClientSession() as other:
        body = {"code": made.access.new_code(), "name": "phone"}
        answers = await asyncio.gather(*(made.send(s, "/pair", body) for s in (session, other)))
        assert sorted(status for status, _ in answers) == [200, 403]


@pytest.mark.asyncio
@pytest.mark.parametrize("body", [{}, {"code": 12345678}, {"code": "1", "name": None}, {"code": "1", "more": ""}])
async def test_what_is_no_pairing_is_told_what_would_be(tmp_path: Path, body: dict[str, object]) -> None:
    async with stranger(tmp_path) as (made, session):
        made.access.new_code()
        status, told = await made.send(session, "/pair", body)
        assert (status, '"code"' in str(told["problem"])) == (400, True)


@pytest.mark.asyncio
@pytest.mark.parametrize("code", ["", "not digits", "é" * 40, "\ud800", "9" * 5000])
async def test_any_text_can_be_given_for_a_code(tmp_path: Path, code: str) -> None:
    async with stranger(tmp_path) as (made, session):
        made.access.new_code()
        assert (await made.send(session, "/pair", {"code": code, "name": ""}))[0] == 403


@pytest.mark.asyncio
async def test_a_revoked_device_is_refused_at_once(tmp_path: Path) -> None:
    async with stranger(tmp_path, "paired") as (made, session):
        await made.pair(session)
        async with session.get(made.url + "/status.json") as answer:
            assert answer.status == 200
        Access(tmp_path / "vehicle.access.json").revoke("phone")  # as the command does
        async with session.get(made.url + "/status.json") as answer:
            assert answer.status == 403
        assert (await made.send(session, "/act", ACT))[0] == 403
        assert made.done == []


@pytest.mark.asyncio
async def test_a_device_can_end_its_own_pairing(tmp_path: Path) -> None:
    async with stranger(tmp_path) as (made, session):
        await made.pair(session)
        assert await made.send(session, "/unpair", {}) == (200, {"name": "phone"})
        assert (made.access.devices, (await me(made, session))["name"]) == ((), None)
        assert not list(session.cookie_jar)
        assert (await made.send(session, "/unpair", {}))[0] == 403


@pytest.mark.asyncio
async def test_a_device_that_pairs_again_takes_its_own_place(tmp_path: Path) -> None:
    async with stranger(tmp_path) as (made, session):
        await made.pair(session)
        await made.pair(session)
        assert [d.name for d in made.access.devices] == ["phone"]
        assert (await me(made, session))["name"] == "phone"


@pytest.mark.asyncio
async def test_the_day_a_device_was_seen_comes_into_the_list(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with stranger(tmp_path) as (made, session):
        await made.pair(session)
        monkeypatch.setattr(made.access, "_day", lambda: "2031-05-06")
        written = asyncio.Event()
        loop, note = asyncio.get_running_loop(), made.access.note_seen

        def noted(device: access_module.Device) -> None:
            note(device)
            loop.call_soon_threadsafe(written.set)

        monkeypatch.setattr(made.access, "note_seen", noted)
        await me(made, session)
        await written.wait()
        assert made.access.devices[0].seen == "2031-05-06"


@pytest.mark.asyncio
async def test_a_full_card_makes_no_pairing_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with stranger(tmp_path) as (made, session):
        code = made.access.new_code()

        def full(data: bytes) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(made.access._store, "_write", full)
        status, told = await made.send(session, "/pair", {"code": code, "name": "phone"})
        assert status == 503
        assert "no space left" in str(told["problem"])


@pytest.mark.asyncio
async def test_a_damaged_list_is_told_and_nobody_acts(tmp_path: Path) -> None:
    async with stranger(tmp_path) as (made, session):
        await made.pair(session)
        (tmp_path / "vehicle.access.json").write_text("{")
        status, told = await made.send(session, "/act", ACT)
        assert (status, made.done) == (403, [])
        assert "damaged" in str(told["problem"])
        assert "damaged" in str((await me(made, session))["problem"])
        async with session.get(made.url + "/status.json") as answer:
            assert answer.status == 200


@pytest.mark.asyncio
async def test_no_code_and_no_token_comes_into_the_journal(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    async with stranger(tmp_path) as (made, session):
        code = made.access.new_code()
        other = f"{(int(code) + 1) % 10**8:08d}"
        assert (await made.send(session, "/pair", {"code": other, "name": "phone"}))[0] == 403
        assert (await made.send(session, "/pair", {"code": code, "name": "phone"}))[0] == 200
        await made.send(session, "/act", ACT)
        token = next(iter(session.cookie_jar)).value
    assert "paired phone" in caplog.text
    assert [secret for secret in (code, other, token) if secret in caplog.text] == []
