"""One step for all: devices without a spare slot, and an access point that changes its passphrase.

Every device is given the new passphrase while the access point still has the old one; each then is
gone. Only when all of them are gone is the owner told to change the access point, and only then is
any of them waited for. Until that moment the owner can still decide otherwise: a device that did
not take it, or came back with the old passphrase, is named before.
"""

from __future__ import annotations

import asyncio
import shlex
from collections.abc import Awaitable, Callable, Collection, Coroutine, Iterable
from datetime import datetime

from migrate.engine.ground import Ground
from migrate.engine.journey import Journey, arrived_for_good
from migrate.engine.seek import Sighting
from migrate.engine.soak import UPTIME_SLACK
from migrate.engine.tidings import Outcome, Tidings
from migrate.journal.rows import Row
from migrate.journal.store import ADMITTED, ALL_TOLD, FINISHED, HELD, QUIET, STOPPED
from migrate.model.lifecycle import Event, State
from migrate.model.problems import Exit
from migrate.planning.gates import admit
from migrate.planning.hours import named
from migrate.planning.steps import devices

Together = Callable[[Iterable[Coroutine[None, None, None]]], Awaitable[None]]
TOLD = frozenset({State.SENDING, State.AWAY, State.ADRIFT, State.SEEN, State.SETTLED})
"""States of a device that was given the new passphrase, as far as can be told."""
UNTOLD = frozenset({State.WAITING, State.DECLINED})
"""States of a device that was not, or seemed none the worse for it."""
ONCE_MORE = frozenset({State.DECLINED, State.RETURNED})
"""States from which a device is told once more, when the owner says so."""
GONE = frozenset({State.AWAY, State.SETTLED})
"""States of a device that the access point may be changed for, or was changed for already."""


