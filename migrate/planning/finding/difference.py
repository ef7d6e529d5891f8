"""What was found against what the fleet file says."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Literal

from migrate.model.fleet import Device
from migrate.planning.finding.merge import Found, Gathered

Key = Literal["address", "topic", "firmware", "dialect"]
WRITTEN: tuple[Key, ...] = ("address", "topic", "firmware")
"""Keys that may be brought up to date in a file; a dialect is its owner's choice, and only told."""
LONGEST_NAME = 60


@dataclass(frozen=True)
class Change:
    """A device of the file that told something else than the file says. `before`: None where the
    file says nothing."""

    name: str
    mac: str
    key: Key
    before: str | None
    now: str


@dataclass(frozen=True)
class New:
    """A device that the file does not have, with a name for it that nobody has."""

    name: str
    found: Found


@dataclass(frozen=True)
class Difference:
    """`unsure`: found, but a conflict, also one with the file itself, keeps it out of the file;
    `vanished`: in the file, and seen by no source; `as_before`: how many are as the file says."""

    new: tuple[New, ...] = ()
    unsure: tuple[Found, ...] = ()
    changed: tuple[Change, ...] = ()
    vanished: tuple[Device, ...] = ()
    as_before: int = 0

    @property
    def to_write(self) -> tuple[Change, ...]:
        """The changes that may be written."""
        return tuple(one for one in self.changed if one.key in WRITTEN)


def compare(gathered: Gathered, fleet: Sequence[Device]) -> Difference:
    """New, changed and vanished devices, by MAC. Devices whose MAC is merely claimed by a lease or
    a neighbour are there, but they change nothing in the file: nobody has asked them."""
    known = {device.mac: device for device in fleet}
    seen = {one.mac for one in (*gathered.devices, *gathered.others)}
    names = {device.name for device in fleet}
    elsewhere = {one.mac: one.topic for one in gathered.devices if one.topic}
    topics = {
        (device.topic, device.dialect): device.mac
        for device in fleet
        if device.topic and elsewhere.get(device.mac, device.topic) == device.topic
    }
    new: list[New] = []
    unsure: list[Found] = []
    changed: list[Change] = []
    as_before = len([device for device in fleet if device.mac in seen])
    for found in gathered.devices:
        device = known.get(found.mac)
        if gathered.barred(found.mac):
            unsure.append(found)
        elif topics.get((found.topic or "", found.dialect or ""), found.mac) != found.mac:
            unsure.append(found)  # by the topic of a device that the file knows by another MAC
        elif device is None and "http" not in found.over and not found.topic:
            unsure.append(found)  # nothing by which it could be found again
        elif device is None:
            name = name_for(found, names)
            names.add(name)
            new.append(New(name, found))
        elif its := list(_changes(device, found)):
            changed += its
            as_before -= 1
    vanished = tuple(device for device in fleet if device.mac not in seen)
    return Difference(tuple(new), tuple(unsure), tuple(changed), vanished, as_before)


def _changes(device: Device, found: Found) -> list[Change]:
    told: list[tuple[Key, str | None, str | None]] = [
        ("topic", device.topic, found.topic),
        ("firmware", device.firmware, found.firmware),
        ("dialect", device.dialect, found.dialect),
    ]
    # One that it does not need to be found by is not put in.
    if device.address is not None and str(device.address) not in found.addresses[:1]:
        told.insert(0, ("address", str(device.address), next(iter(found.addresses), None)))
    return [
        Change(device.name, device.mac, key, before, now)
        for key, before, now in told
        if now and now != before
    ]


def name_for(found: Found, taken: Collection[str]) -> str:
    """A name that no device has: from its host name or topic, else from its family and MAC."""
    tail = found.mac.replace("-", "").lower()[-6:]
    word = _slug(found.name.split(".")[0]) or _slug(found.topic or "")
    base = word or f"{_slug(found.dialect or '') or 'device'}-{tail}"
    if base not in taken:
        return base
    base, number = f"{base}-{tail}", 2
    name = base
    while name in taken:
        name, number = f"{base}-{number}", number + 1
    return name


def _slug(words: str) -> str:
    plain = unicodedata.normalize("NFKD", words).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain)[:LONGEST_NAME].strip("-")
