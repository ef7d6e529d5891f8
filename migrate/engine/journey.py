"""One device's journey to the other side: sent, away, seen, soaked. Journal first at every step.

A journey never decides about other devices; it ends when this device has arrived for good, or
when it is clear that it did not.
"""

from __future__ import annotations

import asyncio
from datetime import datetime
from math import inf

from migrate.dialects.messages import Declined, Taken, Unclear
from migrate.engine.awake import look_awake, look_for_patience
from migrate.engine.crew import Member, source_of, target_of
from migrate.engine.ground import Ground
from migrate.engine.outputs import Outputs
from migrate.engine.proof import Proof
from migrate.engine.seek import Look, Sighting
from migrate.engine.soak import MISSES, join, soak_asleep, soak_awake
from migrate.engine.tidings import Tidings
from migrate.journal.rows import SEEMED_UNSENT, Row
from migrate.model.deadline import deadline
from migrate.model.lifecycle import GOAL, Direction, Event, State
from migrate.model.settings import Setting
from migrate.planning.bundles import resolved
from migrate.planning.sleep import until_awake
from migrate.ports.protocols import NotDelivered

SENDS_AT_ONCE = 16
WAKES_TRIED = 3
"""Wakes in which a sleeper is sent its bundle, if nothing of it was delivered before."""

GLANCED_AT = frozenset({State.ADRIFT, State.RETURNED, State.DECLINED, State.WAITING})
"""States in which a device is looked for once, when a run is gone on with."""


