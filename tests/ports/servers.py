"""Loopback servers that behave as the tests say, and what a careful client must not do there."""

from __future__ import annotations

import asyncio
import hashlib
import json
import re
import socket
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from migrate.dialects.messages import HttpRequest
from migrate.ports.protocols import At

HOST = "127.0.0.1"
Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@dataclass
class RawServer:
    """A listener that keeps the octets of every request head, and counts its connections."""

    at: At = field(default_factory=lambda: At("old"))
    heads: list[bytes] = field(default_factory=list)
    connections: int = 0
    connected: asyncio.Event = field(default_factory=asyncio.Event)
    asked: asyncio.Event = field(default_factory=asyncio.Event)
    stop_listening: Callable[[], None] = lambda: None


@asynccontextmanager
async def raw_server(
    handler: Handler | None = None, *, read_head: bool = True
) -> AsyncIterator[RawServer]:
    """A server on loopback; `handler` answers after the head (and body) of a request was read."""
    server = RawServer()
    open_: set[asyncio.StreamWriter] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        server.connections += 1
        server.connected.set()
        open_.add(writer)
        with suppress(ConnectionError, asyncio.IncompleteReadError):
            if read_head:
                head = await reader.readuntil(b"\r\n\r\n")
                length = re.search(rb"(?i)content-length: (\d+)", head)
                body = await reader.readexactly(int(length[1])) if length else b""
                server.heads.append(head + body)
                server.asked.set()
            if handler is not None:
                await handler(reader, writer)
        with suppress(ConnectionError):
            writer.close()
            await writer.wait_closed()

    listener = await asyncio.start_server(serve, HOST, 0)
    server.at = At("old", HOST, listener.sockets[0].getsockname()[1])
    server.stop_listening = listener.close
    try:
        yield server
    finally:
        listener.close()
        for writer in open_:
            writer.transport.abort()


def says(octets: bytes) -> Handler:
    """A handler that writes these octets and closes."""

    async def handler(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(octets)
        await writer.drain()

    return handler


def answers(status: str, body: bytes = b"", *headers: str) -> Handler:
    """A handler that answers with a whole HTTP/1.1 response."""
    lines = [f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", *headers, "", ""]
    return says("\r\n".join(lines).encode() + body)


async def resets(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Close with RST: SO_LINGER with a time of zero (socket(7))."""
    raw = writer.get_extra_info("socket")
    raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()


async def never_answers(reader: asyncio.StreamReader, _: asyncio.StreamWriter) -> None:
    """Wait until the client goes away."""
    await reader.read()


def request(
    method: str = "GET",
    target: str = "/do?say=x",
    body: bytes = b"",
    headers: tuple[tuple[str, str], ...] = (),
) -> HttpRequest:
    return HttpRequest(method, target, headers, body)


def digest_is_right(
    authorization: str, method: str, target: str, user: str, realm: str, password: str, nonce: str
) -> bool:
    """The server's side of RFC 7616 section 3.4, qop auth, MD5 or SHA-256: own code of the tests,
    checked against the examples of section 3.9.1."""
    scheme, _, rest = authorization.partition(" ")
    found = re.findall(r'(\w+)=(?:"((?:[^"\\]|\\.)*)"|([^\s,]+))', rest)
    given = {name.lower(): quoted or plain for name, quoted, plain in found}
    make = hashlib.sha256 if given.get("algorithm", "MD5") == "SHA-256" else hashlib.md5

    def h(text: str) -> str:
        return make(text.encode()).hexdigest()

    wanted = h(
        f"{h(f'{user}:{realm}:{password}')}:{nonce}:{given.get('nc')}:{given.get('cnonce')}:"
        f"auth:{h(f'{method}:{target}')}"
    )
    return (
        scheme.lower() == "digest"
        and given.get("username") == user
        and given.get("realm") == realm
        and given.get("nonce") == nonce
        and given.get("uri") == target
        and given.get("qop") == "auth"
        and given.get("response") == wanted
    )


def dynamic(tmp_path: Path, *forbidden: str) -> list[str]:
    """Lines that load mosquitto's own plugin for access rules, which does know subscriptions."""
    plugin = next(Path("/usr/lib").glob("*/mosquitto_dynamic_security.so"), None)
    if plugin is None:
        pytest.skip("mosquitto's plugin for access rules is not installed")
    kinds = ("publishClientSend", "publishClientReceive", "subscribe", "unsubscribe")
    rules = [
        {"acltype": "subscribeLiteral", "topic": topic, "priority": 1, "allow": False}
        for topic in forbidden
    ]
    config = tmp_path / "rules.json"
    config.write_text(
        json.dumps(
            {
                "defaultACLAccess": dict.fromkeys(kinds, True),
                "anonymousGroup": "all",
                "groups": [{"groupname": "all", "roles": [{"rolename": "some"}]}],
                "roles": [{"rolename": "some", "acls": rules}],
                "clients": [],
            }
        )
    )
    config.chmod(0o600)
    return [f"plugin {plugin}", f"plugin_opt_config_file {config}"]
