"""The soak: a device that has arrived must stay well for a while before it counts.

What ends it is told as an event of the life cycle, with words. One that is there and keeps other
settings than it was given has come back; no event says that it is there, but not well.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from migrate.engine.awake import look_long
from migrate.engine.crew import Member
from migrate.engine.seek import Seeker, Sighting
from migrate.model.lifecycle import Event
from migrate.model.playbook import Pace
from migrate.planning.sleep import soak_most, until_awake
from migrate.ports.protocols import SideName

UPTIME_SLACK = 1.0
"""Seconds by which uptimes may be off: families tell them in whole seconds."""
MISSES = 2
"""Checks in a row that must fail before a soaking device counts as lost: one lost packet is not a
lost device (common practice, no source). Of one that sleeps, periods in a row unseen."""
Soaked = tuple[Event | None, str]


async def soak_awake(
    seeker: Seeker,
    member: Member,
    pace: Pace,
    target: SideName,
    wrong_with: Callable[[Sighting], str],
    silent: Callable[[Sighting], str] = lambda there: "",
) -> Soaked:
    """Stay until the device was well, as intended, for the soak; or is lost, or stays unwell.

    The soak is counted from the first look after the last at which anything was wrong. `wrong_with`
    says what is wrong with it where it was seen, `silent` that it does not say that it is there,
    where that is asked for; empty if nothing is.
    """
    loop = asyncio.get_running_loop()
    begun = loop.time()
    since: float | None = begun
    patience = begun + max(pace.deadline_seconds.most, pace.soak_seconds + pace.look_seconds)
    interval = max(pace.look_seconds, pace.soak_seconds / 10)
    misses, before = 0, None
    while True:
        look = await seeker.look(member, pace.reply_seconds, (target,))
        there, now = look.found.get(target), loop.time()
        misses = 0 if there else misses + 1
        if misses >= MISSES:
            return Event.LOSE, "lost while it soaked; " + join(look.words)
        other = wrong_with(there) if there else ""
        if there is None:
            wrong = "it does not answer every time"
        elif before and _restarted_between(before, there):
            wrong = "it restarts again and again"
        else:
            wrong = other or silent(there)
        if wrong:
            since = None
            if now >= patience:
                # With other settings it can be sent its bundle once more.
                event = Event.COME_BACK if other else None
                return event, f"on the {target} side, but {wrong}"
        else:
            since = now if since is None else since
            if now - since >= pace.soak_seconds:
                return Event.SOAK, f"well for {now - begun:.1f} s"
        before = there or before
        left = pace.soak_seconds if since is None else since + pace.soak_seconds - now
        await seeker.change(member, interval if misses else min(interval, max(left, 0)))


@dataclass
class Wakes:
    """What a soaking sleeper has shown. All times are the loop's, in seconds.

    It has soaked when it was well for `soak`, and either answered at every look, or was seen in two
    wakes: at moments at least half a `period` apart.
    """

    period: float
    soak: float
    since: float | None = None
    asleep: bool = False

    def seen(self, now: float) -> bool:
        """It was seen, and well. Whether it has soaked."""
        if self.since is None:
            self.since, self.asleep = now, False
        apart = now - self.since
        return apart >= self.soak and (not self.asleep or apart >= self.period / 2)

    def unwell(self) -> None:
        """Something is wrong with it: it begins anew."""
        self.since = None


async def soak_asleep(
    seeker: Seeker,
    member: Member,
    pace: Pace,
    target: SideName,
    wrong_with: Callable[[Sighting], str],
    silent: Callable[[Sighting], str] = lambda there: "",
) -> Soaked:
    """The same for a device that sleeps, over its wakes.

    That it has restarted is not looked at: with many, the uptime begins anew at each wake.
    """
    loop = asyncio.get_running_loop()
    period = member.planned.wakes_seconds or pace.look_seconds
    begun, misses = loop.time(), 0
    longest = soak_most(pace.soak_seconds, period) + pace.look_seconds
    give_up = begun + max(pace.deadline_seconds.most, longest) + until_awake(period)
    wakes = Wakes(period, pace.soak_seconds)
    while True:
        look, waited = await look_long(seeker, member, pace, period, (target,))
        wakes.asleep = wakes.asleep or waited
        there, now = look.found.get(target), loop.time()
        if there is None:
            misses += 1
            if misses >= MISSES:
                words = f"not seen for {misses * period:.0f} s while it soaked; "
                return Event.LOSE, words + join(look.words)
            continue
        misses = 0
        other = wrong_with(there)
        if wrong := other or silent(there):
            wakes.unwell()
            if now >= give_up:
                return Event.COME_BACK if other else None, f"on the {target} side, but {wrong}"
        elif wakes.seen(now):
            return Event.SOAK, f"well over its wakes for {now - begun:.1f} s"
        await seeker.change(member, max(pace.look_seconds, pace.soak_seconds / 10))


def _restarted_between(before: Sighting, there: Sighting) -> bool:
    """Whether its uptime says that it restarted between two looks."""
    was, now = before.readings.uptime_seconds, there.readings.uptime_seconds
    if was is None or now is None:
        return False
    return now + UPTIME_SLACK < was + there.asked - before.heard


def join(words: list[str]) -> str:
    """Why nothing was found, each reason once."""
    return "; ".join(dict.fromkeys(words)) or "nothing answered"