class Journey:
    """Moves one device in the direction that the journal has for it."""

    def __init__(self, ground: Ground, member: Member) -> None:
        self._on = ground
        self._member = member
        self._pace = ground.crew.plan.pace
        self._loop = asyncio.get_running_loop()
        self._left = self._loop.time() - self._seconds_since_sent()
        self._proof = Proof(ground, member, self._left)
        if ground.seeker.flipped:
            self._left = self._loop.time()  # it could not come before the access point changed
        self._told_to_restart = -inf
        self._outputs = Outputs(ground, member)

    @property
    def _row(self) -> Row:
        return self._on.journal.row(self._member.name)

    def _seconds_since_sent(self) -> float:
        """By the journal, for a journey that another process began."""
        sent_at = self._row.sent_at
        if sent_at is None:
            return 0.0
        since = self._on.world.now() - datetime.fromisoformat(sent_at)
        return max(0.0, since.total_seconds())

    async def go(self) -> None:
        """From wherever the journal has the device to wherever it ends up."""
        if self._row.state is State.SENDING:
            await self._recall()
        elif self._row.state in GLANCED_AT:
            await self._glance()
        await self._see_through()

    async def send(self) -> None:
        """Give the device its bundle, then go along. It must be waiting, or be sent once more."""
        await self.tell()
        await self._see_through()

    async def tell(self) -> None:
        """Give the device its bundle, and no more."""
        if self._member.sleeps:
            # Sent as soon as it is seen awake: it waits for no other, and keeps none waiting.
            seconds = until_awake(self._member.planned.wakes_seconds)
            self._say(self._row.state, f"is sent its bundle when it wakes, within {seconds:.0f} s")
            for _ in range(WAKES_TRIED):
                if self._on.stopping.is_set() or await self._deliver():
                    break
        else:
            async with self._on.sends:
                if self._on.stopping.is_set():
                    return
                await self._deliver()

    async def leave(self) -> None:
        """Before the access point is changed: until the device is gone from the old network for
        the soak. One that is still there after the least deadline, or there again after its
        restart, still uses the old passphrase."""
        if self._row.state is State.SENDING:
            self._step(Event.SENT, "an interruption came between; it may have been sent")
        pace, begun = self._pace, self._loop.time()
        gone_since: float | None = None
        while self._row.state is State.AWAY and not self._member.sleeps:
            look = await self._on.seeker.look(self._member, pace.reply_seconds)
            there, now = look.found.get("old"), self._loop.time()
            if there is not None:
                self._outputs.passing(there, self._proof.restarted(there), left=False)
            if there is None:
                gone_since = gone_since if gone_since is not None else now
                if now - gone_since >= pace.soak_seconds:
                    self._note("gone from the old network, as it should be by now")
                    return
            elif self._proof.restarted(there):
                words = f"at {there.at}, restarted: it still uses the old passphrase"
                self._step(Event.COME_BACK, words)
            elif now - begun >= pace.deadline_seconds.least:
                words = f"still at {there.at} after {now - begun:.0f} s"
                self._step(Event.COME_BACK, words)
            else:
                gone_since = None
            await self._change(pace.look_seconds)
        await self._outputs.see_to()

    async def _see_through(self) -> None:
        """Soak a device that is there, follow one that is on its way; leave any other."""
        if self._row.state is State.SEEN:
            await self._soak()
        if self._row.state is State.AWAY:
            await self._follow()
        await self._outputs.see_to()

    async def _deliver(self) -> bool:
        """Intent, message, answer; each on disk before the next. False: nothing was delivered."""
        on, member, seconds = self._on, self._member, self._pace.reply_seconds
        direction = self._row.direction
        start = await self._start()
        if start is None or on.stopping.is_set():
            return True
        if direction is Direction.FORWARD and on.quiet(member):
            on.put_off.add(member.name)
            self._note("not sent yet: it is in its quiet hours")
            return True
        self._proof.in_place = start.side == target_of(direction)
        frozen = self._proof.bundle(direction)
        values = resolved(frozen, on.crew.resolve)
        self._outputs.before(start)
        row = on.journal.intend(member.name, frozen, start.readings.uptime_seconds)
        self._say(row.state, "its bundle is on the way")
        self._left = self._loop.time()
        self._proof.begin(self._left, start.readings.uptime_seconds)
        self._proof.at_once = self._proof.takes_hold_at_once(start)
        try:
            said = await on.talker.write(member, start.at, values, seconds)
        except NotDelivered as error:
            self._step(Event.UNSENT, f"nothing was delivered: {error}")
            return False
        if isinstance(said, Declined):
            self._step(Event.DECLINE, f"it declined: {said.reason}")
            return True
        if isinstance(said, Taken) and member.dialect.restart is not None:
            self._told_to_restart = self._loop.time()
            said = await on.talker.restart(member, start.at, seconds)
            self._proof.said_yes = self._told_to_restart if isinstance(said, Taken) else inf
        if isinstance(said, Unclear) and member.sleeps and await self._slept_through():
            self._step(Event.UNSENT, f"found unchanged when it woke again: {said.why}")
            return False
        words = f"no clear answer: {said.why}" if isinstance(said, Unclear) else "it said yes"
        self._step(Event.SENT, words)
        return True

    async def _look_surely(self, stopping: asyncio.Event | None = None) -> Look:
        """A look that a lost packet, or sleep, does not spoil."""
        seeker, member = self._on.seeker, self._member
        if member.sleeps:
            return await look_for_patience(seeker, member, self._pace, stopping)
        return await seeker.look(member, self._pace.reply_seconds, sure=True)

    async def _start(self) -> Sighting | None:
        """The device where it must be to be sent anything: known by its MAC, just now."""
        direction = self._row.direction
        look = await self._look_surely(self._on.stopping)
        start = (
            look.found.get(source_of(direction))
            or self._proof.unfinished(look)
            or self._proof.otherwise_there(look)
        )
        if start is None and self._proof.arrived(look):
            self._outputs.found(look.found[target_of(direction)])
            self._step(Event.ARRIVE, f"it is already on the {target_of(direction)} side")
        elif start is None and not self._on.stopping.is_set():
            self._note("nothing was sent: it was not found where it must be; " + join(look.words))
        return start

    async def _slept_through(self) -> bool:
        """Whether a sleeper fell asleep before its message reached it: it is proven unchanged in a
        later wake, into which no message that was under way can reach."""
        half = (self._member.planned.wakes_seconds or 0.0) / 2
        await asyncio.sleep(max(self._proof.sent + half - self._loop.time(), 0))
        return self._proof.unchanged(await self._look_surely())

    async def _recall(self) -> None:
        """A crash came between intent and outcome: find out what became of the message."""
        unchanged = self._proof.unchanged(await self._look_surely())
        if unchanged and not self._member.sleeps:
            # What was on its way may arrive still; after the time of a reply it is out of date.
            await asyncio.sleep(self._pace.reply_seconds)
            unchanged = self._proof.unchanged(await self._look_surely())
        if unchanged:
            self._step(Event.UNSENT, "found unchanged after an interruption")
            self._on.journal.mark(self._member.name, SEEMED_UNSENT, "")
        else:
            self._step(Event.SENT, "an interruption came between; it may have been sent")

    async def _glance(self) -> None:
        """One look for a device that had been given up, had come back by itself, or said no."""
        look = await self._look_surely(self._on.stopping)
        direction, adrift = self._row.direction, self._row.state is State.ADRIFT
        arrived, there = self._proof.arrived(look), self._where_it_came_from(look)
        otherwise = arrived and self._proof.otherwise_there(look)
        if otherwise and adrift and self._proof.never_sent_back:
            self._step(Event.COME_BACK, f"at {otherwise.at}, never left, with new settings")
        elif arrived and (adrift or self._proof.stored(arrived)):
            self._outputs.found(look.found[target_of(direction)])
            self._step(Event.ARRIVE, "found after all")
        elif self._row.state is State.WAITING:
            holds = there or look.found.get(target_of(direction))
            if holds and self._proof.stored(holds):
                self._step(Event.SENT, "it seemed unchanged, and holds what it was sent")
            elif not look.found and not self._on.stopping.is_set():
                self._step(Event.SENT, "it seemed unchanged, and is found nowhere now")
        elif adrift and (there := there or self._proof.not_well(look)):
            self._step(Event.COME_BACK, "found after all; " + self._still_there(there, 0))
        elif adrift and not self._on.stopping.is_set():
            self._note("still on neither side; " + join(look.words))

    async def _follow(self) -> None:
        """Look for the device on both sides until it has arrived, came back, or time is up.

        Past its deadline, which shrinks as others come back (RFC 6298), it is adrift; that is told
        at once, and it is still looked for until the longest deadline: late is not lost.
        """
        start = self._loop.time()
        least, most = self._pace.deadline_seconds.least, self._pace.deadline_seconds.most
        asleep = until_awake(self._member.planned.wakes_seconds)
        asleep_there: Sighting | None = None
        missed = 0
        while (state := self._row.state) in (State.AWAY, State.ADRIFT):
            adrift = state is State.ADRIFT
            if adrift and self._on.stopping.is_set():
                return
            limit = most if adrift else deadline(self._on.returns, least, most)
            look = await self._look_until_change(start + limit + asleep)
            # A sleeper is gone whenever it sleeps; that proves no restart.
            missed = 0 if look.found else missed + 1
            gone = self._proof.gone or missed >= MISSES  # one lost packet is no restart
            self._proof.gone = not self._member.sleeps and gone
            late = adrift or self._loop.time() - start >= limit
            over = self._loop.time() - start >= limit + asleep
            arrived = self._proof.arrived(look, late=late)
            there = self._where_it_came_from(look)
            for one in look.found.values() if arrived is None else ():
                restarted = self._proof.restarted(one)
                self._outputs.passing(one, restarted, left=one is not there)
            if asleep and late and look.found:
                asleep_there = there
            unturned = self._proof.otherwise_there(look) if self._proof.never_sent_back else None
            if unturned and not adrift and not self._may_be_about_to_leave:
                self._step(Event.COME_BACK, f"at {unturned.at}, never left, with new settings")
            elif arrived is not None and not unturned:
                await self._arrive(arrived)
                start = self._loop.time()
            elif there is not None and await self._came_back(there):
                words = f"at {there.place}, restarted, with its former settings"
                self._step(Event.COME_BACK, words)
            elif over and (stayed := there or asleep_there or self._proof.not_well(look)):
                self._step(Event.COME_BACK, self._still_there(stayed, limit + asleep))
            elif over and adrift:
                self._note(self._not_found(look, limit + asleep))
                return
            elif over:
                self._step(Event.EXPIRE, self._not_found(look, limit + asleep))
            else:
                await self._change(self._pace.look_seconds)

    def _where_it_came_from(self, look: Look) -> Sighting | None:
        """The device on the side it came from, or with new settings that are not in force."""
        return look.found.get(source_of(self._row.direction)) or self._proof.unfinished(look)

    @property
    def _may_be_about_to_leave(self) -> bool:
        """Whether it was given new settings so short a time ago that its restart may be to come."""
        return self._loop.time() - self._proof.sent <= self._pace.deadline_seconds.least

    async def _arrive(self, there: Sighting) -> None:
        took = self._loop.time() - self._left
        known = not self._member.sleeps  # when one woke says nothing about the others
        if known:
            self._on.learn(took)
        self._outputs.found(there, self._proof.restarted(there))
        self._step(Event.ARRIVE, f"at {there.place} after {took:.1f} s", took if known else None)
        await self._soak()

    def _still_there(self, there: Sighting, seconds: float) -> str:
        words = f"still at {there.at}" + (f" after {seconds:.0f} s" if seconds else "")
        if self._proof.is_there(there):
            return f"at {there.place}, but {self._proof.wrong_with(there)}"
        if not self._proof.stored(there):
            return words
        words += ", with its new settings stored but not in force"
        if Setting.SPARE_SSID in self._proof.bundle(self._row.direction):
            words += ": by its spare network, until it is restarted or taken back"
        return words

    def _not_found(self, look: Look, seconds: float) -> str:
        if there := look.found.get(target_of(self._row.direction)):
            return f"at {there.place}, but not proven within {seconds:.0f} s"
        return f"on neither side for {seconds:.0f} s; {join(look.words)}"

    async def _look_until_change(self, end: float) -> Look:
        """A look that is begun anew when the device's presence changes: it then knows better whom
        to ask, and breaking off a read is harmless. After `reply_seconds` it is left to end: a
        device that never answers, or changes for ever, must not hold up its deadline.

        For one that sleeps it lasts until it is found, at the latest to `end`, the loop's time."""
        member, seconds = self._member, self._pace.reply_seconds
        if member.sleeps:
            left = max(end - self._loop.time(), 0)
            return await look_awake(self._on.seeker, member, self._pace, left)
        patience = self._loop.time() + seconds
        while member.tells_presence and self._loop.time() < patience:
            look = asyncio.create_task(self._on.seeker.look(member, seconds))
            change = asyncio.create_task(self._change(seconds))
            try:
                await asyncio.wait({look, change}, return_when=asyncio.FIRST_COMPLETED)
                if look.done() or self._loop.time() >= patience:
                    return await look
            finally:
                for task in (look, change):
                    task.cancel()
                await asyncio.gather(look, change, return_exceptions=True)
        return await self._on.seeker.look(member, seconds)

    async def _came_back(self, back: Sighting) -> bool:
        """Whether a device found on the source side has returned, rather than not left yet."""
        stored, restarted = self._proof.stored(back), self._proof.restarted(back)
        if self._proof.may_not_have_left:
            return False  # restarted now, it would be taken for one that has come across
        if stored and self._member.dialect.restart is not None and not restarted:
            # It took the settings, but the word to restart was lost, or never sent because nobody
            # could tell that it took them; a restart can be repeated.
            waited = self._loop.time() - self._told_to_restart > self._pace.reply_seconds
            if waited and not self._on.stopping.is_set():
                self._told_to_restart = self._loop.time()
                self._proof.begin(self._told_to_restart, back.readings.uptime_seconds)
                at, seconds = back.at, self._pace.reply_seconds
                said = await self._on.talker.restart(self._member, at, seconds)
                self._proof.said_yes = self._told_to_restart if isinstance(said, Taken) else inf
            return False
        # One that restarted and holds what it was given has not given up: it is still looking, or
        # answers for the last time on the side that it is about to leave.
        return bool(restarted) and not stored

    async def _soak(self) -> None:
        """Stay until it was well for the soak; or is lost, or stays unwell."""
        soak = soak_asleep if self._member.sleeps else soak_awake
        target = target_of(self._row.direction)
        event, words = await soak(
            self._on.seeker,
            self._member,
            self._pace,
            target,
            self._outputs.watching(self._proof.wrong_with),
            self._proof.silent,
        )
        if event is None:
            self._note(words)
            return
        self._step(event, words)
        if event is Event.LOSE:
            self._left = self._loop.time()

    async def _change(self, seconds: float) -> None:
        """Until its presence changes, at the latest after these seconds."""
        await self._on.seeker.change(self._member, seconds)

    def _step(self, event: Event, words: str, took: float | None = None) -> None:
        words = self._on.talker.clean(words)
        row = self._on.journal.step(self._member.name, event, words, took)
        self._say(row.state, words)

    def _note(self, words: str) -> None:
        words = self._on.talker.clean(words)
        self._on.journal.note(self._member.name, words)
        row = self._row
        self._on.tell(Tidings("note", words, row.name, row.wave, row.state, row.direction))

    def _say(self, state: State, words: str) -> None:
        row = self._row
        self._on.tell(Tidings("device", words, row.name, row.wave, state, row.direction))


def arrived_for_good(row: Row) -> bool:
    """Whether a device is where its direction leads, proven."""
    return row.state is GOAL[row.direction]
