"""MQTT to devices on both sides: which broker a message goes to, and what both of them tell."""

from __future__ import annotations

import asyncio
from collections.abc import Collection
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

from migrate.dialects.messages import MqttRequest, Reply
from migrate.ports.mqtt import BrokerLink
from migrate.ports.protocols import At, HearRetained, NotDelivered, Retained, SideName
from migrate.ports.waiting import until_heard


@dataclass
class MqttLine:
    """The links to both sides' brokers; one link serves both where the broker stays the same.

    An async context manager; `seconds` bound the first connection to each broker.
    """

    links: dict[SideName, BrokerLink]
    seconds: float = 10
    _stack: AsyncExitStack = field(default_factory=AsyncExitStack)

    async def __aenter__(self) -> Self:
        try:
            for link in {id(link): link for link in self.links.values()}.values():
                await link.start(self.seconds)
                self._stack.push_async_callback(link.stop)
        except BaseException:
            await self._stack.aclose()
            raise
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._stack.aclose()

    async def exchange(self, request: MqttRequest, at: At, seconds: float) -> Reply:
        """See Line."""
        link = self.links.get(at.side)
        if link is None:
            raise NotDelivered(f"no broker of the {at.side} side is connected to")
        return await link.exchange(request, seconds)

    def last(self, topic: str, side: SideName) -> str | None:
        """See Presence."""
        link = self.links.get(side)
        return link.heard.get(topic) if link else None

    def heard_at(self, topic: str, side: SideName) -> float | None:
        """See Presence."""
        link = self.links.get(side)
        return link.heard_at.get(topic) if link else None

    async def retained(self, topics: Collection[str], hear: HearRetained) -> list[Retained]:
        """See Brokers."""
        links = {id(link): link for link in self.links.values()}.values()
        return list(await asyncio.gather(*(link.retained(topics, hear) for link in links)))

    async def change(self, topic: str, seconds: float) -> None:
        """See Presence."""
        links = {id(link): link for link in self.links.values()}.values()
        await until_heard([link.watchers for link in links], topic, seconds)
