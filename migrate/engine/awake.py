"""Devices that sleep: looked for until they wake.

A sleeper is reached only for a short while every so many seconds. Over MQTT its waking is heard, by
its presence topic; over HTTP it is asked again and again, so a look must come more often than its
wakes are long. Not to answer while it sleeps is no fault.
"""

from __future__ import annotations

import asyncio
from typing import Any

from migrate.engine.crew import Member
from migrate.engine.seek import SIDES, Look, Seeker
from migrate.model.playbook import Pace
from migrate.planning.sleep import until_awake
from migrate.ports.protocols import SideName

ASKED_AT_ONCE = 3
"""Looks at one device at the same time. One that waits for an answer which will not come must not
hold up the next, which may meet it awake."""


async def look_awake(
    seeker: Seeker,
    member: Member,
    pace: Pace,
    seconds: float,
    sides: tuple[SideName, ...] = SIDES,
    stopping: asyncio.Event | None = None,
) -> Look:
    """Look until the device is found, for these seconds and the time of a reply; once at least.

    `stopping` ends the wait at once, as if nothing had been found.
    """
    looking = asyncio.create_task(look_long(seeker, member, pace, seconds, sides))
    stopped = asyncio.create_task((stopping or asyncio.Event()).wait())
    try:
        await asyncio.wait({looking, stopped}, return_when=asyncio.FIRST_COMPLETED)
        return looking.result()[0] if looking.done() else Look(words=["the run was stopped"])
    finally:
        await _end(looking, stopped)


async def look_for_patience(
    seeker: Seeker, member: Member, pace: Pace, stopping: asyncio.Event | None = None
) -> Look:
    """Look for as long as a sleeper may take to wake. A look in vain says how long that was."""
    seconds = until_awake(member.planned.wakes_seconds)
    look = await look_awake(seeker, member, pace, seconds, stopping=stopping)
    if not look.found:
        look.words.append(
            f"it did not wake within {seconds:g} s, and is said to wake every "
            f"{member.planned.wakes_seconds:g} s"
        )
    return look


async def look_long(
    seeker: Seeker, member: Member, pace: Pace, seconds: float, sides: tuple[SideName, ...]
) -> tuple[Look, bool]:
    """The look that found it, or the last; and whether the first did not find it."""
    end = asyncio.get_running_loop().time() + seconds
    by = _by_presence if member.tells_presence else _by_asking
    return await by(seeker, member, pace, end, sides)


async def _by_presence(
    seeker: Seeker, member: Member, pace: Pace, end: float, sides: tuple[SideName, ...]
) -> tuple[Look, bool]:
    """A look is begun anew at every change of its presence: one that was asked while it slept
    would be waited for in vain. One watch lasts over look and pause, so that none is missed."""
    loop = asyncio.get_running_loop()
    waited = False
    while True:
        left = max(end - loop.time(), 0)
        changed = asyncio.create_task(seeker.change(member, left + pace.reply_seconds))
        looking = asyncio.create_task(seeker.look(member, pace.reply_seconds, sides))
        try:
            await asyncio.wait({looking, changed}, return_when=asyncio.FIRST_COMPLETED)
            # One that changes for ever must not hold up the end.
            if looking.done() or loop.time() >= end:
                look = await looking
                if look.found or loop.time() >= end:
                    return look, waited
                pause = min(pace.look_seconds, max(end - loop.time(), 0))
                await asyncio.wait({changed}, timeout=pause)
            waited = True
        finally:
            await _end(looking, changed)


async def _by_asking(
    seeker: Seeker, member: Member, pace: Pace, end: float, sides: tuple[SideName, ...]
) -> tuple[Look, bool]:
    """A new look each `look_seconds`, whether or not those before have ended."""
    loop = asyncio.get_running_loop()
    asked: set[asyncio.Task[Look]] = set()
    last, waited = Look(), False
    try:
        while True:
            more = loop.time() < end
            if not asked or (more and len(asked) < ASKED_AT_ONCE):
                look = seeker.look(member, pace.reply_seconds, sides)
                asked.add(asyncio.create_task(look))
            next_at = loop.time() + pace.look_seconds
            while asked and (not more or loop.time() < next_at):
                pause = max(next_at - loop.time(), 0) if more else None
                done, asked = await asyncio.wait(
                    asked, timeout=pause, return_when=asyncio.FIRST_COMPLETED
                )
                for one in done:
                    last = one.result()
                    if last.found:
                        return last, waited
                    waited = True
            if not more:
                return last, waited
            await asyncio.sleep(max(next_at - loop.time(), 0))
    finally:
        await _end(*asked)


async def _end(*tasks: asyncio.Task[Any]) -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
