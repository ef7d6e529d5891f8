"""DHCP leases on disk: from a MAC to the address it was given."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from ipaddress import IPv4Network
from pathlib import Path
from typing import IO

from migrate.model.parsing import MAX_OCTETS
from migrate.model.playbook import Side
from migrate.model.problems import BadFile, Problem
from migrate.model.sights import Sight, Source
from migrate.ports.protocols import SideName
from migrate.ports.sources.lease_formats import Lease, parse_leases

HEAD_OCTETS = 4096
"""The first lines of a file: they tell its format, also where only its end is read."""


def read_leases(file: IO[bytes]) -> tuple[str, str]:
    """The first lines of a lease file, which tell its format, and the text that is read as leases.
    Of one that is longer than MAX_OCTETS that is its end: servers write what is new there, and what
    stands at its beginning may long be over."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    if size <= MAX_OCTETS:
        whole = file.read(MAX_OCTETS).decode("utf-8", "replace")
        return whole, whole
    head = file.read(HEAD_OCTETS).rpartition(b"\n")[0]
    file.seek(size - MAX_OCTETS)
    tail = file.read(MAX_OCTETS).partition(b"\n")[2]
    return head.decode("utf-8", "replace"), tail.decode("utf-8", "replace")


def _opened(path: Path) -> IO[bytes]:
    """A lease file. A pipe is none: it is read once, and one that nobody writes into never ends.
    Raises OSError, ValueError."""
    mode = path.stat().st_mode
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):  # of a folder the system says what it is
        raise OSError(errno.EINVAL, "it is no plain file")
    return path.open("rb")


def lease_sights(path: Path, now: datetime) -> list[Sight]:
    """What a lease file says now, leases that have ended left out. Raises BadFile."""
    try:
        with _opened(path) as file:
            found = parse_leases(*read_leases(file))
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "is not a path"
        what, remedy = f"cannot be read: {why}", "correct the path, or let it be read"
        raise BadFile(Problem(what, remedy, str(path))) from None
    return [
        Sight(
            Source.LEASES,
            mac,
            str(lease.address),
            lease.name,
            where=str(path),
            at=_time(lease.ends),
        )
        for mac, leases in found.items()
        for lease in leases
        if lease.ends >= now.timestamp()
    ]


def _time(ends: float) -> datetime | None:
    try:
        return datetime.fromtimestamp(ends, UTC)
    except (OverflowError, ValueError, OSError):
        return None


def lease_files(sides: Mapping[SideName, Side]) -> dict[SideName, Path]:
    """The lease file of each side that has one."""
    return {name: side.leases for name, side in sides.items() if side.leases}


def unreadable(files: Mapping[SideName, Path]) -> list[str]:
    """In words, which of these lease files cannot be read now: nobody is found by such a one."""
    told = []
    for side, path in files.items():
        try:
            with _opened(path) as file:
                file.read(1)
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or "it is no path"
            told.append(
                f"the lease file of the {side} side cannot be read ({path}: {why}); until it can, "
                "no device is found by it"
            )
    return told


class LeaseFinder:
    """Finds devices in the lease files of both sides. A file is read again only when it changed."""

    def __init__(
        self,
        files: Mapping[SideName, Path],
        subnets: Mapping[SideName, IPv4Network],
        now: Callable[[], datetime],
    ) -> None:
        self._files = files
        self._subnets = subnets
        self._now = now
        self._seen: dict[Path, tuple[tuple[int, int, int], dict[str, list[Lease]]]] = {}

    async def addresses(self, mac: str, side: SideName) -> Sequence[str]:
        """See Finder. Only leases that have not ended; only addresses inside the side's subnet, if
        one is declared."""
        path, subnet = self._files.get(side), self._subnets.get(side)
        if path is None:
            return ()
        now = self._now().timestamp()
        return [
            str(lease.address)
            for lease in self._leases(path).get(mac, ())
            if lease.ends >= now and (subnet is None or lease.address in subnet)
        ]

    def _leases(self, path: Path) -> dict[str, list[Lease]]:
        try:
            about = path.stat()
            mark = (about.st_mtime_ns, about.st_size, about.st_ino)
            if path not in self._seen or self._seen[path][0] != mark:
                with _opened(path) as file:
                    self._seen[path] = (mark, parse_leases(*read_leases(file)))
        except (OSError, ValueError):
            # A server that is just writing its file anew, or a path that cannot be: nothing is
            # known this moment.
            return {}
        return self._seen[path][1]
