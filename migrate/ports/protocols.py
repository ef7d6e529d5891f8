"""The seam between the engine and the world. Real sockets and a simulated world both fit here."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Literal, Protocol

from migrate.dialects.messages import Reply, Request
from migrate.model.secrets import Secret
from migrate.planning.campaign.errands import Order
from migrate.planning.campaign.look import Look, Wanted

SideName = Literal["old", "new"]
Auth = Literal["none", "basic", "digest", "bearer"]


@dataclass(frozen=True)
class At:
    """Where to talk to a device: a side, and for HTTP an address there, port and login."""

    side: SideName
    address: str = ""
    port: int = 80
    auth: Auth = "none"
    username: str = ""
    password: Secret | None = None

    def __str__(self) -> str:
        where = f"{self.address}:{self.port}" if self.address else "the broker"
        return f"{where} ({self.side} side)"


class NotDelivered(Exception):
    """The message certainly did not reach the device; sending it again is harmless."""


class NoReply(Exception):
    """The message may or may not have reached the device: nobody can tell."""


class Line(Protocol):
    """One way to exchange a request for a reply, whatever the transport."""

    async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
        """Send and wait for the reply. Raises NotDelivered or NoReply, nothing else."""
        ...


class Finder(Protocol):
    """From a MAC to where it may be now."""

    async def addresses(self, mac: str, side: SideName) -> Sequence[str]:
        """Addresses that the side's DHCP server leased to it, the freshest first."""
        ...


class Presence(Protocol):
    """What devices say of themselves on their presence topics."""

    def last(self, topic: str, side: SideName) -> str | None:
        """The last word heard on a topic of the side's broker."""
        ...

    def heard_at(self, topic: str, side: SideName) -> float | None:
        """The loop's time at which the last word came that the broker had not kept; None if none
        did."""
        ...

    async def change(self, topic: str, seconds: float) -> None:
        """Return at the next message on this topic at either side, at the latest after seconds."""
        ...


HearRetained = Callable[[str, SideName], None]
"""Is told the topic of a retained message, and at which side's broker it is."""


@dataclass(frozen=True)
class Retained:
    """What one broker had: topics on which it keeps a message, with its side; and in words what it
    did not let anybody see, empty if nothing."""

    found: tuple[tuple[str, SideName], ...]
    unseen: str = ""


class Brokers(Protocol):
    """The brokers themselves, beside what devices say there."""

    async def retained(self, topics: Collection[str], hear: HearRetained) -> Sequence[Retained]:
        """Which of these topics have a retained message, at each broker that is connected to.
        `hear` is told of those that appear later, as far as the broker lets them be known."""
        ...


class WallClock(Protocol):
    """The time of day, for the journal. Waiting is asyncio's, so that a loop can be virtual."""

    def __call__(self) -> datetime: ...


@dataclass(frozen=True)
class World:
    """Everything outside that the engine touches, beside the journal. `zone`: by whose clock on
    the wall quiet hours are read; None is this machine's. `brokers`: None where there are none."""

    line: Line
    finder: Finder
    presence: Presence
    now: WallClock
    zone: tzinfo | None = None
    brokers: Brokers | None = None


class StoreLost(Exception):
    """The store of a campaign cannot be reached now. It may be in a moment; nothing is lost. `why`:
    in words, where it is there and turns away whoever asks; that does not mend itself."""

    def __init__(self, why: str = "") -> None:
        super().__init__(why)
        self.why = why


class SiteStore(Protocol):
    """What whoever runs a campaign has between himself and the workers. What it was given is kept
    for good. Every method raises StoreLost, and BadFile for what stands there and is not of this
    version."""

    async def look(self, campaign: str, sites: Sequence[str]) -> Look:
        """All errands of a campaign, by its key, and every sign of these sites."""
        ...

    async def give(self, order: Order) -> None:
        """Put an errand on its site's queue. One that was given already is not given twice."""
        ...

    async def want(self, campaign: str, wanted: Wanted) -> None:
        """Keep the owner's word."""
        ...

    async def stop_errands(self, keys: Mapping[str, str]) -> None:
        """Ask the workers of these sites to stop the errand of that key between two devices."""
        ...

    async def news(self, seconds: float) -> None:
        """Wait until something may have changed, at most so long."""
        ...
