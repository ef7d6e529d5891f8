"""Keeping two runs off one device, whatever their plans, files, fleets and users are called.

One lock file for all users of the machine, in which octet number MAC is locked for each device:
POSIX record locks (fcntl(2)) need no octets to be there. The system lets go of them when a process
ends, however it ends, and holds them for one that is only stopped. They tell processes apart, not
two users of one process.

The file lies in a folder that all can write to (/var/tmp: Filesystem Hierarchy Standard 3.0,
section 5.15), so it is taken for what a stranger may have put there: no link is followed, nothing
is written to it, and what it holds is never looked at.
"""

from __future__ import annotations

import fcntl
import os
import pwd
import secrets
import stat
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from errno import ELOOP, EMLINK
from pathlib import Path
from typing import Final

from migrate.model.problems import Busy, JournalTrouble, Problem

VARIABLE: Final = "MIGRATE_LOCKS"
"""Environment variable: the folder of the lock file, for a machine on which it must be another."""
TRIES: Final = 8
"""How often the file may be taken away between opening and locking. Common practice, no source."""


def of_this_machine(environment: Mapping[str, str]) -> Path:
    """The lock file where all users of this machine meet."""
    folder = Path(environment.get(VARIABLE) or "/var/tmp")  # noqa: S108 - see above
    return folder.absolute() / "migrate-devices.lock"


@contextmanager
def device_locks(path: Path, macs: Mapping[str, str], *, shared: bool) -> Iterator[None]:
    """Hold the devices, given as MAC by name, while the block runs. `shared`: other users lock in
    this file as well.

    Raises Busy with the names that another process holds, and JournalTrouble if the lock file
    cannot be used.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle = _locked(path, macs, shared)
    except OSError as error:
        raise _unusable(path, error, shared) from None
    try:
        yield
    finally:
        os.close(handle)


def _locked(path: Path, macs: Mapping[str, str], shared: bool) -> int:
    """The open file, with all devices locked. Raises OSError, Busy and JournalTrouble."""
    for _ in range(TRIES):
        handle = _opened(path, 0o666 if shared else 0o600)
        try:
            taken = [name for name, mac in macs.items() if not _lock(handle, mac)]
            if not _is_still(path, handle):
                os.close(handle)
                continue  # others would meet in another file
            if taken:
                raise _busy(taken)
            # Folders like this one are swept of what is old (tmpfiles.d(5): 30 days for /var/tmp).
            os.utime(handle)
        except BaseException:
            os.close(handle)
            raise
        return handle
    raise JournalTrouble(
        Problem("the lock file does not stay where it is", _remedy(shared), str(path))
    )


def _opened(path: Path, mode: int) -> int:
    """Open the file, made with this mode if it is not there. Raises OSError and JournalTrouble."""
    flags = os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
    while True:
        try:
            # Without O_CREAT: Linux refuses that for a file of another user in such a folder
            # (proc_sys_fs(5), protected_regular), also where it is there already.
            handle = os.open(path, flags)
            break
        except FileNotFoundError:
            _make(path, mode)
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise JournalTrouble(_problem(path, "it is not a plain file", shared=mode == 0o666))
    return handle


def _make(path: Path, mode: int) -> None:
    """Make the file; it has its mode, whatever the umask, before anybody else can see it."""
    new = path.with_name(f"{path.name}.{secrets.token_hex(8)}")
    handle = os.open(new, os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_CLOEXEC, 0o600)
    try:
        os.fchmod(handle, mode)
        with suppress(FileExistsError):  # another was faster: theirs is as good
            os.link(new, path)
    finally:
        os.close(handle)
        new.unlink()


def _lock(handle: int, mac: str) -> bool:
    octet = int(mac.replace("-", ""), 16)
    try:
        fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, octet, os.SEEK_SET)
    except (BlockingIOError, PermissionError):
        return False
    return True


def _is_still(path: Path, handle: int) -> bool:
    try:
        there = path.lstat()
    except FileNotFoundError:
        return False
    return os.path.samestat(there, os.fstat(handle))


def _busy(taken: list[str]) -> Busy:
    more = f" and {len(taken) - 1} more of these devices" if len(taken) > 1 else ""
    return Busy(
        Problem(
            f"another run is working on {taken[0]}{more}",
            "wait for it, or stop it with Ctrl-C where it runs; it may be another user's on this "
            "machine",
        )
    )


def _unusable(path: Path, error: OSError, shared: bool) -> JournalTrouble:
    what = error.strerror or "it cannot be opened"
    # Some systems say EMLINK for what POSIX calls ELOOP (open(2) of FreeBSD).
    if error.errno in (ELOOP, EMLINK):
        what = "it is a link, and links are not followed here"
    elif isinstance(error, PermissionError) and (owner := _owner(path)):
        what = f"it belongs to {owner}, and you may not write to it"
    return JournalTrouble(_problem(path, what, shared))


def _owner(path: Path) -> str:
    try:
        uid = path.lstat().st_uid
    except OSError:
        return ""
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user number {uid}"


def _problem(path: Path, what: str, shared: bool) -> Problem:
    return Problem(f"the lock file cannot be used: {what}", _remedy(shared), str(path))


def _remedy(shared: bool) -> str:
    if not shared:
        return "look at the path and the disk, or choose another folder with --state"
    return (
        "while no run is working, have its owner or root remove it; or name another folder in the "
        f"variable {VARIABLE}, the same for everybody who runs migrate on this machine"
    )
