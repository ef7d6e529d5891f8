"""Locks on devices, held against other processes."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from migrate.model.problems import Busy, JournalTrouble
from migrate.ports.locks import VARIABLE, device_locks, of_this_machine

NOBODY = 65534
"""The user without rights (common practice, no source)."""
HOLD = """
import os, sys
from pathlib import Path
from migrate.ports.locks import device_locks
macs = dict(pair.split("=") for pair in sys.argv[2:])
if os.environ.get("AS_USER"):
    os.setgroups([])
    os.setuid(int(os.environ["AS_USER"]))
with device_locks(Path(sys.argv[1]), macs, shared=True):
    print("held", flush=True)
    sys.stdin.read()
"""
LAMP = {"desk-lamp": "00-00-5E-00-53-01"}
BOTH = {**LAMP, "hall-lamp": "00-00-5E-00-53-02"}
OTHER = {"shed-light": "00-00-5E-00-53-03", "last": "FE-FF-FF-FF-FF-FF"}


@contextmanager
def held_elsewhere(
    path: Path, macs: dict[str, str], user: int | None = None
) -> Iterator[subprocess.Popen[str]]:
    """Another process that holds the devices until its input ends."""
    pairs = [f"{name}={mac}" for name, mac in macs.items()]
    env = {**os.environ, "AS_USER": str(user) if user else ""}
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path), *pairs],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=env,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        try:
            yield process
        finally:
            process.kill()


def refused_elsewhere(path: Path, macs: dict[str, str], user: int | None = None) -> str:
    """What another process says that does not get the devices."""
    done = subprocess.run(
        [sys.executable, "-c", HOLD, str(path), *(f"{name}={mac}" for name, mac in macs.items())],
        env={**os.environ, "AS_USER": str(user) if user else ""},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout) == (1, "")
    return done.stderr


def test_one_device_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "runs" / "devices.lock"
    with held_elsewhere(path, BOTH) as process:
        with (
            pytest.raises(Busy, match="desk-lamp and 1 more"),
            device_locks(path, BOTH, shared=True),
        ):
            pytest.fail("two runs hold one device")
        with (
            pytest.raises(Busy, match="on desk-lamp ->"),
            device_locks(path, {**OTHER, **LAMP}, shared=True),
        ):
            pytest.fail("two runs hold one device")
        # Another fleet file calls it by another name: it is the same device.
        renamed = {"lamp on the desk": LAMP["desk-lamp"]}
        with (
            pytest.raises(Busy, match="lamp on the desk"),
            device_locks(path, renamed, shared=True),
        ):
            pytest.fail("two runs hold one device")
        with device_locks(path, OTHER, shared=True):
            pass
        # However it ends: the system lets go.
        process.send_signal(signal.SIGKILL)
        process.wait()
        with device_locks(path, BOTH, shared=True):
            pass


def test_a_refused_lock_holds_nothing(tmp_path: Path) -> None:
    path = tmp_path / "devices.lock"
    with held_elsewhere(path, LAMP):
        with pytest.raises(Busy), device_locks(path, {**OTHER, **LAMP}, shared=True):
            pytest.fail("two runs hold one device")
        with held_elsewhere(path, OTHER):
            pass


def test_a_holder_that_is_stopped_still_holds(tmp_path: Path) -> None:
    path = tmp_path / "devices.lock"
    with held_elsewhere(path, LAMP) as process:
        process.send_signal(signal.SIGSTOP)
        _, status = os.waitpid(process.pid, os.WUNTRACED)
        assert os.WIFSTOPPED(status)
        with pytest.raises(Busy, match="desk-lamp"), device_locks(path, LAMP, shared=True):
            pytest.fail("two runs hold one device")
        process.send_signal(signal.SIGCONT)


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o077])
@pytest.mark.parametrize(("shared", "mode"), [(True, 0o666), (False, 0o600)])
def test_the_file_is_for_all_or_for_one_and_stays_empty(
    tmp_path: Path, mask: int, shared: bool, mode: int
) -> None:
    path = tmp_path / "new" / "devices.lock"
    before = os.umask(mask)
    try:
        with device_locks(path, OTHER, shared=shared):
            assert path.stat().st_size == 0
            assert path.stat().st_mode & 0o777 == mode
            assert path.parent.stat().st_mode & 0o777 == 0o700
            assert list(path.parent.iterdir()) == [path]
    finally:
        os.umask(before)


def test_where_all_users_of_the_machine_meet() -> None:
    # Filesystem Hierarchy Standard 3.0, section 5.15: /var/tmp outlives a restart.
    assert of_this_machine({}).parent == Path("/var/tmp")  # noqa: S108
    assert of_this_machine({VARIABLE: ""}) == of_this_machine({})
    assert of_this_machine({VARIABLE: "/srv/locks"}).parent == Path("/srv/locks")


@pytest.fixture
def public(tmp_path: Path) -> Iterator[Path]:
    """A folder as /var/tmp is: all may write, nobody may take away what is another's. It is not
    below a folder that is for one user alone."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o1777)
        yield folder


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become two users")
@pytest.mark.parametrize("first", [0, NOBODY])
def test_two_users(public: Path, first: int) -> None:
    """Whoever made the file, the other one is kept off the devices by it, and off no others."""
    path = public / "devices.lock"
    second = NOBODY if first == 0 else 0
    with held_elsewhere(path, LAMP, user=first):
        assert path.stat().st_uid == first
        with held_elsewhere(path, OTHER, user=second):
            pass
        for who in (first, second):
            assert "Busy: another run is working on desk-lamp" in refused_elsewhere(path, BOTH, who)
    with held_elsewhere(path, BOTH, user=second):
        pass


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become two users")
def test_a_file_of_another_user_that_nobody_else_may_write(public: Path) -> None:
    path = public / "devices.lock"
    path.touch(mode=0o600)
    said = refused_elsewhere(path, LAMP, NOBODY)
    assert "JournalTrouble" in said
    assert "it belongs to root, and you may not write to it" in said
    assert VARIABLE in said


