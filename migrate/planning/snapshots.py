"""A snapshot: what every device of a fleet told at one time, and what differs between two of them.

It holds readings alone, no secrets, and is plain data. A device is the same in two snapshots by its
MAC. What comes and goes by itself (a leased address, uptime, signal strength) is kept, and is no
change.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, FailFast, Field, model_validator

from migrate.dialects.parts import SettingName
from migrate.dialects.understand import SIGNAL_DBM
from migrate.model.eui48 import Mac
from migrate.model.fleet import Fleet, Strict, Text, Transport
from migrate.model.problems import BadFile, Problem
from migrate.model.settings import ADDRESSING, SECRETS, Setting, shown

WEAK_DBM = -75
"""Below this a device may lose its access point when a door is shut or it rains (common practice,
no source)."""
MOST_DEVICES = 100_000
MOST_OF_ONE = 1000
"""Settings, or outputs, of one device."""

Standing = Literal["read", "asleep", "missing"]
Where = Literal["old", "new", "either"]
Dbm = Annotated[int, Field(ge=SIGNAL_DBM[0], le=SIGNAL_DBM[-1])]
Words = Annotated[str, Field(max_length=4096)]
Plain = bool | int | Words


def _few(value: object) -> object:
    # Before each of them is looked at: whoever made a million of them wants that to take long.
    if isinstance(value, dict) and len(value) > MOST_OF_ONE:
        raise ValueError("holds more than a device can tell")
    return value


Few = BeforeValidator(_few)


class Seen(Strict):
    """One device. `side`: either, where nothing that it tells differs between the sides. `place`:
    address and port at which it answered over HTTP. `hidden`: settings that were left out since
    what it told for them holds a secret. `silent`: it answers, and says nothing on the presence
    topic that the fleet file names. `others`: MACs of those that answered in its place. `why`: in
    words, why it was not read."""

    name: Text
    mac: Mac
    dialect: Text
    via: Transport
    standing: Standing
    side: Where | None = None
    place: Words = ""
    firmware: Words | None = None
    address: Words | None = None
    uptime_seconds: float | None = None
    signal_dbm: Dbm | None = None
    settings: Annotated[dict[SettingName, Plain], Few] = Field(default_factory=dict)
    hidden: Annotated[tuple[SettingName, ...], FailFast()] = ()
    outputs: Annotated[dict[Text, bool | float], Few] = Field(default_factory=dict)
    silent: bool = False
    others: Annotated[tuple[Mac, ...], FailFast()] = ()
    why: Words = ""

    @model_validator(mode="after")
    def _open(self) -> Self:
        if not SECRETS.isdisjoint(self.settings):
            raise ValueError("holds a setting that is a secret")
        return self


class Snapshot(Strict):
    """What was read of a fleet. `kind`: a survey, or what a run read before it sent anything. `at`:
    when, as RFC 3339 writes it."""

    format: Literal[1] = 1
    kind: Literal["survey", "run"]
    title: Text
    at: Text
    tool: Text
    device: Annotated[tuple[Seen, ...], FailFast(), Field(max_length=MOST_DEVICES)]

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        for values in ([one.name for one in self.device], [one.mac for one in self.device]):
            if len(set(values)) != len(values):
                raise ValueError("a device stands in it twice")
        return self

    def to_json(self) -> str:
        """As it is written to disk: JSON, a line for each device."""
        head = self.model_dump_json(exclude={"device"}, exclude_defaults=False)[:-1]
        lines = ",\n ".join(one.model_dump_json(exclude_defaults=True) for one in self.device)
        return f'{head},"device":[\n {lines}\n]}}\n'


def snapshot_from_json(text: str, where: str) -> Snapshot:
    """The inverse. Raises BadFile."""
    try:
        return Snapshot.model_validate_json(text)
    except (ValueError, RecursionError):
        raise BadFile(
            Problem(
                "is not a snapshot that migrate wrote, or is damaged",
                "name another, or make one: migrate survey",
                where,
            )
        ) from None


@dataclass(frozen=True)
class Difference:
    """One thing about one device: `before` and `now` in words."""

    name: str
    what: str
    before: str
    now: str


@dataclass(frozen=True)
class Comparison:
    """Two snapshots. `changed`: what is otherwise now; `moved`: addresses, which may change by
    themselves; `unproven`: devices that were read then and are not now, with why; `fresh`: devices
    that were not read then."""

    changed: tuple[Difference, ...]
    moved: tuple[Difference, ...]
    unproven: tuple[tuple[str, str], ...]
    fresh: tuple[str, ...]


def compare(before: Snapshot, now: Snapshot) -> Comparison:
    """What became of the devices of an earlier snapshot."""
    there = {one.mac: one for one in now.device}
    then = {one.mac for one in before.device if one.standing == "read"}
    changed: list[Difference] = []
    moved: list[Difference] = []
    unproven: list[tuple[str, str]] = []
    for was in before.device:
        if was.standing != "read":
            continue
        one = there.get(was.mac)
        if one is None:
            unproven.append((was.name, "its MAC is no longer in the fleet file"))
        elif one.standing != "read":
            unproven.append((one.name, one.why))
        else:
            changed += _changes(was, one)
            if None not in (was.address, one.address) and was.address != one.address:
                moved.append(Difference(one.name, "address", was.address or "", one.address or ""))
    fresh = tuple(one.name for one in now.device if one.mac not in then and one.standing == "read")
    return Comparison(tuple(changed), tuple(moved), tuple(unproven), fresh)


def _changes(was: Seen, now: Seen) -> Iterator[Difference]:
    """What it told then and tells otherwise now, or not at all."""
    if was.side != now.side and "either" not in (was.side, now.side):
        yield Difference(now.name, "side", was.side or "not told", now.side or "not told")
    if was.firmware is not None and was.firmware != now.firmware:
        yield Difference(now.name, "firmware", was.firmware, now.firmware or "no longer told")
    for setting, value in was.settings.items():
        if setting not in now.settings:
            hidden = setting in now.hidden
            words = "tells a secret there" if hidden else "no longer told"
            yield Difference(now.name, setting, shown(value), words)
        elif not _same(now.settings[setting], value):
            yield Difference(now.name, setting, shown(value), shown(now.settings[setting]))
    for name, state in was.outputs.items():
        if name not in now.outputs or not _same(now.outputs[name], state):
            told = output_words(now.outputs[name]) if name in now.outputs else "no longer told"
            yield Difference(now.name, f"output {name}", output_words(state), told)


def _same(one: object, other: object) -> bool:
    """Equal, and both a truth or neither: 1 is not yes."""
    return one == other and isinstance(one, bool) == isinstance(other, bool)


def output_words(state: bool | float) -> str:
    """The state of an output."""
    return ("on" if state else "off") if isinstance(state, bool) else f"{state:g}"


def against_fleet(snapshot: Snapshot, fleet: Fleet) -> list[Difference]:
    """What devices tell otherwise than the fleet file says. `before` is what the file says."""
    found = []
    owner = {device.mac: device.name for device in fleet.device}
    written = {device.name: device for device in fleet.device}
    for one in snapshot.device:
        device = written.get(one.name)
        if device is None:
            continue
        if device.firmware and one.firmware and device.firmware != one.firmware:
            found.append(Difference(one.name, "firmware", device.firmware, one.firmware))
        if device.address and one.address and str(device.address) != one.address:
            found.append(Difference(one.name, "address", str(device.address), one.address))
        for mac in one.others:
            whose = f", which is {owner[mac]}" if mac in owner else ", which is not in the file"
            found.append(Difference(one.name, "MAC", one.mac, f"{mac} answers there{whose}"))
        if one.silent and device.topic:
            found.append(
                Difference(one.name, "topic", device.topic, "nothing is said of it at the broker")
            )
    return found


Group = tuple[str, str, str]
"""Dialect, firmware as told, and side: those that should be alike."""


@dataclass(frozen=True)
class Odd:
    """A setting in which devices of one group are not alike: `values` from the most frequent to the
    rarest, with the devices that have it."""

    group: Group
    setting: Setting
    values: tuple[tuple[str, tuple[str, ...]], ...]


def groups(snapshot: Snapshot) -> dict[Group, list[Seen]]:
    """Devices that were read, by dialect, firmware and side."""
    found: dict[Group, list[Seen]] = defaultdict(list)
    for one in snapshot.device:
        if one.standing == "read":
            found[one.dialect, one.firmware or "not told", one.side or "either"].append(one)
    return dict(sorted(found.items()))


def odd_ones(snapshot: Snapshot) -> list[Odd]:
    """Settings in which twins on one side differ; addresses are each device's own."""
    found = []
    for group, members in groups(snapshot).items():
        for setting in Setting:
            if setting in ADDRESSING:
                continue
            values: dict[str, list[str]] = defaultdict(list)
            for one in members:
                if setting in one.settings:
                    values[shown(one.settings[setting])].append(one.name)
            if len(values) > 1:
                ranked = sorted(values.items(), key=lambda item: (-len(item[1]), item[0]))
                told = tuple((value, tuple(names)) for value, names in ranked)
                found.append(Odd(group, setting, told))
    return found


def firmwares(snapshot: Snapshot) -> dict[str, Counter[str]]:
    """How many devices of each dialect have which firmware, as they tell."""
    found: dict[str, Counter[str]] = defaultdict(Counter)
    for one in snapshot.device:
        if one.standing == "read":
            found[one.dialect][one.firmware or "not told"] += 1
    return dict(sorted(found.items()))


def by_signal(snapshot: Snapshot) -> list[tuple[int, str]]:
    """Signal strengths in dBm and names, the weakest first."""
    return sorted(
        (one.signal_dbm, one.name) for one in snapshot.device if one.signal_dbm is not None
    )
