"""A disk that can be full or broken, and a process that can end between any two of its writes.

SQLite itself is real, and so is its file; what happens to a transaction is decided around it.
"""

from __future__ import annotations

import sqlite3
from typing import Any, Protocol


class DiskWatch(Protocol):
    """Decides at each transaction. Each method may raise sqlite3.OperationalError, as SQLite does
    on a bad disk, or anything else to cut the process off."""

    def begins(self) -> None:
        """Before a transaction begins."""
        ...

    def commits(self) -> None:
        """Before it is committed; nothing of it is durable yet."""
        ...

    def committed(self) -> None:
        """After it was committed; all of it is durable."""
        ...


FULL = "database or disk is full"
BROKEN = "disk I/O error"


def connection_on(disk: DiskWatch) -> type[sqlite3.Connection]:
    """A kind of connection whose transactions ask this disk."""

    class VirtualDisk(sqlite3.Connection):
        """See connection_on."""

        def execute(self, sql: str, *args: Any) -> sqlite3.Cursor:
            if sql.startswith("BEGIN"):
                disk.begins()
            return super().execute(sql, *args)

        def commit(self) -> None:
            disk.commits()
            super().commit()
            disk.committed()

    return VirtualDisk
