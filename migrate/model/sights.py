"""What one source says of one device: a lease, a neighbour, an answer, a word on a topic.

A source knows some of it and leaves the rest open. Sights of one MAC are put together elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from migrate.model.eui48 import Mac


class Source(StrEnum):
    """Where a sight comes from."""

    LEASES = "leases"
    NEIGHBOURS = "neighbours"
    DNS_SD = "dns-sd"
    SWEEP = "sweep"
    PRESENCE = "presence"


@dataclass(frozen=True)
class Sight:
    """One thing said by one source. `mac`: None where the source tells an address or a topic
    alone. `where`: the file, interface or broker it is from, in words. `proven`: the device itself
    said its MAC when it was read; a lease or a neighbour only claims it. `at`: when it was true."""

    source: Source
    mac: Mac | None = None
    address: str | None = None
    name: str = ""
    topic: str | None = None
    dialect: str | None = None
    firmware: str | None = None
    where: str = ""
    proven: bool = False
    at: datetime | None = None