class Switchover:
    """The one wave of such a leg. `together` runs the journeys of its devices."""

    def __init__(self, ground: Ground, together: Together) -> None:
        self._on = ground
        self._together = together

    async def forward(self, again: Collection[str]) -> Outcome:
        """Tell every device and see it go; or, once the access point is changed, see it come."""
        self._on.seeker.flipped = self._on.journal.flipped
        return await (self._see_come if self._on.journal.flipped else self._tell_all)(again)

    async def _tell_all(self, again: Collection[str]) -> Outcome:
        journal = self._on.journal
        rows = self._rows()
        ready = [
            row.name
            for row in rows
            if row.state is State.WAITING or (row.state in ONCE_MORE and row.name in again)
        ]
        if quiet := [name for name in ready if self._on.quiet(self._on.crew.members[name])]:
            # The others would be gone until those hours end, and all of them have been told.
            words = f"{named(quiet)}: nobody is told anything in quiet hours of one of them"
            journal.remark(QUIET, words, 0)
            journal.remark(HELD, ", ".join(quiet), 0)
            return Outcome(
                Exit.HELD,
                "held: all go together, and some are in their quiet hours; resume after them",
                tuple(f"{name} is in its quiet hours" for name in quiet),
            )
        admission = admit(self._on.crew.plan, journal.standings(), ready)
        if admission.admitted:
            words = f"{len(admission.admitted)} together, as the owner accepted"
            journal.remark(ADMITTED, words, 0)
            self._on.tell(Tidings("wave", f"{devices(len(admission.admitted))} together", wave=0))
            self._on.put_off.clear()
            await self._together(self._journey(name).tell() for name in admission.admitted)
            for name in self._on.put_off:
                journal.note(name, "nothing was sent: it is in its quiet hours; resume after them")
        if self._on.stopping.is_set() and any(r.state is State.WAITING for r in self._rows()):
            journal.remark(STOPPED, "on the owner's word")
            return Outcome(Exit.STOPPED, "stopped between devices, as you asked")
        # Seen to go only when all have been told: who leaves first is gone the longest.
        leaving = [row.name for row in self._rows() if row.state in (State.SENDING, State.AWAY)]
        self._on.tell(Tidings("waiting", f"until {devices(len(leaving))} are gone"))
        await self._together(self._journey(name).leave() for name in leaving)
        behind = [row for row in self._rows() if row.state not in GONE]
        if behind:
            journal.remark(HELD, ", ".join(row.name for row in behind), 0)
            return Outcome(
                Exit.HELD,
                f"held before the access point is changed: {devices(len(behind))} of "
                f"{len(self._rows())} would be left behind. Do not change it yet",
                reasons_of(behind),
            )
        journal.remark(ALL_TOLD, "the access point may be changed now", 0)
        return Outcome(
            Exit.HELD,
            f"all {devices(len(leaving))} have the new passphrase and are gone: now change the "
            "passphrase at the access point",
            (),
            flip=True,
        )

    async def _see_come(self, again: Collection[str]) -> Outcome:
        journal = self._on.journal
        rows = self._rows()
        # Whoever answers can be told once more, whatever the access point has by now.
        ready = {row.name for row in rows if _can_be_told(row) and row.name in again}
        if here := await self._still_here(ready):
            words = f"{named(here)} answers, and took no new passphrase as far as is known"
            journal.unflip(words)
            for row in rows:
                if row.state is State.SEEN:  # by the old passphrase as well
                    journal.step(row.name, Event.LOSE, "the access point has not been changed")
            return Outcome(
                Exit.HELD,
                f"held: the access point still has its old passphrase: {words}. Do not change it "
                "before every device has been told",
                (*reasons_of(journal.row(name) for name in here), *_once_more(rows, here)),
            )
        if ready:
            journal.remark(ADMITTED, f"{len(ready)} once more", 0)
        told = [row.name for row in rows if row.state in TOLD or row.sent_at]
        await self._together(
            self._journey(name).send() if name in ready else self._journey(name).go()
            for name in told
        )
        rows = self._rows()
        failed = [row for row in rows if not arrived_for_good(row)]
        if failed:
            for row in failed:
                if row.state in (State.WAITING, State.DECLINED):
                    words = "it was not given the new passphrase before the access point changed"
                    journal.note(row.name, words)
            journal.remark(HELD, ", ".join(row.name for row in failed), 0)
            reasons = reasons_of(self._on.journal.row(row.name) for row in failed)
            words = f"{len(rows) - len(failed)} of {devices(len(rows))} came across"
            return Outcome(Exit.HELD, f"held: {words}", reasons)
        journal.remark(FINISHED, "every device settled or written off")
        return Outcome(Exit.DONE, f"{devices(len(rows))} came across, all that were to")

    async def _still_here(self, ready: Collection[str]) -> list[str]:
        """Devices that answer although the access point is said to be changed, and could not if it
        were; `ready` are told once more instead."""
        rows = [row for row in self._rows() if row.state in UNTOLD and row.name not in ready]
        members, seconds = self._on.crew.members, self._on.crew.plan.pace.reply_seconds
        looks = await asyncio.gather(
            *(self._on.seeker.look(members[row.name], seconds) for row in rows)
        )
        return [
            row.name
            for row, look in zip(rows, looks, strict=True)
            if any(self._never_left(row, there) for there in look.found.values())
        ]

    def _never_left(self, row: Row, there: Sighting) -> bool:
        """Whether it has been there all the time. One that was sent the new passphrase may hold it
        all the same, by a message that came late or twice; it has restarted then."""
        uptime = there.readings.uptime_seconds
        if row.sent_at is None or uptime is None:
            return True
        since = self._on.world.now() - datetime.fromisoformat(row.sent_at)
        asked = asyncio.get_running_loop().time() - there.asked
        return uptime + UPTIME_SLACK >= since.total_seconds() - asked

    def _rows(self) -> list[Row]:
        return [row for row in self._on.journal.rows() if not row.written_off]

    def _journey(self, name: str) -> Journey:
        return Journey(self._on, self._on.crew.members[name])


def _can_be_told(row: Row) -> bool:
    """Whether it is told once more after the access point was changed, when the owner says so. One
    that waits although it was sent something may have taken it, whatever it seemed."""
    return row.state in ONCE_MORE or (row.state is State.WAITING and row.sent_at is not None)


def _once_more(rows: Iterable[Row], here: Collection[str]) -> list[str]:
    """What to do if it has been changed all the same: somebody came by what it was sent before."""
    names = [row.name for row in rows if row.name in here and _can_be_told(row)]
    if not names:
        return []
    again = " ".join(f"--again {shlex.quote(name)}" for name in names)
    return [f"if it has been changed all the same: resume with --flipped {again}"]


def reasons_of(rows: Iterable[Row]) -> tuple[str, ...]:
    """What is known of each of these devices, in words."""
    return tuple(
        f"{row.name} {row.state.told}: {row.note or 'nothing is known beyond that'}" for row in rows
    )
