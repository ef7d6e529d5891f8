"""One device's journey to the other side: sent, away, seen, soaked. Journal first at every step.

A journey never decides about other devices; it ends when this device has arrived for good, or
when it is clear that it did not.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from math import inf
from typing import Any

from migrate.dialects.messages import Declined, Taken, Unclear
from migrate.dialects.understand import differences
from migrate.engine.awake import look_awake, look_for_patience
from migrate.engine.crew import Crew, Member, source_of, target_of
from migrate.engine.seek import Look, Seeker, Sighting, plain
from migrate.engine.soak import UPTIME_SLACK, join, soak_asleep, soak_awake
from migrate.engine.talk import Talker
from migrate.engine.tidings import Tell, Tidings
from migrate.journal.store import ALL_TOLD, Journal, Row
from migrate.model.deadline import Estimate, deadline
from migrate.model.lifecycle import GOAL, Direction, Event, State
from migrate.model.settings import SECRETS, FrozenBundle, Setting, Value
from migrate.planning.bundles import resolved
from migrate.planning.hours import is_quiet
from migrate.planning.sleep import until_awake
from migrate.ports.protocols import NotDelivered, World

SENDS_AT_ONCE = 16
WAKES_TRIED = 3
"""Wakes in which a sleeper is sent its bundle, if nothing of it was delivered before."""


@dataclass
class Ground:
    """What all journeys of a run stand on. `put_off`: devices whose quiet hours began before they
    were sent anything."""

    crew: Crew
    journal: Journal
    world: World
    talker: Talker
    seeker: Seeker
    tell: Tell
    sends: asyncio.Semaphore
    stopping: asyncio.Event
    returns: Estimate | None = None
    put_off: set[str] = field(default_factory=set)

    def quiet(self, member: Member) -> bool:
        """Whether it is in its quiet hours now."""
        return is_quiet(member.planned.quiet, self.world.now(), self.world.zone)

    def learn(self, seconds: float) -> None:
        """A device came back after this time."""
        known = self.returns
        self.returns = Estimate.first(seconds) if known is None else known.after(seconds)


class Journey:
    """Moves one device in the direction that the journal has for it."""

    def __init__(self, ground: Ground, member: Member) -> None:
        self._on = ground
        self._member = member
        self._pace = ground.crew.plan.pace
        self._loop = asyncio.get_running_loop()
        self._sent = self._left = self._loop.time() - self._seconds_since_sent()
        if ground.seeker.flipped:
            self._left = self._loop.time()  # it could not come before the access point changed
        self._uptime_before: float | None = None
        self._told_to_restart = -inf
        self._gone = self._in_place = False

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
        elif self._row.state in (State.ADRIFT, State.RETURNED):
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
            if there is None:
                gone_since = gone_since if gone_since is not None else now
                if now - gone_since >= pace.soak_seconds:
                    self._note("gone from the old network, as it should be by now")
                    return
            elif self._restarted(there):
                words = f"at {there.at}, restarted: it still uses the old passphrase"
                self._step(Event.COME_BACK, words)
            elif now - begun >= pace.deadline_seconds.least:
                words = f"still at {there.at} after {now - begun:.0f} s"
                self._step(Event.COME_BACK, words)
            else:
                gone_since = None
            await self._change(pace.look_seconds)

    async def _see_through(self) -> None:
        """Soak a device that is there, follow one that is on its way; leave any other."""
        if self._row.state is State.SEEN:
            await self._soak()
        if self._row.state is State.AWAY:
            await self._follow()

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
        self._uptime_before = start.readings.uptime_seconds
        self._in_place = start.side == target_of(direction)
        frozen = self._bundle(direction)
        values = resolved(frozen, on.crew.resolve)
        row = on.journal.intend(member.name, frozen)
        self._say(row.state, "its bundle is on the way")
        self._sent = self._left = self._loop.time()
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
            or self._unfinished(look)
            or self._otherwise_there(look)
        )
        if start is None and self._arrived(look) and self._row.state is not State.DECLINED:
            self._step(Event.ARRIVE, f"it is already on the {target_of(direction)} side")
        elif start is None and not self._on.stopping.is_set():
            self._note("nothing was sent: it was not found where it must be; " + join(look.words))
        return start

    def _otherwise_there(self, look: Look) -> Sighting | None:
        """On the way back: a device that never left the old side, but holds new settings that a
        restart would put in force. It is given its way back where it is."""
        there = look.found.get(target_of(self._row.direction))
        back = self._row.direction is Direction.BACK
        return there if back and there and self._not_as_intended(there) else None

    async def _slept_through(self) -> bool:
        """Whether a sleeper fell asleep before its message reached it: it is proven unchanged in a
        later wake, into which no message that was under way can reach."""
        half = (self._member.planned.wakes_seconds or 0.0) / 2
        await asyncio.sleep(max(self._sent + half - self._loop.time(), 0))
        return self._unchanged(await self._look_surely())

    def _unchanged(self, look: Look) -> bool:
        """Whether it was found where it came from, and holds nothing of what it was given."""
        start = look.found.get(source_of(self._row.direction))
        moved = target_of(self._row.direction) in look.found
        return start is not None and not moved and not self._stored(start)

    async def _recall(self) -> None:
        """A crash came between intent and outcome: find out what became of the message."""
        if self._unchanged(await self._look_surely()):
            self._step(Event.UNSENT, "found unchanged after an interruption")
        else:
            self._step(Event.SENT, "an interruption came between; it may have been sent")

    async def _glance(self) -> None:
        """One look for a device that had been given up, or had come back by itself."""
        look = await self._look_surely(self._on.stopping)
        direction, state = self._row.direction, self._row.state
        if self._arrived(look) is not None:
            self._step(Event.ARRIVE, "found after all")
        elif state is State.ADRIFT and source_of(direction) in look.found:
            self._step(Event.COME_BACK, "found where it came from")
        elif state is State.ADRIFT and not self._on.stopping.is_set():
            self._note("still on neither side; " + join(look.words))

    async def _follow(self) -> None:
        """Look for the device on both sides until it has arrived, came back, or time is up."""
        start = self._loop.time()
        least, most = self._pace.deadline_seconds.least, self._pace.deadline_seconds.most
        limit = deadline(self._on.returns, least, most)
        asleep = until_awake(self._member.planned.wakes_seconds)
        asleep_there: Sighting | None = None
        while self._row.state is State.AWAY:
            look = await self._look_until_change(start + limit + asleep)
            # A sleeper is gone whenever it sleeps; that proves no restart.
            self._gone = not self._member.sleeps and (self._gone or not look.found)
            late = self._loop.time() - start >= limit
            over = self._loop.time() - start >= limit + asleep
            arrived = self._arrived(look, late=late)
            back = look.found.get(source_of(self._row.direction)) or self._unfinished(look)
            if asleep and late and look.found:
                asleep_there = back
            if self._never_sent_back and (there := self._otherwise_there(look)):
                self._step(Event.COME_BACK, f"at {there.at}, never left, with new settings")
            elif arrived is not None:
                took = self._loop.time() - self._left
                if not asleep:  # when it woke says nothing about the others
                    self._on.learn(took)
                self._step(Event.ARRIVE, f"at {arrived.at} after {took:.1f} s")
                await self._soak()
                start = self._loop.time()
            elif back is not None and await self._came_back(back):
                self._step(Event.COME_BACK, f"at {back.at}, restarted, with its former settings")
            elif over and (there := back or asleep_there) is not None:
                stored = ", with its new settings stored but not in force"
                if Setting.SPARE_SSID in self._bundle(self._row.direction):
                    stored += ": by its spare network, until it is restarted or taken back"
                words = f"still at {there.at} after {limit + asleep:.0f} s"
                self._step(Event.COME_BACK, words + (stored if self._stored(there) else ""))
            elif over:
                words = f"on neither side for {limit + asleep:.0f} s; {join(look.words)}"
                if there := look.found.get(target_of(self._row.direction)):
                    words = f"at {there.at}, but not proven within {limit + asleep:.0f} s"
                self._step(Event.EXPIRE, words)
            else:
                await self._change(self._pace.look_seconds)

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
        stored, restarted = self._stored(back), self._restarted(back)
        if self._may_not_have_left:
            return False  # restarted now, it would be taken for one that has come across
        if stored and self._member.dialect.restart is not None and not restarted:
            # It took the settings, but the word to restart was lost, or never sent because nobody
            # could tell that it took them; a restart can be repeated.
            if self._loop.time() - self._told_to_restart > self._pace.reply_seconds:
                self._told_to_restart = self._loop.time()
                await self._on.talker.restart(self._member, back.at, self._pace.reply_seconds)
            return False
        # One that restarted and holds what it was given has not given up: it is still looking, or
        # answers for the last time on the side that it is about to leave.
        return bool(restarted) and not stored

    def _stored(self, there: Sighting) -> bool:
        """Whether it reads back what it was given, in force or not."""
        return not self._not_as_intended(there)

    async def _soak(self) -> None:
        """Stay until it was well for the soak; or is lost, or stays unwell."""
        soak = soak_asleep if self._member.sleeps else soak_awake
        target = target_of(self._row.direction)
        event, words = await soak(
            self._on.seeker, self._member, self._pace, target, self._not_as_intended
        )
        if event is None:
            self._note(words)
            return
        self._step(event, words)
        if event is Event.LOSE:
            self._left = self._loop.time()

    def _arrived(self, look: Look, *, late: bool = False) -> Sighting | None:
        """The device on the side it was sent to, if this is proven. `late`: a restart that the
        uptimes cannot show is no longer waited for."""
        there = look.found.get(target_of(self._row.direction))
        if there is None or (there.doubtful and self._not_as_intended(there)):
            return None
        restarted = not self._must_restart(there) or self._restarted(there)
        if not restarted and not (late and restarted is None):
            return None
        heard = there.side in self._on.crew.listened and self._on.crew.sides[there.side].broker
        if self._on.crew.playbook.proof.presence and heard and self._member.presence_topic:
            # Silence proves nothing: a device whose login fails there never says a word.
            return there if self._on.seeker.present(self._member, there.side) else None
        return there

    def _must_restart(self, there: Sighting) -> bool:
        """Whether new settings that it shows are in force only if it restarted since."""
        unmoved = there.doubtful or self._in_place or self._may_not_have_left
        return unmoved and self._member.restarts and self._row.sent_at is not None

    @property
    def _may_not_have_left(self) -> bool:
        """Whether it was told to change over with an access point, and nobody has seen it go: it
        may be there still, by the old passphrase, if the owner's word came too early."""
        if not self._on.crew.plan.leg.together or self._row.state is not State.AWAY:
            return False
        return self._on.journal.last_of(ALL_TOLD) is None

    def _unfinished(self, look: Look) -> Sighting | None:
        """The device if it holds its new settings and has not restarted, as far as can be told."""
        there = look.found.get(target_of(self._row.direction))
        if there is None or not self._must_restart(there) or not self._stored(there):
            return None
        return None if self._restarted(there) else there

    @property
    def _never_sent_back(self) -> bool:
        """Whether a rollback took it over and has given it nothing yet."""
        row = self._row
        return row.direction is Direction.BACK and row.given != self._bundle(Direction.BACK)

    def _restarted(self, sighting: Sighting) -> bool | None:
        """Whether it restarted since it was sent its bundle; None where nothing can tell.

        Uptimes are told in whole seconds, so two of them agree only to within one; and some time
        between question and answer, so the doubt about that goes against the verdict. Of a device
        that tells none, having been gone for a while must do.
        """
        uptime = sighting.readings.uptime_seconds
        if uptime is None:
            return True if self._gone else None
        if (
            not self._uptimes_begin_at_wakes
            and uptime + UPTIME_SLACK < sighting.asked - self._sent + (self._uptime_before or 0.0)
        ):
            return True
        return False if uptime > sighting.heard - self._sent + UPTIME_SLACK else None

    @property
    def _uptimes_begin_at_wakes(self) -> bool:
        """Whether its uptime may have begun anew when it woke; not if it had counted over wakes."""
        wakes = self._member.planned.wakes_seconds
        return wakes is not None and (self._uptime_before or 0.0) <= 2 * wakes

    def _not_as_intended(self, there: Sighting) -> str:
        target = self._target(self._row.direction)
        wrong = differences(target, there.readings, self._member.dialect)
        told = [f"{setting} {there.readings.settings.get(setting)!r}" for setting in wrong]
        return f"it reads back {', '.join(told)}" if told else ""

    def _bundle(self, direction: Direction) -> FrozenBundle:
        if direction is Direction.FORWARD:
            return self._member.planned.bundle
        return self._on.journal.way_back(self._member.name) or {}

    def _target(self, direction: Direction) -> Mapping[Setting, Value]:
        """What its readings must show: the bundle, and going back also the rest of the survey."""
        target = {s: v for s, v in plain(self._bundle(direction)).items() if s not in SECRETS}
        if direction is Direction.BACK:
            before: dict[str, Any] = self._on.journal.survey(self._member.name) or {}
            if before.get("side") == "old":
                for name, value in before.get("settings", {}).items():
                    target.setdefault(Setting(name), value)
        return target

    async def _change(self, seconds: float) -> None:
        """Until its presence changes, at the latest after these seconds."""
        await self._on.seeker.change(self._member, seconds)

    def _step(self, event: Event, words: str) -> None:
        words = self._on.talker.clean(words)
        row = self._on.journal.step(self._member.name, event, words)
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
