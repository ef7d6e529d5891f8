"""The line between a site and the store: everything passes through here, until it is cut.

A line can go dead in two ways: whoever connects is turned away and what is open breaks off; or
nothing arrives any more and nobody says so, as when a modem loses its carrier.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from typing import Literal, Self

How = Literal["broken", "silent"]


class Line:
    """A port of 127.0.0.1 that leads to another one. Enter it with `async with`."""

    def __init__(self, to: int) -> None:
        self._to = to
        self._up = asyncio.Event()
        self._up.set()
        self._broken = False
        self._open: set[asyncio.StreamWriter] = set()
        self.port = 0

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._connected, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *error: object) -> None:
        self._up.set()
        self._server.close()
        self._break()

    def cut(self, how: How) -> None:
        """Nothing passes from now on."""
        self._up.clear()
        if how == "broken":
            self._broken = True
            self._break()

    def mend(self) -> None:
        """Everything passes again; what was under way in silence arrives now."""
        self._broken = False
        self._up.set()

    def _break(self) -> None:
        for writer in list(self._open):
            writer.transport.abort()

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._broken:
            writer.transport.abort()
            return
        self._open.add(writer)
        try:
            there, out = await asyncio.open_connection("127.0.0.1", self._to)
        except OSError:
            self._open.discard(writer)
            writer.transport.abort()
            return
        self._open.add(out)
        with suppress(OSError):
            await asyncio.gather(self._carry(reader, out), self._carry(there, writer))
        for end in (writer, out):
            self._open.discard(end)
            end.transport.abort()

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while octets := await reader.read(65536):
                await self._up.wait()
                writer.write(octets)
                await writer.drain()
        finally:
            with suppress(OSError):
                if writer.can_write_eof():
                    writer.write_eof()
