"""HTTP to devices: what goes over the wire, logins, and servers that mean no good."""

from __future__ import annotations

import asyncio
import base64
import socket
import time
import tracemalloc
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import ExitStack, asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, quote, urlsplit

import httpx
import pytest
import respx
from aiohttp import web
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from migrate.dialects.messages import HttpRequest, Reply
from migrate.model.secrets import Secret
from migrate.ports.http import MAX_REPLY_OCTETS, HttpLine
from migrate.ports.protocols import At, Auth, NoReply, NotDelivered

from .servers import (
    HOST,
    answers,
    digest_is_right,
    never_answers,
    raw_server,
    request,
    resets,
    says,
)

CANARY = "c4nary pass/phrase+&%"
HIDDEN = (CANARY, quote(CANARY, safe=""), base64.b64encode(CANARY.encode()).decode()[:16])
DEVICE = At("old", "192.0.2.11", 8080)  # RFC 5737; nothing is sent there: respx stands in


def secret_request() -> HttpRequest:
    target = f"/do?say={quote(CANARY, safe='')}"
    return request("POST", target, CANARY.encode(), (("X-Key", CANARY),))


# Mapping, by respx


@respx.mock
async def test_a_request_is_sent_as_composed() -> None:
    route = respx.patch("http://192.0.2.11:8080/unit/document").respond(200, content=b'{"a":1}')
    headers = (("Content-Type", "application/merge-patch+json"),)
    async with HttpLine() as line:
        reply = await line.exchange(
            request("PATCH", "/unit/document", b'{"x":"y"}', headers), DEVICE, 1
        )
    sent = route.calls.last.request
    assert sent.content == b'{"x":"y"}'
    assert sent.headers["content-type"] == "application/merge-patch+json"
    assert (reply.status, reply.body) == (200, b'{"a":1}')


@respx.mock
async def test_a_get_has_no_body_and_no_length() -> None:
    route = respx.get("http://192.0.2.11:8080/do").respond(200)
    async with HttpLine() as line:
        await line.exchange(request("GET", "/do?say=report"), DEVICE, 1)
    assert "content-length" not in route.calls.last.request.headers


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (httpx.ConnectError, NotDelivered),
        (httpx.ConnectTimeout, NotDelivered),
        (httpx.PoolTimeout, NotDelivered),
        (httpx.LocalProtocolError, NotDelivered),
        (httpx.UnsupportedProtocol, NotDelivered),
        (httpx.ReadTimeout, NoReply),
        (httpx.WriteTimeout, NoReply),
        (httpx.ReadError, NoReply),
        (httpx.WriteError, NoReply),
        (httpx.CloseError, NoReply),
        (httpx.RemoteProtocolError, NoReply),
        (httpx.DecodingError, NoReply),
        (httpx.TooManyRedirects, NoReply),
    ],
)
@respx.mock
async def test_every_error_of_the_library_has_its_class(
    error: type[httpx.HTTPError], kind: type[Exception]
) -> None:
    respx.route().mock(side_effect=error(f"about http://x/?{CANARY}"))
    async with HttpLine() as line:
        with pytest.raises(kind) as caught:
            await line.exchange(secret_request(), DEVICE, 1)
    assert type(caught.value) is kind
    assert_silent(str(caught.value))


def test_no_error_of_the_library_is_left_out() -> None:
    """If httpx gets a new kind of error, somebody has to think about it."""

    def below(kind: type[BaseException]) -> Iterator[type[BaseException]]:
        for sub in kind.__subclasses__():
            yield sub
            yield from below(sub)

    names = {k.__name__ for k in below(httpx.HTTPError)} | {
        k.__name__ for k in below(httpx.StreamError)
    }
    assert names == {
        "CloseError",
        "ConnectError",
        "ConnectTimeout",
        "DecodingError",
        "HTTPStatusError",
        "LocalProtocolError",
        "NetworkError",
        "PoolTimeout",
        "ProtocolError",
        "ProxyError",
        "ReadError",
        "ReadTimeout",
        "RemoteProtocolError",
        "RequestError",
        "RequestNotRead",
        "ResponseNotRead",
        "StreamClosed",
        "StreamConsumed",
        "TimeoutException",
        "TooManyRedirects",
        "TransportError",
        "UnsupportedProtocol",
        "WriteError",
        "WriteTimeout",
    }