def test_a_file_that_is_there_is_opened_without_making_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As Linux has it with fs.protected_regular = 2 (proc_sys_fs(5)): in a sticky folder O_CREAT on
    a file of another user is refused."""
    path = tmp_path / "devices.lock"
    real = os.open

    def protected(name: str | Path, flags: int, *mode: int) -> int:
        if flags & os.O_CREAT and Path(name) == path:
            raise PermissionError(13, "Permission denied")
        return real(name, flags, *mode)

    monkeypatch.setattr(os, "open", protected)
    for _ in range(2):
        with device_locks(path, LAMP, shared=True):
            pass


def test_a_file_that_is_taken_away_meanwhile_is_made_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else two runs would each hold a file, and both the device."""
    path = tmp_path / "devices.lock"
    real = fcntl.lockf
    swept: list[int] = []

    def swept_once(handle: int, *rest: int) -> None:
        if not swept:
            swept.append(path.stat().st_ino)
            path.rename(tmp_path / "gone")  # its number stays taken
        real(handle, *rest)

    monkeypatch.setattr(fcntl, "lockf", swept_once)
    with device_locks(path, LAMP, shared=True):
        assert path.stat().st_ino != swept[0]
        assert "Busy" in refused_elsewhere(path, LAMP)

    def always(handle: int, *rest: int) -> None:
        path.unlink()
        real(handle, *rest)

    monkeypatch.setattr(fcntl, "lockf", always)
    with pytest.raises(JournalTrouble, match="stay"), device_locks(path, LAMP, shared=True):
        pytest.fail("went on without a lock")


def test_it_is_kept_from_being_swept_as_old(tmp_path: Path) -> None:
    path = tmp_path / "devices.lock"
    path.touch()
    os.utime(path, (0, 0))
    with device_locks(path, LAMP, shared=True):
        assert path.stat().st_mtime > 0


def test_what_a_stranger_may_have_put_there(tmp_path: Path) -> None:
    """No link is followed, nothing is waited for, and nothing is written to it."""
    other = tmp_path / "other"
    other.write_text("another's")
    other.chmod(0o600)
    link, hanging, pipe = tmp_path / "link", tmp_path / "hanging", tmp_path / "pipe"
    link.symlink_to(other)
    hanging.symlink_to(tmp_path / "nothing")
    os.mkfifo(pipe)
    for path, words in ((link, "is a link"), (hanging, "is a link"), (pipe, "no plain file")):
        words = words.replace("no plain", "not a plain")
        with pytest.raises(JournalTrouble, match=words), device_locks(path, LAMP, shared=True):
            pytest.fail("went on without a lock")
    hard = tmp_path / "hard"
    hard.hardlink_to(other)
    with device_locks(hard, LAMP, shared=True):
        pass
    assert other.read_text() == "another's"
    assert other.stat().st_mode & 0o777 == 0o600
    assert not (tmp_path / "nothing").exists()


def test_a_place_that_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for path in (tmp_path / "file" / "devices.lock", Path(os.devnull) / "x", tmp_path):
        for shared in (True, False):
            with (
                pytest.raises(JournalTrouble, match="lock file") as trouble,
                device_locks(path, LAMP, shared=shared),
            ):
                pytest.fail("went on without a lock")
            (problem,) = trouble.value.problems
            assert problem.where == str(path)
            assert (VARIABLE if shared else "--state") in problem.remedy


def test_thousands_of_devices(tmp_path: Path) -> None:
    """One lock file, so no limit on open files is met."""
    macs = {f"d{n}": f"00-00-5E-00-{n // 256:02X}-{n % 256:02X}" for n in range(5000)}
    with device_locks(tmp_path / "devices.lock", macs, shared=True):
        pass
