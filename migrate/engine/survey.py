"""The survey: every device is read before anything is sent, and only read.

It proves that each device is who the fleet file says and where the playbook says, and it brings
what the rollback must restore.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from migrate.dialects.messages import Readings
from migrate.dialects.understand import differences
from migrate.engine.crew import Crew, Member
from migrate.engine.seek import Seeker, Sighting, plain
from migrate.engine.tidings import Tell, Tidings, silent
from migrate.model.problems import Problem
from migrate.model.settings import FrozenValue, Setting
from migrate.planning.bundles import PARTS, side_settings, staying
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
        "output": readings.output,
    }


async def survey(crew: Crew, seeker: Seeker, names: Iterable[str], tell: Tell = silent) -> Survey:
    """Read these devices. Nothing is written."""
    gate = asyncio.Semaphore(AT_ONCE)
    seconds = crew.plan.pace.reply_seconds

    async def one(name: str) -> Surveyed | list[Problem]:
        async with gate:
            result = await _survey_one(crew, seeker, crew.members[name], seconds)
        words = "found" if isinstance(result, Surveyed) else "; ".join(p.what for p in result)
        tell(Tidings("survey", words, name))
        return result

    wanted = list(names)
    results = await asyncio.gather(*(one(name) for name in wanted))
    found = {r.member.name: r for r in results if isinstance(r, Surveyed)}
    problems = [p for r in results if not isinstance(r, Surveyed) for p in r]
    return Survey(found, tuple(problems))


async def _survey_one(
    crew: Crew, seeker: Seeker, member: Member, seconds: float
) -> Surveyed | list[Problem]:
    look = await seeker.look(member, seconds, sure=True)
    old, new = look.found.get("old"), look.found.get("new")
    if new is not None and _reads_alike(crew, member, new):
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
                f"or go on without it: --write-off {member.name}",
                device=member.name,
            )
        ]
    problems = _disagreements(crew, member, old.readings)
    if problems:
        return problems
    back = dict(member.planned.way_back)
    for setting in member.planned.read_back:
        if setting in old.readings.settings:
            back[setting] = old.readings.settings[setting]
    return Surveyed(member, old, back)


def _reads_alike(crew: Crew, member: Member, there: Sighting) -> bool:
    """Whether only its readings could tell the side, and they fit the old side as well: as where
    nothing but a password changes."""
    declared = plain(side_settings(crew.sides["old"], PARTS))
    bundle = plain(member.planned.bundle)
    before = {setting: declared[setting] for setting in bundle if setting in declared}
    alike = len(before) == len(bundle) and not differences(before, there.readings, member.dialect)
    return there.doubtful and alike


def _declared_back(crew: Crew, member: Member) -> dict[Setting, FrozenValue]:
    """The way back of a device that has already left: what it had can no longer be read, so it is
    what the owner declared, and nothing that would be half of a change."""
    declared = side_settings(crew.sides["old"], PARTS)
    planned = member.planned
    known = {s: declared[s] for s in planned.bundle if s in declared}
    lost = [s for s in planned.bundle if s not in declared]
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
    declared = side_settings(crew.sides[side], ("wifi", "broker"))
    # A declared secret belongs to the declared network or broker, and to no other.
    for setting in (Setting.WIFI_SSID, Setting.BROKER_HOST, Setting.BROKER_USERNAME):
        said = readings.settings.get(setting)
        if setting in member.planned.bundle and setting in declared and said is not None:
            wanted = declared[setting]
            if said != wanted:
                problems.append(
                    Problem(
                        f"has {setting} {said!r}, the playbook's old side says {wanted!r}: its way "
                        "back would lead elsewhere",
                        "correct [old] in the playbook, or change the device first",
                        device=member.name,
                    )
                )
    missing = [setting for setting in member.planned.read_back if setting not in readings.settings]
    if missing:
        problems.append(
            Problem(
                f"did not tell its {', '.join(missing)}, which the way back needs",
                "correct the reading in the dialect",
                device=member.name,
            )
        )
    return problems