# On the wire


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(value=st.text(st.characters(codec="utf-8"), max_size=40))
def test_query_values_arrive_unchanged(value: str) -> None:
    """Decoded by urllib, which httpx does not use."""

    async def there_and_back() -> bytes:
        async with raw_server(answers("200 OK")) as server, HttpLine() as line:
            await line.exchange(
                request("GET", f"/do?say={quote(value, safe='')}&x=1"), server.at, 5
            )
            return server.heads[0]

    head = asyncio.run(there_and_back())
    target = head.split(b"\r\n")[0].split(b" ")[1].decode("ascii")
    pairs = parse_qsl(urlsplit(target).query, keep_blank_values=True, strict_parsing=True)
    assert pairs == [("say", value), ("x", "1")]


@pytest.mark.parametrize(
    "target", ["/a/../b?x=%7e~", "/./a", "//x/y?q", "/p:@!$&'()*+,;=-._~?q=%F0%9F%98%80", "/a?b?c"]
)
async def test_the_target_is_sent_to_the_octet(target: str) -> None:
    async with raw_server(answers("200 OK")) as server, HttpLine() as line:
        await line.exchange(request("GET", target), server.at, 5)
    assert server.heads[0].split(b"\r\n")[0] == f"GET {target} HTTP/1.1".encode()


async def test_nothing_is_added_that_changes_the_reply() -> None:
    cookies = answers("200 OK", b"x", "Set-Cookie: a=b; Path=/")
    async with raw_server(cookies) as server, HttpLine() as line:
        for _ in range(2):
            await line.exchange(request(), server.at, 5)
    for head in server.heads:
        names = head.lower()
        assert b"accept-encoding: identity\r\n" in names  # a coded body is not understood
        assert b"connection: close\r\n" in names
        assert b"cookie" not in names
        assert b"python" not in names
    assert server.connections == 2


