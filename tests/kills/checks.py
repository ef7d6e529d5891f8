"""What must be true whenever the tool was killed, and when all is over.

Read with sqlite3 and tomllib alone: nothing of the tool judges itself here. What a device holds is
asked of the lab; what it was sent is decoded by its manual (docs/manuals).
"""

from __future__ import annotations

import fcntl
import json
import os
import sqlite3
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

from migrate.lab.firmware.base import Store
from tests.dialects.decoders import larch_pairs, query_of, rowan_pairs, sedge_pairs
from tests.engine.harness import SECRETS, mac_of
from tests.engine.scan import leaks_in_folder

from .house import KilledHouse

KINDS = {
    "unaccounted": "devices unaccounted for",
    "different": "given a different bundle",
    "half": "given half a bundle",
    "way back": "wrong way back on disk",
    "lock": "locks left behind",
    "secret": "secrets in files",
    "files": "files changed, or open to others",
    "again": "ended well at a second try only",
    "outcome": "did not end well",
}


class Finding(NamedTuple):
    """Something that must not be: its kind (of KINDS), and what was found."""

    kind: str
    words: str


@dataclass(frozen=True)
class Line:
    """A device as the journal has it."""

    name: str
    direction: str
    state: str
    sent_at: str | None
    given: str | None

    @property
    def stands(self) -> str:
        """Direction and state in one."""
        return f"{self.direction} {self.state}"


def lines_of(db: sqlite3.Connection) -> dict[str, Line]:
    """Every device of a journal, by name."""
    found = db.execute("SELECT name, direction, state, sent_at, given FROM device")
    return {row[0]: Line(*row) for row in found}


def at_any_time(house: KilledHouse, db: sqlite3.Connection | None) -> Iterator[Finding]:
    """What holds at every moment at which no process runs. `db`: the journal, if there is one."""
    yield from _locks(house)
    yield from _plain_secrets(house)
    yield from _owners_files(house)
    if db is None:
        for name, unit in house.lab.units.items():
            if unit.messages_that_changed or unit.store != house.before[name]:
                yield Finding("unaccounted", f"{name} was given something, without a journal")
        return
    lines = lines_of(db)
    with house.fleet.open("rb") as file:
        macs = {device["name"]: device["mac"] for device in tomllib.load(file)["device"]}
    if set(lines) != set(macs):
        yield Finding("unaccounted", f"not in the journal: {sorted(set(macs) ^ set(lines))}")
    for number, name in enumerate(house.lab.units, start=1):
        if macs.get(name) != mac_of(number):
            yield Finding("unaccounted", f"{name} is another device in the fleet")
        if name in lines:
            yield from _accounted(house, lines[name])
            yield from _way_back(house, db, lines[name])


def _accounted(house: KilledHouse, line: Line) -> Iterator[Finding]:
    """Whether the journal's word about a device fits the truth."""
    name, unit = line.name, house.unit(line.name)
    holds = replace(unit.store, pending=frozenset())
    before, target = house.before[name], house.target(name)
    took, where = house.bundles(name), house.lab.where(name)
    what = f"{name} is {line.stands}, and took {took} messages, is {where}"
    if holds not in (before, target):
        yield Finding("half", f"{what}, holds neither the old settings nor the new")
    if took and (line.sent_at is None or line.given is None):
        yield Finding("unaccounted", f"{what}, without an intent on disk")
    fits: dict[str, bool] = {
        "forward waiting": took == 0 and holds == before,
        # What became of the message is open in these, and they say so.
        "forward sending": True,
        "forward away": True,
        "forward adrift": True,
        "back sending": True,
        "back away": True,
        "back adrift": True,
        "forward seen": holds == target and where == "new",
        "forward settled": house.moved(name),
        "back waiting": holds == target,
        "back returned": holds == target,
        "back seen": holds == before and where == "old",
        "back restored": as_before(house, name),
    }
    # No device of this house declines, or comes back by itself, or stays away.
    if not fits.get(line.stands, False):
        yield Finding("unaccounted", f"{what}, which does not fit")


