"""A few real kills with every run of the tests; `python -m tests.kills 200` does many."""

from __future__ import annotations

import os
import secrets
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

import pytest

from migrate.lab import two_networks_possible
from tests.engine.harness import SECRETS

from .campaign import campaign
from .checks import at_any_time, at_the_end, secrets_in_files
from .house import KilledHouse
from .processes import Fork
from .stories import Usual, Whole

pytestmark = pytest.mark.skipif(
    not two_networks_possible() or not hasattr(os, "pidfd_open"),
    reason="needs two loopback networks and pidfd_open(2)",
)
KILLS = 6
ROUGHLY = Usual(Whole(2.4, 60), Whole(2.4, 60), 0.7)
"""What a campaign measures first; a kill that comes too late is not counted."""


@pytest.mark.long
async def test_whatever_the_moment() -> None:
    """Other moments each time; what fails says how it is told again."""
    said: list[str] = []
    seed = secrets.randbelow(10**6)
    found = await campaign(KILLS, seed, at_once=KILLS, usual=ROUGHLY, say=said.append)
    assert found.kills >= KILLS
    assert not found.failed, "\n".join(said)


def _half_of_both(house: KilledHouse) -> None:
    unit = house.unit("fan")
    unit.store = replace(unit.store, broker_host=house.before["fan"].broker_host)


def _sql(words: str) -> Callable[[KilledHouse, sqlite3.Connection], object]:
    return lambda house, db: db.execute(words)


def _message(old: bytes, new: bytes) -> Callable[[KilledHouse, sqlite3.Connection], object]:
    def again(house: KilledHouse, db: sqlite3.Connection) -> None:
        taken = house.unit("bell").messages_that_changed
        assert old in taken[0]
        taken.append(taken[0].replace(old, new))

    return again


WRONGS: dict[str, tuple[str, Callable[[KilledHouse, sqlite3.Connection], object]]] = {
    "a device is not in the journal": ("unaccounted", _sql("DELETE FROM device WHERE name='fan'")),
    "a device is said to wait": (
        "unaccounted",
        _sql("UPDATE device SET state='waiting' WHERE name='fan'"),
    ),
    "an intent is missing": (
        "unaccounted",
        _sql("UPDATE device SET sent_at=NULL WHERE name='fan'"),
    ),
    "there is no way back": ("way back", _sql("DELETE FROM way_back WHERE name='fan'")),
    "the way back is that of another": (
        "way back",
        _sql("UPDATE way_back SET bundle=replace(bundle, 'old-net', 'new-net') WHERE name='fan'"),
    ),
    "the way back has another secret": (
        "way back",
        _sql("UPDATE way_back SET bundle=replace(bundle, 'old-wifi', 'new-wifi') WHERE name='fan'"),
    ),
    "the survey is wrong": (
        "way back",
        _sql("UPDATE survey SET readings=replace(readings, 'old-net', 'x') WHERE name='fan'"),
    ),
    "a device holds half of both": ("half", lambda house, db: _half_of_both(house)),
    "half a bundle was sent": ("half", _message(b"station.name=new-net;", b"")),
    "another bundle was sent": ("different", _message(b"=new-net;", b"=old-net;")),
    "a secret is in a file": (
        "secret",
        lambda house, db: (house.state / "x").write_text(SECRETS["new-broker"]),
    ),
    "a file is open to others": ("files", lambda house, db: (house.state / "x").touch(0o644)),
    "the plan has been written anew": ("files", lambda house, db: house.plan_file.write_text("{}")),
    "a device moved back by itself": (
        "outcome",
        lambda house, db: setattr(house.unit("fan"), "running", house.before["fan"]),
    ),
}


async def test_the_checks_see_what_is_wrong(tmp_path: Path) -> None:
    """Nothing is wrong with a run that nobody disturbed, until it is made so."""
    fork = Fork()
    try:
        async with KilledHouse(tmp_path, fork) as house:
            assert await (await house.begin("run")).ended() == 0
            assert _kinds(house, lambda house, db: None) == set()
            for name, (kind, spoil) in WRONGS.items():
                assert kind in _kinds(house, spoil), name
            with _locked_elsewhere(house.lock_file):
                assert _kinds(house, lambda house, db: None) == {"lock"}
            assert list(secrets_in_files(house)) == []
            (house.state / "x").write_text(quote(SECRETS["new-wifi"], safe=""))
            assert [one.kind for one in secrets_in_files(house)] == ["secret"]
    finally:
        fork.close()


@contextmanager
def _locked_elsewhere(path: Path) -> Iterator[None]:
    """Another process holds the lock of one device."""
    words = "import fcntl, sys; f = open(sys.argv[1], 'r+b'); "
    words += "fcntl.lockf(f, fcntl.LOCK_EX, 1, 0x5E005301); print(flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", words, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"\n"
        yield
        process.communicate()


def _kinds(
    house: KilledHouse, spoil: Callable[[KilledHouse, sqlite3.Connection], object]
) -> set[str]:
    """What the checks find once something is spoilt; it is mended afterwards."""
    unit, bell = house.unit("fan"), house.unit("bell")
    kept = unit.store, unit.running, list(bell.messages_that_changed)
    try:
        with house.copied() as db:
            assert db is not None
            spoil(house, db)
            found = [*at_any_time(house, db), *at_the_end(house, db, 0, back=False)]
        return {one.kind for one in found}
    finally:
        unit.store, unit.running, bell.messages_that_changed[:] = kept
        for path, octets in house.owned.items():
            path.write_bytes(octets)
        (house.state / "x").unlink(missing_ok=True)
