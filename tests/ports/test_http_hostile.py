"""HTTP servers that mean no good: how long an exchange takes, how much memory it takes, and what is
said of whether the request was delivered."""

from __future__ import annotations

import asyncio
import base64
import resource
import time
import tracemalloc
from dataclasses import replace
from typing import Any

import pytest

from migrate.model.secrets import Secret
from migrate.ports.http import MAX_REPLY_OCTETS, HttpLine
from migrate.ports.protocols import At, NoReply, NotDelivered

from .servers import HOST, Handler, answers, raw_server, request, resets, says

CANARY = "c4nary-word"
SECONDS = 0.4
MOST_OCTETS = 4 * 1024 * 1024
"""Most that an exchange may take of memory, the server of the test included: sixteen times the
longest reply. A device answers in a few kilobytes."""
OK = b"HTTP/1.1 200 OK\r\n"


def forever(head: bytes, piece: bytes, pause: float = 0) -> Handler:
    """A handler that says the head, then the piece again and again."""

    async def handler(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(head)
        while True:
            writer.write(piece)
            await writer.drain()
            await asyncio.sleep(pause)

    return handler


def drips(octets: bytes, pause: float = 0.02) -> Handler:
    """A handler that says this octet by octet."""

    async def handler(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for octet in octets:
            writer.write(bytes([octet]))
            await writer.drain()
            await asyncio.sleep(pause)

    return handler


def late(octets: bytes, seconds: float) -> Handler:
    async def handler(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await asyncio.sleep(seconds)
        writer.write(octets)

    return handler


async def head_then_reset(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(OK + b"Content-Length: 9\r\n\r\nhalf")
    await writer.drain()
    await resets(reader, writer)


CHUNKED = OK + b"Transfer-Encoding: chunked\r\n\r\n"
NO_REPLY: dict[str, Handler] = {
    "status line octet by octet": drips(b"HTTP/1.1 200 OK\r\n" * 99),
    "head octet by octet": drips(OK + b"X: " + b"y" * 999),
    "body octet by octet": drips(OK + b"Content-Length: 999\r\n\r\n" + b"x" * 999, 0.005),
    "body without a length, for ever": forever(OK + b"\r\n", b"x" * 65536),
    "body with a length of 1 GiB": forever(
        OK + b"Content-Length: 1073741824\r\n\r\n", b"x" * 65536
    ),
    "chunks without end": forever(CHUNKED, b"10000\r\n" + b"x" * 65536 + b"\r\n"),
    "chunks of one octet": forever(CHUNKED, b"1\r\nx\r\n" * 4096),
    "one chunk of 2^60 octets": forever(CHUNKED + b"1000000000000000\r\n", b"x" * 65536),
    "the length of a chunk without end": forever(CHUNKED, b"0" * 65536),
    "trailers without end": forever(CHUNKED + b"1\r\nx\r\n0\r\n", b"X: y\r\n" * 4096),
    "1xx without end": forever(b"", b"HTTP/1.1 102 Wait\r\n\r\n" * 1024),
    "100 Continue without end, slowly": forever(b"", b"HTTP/1.1 100 Continue\r\n\r\n", 0.01),
    "another protocol by 101": says(
        b"HTTP/1.1 101 Switching Protocols\r\nUpgrade: x\r\nConnection: Upgrade\r\n\r\nxxxx"
    ),
    "headers without end": forever(OK, b"X: " + b"y" * 65536 + b"\r\n"),
    "many small headers without end": forever(OK, b"X: y\r\n" * 4096),
    "one header without end": forever(OK + b"X: ", b"y" * 65536),
    "empty lines without end": forever(b"", b"\r\n" * 4096),
    "garbage": forever(b"", bytes(range(256)) * 256),
    "a garbage status line": says(b"HTTP/1.1 abc OK\r\nContent-Length: 0\r\n\r\n"),
    "a status of four digits": says(b"HTTP/1.1 2000 OK\r\nContent-Length: 0\r\n\r\n"),
    "two lengths": says(OK + b"Content-Length: 1\r\nContent-Length: 2\r\n\r\nxx"),
    "a length below nothing": says(OK + b"Content-Length: -1\r\n\r\nxx"),
    "a length that is no number": says(OK + b"Content-Length: 0x2\r\n\r\nxx"),
    "a body shorter than its length": says(OK + b"Content-Length: 3\r\n\r\nxx"),
    "a chunk with a wrong length": says(CHUNKED + b"2\r\nxxxx\r\n0\r\n\r\n"),
    "RST after the request": resets,
    "RST in the body": head_then_reset,
    "the end after the request": says(b""),
    "the answer after its time": late(OK + b"Content-Length: 0\r\n\r\n", SECONDS + 0.3),
}


def secret_at(at: At, auth: Any = "basic") -> At:
    return replace(at, auth=auth, username="owner", password=Secret(CANARY))


@pytest.mark.parametrize("name", NO_REPLY)
async def test_time_and_memory_are_bounded_and_nobody_says_it_was_not_delivered(name: str) -> None:
    async with raw_server(NO_REPLY[name]) as server, HttpLine() as line:
        tracemalloc.start()
        begun = time.monotonic()
        try:
            with pytest.raises(NoReply) as caught:
                await line.exchange(
                    request("POST", "/call", CANARY.encode()), secret_at(server.at), SECONDS
                )
            took = time.monotonic() - begun
            _, peak = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert server.connections == 1
    assert took < SECONDS + 3
    assert peak < MOST_OCTETS
    assert CANARY not in str(caught.value)


async def test_others_are_heard_while_one_floods() -> None:
    """A device that sends as fast as it can does not keep the loop from anybody else."""
    flood = NO_REPLY["1xx without end"]
    async with (
        raw_server(flood) as bad,
        raw_server(answers("200 OK", b"x")) as good,
        HttpLine() as line,
    ):
        flooded = [asyncio.create_task(line.exchange(request(), bad.at, 1.0)) for _ in range(4)]
        await bad.asked.wait()
        begun = time.monotonic()
        for _ in range(5):
            assert (await line.exchange(request(), good.at, 5)).body == b"x"
        assert time.monotonic() - begun < 3
        for task in flooded:
            with pytest.raises(NoReply):
                await task


async def test_memory_is_given_back() -> None:
    """Two hundred bodies of 1 GiB that were not read."""
    flood = NO_REPLY["body with a length of 1 GiB"]
    async with raw_server(flood) as server, HttpLine() as line:
        before = 0
        for number in range(200):
            if number == 20:
                before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            with pytest.raises(NoReply, match="longer than"):
                await line.exchange(request(), server.at, 5)
        grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown < 32 * 1024  # KiB (getrusage(2))


@pytest.mark.parametrize(
    ("said", "body"),
    [
        (OK + b"Content-Length: 2\r\n\r\nokHTTP/1.1 500 No\r\nContent-Length: 2\r\n\r\nno", b"ok"),
        (OK + b"Content-Length: 2\r\n\r\nok and more", b"ok"),
        (OK + b"Content-Length: 2\r\nContent-Length: 2\r\n\r\nok", b"ok"),
        (OK + b"Connection: keep-alive\r\nContent-Length: 2\r\n\r\nok", b"ok"),
        (b"HTTP/1.0 200 OK\r\n\r\nok", b"ok"),
        (b"HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nok", b"ok"),
        (CHUNKED + b"2;x=y\r\nok\r\n0\r\nX: y\r\n\r\n", b"ok"),
    ],
    ids=[
        "two replies", "more than its length", "the same length twice", "kept alive",
        "until the end", "after 100", "chunks with extension and trailer",
    ],
)  # fmt: skip
async def test_what_is_a_reply_all_the_same(said: bytes, body: bytes) -> None:
    """RFC 9112 sections 6.3, 7.1 and 9.2; RFC 9110 section 8.6 (the same length twice)."""
    async with raw_server(says(said)) as server, HttpLine() as line:
        for _ in range(2):
            reply = await line.exchange(request(), server.at, 5)
            assert (reply.status, reply.body) == (200, body)
    assert server.connections == 2  # a second reply is never taken for that to the next request


async def test_a_body_of_no_length_is_read_to_the_longest_reply() -> None:
    body = b"x" * MAX_REPLY_OCTETS
    async with raw_server(says(OK + b"\r\n" + body)) as server, HttpLine() as line:
        assert (await line.exchange(request(), server.at, 5)).body == body
    async with raw_server(says(OK + b"\r\n" + body + b"x")) as server, HttpLine() as line:
        with pytest.raises(NoReply, match="longer than"):
            await line.exchange(request(), server.at, 5)


@pytest.mark.parametrize("auth", ["none", "basic", "digest"])
@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
async def test_a_login_does_not_follow_a_redirect(status: int, auth: str) -> None:
    """Neither by Location, nor by Refresh or Content-Location, nor to the same place."""
    async with raw_server(answers("200 OK")) as elsewhere:
        there = f"http://{HOST}:{elsewhere.at.port}/"
        more = [f"Location: {there}", f"Refresh: 0; url={there}", f"Content-Location: {there}"]
        handler = answers(f"{status} Gone", b"", *more)
        async with raw_server(handler) as server, HttpLine() as line:
            at = secret_at(server.at, auth)
            reply = await line.exchange(request("POST", "/call", CANARY.encode()), at, 5)
    assert reply.status == status
    assert elsewhere.connections == 0
    assert len(server.heads) == 1


async def test_a_login_goes_only_to_whom_it_belongs() -> None:
    """A device that asks for a login by digest for another place, and one that is told no login."""
    challenge = (
        f'WWW-Authenticate: Digest realm="r", qop="auth", nonce="n", '
        f'domain="http://{HOST}:1/ http://192.0.2.1/"'
    )
    async with (
        raw_server(answers("401 No", b"", challenge)) as server,
        raw_server(answers("401 No", b"", 'WWW-Authenticate: Basic realm="r"')) as other,
        HttpLine() as line,
    ):
        reply = await line.exchange(request(), secret_at(server.at, "digest"), 5)
        assert reply.status == 401
        assert len(server.heads) == 2  # asked, and once with the answer; never a third time
        reply = await line.exchange(request(), other.at, 5)
        assert reply.status == 401
        assert len(other.heads) == 1
        reply = await line.exchange(request(), secret_at(other.at, "digest"), 5)
        assert reply.status == 401
    encoded = base64.b64encode(f"owner:{CANARY}".encode())
    for head in (*server.heads, *other.heads):
        assert CANARY.encode() not in head
        assert encoded not in head


@pytest.mark.parametrize(
    "challenge",
    [
        "Digest realm",
        'Digest realm="r", nonce="n", algorithm=UNKNOWN',
        'Digest realm="r", nonce="n", qop="auth-int"',
        "Digest " + ", ".join('realm="r"' for _ in range(4000)),
    ],
    ids=["no value", "unknown algorithm", "auth-int only", "many"],
)
async def test_a_challenge_that_makes_no_sense_ends_in_words(challenge: str) -> None:
    """RFC 7616 section 3.3. By a 401 the request was not applied: RFC 9110 section 15.5.2."""
    handler = answers("401 No", b"", f"WWW-Authenticate: {challenge}")
    async with raw_server(handler) as server, HttpLine() as line:
        with pytest.raises(NotDelivered, match="asks for a login in a way") as caught:
            await line.exchange(request(), secret_at(server.at, "digest"), 5)
    assert CANARY not in str(caught.value)


@pytest.mark.parametrize("size", [60, 20_000])
async def test_a_challenge_of_any_size_is_answered_once(size: int) -> None:
    challenge = 'Digest realm="' + "r" * size + '", nonce="n", qop="auth"'
    handler = answers("401 No", b"", f"WWW-Authenticate: {challenge}")
    async with raw_server(handler) as server, HttpLine() as line:
        reply = await line.exchange(request(), secret_at(server.at, "digest"), 5)
    assert reply.status == 401
    assert len(server.heads) == 2


async def test_a_request_that_is_half_read_is_not_called_undelivered() -> None:
    """The server closes in the middle of a long request: how much it has acted on, nobody knows."""

    async def half(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readexactly(100)
        await resets(reader, writer)

    async with raw_server(half, read_head=False) as server, HttpLine() as line:
        with pytest.raises(NoReply):
            await line.exchange(request("POST", "/call", b"x" * 8_000_000), server.at, 5)


async def test_a_server_that_does_not_read_is_not_called_undelivered() -> None:
    async def deaf(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await asyncio.sleep(2)

    async with raw_server(deaf, read_head=False) as server, HttpLine() as line:
        begun = time.monotonic()
        with pytest.raises(NoReply):
            await line.exchange(request("POST", "/call", b"x" * 32_000_000), server.at, SECONDS)
        assert time.monotonic() - begun < SECONDS + 3
