"""A unit's HTTP listener: a real socket around the firmware."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable

from aiohttp import web

from migrate.lab.faults import HTML_PAGE, HUGE_BODY_OCTETS, Fault, FaultKind
from migrate.lab.firmware.base import HttpAnswer, HttpRequest

_LOG = logging.getLogger("migrate.lab.http")
_MOST_OCTETS = 65536  # far above every family's limit; the rest of a body is not read
_CHUNK = bytes(65536)

Take = Callable[[HttpRequest], Awaitable[tuple[HttpAnswer, Fault | None]]]


class HttpDoor:
    """Listens at one address and port until it is shut.

    ``take`` gets each request and returns the answer and the fault that spoils it.
    """

    def __init__(self, take: Take) -> None:
        self._take = take
        self._server = web.Server(self._handle, access_log=None, logger=_LOG)
        self._listener: asyncio.Server | None = None
        self._shut = asyncio.Event()

    async def open(self, host: str, port: int) -> None:
        """Start to listen. Raises OSError when the address or port cannot be had."""
        loop = asyncio.get_running_loop()
        self._listener = await loop.create_server(self._server, host, port)

    async def shut(self) -> None:
        """Stop to listen and drop every open connection without an answer."""
        self._shut.set()
        if self._listener is not None:
            self._listener.close()
        for connection in list(self._server.connections):
            if connection.transport is not None:
                connection.transport.abort()
        await self._server.shutdown(0)

    async def _handle(self, request: web.BaseRequest) -> web.StreamResponse:
        asked = HttpRequest(
            method=request.method,
            target=request.raw_path,
            headers={name.lower(): value for name, value in request.headers.items()},
            body=await _body(request),
        )
        answer, fault = await self._take(asked)
        if fault is None:
            return _response(answer)
        return await self._spoiled(request, answer, fault)

    async def _spoiled(
        self, request: web.BaseRequest, answer: HttpAnswer, fault: Fault
    ) -> web.StreamResponse:
        match fault.kind:
            case FaultKind.ANSWERS_HTML:
                return web.Response(body=HTML_PAGE, content_type="text/html")
            case FaultKind.ANSWERS_500:
                return web.Response(status=500, text="trouble\n")
            case FaultKind.REDIRECTS:
                return web.Response(status=302, headers={"Location": fault.location})
            case FaultKind.HALF_JSON:
                half = answer.body[: len(answer.body) // 2]
                return web.Response(
                    status=answer.status, body=half, content_type=answer.content_type
                )
            case FaultKind.HUGE_BODY:
                return await _huge(request)
            case FaultKind.LOSES_ACK:
                if request.transport is not None:
                    request.transport.abort()
                return web.Response()
            case _:
                await self._shut.wait()
                return web.Response()


async def _body(request: web.BaseRequest) -> bytes:
    body = bytearray()
    while len(body) < _MOST_OCTETS:
        piece = await request.content.read(_MOST_OCTETS - len(body))
        if not piece:
            break
        body += piece
    return bytes(body)


async def _huge(request: web.BaseRequest) -> web.StreamResponse:
    response = web.StreamResponse()
    response.content_type = "application/octet-stream"
    response.content_length = HUGE_BODY_OCTETS
    await response.prepare(request)
    for _ in range(HUGE_BODY_OCTETS // len(_CHUNK)):
        await response.write(_CHUNK)
    await response.write_eof()
    return response


def _response(answer: HttpAnswer) -> web.Response:
    return web.Response(
        status=answer.status,
        body=answer.body,
        content_type=answer.content_type,
        headers=dict(answer.headers),
    )
