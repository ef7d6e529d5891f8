"""The roll call: every device of a fleet is read, wherever it is, and only read.

A run's own survey (survey.py) judges whether each device may be moved; this one judges nothing. It
brings whatever they tell, for a snapshot; and the same snapshot can be had of what a run read
before it sent anything.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Collection, Mapping
from typing import Any

from migrate.engine.crew import Crew, Member
from migrate.engine.seek import Look, Seeker, Sighting
from migrate.engine.survey import AT_ONCE, readings_json, reads_alike
from migrate.engine.tidings import Tell, Tidings, silent
from migrate.journal.store import Journal
from migrate.planning.plan import PlannedDevice
from migrate.planning.snapshots import Seen, Snapshot, Standing
from migrate.ports.protocols import SideName

NOT_READ = "this run did not read it"


async def roll_call(
    crew: Crew, seeker: Seeker, heard: Collection[SideName], tell: Tell = silent
) -> list[Seen]:
    """Read all devices, at most `AT_ONCE` at the same time. `heard`: sides whose broker is
    connected to. Those that sleep are asked like the others, and not waited for. Nothing is
    written, and nothing is raised for a device."""
    gate = asyncio.Semaphore(AT_ONCE)

    async def one(member: Member) -> Seen:
        async with gate:
            look = await seeker.look(member, crew.plan.pace.reply_seconds, sure=not member.sleeps)
            seen = _seen(crew, member, look)
            if seen.standing == "read":
                its = [side for side in heard if seen.side in (side, "either")]
                quiet = await _silent(seeker, member, its, crew.plan.pace.reply_seconds)
                seen = seen.model_copy(update={"silent": quiet})
        tell(Tidings("survey", seen.why or "found", member.name))
        return seen

    return list(await asyncio.gather(*(one(member) for member in crew.members.values())))


def _seen(crew: Crew, member: Member, look: Look) -> Seen:
    """One device as a look at it brought it."""
    others = tuple(dict.fromkeys(look.others))
    sighting = next(iter(look.found.values()), None)
    if sighting is not None:
        new = sighting.side == "new"
        side = "either" if new and reads_alike(crew, member, sighting) else sighting.side
        said = {**readings_json(sighting.readings), "side": side}
        hidden = tuple(str(setting) for setting in sighting.readings.hidden)
        return _read(member.planned, said, hidden=hidden, place=_place(sighting), others=others)
    why = "; ".join(look.words) or "it did not answer"
    if member.sleeps:
        every = f"it sleeps, and is said to wake every {member.planned.wakes_seconds:g} s"
        return _unread(member.planned, "asleep", f"{every}; it did not answer just now", others)
    return _unread(member.planned, "missing", why, others)


def _place(sighting: Sighting) -> str:
    at = sighting.at
    return f"{at.address}:{at.port}" if at.address else ""


async def _silent(
    seeker: Seeker, member: Member, sides: Collection[SideName], seconds: float
) -> bool:
    """Whether nothing at all is said of it at the broker of where it is. A word that a broker keeps
    comes at once; it is waited for, for as long as an answer may take."""
    presence, topic = seeker.world.presence, member.presence_topic
    if topic is None or not sides:
        return False
    if all(presence.last(topic, side) is None for side in sides):
        await presence.change(topic, seconds)
    return all(presence.last(topic, side) is None for side in sides)


def _read(
    planned: PlannedDevice,
    said: Mapping[str, Any],
    *,
    hidden: tuple[str, ...] = (),
    place: str = "",
    others: tuple[str, ...] = (),
) -> Seen:
    """A device that was read, from its readings as plain data. Raises ValueError."""
    data = {**said, **_who(planned), "standing": "read", "place": place}
    return Seen.model_validate_json(json.dumps({**data, "hidden": hidden, "others": others}))


def _unread(
    planned: PlannedDevice, standing: Standing, why: str, others: tuple[str, ...] = ()
) -> Seen:
    return Seen(standing=standing, why=why[:4096], others=others, **_who(planned))


def _who(planned: PlannedDevice) -> dict[str, Any]:
    return {
        "name": planned.name,
        "mac": planned.mac,
        "dialect": planned.dialect,
        "via": planned.via,
    }


def snapshot_of_run(journal: Journal) -> Snapshot:
    """What a run read before it sent anything: the very readings that its way back restores."""
    plan = journal.plan
    seen = []
    for planned in plan.devices:
        said = journal.survey(planned.name)
        try:
            seen.append(_read(planned, said) if said else _unread(planned, "missing", NOT_READ))
        except ValueError:
            words = "what this run read of it cannot be understood any more"
            seen.append(_unread(planned, "missing", words))
    return Snapshot(
        kind="run", title=plan.title, at=plan.created, tool=plan.tool, device=tuple(seen)
    )
