"""The survey: every device is read before anything is sent, and only read.

It proves that each device is who the fleet file says and where the playbook says, and it brings
what the rollback must restore.
"""

from __future__ import annotations

import asyncio
import shlex
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from migrate.dialects.messages import Readings
from migrate.dialects.understand import differences
from migrate.engine.awake import look_for_patience
from migrate.engine.crew import Crew, Member
from migrate.engine.retained import GROUPS, kept_commands
from migrate.engine.seek import Look, Seeker, Sighting, plain
from migrate.engine.slots import slot_problems, slots_back
from migrate.engine.tidings import Tell, Tidings, silent
from migrate.model.problems import Problem, Refused
from migrate.model.settings import ADDRESSING, FrozenValue, Setting
from migrate.planning.addressing import GIVE_ADDRESSES, left_behind, own_address, untold
from migrate.planning.bundles import PARTS, keyless, side_settings, slot_key, staying
from migrate.ports.protocols import SideName

AT_ONCE = 16
"""Devices read at the same time: small hosts and small brokers cope with it."""


@dataclass(frozen=True)
class Surveyed:
    """One device as it was found, with its way back complete."""

    member: Member
    sighting: Sighting
    way_back: dict[Setting, FrozenValue]

    @property
    def readings(self) -> dict[str, Any]:
        """As it is journalled: no secrets, plain data. `side` is where it was."""
        return {**readings_json(self.sighting.readings), "side": self.sighting.side}


@dataclass(frozen=True)
class Survey:
    """All devices found well, and every problem with the others."""

    found: dict[str, Surveyed]
    problems: tuple[Problem, ...]


def readings_json(readings: Readings) -> dict[str, Any]:
    """Readings as plain data."""
    return {
        "mac": readings.mac,
        "settings": {str(setting): value for setting, value in readings.settings.items()},
        "firmware": readings.firmware,
        "address": readings.address,
        "uptime_seconds": readings.uptime_seconds,
        "outputs": dict(readings.outputs),
        "signal_dbm": readings.signal_dbm,
    }


async def survey(
    crew: Crew,
    seeker: Seeker,
    names: Iterable[str],
    tell: Tell = silent,
    stopping: asyncio.Event | None = None,
) -> Survey:
    """Read these devices. Nothing is written. `stopping` ends the wait for those that sleep.

    Raises Refused, with all that was found, where a broker keeps a command for one of them."""
    gate, pace = asyncio.Semaphore(AT_ONCE), crew.plan.pace

    async def one(name: str) -> Surveyed | list[Problem]:
        member = crew.members[name]
        if member.sleeps:
            # They must not keep others waiting, and each look at one of them must come in time.
            look = await look_for_patience(seeker, member, pace, stopping)
        else:
            async with gate:
                look = await seeker.look(member, pace.reply_seconds, sure=True)
        result = _judge(crew, member, look)
        words = "found" if isinstance(result, Surveyed) else "; ".join(p.what for p in result)
        tell(Tidings("survey", words, name))
        return result

    wanted = list(names)
    results = await asyncio.gather(*(one(name) for name in wanted))
    found = {r.member.name: r for r in results if isinstance(r, Surveyed)}
    problems = [p for r in results if not isinstance(r, Surveyed) for p in r]
    kept = await kept_commands(crew, seeker.world, tell, _group_words(found.values()))
    if kept:
        raise Refused([*kept, *problems])
    return Survey(found, tuple(problems))


def _group_words(found: Iterable[Surveyed]) -> list[tuple[str, object]]:
    """The group words that devices told, each with the name of its dialect."""
    return [
        (one.member.dialect.name, one.sighting.readings.settings.get(setting))
        for one in found
        for setting in GROUPS
    ]


def _judge(crew: Crew, member: Member, look: Look) -> Surveyed | list[Problem]:
    """What one look at a device means for the run."""
    old, new = look.found.get("old"), look.found.get("new")
    if new is not None and reads_alike(crew, member, new):
        return [
            Problem(
                "reads the same before the change and after it: nobody could tell whether it moved",
                "change something that can be read as well, such as host, port or user name",
                device=member.name,
            )
        ]
    if new is not None and not differences(
        plain(member.planned.bundle), new.readings, member.dialect
    ):
        # It already is where the playbook wants it, as after a run that was broken off.
        return Surveyed(member, new, _declared_back(crew, member))
    if old is None:
        where = "the new side, but with other settings" if new else "neither side"
        reasons = "; ".join(look.words)
        return [
            Problem(
                f"was found on {where}" + (f" ({reasons})" if reasons else ""),
                "see that it has power and that address, login and broker in the files are right; "
                f"or go on without it: --write-off {shlex.quote(member.name)}",
                device=member.name,
            )
        ]
    problems = _disagreements(crew, member, old.readings) + _fixed(crew, member, old.readings)
    problems += slot_problems(crew, member, old.readings)
    if problems:
        return problems
    back = dict(member.planned.way_back)
    for setting in member.planned.read_back:
        if setting in old.readings.settings:
            back[setting] = old.readings.settings[setting]
    back |= slots_back(member, old.readings)
    return Surveyed(member, old, back)