async def test_proxies_and_netrc_of_the_environment_are_ignored(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    async with (
        raw_server(answers("502 Bad Gateway")) as trap,
        raw_server(answers("200 OK", b"device")) as device,
    ):
        proxy = f"http://{trap.at.address}:{trap.at.port}"
        for name in ("HTTP_PROXY", "http_proxy", "ALL_PROXY", "all_proxy", "HTTPS_PROXY"):
            monkeypatch.setenv(name, proxy)
        for name in ("NO_PROXY", "no_proxy"):
            monkeypatch.delenv(name, raising=False)
        netrc = tmp_path / "netrc"
        netrc.write_text(f"machine {HOST} login owner password {CANARY}\n")
        netrc.chmod(0o600)
        monkeypatch.setenv("NETRC", str(netrc))
        async with HttpLine() as line:
            reply = await line.exchange(request(), device.at, 5)
    assert reply.body == b"device"
    assert trap.connections == 0
    assert b"authorization" not in device.heads[0].lower()


# Logins, against an aiohttp server that checks them by its own code


@asynccontextmanager
async def guarded(
    check: Callable[[web.BaseRequest], str | None],
) -> AsyncIterator[tuple[At, list[bytes]]]:
    """A server that answers 401 with the challenge that `check` gives, or takes the body."""
    taken: list[bytes] = []

    async def handle(asked: web.BaseRequest) -> web.StreamResponse:
        challenge = check(asked)
        if challenge is not None:
            return web.Response(status=401, headers={"WWW-Authenticate": challenge})
        taken.append(await asked.read())
        return web.json_response({"taken": True})

    runner = web.ServerRunner(web.Server(handle, access_log=None))
    await runner.setup()
    site = web.TCPSite(runner, HOST, 0)
    await site.start()
    try:
        yield At("old", HOST, runner.addresses[0][1]), taken
    finally:
        await runner.cleanup()


def logged_in(at: At, auth: Auth, password: str = CANARY) -> At:
    return replace(at, auth=auth, username="owner", password=Secret(password))


async def test_basic_login() -> None:
    """RFC 7617 section 2."""

    def check(asked: web.BaseRequest) -> str | None:
        scheme, _, rest = asked.headers.get("Authorization", "").partition(" ")
        right = scheme == "Basic" and base64.b64decode(rest) == f"owner:{CANARY}".encode()
        return None if right else 'Basic realm="unit"'

    async with guarded(check) as (at, taken), HttpLine() as line:
        good = await line.exchange(request("PATCH", "/d", b"x"), logged_in(at, "basic"), 5)
        bad = await line.exchange(request("PATCH", "/d", b"y"), logged_in(at, "basic", "no"), 5)
        without = await line.exchange(request("PATCH", "/d", b"z"), at, 5)
    assert (good.status, bad.status, without.status) == (200, 401, 401)
    assert taken == [b"x"]


def test_the_tests_own_digest_check_knows_the_example() -> None:
    """RFC 7616 section 3.9.1: both answers of the example, and no other."""
    common = (
        'Digest username="Mufasa", realm="http-auth@example.org", uri="/dir/index.html", '
        'nonce="7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v", nc=00000001, '
        'cnonce="f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ", qop=auth, '
    )
    md5 = common + 'algorithm=MD5, response="8ca523f5e9506fed4657c9700eebdbec"'
    sha = common + (
        "algorithm=SHA-256, "
        'response="753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"'
    )
    about = ("GET", "/dir/index.html", "Mufasa", "http-auth@example.org", "Circle of Life")
    nonce = "7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v"
    assert digest_is_right(md5, *about, nonce)
    assert digest_is_right(sha, *about, nonce)
    assert not digest_is_right(md5.replace("8ca", "9ca"), *about, nonce)
    assert not digest_is_right(md5, "PUT", *about[1:], nonce)


@pytest.mark.parametrize("algorithm", ["MD5", "SHA-256"])
async def test_digest_login(algorithm: str) -> None:
    """RFC 7616; a second request uses the challenge of the first, so it is sent once."""
    asked_times = 0

    def check(asked: web.BaseRequest) -> str | None:
        nonlocal asked_times
        asked_times += 1
        right = digest_is_right(
            asked.headers.get("Authorization", ""),
            asked.method,
            asked.raw_path,
            "owner",
            "rowan",
            CANARY,
            "nonce-1",
        )
        challenge = f'Digest realm="rowan", qop="auth", algorithm={algorithm}, nonce="nonce-1"'
        return None if right else challenge

    async with guarded(check) as (at, taken), HttpLine() as line:
        target = "/call?a=b%20c"
        first = await line.exchange(request("POST", target, b"1"), logged_in(at, "digest"), 5)
        second = await line.exchange(request("POST", target, b"2"), logged_in(at, "digest"), 5)
        wrong = await line.exchange(request("POST", target, b"3"), logged_in(at, "digest", "?"), 5)
    assert (first.status, second.status, wrong.status) == (200, 200, 401)
    assert taken == [b"1", b"2"]
    assert asked_times == 2 + 1 + 2


async def test_a_device_that_vanishes_between_challenge_and_login_was_not_delivered_to() -> None:
    async with raw_server() as server:

        async def challenge(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            server.stop_listening()
            writer.write(
                b'HTTP/1.1 401 No\r\nWWW-Authenticate: Digest realm="r", qop="auth", nonce="n"\r\n'
                b"Content-Length: 0\r\n\r\n"
            )

        async with raw_server(challenge) as gone, HttpLine() as line:
            server.stop_listening = gone.stop_listening
            with pytest.raises(NotDelivered):
                await line.exchange(request("POST", "/call", b"x"), logged_in(gone.at, "digest"), 5)
            assert gone.connections == 1


# Servers that mean no good


async def drips(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 1000000\r\n\r\n")
    while True:
        writer.write(b"x")
        await writer.drain()
        await asyncio.sleep(0.02)


async def drips_headers(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(b"HTTP/1.1 200 OK\r\n")
    while True:
        writer.write(b"X")
        await writer.drain()
        await asyncio.sleep(0.02)


async def endless_headers(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(b"HTTP/1.1 200 OK\r\n")
    while True:
        writer.write(b"X: " + b"y" * 65536 + b"\r\n")
        await writer.drain()


HOSTILE: dict[str, tuple[Any, str]] = {
    "drips its body": (drips, "did not end within 0.4 s"),
    "drips its head": (drips_headers, "no reply within 0.4 s"),
    "never answers": (never_answers, "no reply within 0.4 s"),
    "resets": (resets, "broke"),
    "closes": (says(b""), "broke"),
    "half a head": (says(b"HTTP/1.1 200 OK\r\nContent-"), "broke"),
    "half a body": (says(b"HTTP/1.1 200 OK\r\nContent-Length: 99\r\n\r\n{"), "broke"),
    "half a chunk": (
        says(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n5\r\nab"),
        "broke",
    ),
    "endless head": (endless_headers, "broke"),
    "another protocol": (says(b"220 mail.example.net ESMTP\r\n"), "broke"),
    "binary": (says(bytes(range(256)) * 8), "broke"),
}


@pytest.mark.parametrize("name", HOSTILE)
async def test_what_may_have_been_delivered_is_no_reply(
    name: str, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(0)
    handler, words = HOSTILE[name]
    began = time.monotonic()
    async with raw_server(handler) as server, HttpLine() as line:
        with pytest.raises(NoReply) as caught:
            await line.exchange(secret_request(), server.at, 0.4)
    assert time.monotonic() - began < 5
    assert words in str(caught.value)
    assert f"{server.at.address}:{server.at.port}" in str(caught.value)
    assert_silent(str(caught.value), caplog.text)


async def test_a_body_of_100_mib_is_not_read() -> None:
    sent = 0

    async def floods(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal sent
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 104857600\r\n\r\n")
        for _number in range(1600):
            writer.write(bytes(65536))
            await writer.drain()
            sent += 65536

    began = time.monotonic()
    tracemalloc.start()
    try:
        async with raw_server(floods) as server, HttpLine() as line:
            with pytest.raises(NoReply, match="longer than"):
                await line.exchange(request(), server.at, 30)
            _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert time.monotonic() - began < 10
    assert peak < 4 * 1024 * 1024
    assert sent < 50 * 1024 * 1024  # what lies in socket buffers is the system's affair


async def test_the_longest_reply_is_read() -> None:
    body = b"x" * MAX_REPLY_OCTETS
    async with raw_server(answers("200 OK", body)) as server, HttpLine() as line:
        assert (await line.exchange(request(), server.at, 5)).body == body


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
async def test_a_redirect_is_a_reply_and_never_followed(status: int) -> None:
    async with raw_server(answers("200 OK")) as elsewhere:
        place = f"Location: http://{HOST}:{elsewhere.at.port}/"
        async with raw_server(answers(f"{status} Gone", b"", place)) as server, HttpLine() as line:
            reply = await line.exchange(secret_request(), server.at, 5)
    assert reply.status == status
    assert elsewhere.connections == 0


@pytest.mark.parametrize(
    ("status", "body"),
    [("200 OK", b"<!doctype html><p>hi"), ("500 No", b"trouble"), ("204 -", b"")],
)
async def test_whatever_it_says_is_a_reply(status: str, body: bytes) -> None:
    async with raw_server(answers(status, body)) as server, HttpLine() as line:
        reply = await line.exchange(request(), server.at, 5)
    assert (reply.status, reply.body) == (int(status[:3]), body)


async def test_a_coded_body_nobody_asked_for_is_not_unpacked() -> None:
    """No small message becomes a large one in memory."""
    packed = b"\x1f\x8b" + bytes(50)
    coded = answers("200 OK", packed, "Content-Encoding: gzip")
    async with raw_server(coded) as server, HttpLine() as line:
        assert (await line.exchange(request(), server.at, 5)).body == packed


# What certainly was not delivered


async def refused() -> At:
    async with raw_server() as server:
        pass
    return server.at


def test_a_full_queue_times_out_as_not_delivered() -> None:
    """Linux drops a SYN to a listener whose queue is full (listen(2)): no connection comes."""
    with ExitStack() as stack:
        listener = stack.enter_context(socket.socket())
        listener.bind((HOST, 0))
        listener.listen(0)
        at = At("old", *listener.getsockname())
        for _ in range(8):
            filler = stack.enter_context(socket.socket())
            filler.setblocking(False)
            filler.connect_ex(listener.getsockname())
        probe = stack.enter_context(socket.socket())
        probe.settimeout(0.3)
        if probe.connect_ex(listener.getsockname()) == 0:
            pytest.skip("this system queues connections without end")

        async def ask() -> Reply:
            async with HttpLine() as line:
                return await line.exchange(secret_request(), at, 0.4)

        with pytest.raises(NotDelivered, match="nothing answers"):
            asyncio.run(ask())


async def test_a_closed_port_is_not_delivered(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(0)
    at = await refused()
    async with HttpLine() as line:
        with pytest.raises(NotDelivered, match="nothing answers") as caught:
            await line.exchange(secret_request(), at, 5)
    assert_silent(str(caught.value), caplog.text)


@pytest.mark.parametrize(
    "bad",
    [
        request("GET", "/x", headers=(("X-Key", f"{CANARY}\r\nHost: example.net"),)),
        request("GET", "/x", headers=(("X-Key", f"{CANARY}\u20ac"),)),
        request("GET", f"/{CANARY}\u20ac"),
        request("GET", "/x\x00" + CANARY),
    ],
    ids=["header injection", "header not ASCII", "target not ASCII", "NUL"],
)
async def test_a_request_that_cannot_be_is_not_delivered(bad: HttpRequest) -> None:
    async with raw_server(answers("200 OK")) as server, HttpLine() as line:
        with pytest.raises(NotDelivered, match="not possible") as caught:
            await line.exchange(bad, server.at, 5)
    assert_silent(str(caught.value))
    assert server.heads == []


async def test_a_password_that_is_no_text_is_not_delivered() -> None:
    async with raw_server(answers("200 OK")) as server, HttpLine() as line:
        with pytest.raises(NotDelivered) as caught:
            await line.exchange(request(), logged_in(server.at, "basic", CANARY + "\udc80"), 5)
    assert_silent(str(caught.value))


async def test_cancelling_closes_the_connection() -> None:
    gone = asyncio.Event()

    async def waits(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
        await reader.read()
        gone.set()

    async with raw_server(waits) as server, HttpLine() as line:
        asking = asyncio.create_task(line.exchange(request(), server.at, 30))
        async with asyncio.timeout(5):
            await server.asked.wait()
        asking.cancel()
        async with asyncio.timeout(5):
            await gone.wait()
        with pytest.raises(asyncio.CancelledError):
            await asking


async def test_many_exchanges_at_once() -> None:
    async with raw_server(answers("200 OK", b"x")) as server, HttpLine() as line:
        asked = [line.exchange(request(), server.at, 20) for _ in range(100)]
        replies = await asyncio.gather(*asked)
    assert {reply.status for reply in replies} == {200}


def assert_silent(*texts: str) -> None:
    """None of the ways in which the secret went out is told."""
    for text in texts:
        for hidden in HIDDEN:
            assert hidden not in text
