"""What a server answers, asked by a client that is not a browser. Sources: RFC 9110 for the codes,
W3C Content Security Policy Level 3 and Trusted Types for the policy, RFC 6265 for the cookie."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import suppress
from http.cookies import SimpleCookie

import httpx
import pytest

from migrate.model.problems import PageTrouble
from migrate.views.web import serving
from migrate.views.web.door import GUESSES, Door, link_of
from migrate.views.web.listening import GONE_AFTER, listen
from migrate.views.web.place import HERE, place_of
from migrate.views.web.serving import served, single

POLICY = {
    "default-src": "'none'",
    "script-src": "'self'",
    "style-src": "'self'",
    "connect-src": "'self'",
    "img-src": "'self'",
    "base-uri": "'none'",
    "form-action": "'self'",
    "frame-ancestors": "'none'",
    "require-trusted-types-for": "'script'",
    "trusted-types": "'none'",
}


@pytest.fixture
async def client() -> AsyncIterator[httpx.AsyncClient]:
    async with httpx.AsyncClient(trust_env=False) as client:
        yield client


async def test_each_answer_carries_every_precaution(client: httpx.AsyncClient) -> None:
    async with served(single("<p>here"), HERE) as place:
        for path, code in (("", 200), ("nowhere", 404)):
            answer = await client.get(place.url + path)
            assert answer.status_code == code
            said = [
                part.split(" ", 1) for part in answer.headers["content-security-policy"].split("; ")
            ]
            assert dict(map(tuple, said)) == POLICY  # type: ignore[arg-type]
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["referrer-policy"] == "no-referrer"
            assert answer.headers["cache-control"] == "no-store"
            assert answer.headers["cross-origin-opener-policy"] == "same-origin"
            assert answer.headers["cross-origin-resource-policy"] == "same-origin"
            assert "server" not in answer.headers
            assert "access-control-allow-origin" not in answer.headers


async def test_only_the_own_address_is_answered(client: httpx.AsyncClient) -> None:
    """DNS rebinding: a name of somebody else that points here."""
    async with served(single("<p>here"), HERE) as place:
        port = place.port
        for host in (f"127.0.0.1:{port}", f"localhost:{port}", "localhost:9999", f"[::1]:{port}"):
            assert (await client.get(place.url, headers={"Host": host})).status_code == 200, host
        for host in (
            "quarry.example",
            f"quarry.example:{port}",
            "127.0.0.1.quarry.example",
            "",
            "[",
        ):
            assert (await client.get(place.url, headers={"Host": host})).status_code == 421, host


async def test_pages_of_others_cannot_make_it_a_part_of_theirs(client: httpx.AsyncClient) -> None:
    """W3C Fetch Metadata Request Headers, section 2."""

    def told(site: str, mode: str, dest: str) -> dict[str, str]:
        return {"Sec-Fetch-Site": site, "Sec-Fetch-Mode": mode, "Sec-Fetch-Dest": dest}

    async with served(single("<p>here"), HERE) as place:
        for own in (
            told("none", "navigate", "document"),
            told("same-origin", "cors", "empty"),
            told("cross-site", "navigate", "document"),
        ):
            assert (await client.get(place.url, headers=own)).status_code == 200, own
        for other in (
            told("cross-site", "no-cors", "empty"),
            told("cross-site", "no-cors", "image"),
            told("same-site", "cors", "empty"),  # another port of this machine
            told("cross-site", "navigate", "iframe"),
        ):
            assert (await client.get(place.url, headers=other)).status_code == 403, other


@pytest.mark.skipif(not hasattr(socket, "TCP_USER_TIMEOUT"), reason="not on this system")
def test_a_browser_that_is_gone_is_noticed() -> None:
    """RFC 5482; that Linux gives it to accepted connections is checked here."""
    with (
        listen(HERE) as listening,
        socket.create_connection(listening.getsockname()),
        listening.accept()[0] as accepted,
    ):
        assert accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == GONE_AFTER


async def test_nothing_can_be_sent_to_it(client: httpx.AsyncClient) -> None:
    async with served(single("<p>here"), HERE) as place:
        own = {"Origin": place.url.rstrip("/")}
        for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS"):
            answer = await client.request(method, place.url, headers=own)
            assert answer.status_code == 405, method
        assert (await client.head(place.url)).status_code == 200


async def test_the_door(client: httpx.AsyncClient) -> None:
    door = Door()
    async with served(single("<p>here"), HERE, door) as place:
        origin = {"Origin": place.url.rstrip("/")}
        assert (await client.get(place.url)).status_code == 403
        assert (await client.get(f"{place.url}nowhere")).status_code == 403, "it tells nothing"
        link = link_of(place, door)
        for _ in range(3):  # a chat program looks at a link before its reader does
            assert (await client.get(link)).status_code == 200
            assert (await client.head(link)).status_code == 200
        for other in ({}, {"Origin": "http://quarry.example"}, {"Origin": "null"}):
            assert (await client.post(link, headers=other)).status_code == 403
        entered = await client.post(link, headers=origin)
        assert (entered.status_code, entered.headers["location"]) == (303, "/")
        (cookie,) = SimpleCookie(entered.headers["set-cookie"]).values()
        assert cookie.key == f"migrate-{place.port}"
        assert cookie["httponly"]
        assert cookie["samesite"] == "Strict"
        assert cookie["path"] == "/"
        assert (await client.get(place.url)).text == "<p>here"
        async with httpx.AsyncClient(trust_env=False) as second:
            assert (await second.post(link, headers=origin)).status_code == 403, "it is spent"
            assert (await second.get(place.url)).status_code == 403
            second.cookies.set(cookie.key, door.keys[0])
            assert (await second.get(place.url)).status_code == 403, "a digest is no key"
        assert link_of(place, door) != link


async def test_guesses_are_limited(client: httpx.AsyncClient) -> None:
    door = Door()
    async with served(single("<p>here"), HERE, door) as place:
        codes = [
            (await client.get(f"{place.url}enter/{number}")).status_code
            for number in range(GUESSES + 2)
        ]
        assert codes == [403] * GUESSES + [429] * 2
        answer = await client.get(link_of(place, door))
        assert answer.status_code == 429
        assert answer.headers["retry-after"] == "60"


async def test_others_than_this_machine_are_never_let_in_without_a_door() -> None:
    with pytest.raises(ValueError, match="door"):
        async with served(single(""), place_of("192.0.2.7")):
            pass


async def test_connections_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serving, "CONNECTIONS", 4)
    async with served(single("<p>here"), HERE) as place:
        held = []
        for _ in range(4):
            pair = await asyncio.open_connection("127.0.0.1", place.port)
            pair[1].write(f"GET / HTTP/1.1\r\nHost: {place.authority}\r\n\r\n".encode())
            assert (await pair[0].readline()).startswith(b"HTTP/1.1 200")
            held.append(pair)
        reader, writer = await asyncio.open_connection("127.0.0.1", place.port)
        with suppress(ConnectionError):
            assert await reader.read() == b"", "one more is closed at once"
        for _, one in (*held, (reader, writer)):
            one.close()


async def test_the_other_loopback(client: httpx.AsyncClient) -> None:
    try:
        listen(place_of("::1")).close()
    except PageTrouble:
        pytest.skip("this machine has no IPv6")
    async with served(single("<p>here"), place_of("::1")) as place:
        assert place.url == f"http://[::1]:{place.port}/"
        assert (await client.get(place.url)).text == "<p>here"


async def test_two_pages_cannot_share_a_port() -> None:
    async with served(single("<p>here"), HERE) as place:
        with pytest.raises(PageTrouble, match="already"):
            async with served(single(""), place):
                pass
    async with served(single("<p>here"), place) as again:  # and it is free at once
        assert again == place


async def test_garbage_gets_no_traceback(capfd: pytest.CaptureFixture[str]) -> None:
    async with served(single("<p>here"), HERE) as place:
        for garbage in (
            b"\x16\x03\x01\x02\x00\x01\r\n\r\n",
            b"GET /\r\n\r\n",
            b"GET / HTTP/9.9\r\n\r\n",
        ):
            reader, writer = await asyncio.open_connection("127.0.0.1", place.port)
            writer.write(garbage)
            writer.write_eof()
            assert b"Traceback" not in await reader.read()
            writer.close()
    assert capfd.readouterr() == ("", "")
