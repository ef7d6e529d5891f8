"""Finding a device again by its MAC: every way that the owner allows, at the same time.

Each way only says where the device may be. It counts as found when it was read there and told its
MAC itself, and whoever looks takes the first that does.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Collection, Mapping, Sequence
from ipaddress import IPv4Address, IPv4Network

import zeroconf

from migrate.dialects.schema import Dialect
from migrate.model.playbook import Search
from migrate.model.problems import Trouble
from migrate.model.sights import Sight
from migrate.ports.protocols import Finder, Line, SideName
from migrate.ports.sources.dns_sd import browse
from migrate.ports.sources.identify import sweep
from migrate.ports.sources.neighbours import neighbours

FRESH_SECONDS = 0.5
"""The kernel's table is read again after so long."""
PAUSE_SECONDS = 2.0
"""Between two sweeps, or two questions by multicast, while one is missing of whom nothing is known
there."""
LONG_PAUSE_SECONDS = 15.0
"""The same, for one that was heard there, or that is not told what is found so."""
SWEEP_SECONDS = 1.5
SWEPT_AT_ONCE = 128
BROWSE_SECONDS = 2.0


class EveryWay:
    """All finders at once; an address that several of them say is said once."""

    def __init__(self, finders: Sequence[Finder]) -> None:
        self._finders = finders

    async def addresses(self, mac: str, side: SideName) -> Sequence[str]:
        """See Finder; the ways in the order in which they were given."""
        found = await asyncio.gather(*(one.addresses(mac, side) for one in self._finders))
        return list(dict.fromkeys(address for some in found for address in some))


class NeighbourFinder:
    """Where the kernel of this machine has heard it last, on a network that it is on itself."""

    def __init__(
        self,
        subnets: Mapping[SideName, IPv4Network],
        table: Callable[[], Awaitable[Sequence[Sight]]] = neighbours,
    ) -> None:
        self._subnets, self._table = subnets, table
        self._read_at: float | None = None
        self._known: dict[str, list[str]] = {}

    async def addresses(self, mac: str, side: SideName) -> Sequence[str]:
        """See Finder. Nothing without a declared subnet: the table knows everybody."""
        subnet = self._subnets.get(side)
        if subnet is None:
            return ()
        now = asyncio.get_running_loop().time()
        if self._read_at is None or now - self._read_at >= FRESH_SECONDS:
            self._read_at = now
            known: dict[str, list[str]] = {}
            for sight in await self._table():  # meanwhile others look at what was known before
                if sight.mac and sight.address:
                    known.setdefault(sight.mac, []).append(sight.address)
            self._known = known
        return [one for one in self._known.get(mac, ()) if IPv4Address(one) in subnet]


class AskingFinder:
    """Asks the new network itself: every address of it, and services by DNS-SD. It begins when
    somebody is looked for there, goes on in the background, and tells what it has heard so far.

    `shy`: MACs of devices that ask for a login. They are not given an address that was only found
    by asking around: their password would go to whoever claims to be them.
    """

    def __init__(
        self,
        search: Search,
        subnet: IPv4Network,
        dialects: Mapping[str, Dialect],
        line: Line,
        shy: Collection[str],
    ) -> None:
        self._search, self._subnet, self._dialects = search, subnet, dialects
        self._line, self._shy = line, shy
        self._known: dict[str, list[str]] = {}
        self._services: list[str] = []
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._ended: dict[str, float] = {}

    async def addresses(self, mac: str, side: SideName) -> Sequence[str]:
        """See Finder."""
        if side != "new":
            return ()
        missing = mac not in self._known and mac not in self._shy
        pause = PAUSE_SECONDS if missing else LONG_PAUSE_SECONDS
        for way, ask in (("sweep", self._sweep), ("dns-sd", self._browse)):
            if way in self._search.ways:
                self._begin(way, ask, pause)
        return () if mac in self._shy else tuple(self._known.get(mac, ()))

    async def stop(self) -> None:
        """Ask nobody any more."""
        for task in self._tasks.values():
            task.cancel()
        await asyncio.gather(*self._tasks.values(), return_exceptions=True)

    def _begin(self, way: str, ask: Callable[[], Awaitable[None]], pause: float) -> None:
        now = asyncio.get_running_loop().time()
        task = self._tasks.get(way)
        if task is not None and not task.done():
            return
        if task is not None and now - self._ended.get(way, 0.0) < pause:
            return

        async def run() -> None:
            try:
                await ask()
            except (Trouble, OSError, zeroconf.Error):
                pass  # a way that leads nowhere; the others go on
            finally:
                self._ended[way] = asyncio.get_running_loop().time()

        self._tasks[way] = asyncio.create_task(run(), name=f"finding by {way}")

    async def _sweep(self) -> None:
        every = dict.fromkeys([*self._services, *map(str, self._subnet.hosts())])
        swept = sweep(list(every), self._dialects, self._line, SWEEP_SECONDS, at_once=SWEPT_AT_ONCE)
        async for _, found in swept:
            if isinstance(found, Sight):
                self._hear(found)

    async def _browse(self) -> None:
        key = self._search.service_mac or ""
        for sight in await browse(self._search.services, BROWSE_SECONDS, key):
            if sight.address and IPv4Address(sight.address) in self._subnet:
                if sight.address not in self._services:
                    self._services.append(sight.address)
                self._hear(sight)

    def _hear(self, sight: Sight) -> None:
        if sight.mac and sight.address:
            some = self._known.setdefault(sight.mac, [])
            if sight.address in some:
                some.remove(sight.address)
            some.insert(0, sight.address)  # the latest first
