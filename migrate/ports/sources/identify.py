"""Who is at an address? It is asked by what each dialect calls a read, and only that.

Nobody is logged in to: a password must not be sent to a stranger. Who answers counts by the MAC it
tells itself.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import count

from migrate.dialects import compose
from migrate.dialects.schema import Dialect
from migrate.dialects.understand import NotUnderstood, readings
from migrate.model.fleet import Device
from migrate.model.sights import Sight, Source
from migrate.ports.protocols import At, Line, NoReply, NotDelivered

AT_ONCE = 64
"""Addresses asked at the same time: small hosts and small access points cope with it."""
ASKS_FOR_LOGIN = 401
NOBODY = "00-00-5E-00-53-00"
"""A MAC of RFC 7042 that stands for a device nobody knows yet, where a read needs one."""
_idents = count(1)


@dataclass(frozen=True)
class Closed:
    """Somebody is at this address, and asks for a login."""

    address: str
    port: int


def can_ask_strangers(dialect: Dialect) -> bool:
    """Whether its read over HTTP is the same for every device: it holds no topic, name or MAC."""
    place = dialect.read.http
    return place is not None and "{" not in place.path


async def identify(
    address: str, dialects: Iterable[Dialect], line: Line, seconds: float, port: int | None = None
) -> Sight | Closed | None:
    """The device at an address, by the first dialect that understands it; `port`: at another than
    the dialect's own. None where nobody is, or nobody who can be understood."""
    closed: Closed | None = None
    absent: set[int] = set()
    for dialect in dialects:
        at_port = port or dialect.http.port
        if at_port in absent or not can_ask_strangers(dialect):
            continue
        stranger = Device(name="stranger", mac=NOBODY, dialect=dialect.name, topic="stranger")
        request = compose.ask(dialect, dialect.read, stranger, "http", next(_idents))
        try:
            reply = await line.exchange(request, At("old", address, at_port), seconds)
        except NotDelivered:
            absent.add(at_port)  # nothing listens there, whatever it is asked
            continue
        except NoReply:
            continue
        if reply.status == ASKS_FOR_LOGIN:
            closed = Closed(address, at_port)
            continue
        with suppress(NotUnderstood):
            said = readings(dialect, reply, request.expects_id)
            return Sight(
                Source.SWEEP,
                said.mac,
                address,
                dialect=dialect.name,
                firmware=said.firmware,
                where=f"{address}:{at_port}",
                proven=True,
            )
    return closed


async def sweep(
    addresses: Sequence[str],
    dialects: Mapping[str, Dialect],
    line: Line,
    seconds: float,
    port: int | None = None,
    at_once: int = AT_ONCE,
) -> AsyncIterator[tuple[str, Sight | Closed | None]]:
    """Every address, `at_once` at a time, as they answer; `seconds` for each question."""
    gate = asyncio.Semaphore(at_once)

    async def one(address: str) -> tuple[str, Sight | Closed | None]:
        async with gate:
            return address, await identify(address, dialects.values(), line, seconds, port)

    tasks = [asyncio.create_task(one(address)) for address in addresses]
    try:
        # Not by a queue: who fails would put nothing into it, and would be waited for without end.
        for next_ in asyncio.as_completed(tasks):
            yield await next_
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
