"""Looking around: every source is asked at the same time, and what each says is collected.

Nothing is written to any device, and nobody is logged in to.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from migrate.dialects.schema import Dialect
from migrate.model.problems import Problem, Trouble
from migrate.model.sights import Sight
from migrate.ports.broker import BrokerAddress
from migrate.ports.protocols import Line
from migrate.ports.sources.dns_sd import browse
from migrate.ports.sources.identify import Closed, sweep
from migrate.ports.sources.leases import lease_sights
from migrate.ports.sources.neighbours import neighbours
from migrate.ports.sources.presence import present

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Around:
    """Where to look. `addresses`: all that are asked over HTTP, at `port` or at each dialect's own;
    `services`: types for DNS-SD; `mac_key`: the key of its TXT record that tells a MAC. `listen`
    and `reply` are seconds."""

    addresses: Sequence[str] = ()
    port: int | None = None
    broker: BrokerAddress | None = None
    leases: Sequence[Path] = ()
    services: Sequence[str] = ()
    mac_key: str = ""
    listen: float = 5.0
    reply: float = 2.0


@dataclass
class Heard:
    """What has been heard so far; it is complete when `look_around` returns. `closed`: who asks for
    a login; `asked`: how many addresses were; `problems`: sources that could not be asked."""

    sights: list[Sight] = field(default_factory=list)
    closed: list[Closed] = field(default_factory=list)
    asked: int = 0
    problems: list[Problem] = field(default_factory=list)


async def look_around(
    around: Around,
    dialects: Mapping[str, Dialect],
    line: Line,
    now: datetime,
    heard: Heard,
    progress: Progress,
) -> None:
    """Ask every source. One that cannot be asked is a problem in `heard`, and the others go on."""
    for path in around.leases:
        try:
            heard.sights += lease_sights(path, now)
        except Trouble as trouble:
            heard.problems += trouble.problems
    await asyncio.gather(
        _or_problem(_swept(around, dialects, line, heard, progress), heard),
        _or_problem(_present(around, dialects, heard, progress), heard),
        _or_problem(_services(around, heard), heard),
    )
    # Last: whoever was asked at an address of this machine's own network is a neighbour now.
    heard.sights += await neighbours()


async def _or_problem(source: Awaitable[None], heard: Heard) -> None:
    try:
        await source
    except Trouble as trouble:
        heard.problems += trouble.problems
    except OSError as error:
        why = error.strerror or type(error).__name__
        heard.problems.append(
            Problem(
                f"services could not be asked for: {why}", "see that this machine has a network"
            )
        )


async def _swept(
    around: Around, dialects: Mapping[str, Dialect], line: Line, heard: Heard, progress: Progress
) -> None:
    total = len(around.addresses)
    async for _, found in sweep(around.addresses, dialects, line, around.reply, around.port):
        heard.asked += 1
        if isinstance(found, Sight):
            heard.sights.append(found)
        elif found is not None:
            heard.closed.append(found)
        if heard.asked % 256 == 0 and heard.asked < total:
            progress(f"{heard.asked} of {total} addresses asked")


async def _present(
    around: Around, dialects: Mapping[str, Dialect], heard: Heard, progress: Progress
) -> None:
    if around.broker is None:
        return
    progress(f"listening at {around.broker.host} for {around.listen:g} s")
    async for sight in present(around.broker, dialects, around.listen, around.reply):
        heard.sights.append(sight)


async def _services(around: Around, heard: Heard) -> None:
    if around.services:
        heard.sights += await browse(around.services, around.listen, around.mac_key)
