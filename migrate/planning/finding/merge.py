"""Sights become devices. A device is its MAC (IEEE Std 802); everything else about it may change.

What the device said itself, when it was read, goes before what a lease or a neighbour claims. Where
two such words contradict each other nothing is chosen: it is a conflict, and a person is told. The
result does not depend on the order of the sights.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from ipaddress import IPv4Address
from typing import Literal

from migrate.model.eui48 import is_local
from migrate.model.sights import Sight, Source

Kind = Literal[
    "two addresses", "another answers", "two dialects", "two firmwares", "two topics", "two MACs"
]
LONGEST_FIRMWARE = 100
"""Characters of a text in a fleet file; what a device tells beyond that is no version."""
_LONG_AGO = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True)
class Found:
    """One device, by all its sights. `addresses`: those it answered at first, then those claimed
    for it, the latest first. `proven`: it was read, and told its MAC itself; `over`: the transports
    by which it was read."""

    mac: str
    addresses: tuple[str, ...] = ()
    name: str = ""
    topic: str | None = None
    dialect: str | None = None
    firmware: str | None = None
    sources: tuple[Source, ...] = ()
    proven: bool = False
    over: tuple[Literal["http", "mqtt"], ...] = ()

    @property
    def randomised(self) -> bool:
        """Whether its MAC is locally administered: perhaps another tomorrow."""
        return is_local(self.mac)


@dataclass(frozen=True)
class Conflict:
    """Two words that cannot both be true. `macs`: whom it is about; where `barred`, they are not
    written to a file before it is settled."""

    kind: Kind
    macs: tuple[str, ...]
    what: str
    barred: bool = True


@dataclass(frozen=True)
class Gathered:
    """All that was found. `devices` were read by a dialect; `others` have a MAC, and nobody knows
    what they are; `mute` said something without telling who they are."""

    devices: tuple[Found, ...] = ()
    others: tuple[Found, ...] = ()
    mute: tuple[Sight, ...] = ()
    conflicts: tuple[Conflict, ...] = ()

    def barred(self, mac: str) -> bool:
        """Whether a conflict keeps this device out of a file."""
        return any(one.barred and mac in one.macs for one in self.conflicts)


def gather(sights: Iterable[Sight]) -> Gathered:
    """Devices, conflicts, and what could be made nothing of."""
    by_mac: dict[str, list[Sight]] = defaultdict(list)
    without: list[Sight] = []
    for sight in sorted(set(sights), key=_order):
        if sight.mac is None:
            without.append(sight)
        else:
            by_mac[sight.mac].append(sight)
    claimed = _claimed(by_mac)
    mute = []
    for sight in without:
        owners = claimed.get(sight.address or "", ())
        if len(owners) == 1:
            by_mac[owners[0]].append(sight)
        else:
            mute.append(sight)
    found = [_one(mac, its, claimed) for mac, its in sorted(by_mac.items())]
    return Gathered(
        tuple(one for one in found if one.proven),
        tuple(one for one in found if not one.proven),
        tuple(mute),
        tuple(_conflicts(by_mac)),
    )


def _order(sight: Sight) -> tuple[object, ...]:
    """Proven first, then the latest; the rest is for the same result from any order."""
    at = sight.at or _LONG_AGO
    return (
        not sight.proven,
        -at.timestamp() if at is not _LONG_AGO else float("inf"),
        sight.source,
        sight.mac or "",
        _number(sight.address),
        sight.topic or "",
        sight.name,
        sight.dialect or "",
        sight.firmware or "",
        sight.where,
    )


def _claimed(by_mac: dict[str, list[Sight]]) -> dict[str, tuple[str, ...]]:
    """By address, the MACs that it is said to be of: the proven one alone, if there is one."""
    claims: dict[str, dict[str, bool]] = defaultdict(dict)
    for mac, sights in by_mac.items():
        for sight in sights:
            if sight.address:
                claims[sight.address][mac] = claims[sight.address].get(mac, False) or sight.proven
    return {
        address: tuple(sorted(m for m, sure in who.items() if sure)) or tuple(sorted(who))
        for address, who in claims.items()
    }


def _one(mac: str, sights: Sequence[Sight], claimed: Mapping[str, Sequence[str]]) -> Found:
    told = [one for one in sights if one.proven]

    def first(what: Callable[[Sight], str | None], among: Sequence[Sight]) -> str | None:
        return next((value for one in among if (value := what(one))), None)

    def stands(one: Sight) -> bool:
        """A lease of it may be left over, where another device proved that it is there now."""
        return one.proven or not told or mac in claimed.get(one.address or "", ())

    over: list[Literal["http", "mqtt"]] = []
    for one in sights:
        way: Literal["http", "mqtt"] = "mqtt" if one.source is Source.PRESENCE else "http"
        if one.proven and way not in over:
            over.append(way)
    # What it is comes from its own mouth, if it was asked: who else speaks of it may lie.
    its = told or sights
    return Found(
        mac,
        tuple(dict.fromkeys(one.address for one in sights if one.address and stands(one))),
        first(lambda one: one.name, sights) or "",
        first(lambda one: one.topic, its),
        first(lambda one: one.dialect, its),
        first(_version, its),
        tuple(sorted({one.source for one in sights})),
        bool(told),
        tuple(sorted(over)),
    )


def _version(sight: Sight) -> str | None:
    """The firmware as it may stand in a fleet file."""
    told = sight.firmware or ""
    return told if told.strip() and told.isprintable() and len(told) <= LONGEST_FIRMWARE else None


def _conflicts(by_mac: dict[str, list[Sight]]) -> Iterable[Conflict]:
    for mac, sights in sorted(by_mac.items()):
        proven = [one for one in sights if one.proven]
        told = (
            # Over MQTT it tells the address it knows of itself, by HTTP it answered at one.
            ("two addresses", {one.address for one in proven}, "answers at"),
            ("two dialects", {one.dialect for one in proven}, "is understood by the dialects"),
            ("two topics", {one.topic for one in proven}, "answers on the topics"),
            ("two firmwares", {one.firmware for one in proven}, "tells the firmware versions"),
        )
        for kind, values, what in told:
            several = sorted(value for value in values if value)
            if len(several) > 1:
                words = " and ".join([", ".join(several[:-1]), several[-1]])
                yield Conflict(kind, (mac,), f"{mac} {what} {words}")  # type: ignore[arg-type]
    yield from _wrong_answers(by_mac)
    yield from _shared_topics(by_mac)


def _wrong_answers(by_mac: dict[str, list[Sight]]) -> Iterable[Conflict]:
    """A lease or a neighbour says whose an address is, and another device answers there."""
    there: dict[str, set[str]] = defaultdict(set)
    for mac, sights in by_mac.items():
        for one in sights:
            if one.proven and one.address and one.source is not Source.PRESENCE:
                there[one.address].add(mac)
    for address, macs in sorted(there.items(), key=lambda item: _number(item[0])):
        if len(macs) > 1:
            words = f"at {address} {' and '.join(sorted(macs))} answer in turns"
            yield Conflict("another answers", tuple(sorted(macs)), words)
            continue
        (answers,) = macs
        for mac, sights in sorted(by_mac.items()):
            claims = sorted({one.source for one in sights if one.address == address})
            if mac != answers and claims:
                words = (
                    f"{address} is that of {mac} by {', '.join(claims)}, and {answers} answers "
                    "there: a left-over entry, or a device that answers for another"
                )
                # What answered has told who it is; of the other nothing is written anyway.
                yield Conflict("another answers", (mac, answers), words, barred=False)


def _shared_topics(by_mac: dict[str, list[Sight]]) -> Iterable[Conflict]:
    users: dict[tuple[str, str], set[str]] = defaultdict(set)
    for mac, sights in by_mac.items():
        for one in sights:
            if one.proven and one.topic:
                users[one.topic, one.dialect or ""].add(mac)
    for (topic, _), macs in sorted(users.items()):
        if len(macs) > 1:
            who = " and ".join(sorted(macs))
            words = f"{who} both answer on the topic {topic}: give each its own"
            yield Conflict("two MACs", tuple(sorted(macs)), words)


def _number(address: str | None) -> int:
    try:
        return int(IPv4Address(address or ""))
    except ValueError:
        return -1