def reads_alike(crew: Crew, member: Member, there: Sighting) -> bool:
    """Whether only its readings could tell the side, and they fit the old side as well: as where
    nothing but a password changes."""
    whole = side_settings(crew.sides["old"], PARTS, member.name)
    if all(whole.get(setting) == value for setting, value in member.planned.bundle.items()):
        return False  # nothing is to change on it, so there is nothing to tell
    declared, bundle = plain(whole), plain(member.planned.bundle)
    before = {setting: declared[setting] for setting in bundle if setting in declared}
    alike = len(before) == len(bundle) and not differences(before, there.readings, member.dialect)
    return there.doubtful and alike


def _declared_back(crew: Crew, member: Member) -> dict[Setting, FrozenValue]:
    """The way back of a device that has already left: what it had can no longer be read, so it is
    what the owner declared, and nothing that would be half of a change.

    One that asks DHCP now and had nobody knows what address before asks DHCP there too: so it is
    at least found."""
    declared = side_settings(crew.sides["old"], PARTS, member.name)
    planned = member.planned
    if planned.bundle.get(Setting.ADDRESS) == "":
        declared = dict.fromkeys(ADDRESSING, "") | declared
    known = {s: declared[s] for s in planned.bundle if s in declared} | slot_key(
        declared, planned.bundle
    )
    lost = [s for s in planned.bundle if s not in declared and not keyless(declared, s)]
    stays = staying(planned.bundle, lost)
    return {setting: value for setting, value in known.items() if setting not in stays}


def _disagreements(crew: Crew, member: Member, readings: Readings) -> list[Problem]:
    """Where the device differs from what its owner wrote: its way back would not be true."""
    problems = []
    firmware = member.device.firmware
    if firmware is not None and readings.firmware is not None and readings.firmware != firmware:
        problems.append(
            Problem(
                f"has firmware {readings.firmware}, the fleet file says {firmware}: it would be "
                "counted with the wrong twins",
                "correct firmware in the fleet file, then plan anew",
                device=member.name,
            )
        )
    side: SideName = "old"
    declared = side_settings(crew.sides[side], ("wifi", "broker", "addressing"), member.name)
    # A declared secret belongs to the declared network or broker, and to no other.
    told = [Setting.WIFI_SSID, Setting.BROKER_HOST, Setting.BROKER_USERNAME]
    if any(setting in member.planned.way_back for setting in ADDRESSING):
        told.append(Setting.ADDRESS)  # nor does a declared mask or gateway to another address
    for setting in told:
        said = readings.settings.get(setting)
        if setting in member.planned.bundle and setting in declared and said is not None:
            wanted = declared[setting]
            if said not in (wanted, member.planned.bundle[setting]):
                problems.append(
                    Problem(
                        f"has {setting} {said!r}, the playbook's old side says {wanted!r}: its way "
                        "back would lead elsewhere",
                        "correct [old] in the playbook, or change the device first",
                        device=member.name,
                    )
                )
            elif said != wanted:
                problems.append(
                    Problem(
                        f"holds the new {setting} {said!r} and is on the old side all the same: an "
                        "earlier run gave it that, and its next restart may put it in force",
                        "take it back by that run: migrate rollback RUN --only "
                        f"{shlex.quote(member.name)}; or restart it by hand and see on which side "
                        "it comes up",
                        device=member.name,
                    )
                )
    hidden = [setting for setting in member.planned.bundle if setting in readings.hidden]
    if hidden:
        problems.append(
            Problem(
                f"tells a secret where the dialect says that it tells its {', '.join(hidden)}",
                "correct the reading in the dialect; a secret has none",
                device=member.name,
            )
        )
    missing = [
        setting
        for setting in member.planned.read_back
        if setting not in readings.settings and setting not in hidden
    ]
    if missing:
        problems.append(
            Problem(
                f"did not tell its {', '.join(missing)}, which the way back needs",
                "correct the reading in the dialect",
                device=member.name,
            )
        )
    return problems


def _fixed(crew: Crew, member: Member, readings: Readings) -> list[Problem]:
    """A fixed address, as the device tells it, with which it would be lost on the new side."""
    old, new, bundle = crew.sides["old"], crew.sides["new"], member.planned.bundle
    address = own_address(readings.settings.get(Setting.ADDRESS))
    if address is None:
        return []
    if Setting.ADDRESS not in bundle:
        what = left_behind(old, new, address)
        return [Problem(what, GIVE_ADDRESSES, device=member.name)] if what else []
    if (
        bundle[Setting.ADDRESS] == ""
        and member.device.via == "http"
        and "leases" in untold(new, member.name, crew.playbook.finding)
    ):
        return [
            Problem(
                f"has the fixed address {address} and is to ask DHCP: it would come back at an "
                "address that nobody can tell",
                "add new.leases (the lease file of the DHCP server), or name the device under "
                "addressing.fixed",
                device=member.name,
            )
        ]
    return []
