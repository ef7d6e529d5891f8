"""One device's outputs over its journey: read before and after, restored where that is right, told
always. What is right is decided in `planning.outputs`; here it is read, journalled and sent.

Journal first: the readings just before the send, those after the restart, and what an output is
about to be set to are on disk before anything follows from them. So a process that takes over goes
on where the last one ended, and nothing is set twice. For how long nobody looked it cannot know,
since a clock may have stood still with the power: what an earlier process saw last it only tells.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

from migrate.dialects.carrying import output_faults
from migrate.dialects.messages import Declined, Readings, Switched, Unclear
from migrate.engine.awake import look_for_patience
from migrate.engine.crew import Member
from migrate.engine.ground import Ground
from migrate.engine.seek import Look, Sighting
from migrate.engine.soak import join
from migrate.engine.tidings import Tidings
from migrate.model.lifecycle import GOAL, State
from migrate.planning import outputs as kinds
from migrate.planning.outputs import (
    Leave,
    Line,
    Trip,
    Values,
    Verdict,
    in_words,
    judge,
    told_words,
    trips,
)
from migrate.planning.sleep import until_awake
from migrate.ports.protocols import NotDelivered

AT_REST = frozenset({*GOAL.values(), State.RETURNED})
"""States in which the outputs are looked at: the device restarted, and is where it will be."""
BY_THE_OWNER = "the playbook says to leave it"
BY_THE_DIALECT = "its dialect cannot"
CLOCK_SLACK = 1.0
"""Seconds by which a clock may be set back without being doubted (time services do that often)."""
CAME_BACK = "it has not settled where it was sent"
STOPPED = "not restored, since the run was stopped"


class Outputs:
    """The outputs of one device. Where its dialect names none, nothing here does anything."""

    def __init__(self, ground: Ground, member: Member) -> None:
        self._on = ground
        self._member = member
        self._last: Sighting | None = None
        self._under_way: Trip | None = None

    def before(self, there: Sighting) -> None:
        """It is about to be sent something. On disk when this returns."""
        if self._member.dialect.outputs:
            if self._past():
                self._mark_unseen()
            self._read(kinds.BEFORE, there)

    def passing(self, there: Sighting, restarted: bool | None, *, left: bool) -> None:
        """It was sent something, and has not arrived: it may be switched by hand meanwhile.
        `restarted` since, as far as can be told; `left`: it is not where it came from any more."""
        trip = self._trip()
        if trip is None:
            return
        if restarted is None:
            after = left
        else:
            # Without an uptime, a few lost packets look like a restart.
            after = restarted and (left or there.readings.uptime_seconds is not None)
        self._keep(there, after, (trip.found if after else [trip.before, *trip.still])[-1:])

    def found(self, there: Sighting, restarted: bool | None = None) -> None:
        """It has been found after its restart; or without one, if it is known not to have
        `restarted`: then it is not the restart that changed anything."""
        sent = self._on.journal.row(self._member.name).sent_at is not None
        if not self._member.dialect.outputs or not sent:
            return
        self._mark_unseen()
        if restarted is False:
            self._read(kinds.STILL, there)
        self._read(kinds.FOUND, there)

    def watching(self, wrong_with: Callable[[Sighting], str]) -> Callable[[Sighting], str]:
        """The same test of a sighting, which keeps the last one: at the end of a soak it tells how
        the outputs are, and a device that sleeps is still awake then."""

        def kept(there: Sighting) -> str:
            self._last = there
            if trip := self._trip():
                self._keep(there, True, trip.found[-1:])
            return wrong_with(there)

        return kept

    async def see_to(self) -> None:
        """Compare the outputs of a device at rest with what they were, restore what the restart
        changed, and tell the rest. Does nothing where this has been done."""
        state = self._on.journal.row(self._member.name).state
        if not self._member.dialect.outputs or state not in AT_REST:
            return
        past = self._past()
        if not past or past[-1].ended:
            return
        there, why = self._last if state in GOAL.values() else None, ""
        if there is None:
            there, why = await self._look()
        if there is None:
            words = f"cannot be read now: {why}; migrate resume looks again"
            self._leave_open(past[-1], dict.fromkeys(self._names, words))
            return
        if state is State.RETURNED:
            self.found(there)
            past = self._past()
        elif self._mark_unseen():
            past = self._past()
        now = self._values(there.readings)
        self._touch()
        verdicts = self._judge(past, now, state)
        wanted = {name: one.restore for name, one in verdicts.items() if one.restore is not None}
        if wanted and self._on.stopping.is_set():
            self._leave_open(
                past[-1], {name: f"{verdicts[name].words}; {STOPPED}" for name in wanted}
            )
            return
        if wanted:
            verdicts |= await self._restore(there, wanted, verdicts)
        self._end(verdicts, now)

    async def _restore(
        self, there: Sighting, wanted: dict[str, Switched], found: dict[str, Verdict]
    ) -> dict[str, Verdict]:
        """Set these outputs, once, in one message that holds nothing else; then read them back."""
        on, member = self._on, self._member
        faults = output_faults(member.dialect, member.device, member.device.via, wanted)
        if faults:
            return _unrestored(wanted, found, "; ".join(faults))
        self._mark(kinds.TOLD, in_words(wanted))
        seconds, why = on.crew.plan.pace.reply_seconds, ""
        try:
            said = await on.talker.write_outputs(member, there.at, wanted, seconds)
        except NotDelivered as error:
            why = f"it was not reached: {on.talker.clean(str(error))}"
        else:
            if isinstance(said, Declined):
                why = f"it declined: {said.reason}"
            elif isinstance(said, Unclear):
                why = f"no clear answer: {said.why}"
        back, unread = await self._look()
        if back is None:
            return _unrestored(wanted, found, f"told to, and cannot be read since: {unread}")
        now = self._values(back.readings)
        self._read(kinds.READ_BACK, back)
        verdicts = self._judge(self._past(), now, on.journal.row(member.name).state)
        return {
            name: one if one.well or not why else replace(one, words=f"{one.words}; {why}")
            for name, one in verdicts.items()
            if name in wanted
        }

    def _judge(self, past: list[Trip], now: Values, state: State) -> dict[str, Verdict]:
        planned = self._member.planned
        surveyed = (self._on.journal.survey(self._member.name) or {}).get("outputs", {})
        whole = BY_THE_OWNER if planned.outputs == "left" else ""
        whole = CAME_BACK if state is State.RETURNED else whole
        unset = {
            name: BY_THE_DIALECT
            for name, one in self._member.dialect.outputs.items()
            if one.write is None
        }
        return judge(past, surveyed, now, Leave(whole, unset))

    def _end(self, verdicts: dict[str, Verdict], now: Values) -> None:
        words = self._told({n: one.words for n, one in verdicts.items() if one.tell})
        if any(not one.well for one in verdicts.values()):
            kind = kinds.AMISS
        else:
            kind = kinds.RESTORED if words else kinds.AS_BEFORE
        self._mark(kind, words or in_words(now))
        if words:
            self._say(words)

    def _leave_open(self, trip: Trip, by_name: dict[str, str]) -> None:
        words = self._told(by_name)
        if (trip.kind, trip.words) != (kinds.OPEN, words):
            self._mark(kinds.OPEN, words)
        self._say(words)

    async def _look(self) -> tuple[Sighting | None, str]:
        """Where it is now; or why it was not found."""
        seeker, member, pace = self._on.seeker, self._member, self._on.crew.plan.pace
        look: Look
        if member.sleeps:
            look = await look_for_patience(seeker, member, pace, self._on.stopping)
        else:
            look = await seeker.look(member, pace.reply_seconds, sure=True)
        return next(iter(look.found.values()), None), join(look.words)

    @property
    def _names(self) -> list[str]:
        return list(self._member.dialect.outputs)

    def _values(self, readings: Readings) -> Values:
        return {name: readings.outputs.get(name) for name in self._names}

    def _past(self) -> list[Trip]:
        entries = self._on.journal.entries(self._member.name)
        return trips(Line(entry.kind, entry.detail) for entry in entries)

    def _told(self, words: dict[str, str]) -> str:
        return self._on.talker.clean(told_words(words, only=len(self._names) == 1))

    def _trip(self) -> Trip | None:
        """The sending that is under way. Kept until the next mark: each sighting asks for it."""
        if self._under_way is None and self._member.dialect.outputs:
            past = self._past()
            self._under_way = past[-1] if past and not past[-1].ended else None
        return self._under_way

    def _keep(self, there: Sighting, after: bool, known: list[Values]) -> None:
        """A sighting on the way or in the soak: on disk if it shows a change."""
        self._mark_unseen()
        values = self._values(there.readings)
        if known and all(value in (None, known[0].get(name)) for name, value in values.items()):
            self._touch()  # one that could not be read this once says nothing
        else:
            self._read(kinds.FOUND if after else kinds.STILL, there)

    def _read(self, kind: str, there: Sighting) -> None:
        self._mark(kind, in_words(self._values(there.readings)))
        self._touch()

    def _touch(self) -> None:
        now = asyncio.get_running_loop().time(), self._on.world.now()
        self._on.outputs_read[self._member.name] = now

    def _mark_unseen(self) -> bool:
        """Whether nobody can tell what became of the outputs since they were read last: another
        process read them, or too long ago, or the clock was set back. On disk if so.

        By two clocks: the loop's may stand still while the machine sleeps, and the other be set."""
        patience = self._on.crew.plan.pace.deadline_seconds.most
        patience += until_awake(self._member.planned.wakes_seconds)
        read = self._on.outputs_read.get(self._member.name)
        if read is not None:
            steady = asyncio.get_running_loop().time() - read[0]
            by_the_clock = (self._on.world.now() - read[1]).total_seconds()
            if steady <= patience and -CLOCK_SLACK <= by_the_clock <= patience:
                return False
        words = "another process read them last" if read is None else "not read for too long"
        self._mark(kinds.UNSEEN, words)
        return True

    def _mark(self, kind: str, words: str) -> None:
        self._on.journal.mark(self._member.name, kind, words)
        self._under_way = None

    def _say(self, words: str) -> None:
        row = self._on.journal.row(self._member.name)
        self._on.tell(Tidings("note", words, row.name, row.wave, row.state, row.direction))


def _unrestored(
    wanted: dict[str, Switched], found: dict[str, Verdict], why: str
) -> dict[str, Verdict]:
    return {
        name: Verdict(False, None, f"{found[name].words}; not restored: {why}") for name in wanted
    }
