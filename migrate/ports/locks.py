"""Keeping two runs off one device, whatever their plans, files and fleets are called.

One lock file, in which octet number MAC is locked for each device: POSIX record locks (fcntl(2))
need no octets to be there. The system lets go of them when a process ends, however it ends. They
tell processes apart, not two users of one process.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from migrate.model.problems import Busy, JournalTrouble, Problem


@contextmanager
def device_locks(path: Path, macs: Mapping[str, str]) -> Iterator[None]:
    """Hold the devices, given as MAC by name, while the block runs.

    Raises Busy with the names that another process holds, and JournalTrouble if the lock file
    cannot be used.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle = os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise _unusable(path, error) from None
    try:
        taken = [name for name, mac in macs.items() if not _lock(handle, mac, path)]
        if taken:
            more = f" and {len(taken) - 1} more of these devices" if len(taken) > 1 else ""
            raise Busy(
                Problem(
                    f"another run is working on {taken[0]}{more}",
                    "wait for it, or stop it with Ctrl-C where it runs",
                )
            )
        yield
    finally:
        os.close(handle)


def _lock(handle: int, mac: str, path: Path) -> bool:
    octet = int(mac.replace("-", ""), 16)
    try:
        fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, octet, os.SEEK_SET)
    except (BlockingIOError, PermissionError):
        return False
    except OSError as error:
        raise _unusable(path, error) from None
    return True


def _unusable(path: Path, error: OSError) -> JournalTrouble:
    return JournalTrouble(
        Problem(
            f"the lock file cannot be used: {error.strerror}",
            "look at the path and the disk, or choose another folder with --state",
            str(path),
        )
    )