def as_before(house: KilledHouse, name: str) -> bool:
    """Whether it is on the old side with everything as it was, and in force. A sedge that was given
    the new settings and then the old, with no restart between, still says that some of the old wait
    for one (docs/manuals/sedge.md); they are in force all the same."""
    unit = house.unit(name)
    waits, kept = unit.store.pending, unit.store
    if not waits:
        return house.as_before(name)
    unit.store = replace(kept, pending=frozenset())
    try:
        return house.as_before(name)
    finally:
        unit.store = kept


def _way_back(house: KilledHouse, db: sqlite3.Connection, line: Line) -> Iterator[Finding]:
    """Whether what is kept of a device that was sent anything is what it held before."""
    if line.sent_at is None and not house.bundles(line.name):
        return
    found = db.execute("SELECT bundle FROM way_back WHERE name = ?", (line.name,)).fetchone()
    if found is None:
        yield Finding("way back", f"{line.name} has none")
        return
    kept = {name: _plain(value) for name, value in json.loads(found[0]).items()}
    if kept != _settings(house.before[line.name]):
        wrong = sorted(kept.items() ^ _settings(house.before[line.name]).items())
        yield Finding("way back", f"{line.name}: {[name for name, _ in wrong]}")
    read = db.execute("SELECT readings FROM survey WHERE name = ?", (line.name,)).fetchone()
    told = {} if read is None else json.loads(read[0])["settings"]
    before = _settings(house.before[line.name])
    for name in READABLE:
        if told.get(name) != before[name]:
            yield Finding("way back", f"{line.name}: its survey has a wrong {name}")


def _plain(value: Any) -> Any:
    """A setting of a bundle; of a reference to a secret, the secret."""
    if not isinstance(value, dict):
        return value
    (place, path), *more = value.items()
    assert place == "file"
    assert not more
    return Path(path).read_text(encoding="utf-8").removesuffix("\n")


def _locks(house: KilledHouse) -> Iterator[Finding]:
    """A lock that anybody holds is one that keeps the next process out (fcntl(2))."""
    if not house.lock_file.exists():
        if house.journals:
            yield Finding("lock", "there is a run, and there never was a lock")
        return
    handle = os.open(house.lock_file, os.O_RDWR)
    try:
        fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        yield Finding("lock", "the devices are locked, and no process runs")
    finally:
        os.close(handle)


def _owners_files(house: KilledHouse) -> Iterator[Finding]:
    for path, octets in house.owned.items():
        if path.read_bytes() != octets:
            yield Finding("files", f"{path.name} is not as its owner wrote it")
    for path in house.state.rglob("*"):
        if path.stat().st_mode & 0o077:
            yield Finding("files", f"{path.relative_to(house.folder)} is open to others")


def _plain_secrets(house: KilledHouse) -> Iterator[Finding]:
    """Also what the next process clears away, such as a write-ahead file; the quick look."""
    for path in house.state.rglob("*"):
        octets = path.read_bytes() if path.is_file() else b""
        for name, secret in SECRETS.items():
            if secret.encode() in octets or json.dumps(secret)[1:-1].encode() in octets:
                yield Finding("secret", f"{path.relative_to(house.folder)}: {name}")


def secrets_in_files(house: KilledHouse) -> Iterator[Finding]:
    """Secrets, however spelled, in whatever lies in the folder, but for the owner's own files of
    secrets."""
    ssids = (house.lab.old.ssid, house.lab.new.ssid)
    for path, found in leaks_in_folder(house.folder, SECRETS, ssids).items():
        if not path.startswith("secrets/"):
            yield Finding("secret", f"{path}: {found}")


def in_what_was_said(house: KilledHouse) -> Iterator[Finding]:
    """The tool made no mistake, as far as it said."""
    text = house.said.read_text(encoding="utf-8")
    for sign in ("Traceback", "made a mistake", "Exception"):
        if sign in text:
            yield Finding("outcome", f"it said {sign!r}")


