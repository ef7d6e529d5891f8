"""Waiting at a broker: for the answer to one request, and for a word of a device."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterable
from dataclasses import dataclass

Watchers = dict[str, set[asyncio.Event]]
"""By topic: events of those who wait for the next message there."""


@dataclass
class Waiter:
    """Somebody who waits for the answer to one request."""

    answer: asyncio.Future[bytes]
    expects_id: int | None

    def takes(self, payload: bytes | bytearray) -> bool:
        """Whether a message can be the answer; JSON-RPC answers carry the id of their request, and
        an error about a request that did not parse carries null (JSON-RPC 2.0 section 5)."""
        if self.expects_id is None:
            return True
        try:
            said = json.loads(payload)
        except (ValueError, RecursionError):
            return True
        if not isinstance(said, dict) or "method" in said:
            return False
        return said.get("id") in (self.expects_id, None)


async def until_heard(watchers: Iterable[Watchers], topic: str, seconds: float) -> None:
    """Until the next message on a topic at any of these brokers, at the latest after seconds."""
    event, places = asyncio.Event(), list(watchers)
    for place in places:
        place.setdefault(topic, set()).add(event)
    try:
        async with asyncio.timeout(seconds):
            await event.wait()
    except TimeoutError:
        pass
    finally:
        for place in places:
            place[topic].discard(event)
