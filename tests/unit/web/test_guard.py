"""What no handler sees: requests under other names, from other pages, too large, of another kind, too often."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from ipaddress import IPv6Address
from pathlib import Path

import aiohttp
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from support.paired_page import Page, page
from uphaul.web.guard import LARGEST_BODY, Allowance, Limits, Rate, own_names, split_host

DEADLINE_S = 20.0
ACT = {"do": "quiet"}


@pytest.fixture(autouse=True)
def quick_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    """The slow hash of codes, less slow."""
    monkeypatch.setattr("uphaul.web.access.SCRYPT_N", 2)


@contextlib.asynccontextmanager
async def paired(
    folder: Path, look: str = "open", *, names: tuple[str, ...] = (), limits: Limits | None = None
) -> AsyncIterator[tuple[Page, aiohttp.ClientSession]]:
    """The page and a paired device."""
    jar = aiohttp.CookieJar(unsafe=True)  # cookies also of a host that is an address, as browsers do
    async with (
        asyncio.timeout(DEADLINE_S),
        page(folder, look, names=names, limits=limits) as made,
        aiohttp.ClientSession(cookie_jar=jar) as session,
    ):
        await made.pair(session)
        yield made, session


# -------------------------------------------------------------------------------------------------------- hosts


@pytest.mark.parametrize(
    ("header", "name"),
    [
        ("192.0.2.7:8710", "192.0.2.7"),
        ("192.0.2.7", "192.0.2.7"),
        ("[fd00::1]:8710", "fd00::1"),
        ("[FD00:0::1]", "fd00::1"),
        ("[fe80::1%wlan0]:80", "fe80::1"),
        ("[::ffff:192.0.2.7]:80", "192.0.2.7"),
        ("Board.Local:8710", "board.local"),
        ("board.local.", "board.local"),
        ("", ""),
        (":80", ""),
        ("evil.example@192.0.2.7:80", "evil.example@192.0.2.7"),
    ],
)
def test_the_name_in_a_host_header(header: str, name: str) -> None:
    assert split_host(header) == name


@given(st.ip_addresses(v=4), st.integers(1, 65535))
def test_every_ipv4_address_is_found_with_and_without_port(address: object, port: int) -> None:
    assert split_host(f"{address}:{port}") == split_host(str(address)) == str(address)


@given(st.ip_addresses(v=6), st.integers(1, 65535))
def test_every_ipv6_address_is_found_in_every_writing(address: IPv6Address, port: int) -> None:
    assume(address.ipv4_mapped is None)  # these are IPv4 addresses to people
    long = address.exploded
    assert split_host(f"[{long}]:{port}") == split_host(f"[{long.upper()}]") == str(address)


@given(st.text(max_size=60))
def test_no_host_header_breaks_the_guard(header: str) -> None:
    assert isinstance(split_host(header), str)


@pytest.mark.asyncio
@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8710", "192.0.2.7", "", "127.0.0.1.evil.example", "x@y"]
)
@pytest.mark.parametrize("path", ["/", "/status.json", "/pair", "/nothing"])
async def test_a_name_that_was_made_to_point_here_gets_nothing(tmp_path: Path, host: str, path: str) -> None:
    async with paired(tmp_path) as (made, session), session.get(made.url + path, headers={"Host": host}) as answer:
        assert answer.status == 421
        assert "[web] names" in (await answer.json())["problem"]


@pytest.mark.asyncio
async def test_a_name_that_was_made_to_point_here_does_nothing(tmp_path: Path) -> None:
    async with paired(tmp_path) as (made, session):
        headers = {"Host": "evil.example", "Origin": "http://evil.example"}
        status, _ = await made.send(session, "/act", ACT, **headers)
        assert (status, made.done) == (421, [])


@pytest.mark.asyncio
@pytest.mark.parametrize("host", ["localhost", "tow.example", "TOW.example", *sorted(own_names())])
async def test_the_names_of_the_machine_and_of_the_configuration_are_known(tmp_path: Path, host: str) -> None:
    async with paired(tmp_path, names=("Tow.Example",)) as (made, session):
        at = f"{host}:{made.port}"
        async with session.get(made.url + "/", headers={"Host": at}) as answer:
            assert answer.status == 200
        status, _ = await made.send(session, "/act", ACT, Host=at, Origin=f"http://{at.lower()}")
        assert (status, made.done) == (200, ["phone: quiet"])


# ----------------------------------------------------------------------------------------------------- who sent


@pytest.mark.asyncio
@pytest.mark.parametrize(
    "origin",
    [
        "null",
        "",
        "http://evil.example",
        "http://127.0.0.1",
        "http://127.0.0.1:1",
        "http://localhost:{port}",
        "ftp://127.0.0.1:{port}",
        "http://127.0.0.1:{port}.evil.example",
        "127.0.0.1:{port}",
    ],
)
@pytest.mark.parametrize("path", ["/act", "/pair", "/unpair"])
async def test_what_comes_from_another_page_is_not_done(tmp_path: Path, origin: str, path: str) -> None:
    async with paired(tmp_path) as (made, session):
        status, told = await made.send(session, path, ACT, Origin=origin.format(port=made.port))
        assert (status, made.done) == (403, [])
        assert "this page" in str(told["problem"])
        assert [d.name for d in made.access.devices] == ["phone"]


@pytest.mark.asyncio
async def test_what_does_not_say_where_it_comes_from_is_not_done(tmp_path: Path) -> None:
    async with paired(tmp_path) as (made, session), session.post(made.url + "/act", json=ACT) as answer:
        assert (answer.status, made.done) == (403, [])


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("site", "status"), [("same-origin", 200), ("cross-site", 403), ("same-site", 403), ("none", 403)]
)
async def test_what_the_browser_says_of_the_sender_counts(tmp_path: Path, site: str, status: int) -> None:
    async with paired(tmp_path) as (made, session):
        got, _ = await made.send(session, "/act", ACT, **{"Sec-Fetch-Site": site})
        assert got == status


@pytest.mark.asyncio
@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS"])
async def test_other_methods_are_held_to_the_same(tmp_path: Path, method: str) -> None:
    async with paired(tmp_path) as (made, session), session.request(method, made.url + "/act") as answer:
        assert answer.status == 403
        assert "Access-Control-Allow-Origin" not in answer.headers


# -------------------------------------------------------------------------------------------------------- bodies


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Content-Type": "text/plain"}, 415),
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
        ({"Content-Type": "multipart/form-data; boundary=x"}, 415),
        ({"Content-Type": "application/json", "Content-Encoding": "gzip"}, 415),
        ({"Content-Type": "application/json; charset=utf-8"}, 200),
    ],
)
async def test_only_json_is_taken(tmp_path: Path, headers: dict[str, str], status: int) -> None:
    async with paired(tmp_path) as (made, session):
        body = json.dumps(ACT).encode()
        async with session.post(made.url + "/act", data=body, headers={"Origin": made.url, **headers}) as answer:
            assert (answer.status, len(made.done)) == (status, int(status == 200))


@pytest.mark.asyncio
@pytest.mark.parametrize(("size", "status"), [(LARGEST_BODY, 200), (LARGEST_BODY + 1, 413)])
async def test_the_body_has_a_bound(tmp_path: Path, size: int, status: int) -> None:
    async with paired(tmp_path) as (made, session):
        body = json.dumps(ACT).encode().ljust(size)
        headers = {"Origin": made.url, "Content-Type": "application/json"}
        async with session.post(made.url + "/act", data=body, headers=headers) as answer:
            assert answer.status == status


@pytest.mark.asyncio
async def test_a_body_of_no_told_length_is_refused(tmp_path: Path) -> None:
    async def chunks() -> AsyncIterator[bytes]:
        yield json.dumps(ACT).encode()

    async with paired(tmp_path) as (made, session):
        headers = {"Origin": made.url, "Content-Type": "application/json"}
        async with session.post(made.url + "/act", data=chunks(), headers=headers) as answer:
            assert (answer.status, made.done) == (411, [])


@pytest.mark.asyncio
@pytest.mark.parametrize("body", [b"", b"{", b"[]", b"1", b"\xff", b"[" * 5000, b'{"do": NaN', b'{"a":' * 1500])
async def test_what_is_no_json_object_is_told_so(tmp_path: Path, body: bytes) -> None:
    async with paired(tmp_path) as (made, session):
        headers = {"Origin": made.url, "Content-Type": "application/json"}
        async with session.post(made.url + "/act", data=body, headers=headers) as answer:
            assert answer.status == 400
            assert (await answer.json())["problem"] == "the body must be a JSON object"


@pytest.mark.asyncio
async def test_a_charset_that_is_none_is_told_too(tmp_path: Path) -> None:
    async with paired(tmp_path) as (made, session):
        headers = {"Origin": made.url, "Content-Type": "application/json; charset=no-such"}
        async with session.post(made.url + "/act", data=b"{}", headers=headers) as answer:
            assert answer.status == 400


@pytest.mark.asyncio
async def test_a_body_that_never_comes_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("uphaul.web.guard.BODY_S", 0.05)
    async with paired(tmp_path) as (made, session):
        reader, writer = await asyncio.open_connection("127.0.0.1", made.port)
        cookie = next(iter(session.cookie_jar)).value
        head = [
            "POST /act HTTP/1.1",
            f"Host: 127.0.0.1:{made.port}",
            f"Origin: {made.url}",
            f"Cookie: {made.access.cookie}={cookie}",
            "Content-Type: application/json",
            "Content-Length: 100",
        ]
        writer.write("\r\n".join([*head, "", "{"]).encode())
        assert (await reader.readline()).split()[1] == b"408"
        writer.close()


# ---------------------------------------------------------------------------------------------------- how often


@given(
    st.integers(1, 20),
    st.floats(0.01, 10),
    st.lists(st.floats(0, 5), max_size=80),
)
def test_never_more_than_the_burst_and_what_time_brought(burst: int, every_s: float, pauses: list[float]) -> None:
    now = 0.0
    allowance = Allowance(Rate(burst, every_s), lambda: now)
    taken: list[float] = []
    for pause in pauses:
        now += pause
        if allowance.wait_s("a") == 0:
            allowance.take("a")
            taken.append(now)
    for i, begin in enumerate(taken):
        for j in range(i, len(taken)):
            assert j - i + 1 <= burst + (taken[j] - begin) / every_s + 1e-6


@given(st.integers(1, 20), st.floats(0.01, 10), st.integers(1, 40))
def test_after_the_wait_that_is_told_it_is_allowed(burst: int, every_s: float, asked: int) -> None:
    now = 0.0
    allowance = Allowance(Rate(burst, every_s), lambda: now)
    for _ in range(asked):
        now += allowance.wait_s("a") + 1e-9  # more than rounding
        assert allowance.wait_s("a") == 0
        allowance.take("a")
    assert allowance.wait_s("b") == 0


def test_an_allowance_does_not_grow_with_the_number_of_addresses() -> None:
    allowance = Allowance(Rate(1, 1000.0), lambda: 0.0)
    for i in range(10_000):
        allowance.take(str(i))
    assert len(allowance._full_at) == 256
    assert allowance.wait_s("9999") > 0


FEW = Limits(
    device=Rate(2, 1000.0),
    remote=Rate(3, 1000.0),
    strangers=Rate(3, 1000.0),
    pairing_remote=Rate(4, 1000.0),
    pairing=Rate(4, 1000.0),
)


@pytest.mark.asyncio
async def test_too_often_is_told_with_how_long_to_wait(tmp_path: Path) -> None:
    async with paired(tmp_path, limits=FEW) as (made, session):
        for _ in range(2):
            assert (await made.send(session, "/act", ACT))[0] == 200
        async with session.post(made.url + "/act", json=ACT, headers={"Origin": made.url}) as answer:
            assert answer.status == 429
            assert 990 < int(answer.headers["Retry-After"]) <= 1000
            assert "try again in" in (await answer.json())["problem"]
        assert len(made.done) == 2
        async with session.get(made.url + "/") as answer:  # looking goes on
            assert answer.status == 200


@pytest.mark.asyncio
async def test_strangers_cannot_use_up_what_a_paired_device_needs(tmp_path: Path) -> None:
    async with paired(tmp_path, limits=FEW) as (made, session), aiohttp.ClientSession() as stranger:
        statuses = [(await made.send(stranger, "/act", ACT))[0] for _ in range(5)]
        assert statuses == [403, 403, 403, 429, 429]
        assert (await made.send(session, "/act", ACT))[0] == 200  # from the same address


@pytest.mark.asyncio
async def test_pairing_has_a_stricter_allowance_of_its_own(tmp_path: Path) -> None:
    async with paired(tmp_path, limits=FEW) as (made, session):  # one of four is used
        tries = [(await made.send(session, "/pair", {"code": "00000000", "name": ""}))[0] for _ in range(5)]
        assert tries == [403, 403, 403, 429, 429]
        assert (await made.send(session, "/act", ACT))[0] == 200
    usual = Limits()
    assert usual.pairing_remote.burst < usual.remote.burst
    assert usual.pairing_remote.every_s > usual.remote.every_s


# ------------------------------------------------------------------------------------------------------- looking


@pytest.mark.asyncio
@pytest.mark.parametrize("path", ["/", "/status.json", "/events", "/nothing", "/pair/", "//pair", "/%2e/status.json"])
async def test_where_looking_needs_pairing_a_stranger_sees_nothing(tmp_path: Path, path: str) -> None:
    async with paired(tmp_path, "paired") as (made, session), aiohttp.ClientSession() as stranger:
        async with stranger.get(made.url + path) as answer:
            assert answer.status == 403
            assert (await answer.json())["pair"] == "/pair"
        async with session.get(made.url + path) as answer:
            assert answer.status in (200, 404)


@pytest.mark.asyncio
@pytest.mark.parametrize("path", ["/pair", "/pair.js", "/pair.css", "/style.css", "/icon.svg", "/me.json"])
async def test_where_looking_needs_pairing_the_way_to_it_is_open(tmp_path: Path, path: str) -> None:
    async with paired(tmp_path, "paired") as (made, _), aiohttp.ClientSession() as stranger:
        answer = await stranger.get(made.url + path)
        assert answer.status == 200


@pytest.mark.asyncio
async def test_where_looking_needs_pairing_a_browser_is_sent_to_the_pairing_page(tmp_path: Path) -> None:
    async with paired(tmp_path, "paired") as (made, _), aiohttp.ClientSession() as stranger:
        headers = {"Accept": "text/html,application/xhtml+xml"}
        async with stranger.get(made.url + "/", headers=headers, allow_redirects=False) as answer:
            assert (answer.status, answer.headers["Location"]) == (303, "/pair")
            assert await answer.text() == ""


@pytest.mark.asyncio
async def test_where_looking_is_open_a_stranger_looks_and_does_nothing(tmp_path: Path) -> None:
    async with paired(tmp_path) as (made, _), aiohttp.ClientSession() as stranger:
        async with stranger.get(made.url + "/status.json") as answer:
            assert answer.status == 200
        status, told = await made.send(stranger, "/act", ACT)
        assert (status, told["pair"], made.done) == (403, "/pair", [])
