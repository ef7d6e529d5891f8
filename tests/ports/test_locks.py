"""Locks on devices, held against other processes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from migrate.model.problems import Busy, JournalTrouble
from migrate.ports.locks import device_locks

HOLD = """
import sys
from pathlib import Path
from migrate.ports.locks import device_locks
macs = dict(pair.split("=") for pair in sys.argv[2:])
with device_locks(Path(sys.argv[1]), macs):
    print("held", flush=True)
    sys.stdin.read()
"""
LAMP = {"desk-lamp": "00-00-5E-00-53-01"}
BOTH = {**LAMP, "hall-lamp": "00-00-5E-00-53-02"}
OTHER = {"shed-light": "00-00-5E-00-53-03", "last": "FE-FF-FF-FF-FF-FF"}


@contextmanager
def held_elsewhere(path: Path, macs: dict[str, str]) -> Iterator[subprocess.Popen[str]]:
    """Another process that holds the devices until its input ends."""
    pairs = [f"{name}={mac}" for name, mac in macs.items()]
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path), *pairs],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        try:
            yield process
        finally:
            process.kill()


def test_one_device_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "runs" / "devices.lock"
    with held_elsewhere(path, BOTH) as process:
        with pytest.raises(Busy, match="desk-lamp and 1 more"), device_locks(path, BOTH):
            pytest.fail("two runs hold one device")
        with pytest.raises(Busy, match="on desk-lamp ->"), device_locks(path, {**OTHER, **LAMP}):
            pytest.fail("two runs hold one device")
        # Another fleet file calls it by another name: it is the same device.
        renamed = {"lamp on the desk": LAMP["desk-lamp"]}
        with pytest.raises(Busy, match="lamp on the desk"), device_locks(path, renamed):
            pytest.fail("two runs hold one device")
        with device_locks(path, OTHER):
            pass
        # However it ends: the system lets go.
        process.send_signal(signal.SIGKILL)
        process.wait()
        with device_locks(path, BOTH):
            pass


def test_a_refused_lock_holds_nothing(tmp_path: Path) -> None:
    path = tmp_path / "devices.lock"
    with held_elsewhere(path, LAMP):
        with pytest.raises(Busy), device_locks(path, {**OTHER, **LAMP}):
            pytest.fail("two runs hold one device")
        with held_elsewhere(path, OTHER):
            pass


def test_the_file_is_private_and_stays_empty(tmp_path: Path) -> None:
    path = tmp_path / "runs" / "devices.lock"
    with device_locks(path, OTHER):
        assert path.stat().st_size == 0
        assert path.stat().st_mode & 0o777 == 0o600
        assert path.parent.stat().st_mode & 0o777 == 0o700


def test_a_place_that_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for path in (tmp_path / "file" / "devices.lock", Path(os.devnull) / "x", tmp_path):
        with pytest.raises(JournalTrouble, match="lock file"), device_locks(path, LAMP):
            pytest.fail("went on without a lock")


def test_thousands_of_devices(tmp_path: Path) -> None:
    """One lock file, so no limit on open files is met."""
    macs = {f"d{n}": f"00-00-5E-00-{n // 256:02X}-{n % 256:02X}" for n in range(5000)}
    with device_locks(tmp_path / "devices.lock", macs):
        pass