def at_the_end(
    house: KilledHouse, db: sqlite3.Connection | None, code: int, *, back: bool
) -> Iterator[Finding]:
    """When the last process has ended by itself: everything moved, or everything as before."""
    if code != 0:
        yield Finding("outcome", f"the last command ended with {code}")
    for name, line in (lines_of(db) if db else {}).items():
        if back:
            never = line.stands == "forward waiting" and line.sent_at is None
            if line.stands != "back restored" and not never:
                yield Finding("outcome", f"{name} is {line.stands} after the way back")
        elif line.stands != "forward settled":
            yield Finding("outcome", f"{name} is {line.stands} at the end")
    for name in house.lab.units:
        if not (as_before(house, name) if back else house.moved(name)):
            yield Finding("outcome", f"{name} is not where the journal has it at the end")
        yield from _messages(house, name, back=back)
        if not back and not house.bundles(name):
            yield Finding("outcome", f"{name} was never given its bundle")


# What a device was given, decoded

NAMES: Mapping[str, tuple[str, tuple[str, ...], str, str]] = {
    # setting: in the lab's memory; larch, rowan, sedge (docs/manuals)
    "wifi.ssid": ("wifi_name", ("network", "name"), "wifi_name", "station.name"),
    "wifi.secret": ("wifi_key", ("network", "key"), "wifi_key", "station.key"),
    "broker.host": ("broker_host", ("broker", "host"), "broker_host", "mqtt.host"),
    "broker.port": ("broker_port", ("broker", "port"), "broker_port", "mqtt.port"),
    "broker.tls": ("broker_secure", ("broker", "secure"), "broker_secure", "mqtt.secure"),
    "broker.username": ("broker_user", ("broker", "user"), "broker_user", "mqtt.user"),
    "broker.password": ("broker_password", ("broker", "pass"), "broker_pass", "mqtt.pass"),
}
READABLE = [name for name in NAMES if name not in ("wifi.secret", "broker.password")]


def _settings(store: Store) -> dict[str, Any]:
    return {name: getattr(store, words[0]) for name, words in NAMES.items()}


def _messages(house: KilledHouse, name: str, *, back: bool) -> Iterator[Finding]:
    """Whole bundles alone: the one that moves it, however often; after it, the way back."""
    there = _in_words(_settings(house.target(name)))
    home = _in_words(_settings(house.before[name]))
    gone_back = False
    unit = house.unit(name)
    for raw in unit.messages_that_changed:
        try:
            told = _decoded(unit.spec.family, raw)
        except (AssertionError, ValueError, KeyError) as error:
            yield Finding("half", f"{name} took what cannot be decoded: {type(error).__name__}")
            continue
        if set(told) != set(NAMES):
            yield Finding("half", f"{name} was given only {sorted(told)}")
        elif told == home and back:
            gone_back = True
        elif told != there or gone_back:
            wrong = [each for each in told if told[each] != there[each]]
            yield Finding("different", f"{name}: {wrong or 'forward again after the way back'}")


def _decoded(family: str, raw: bytes) -> dict[str, str]:
    """A message as settings and their words, by the family's manual. Raises AssertionError,
    ValueError, KeyError."""
    pairs: dict[tuple[str, ...], Any]
    if family == "larch":
        pairs, own = larch_pairs(raw), {words[1]: name for name, words in NAMES.items()}
    elif family == "rowan":
        # The identifier of a message is not part of what it says.
        pairs, own = rowan_pairs(raw), {(words[2],): name for name, words in NAMES.items()}
    else:
        said = query_of(raw.decode("ascii"))["say"].encode() if raw.startswith(b"/do") else raw
        pairs, own = sedge_pairs(said), {(words[3],): name for name, words in NAMES.items()}
    return _in_words({own[place]: value for place, value in pairs.items()})


def _in_words(settings: Mapping[str, Any]) -> dict[str, str]:
    """Values as text: sedge knows nothing else."""
    words = {True: "yes", False: "no"}
    return {
        name: words[value] if isinstance(value, bool) else str(value)
        for name, value in settings.items()
    }
