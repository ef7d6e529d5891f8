"""Before and while a fleet moves to a new broker: is it ready, and what it is to keep.

No device is told anything that it would obey: what is published is a dialect's read, which changes
nothing, and an empty message on the reply topic of a device that is not there.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Collection, Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TypeVar

from migrate.dialects import compose
from migrate.dialects.messages import MqttRequest
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Fleet
from migrate.model.playbook import Playbook, new_side, old_side
from migrate.planning.broker_move import CopyPlan, Topics, copy_plan, groups_of, topics_of
from migrate.ports.broker import BrokerAddress, refusal
from migrate.ports.broker_visit import QOS_AT_ONCE, Letter, Listing, NoVisit, Visit, visit

T = TypeVar("T")
AT_ONCE = 50
SAY_ACL = "let it, by the access rules of the broker"


class Outcome(StrEnum):
    """How one thing that was asked came out."""

    YES = "yes"
    NO = "NO"
    LOOK = "look"
    NOT_TRIED = "not tried"


@dataclass(frozen=True)
class Row:
    """One thing that was asked of the broker: what, as whom, how it came out, in words, and what to
    do. `down`: the broker was not reached at all."""

    what: str
    whom: str
    outcome: Outcome
    words: str = ""
    remedy: str = ""
    down: bool = False


@dataclass(frozen=True)
class Ground:
    """What the fleet says and hears over MQTT: by device, and the group topics of both sides."""

    devices: tuple[Topics, ...]
    silent: tuple[str, ...]
    new_groups: tuple[str, ...]
    old_groups: tuple[str, ...]

    @property
    def commands(self) -> set[str]:
        """Every topic at which a device takes commands."""
        own = {topic for one in self.devices for topic in one.commands}
        return own | set(self.new_groups) | set(self.old_groups)

    @property
    def never_copied(self) -> set[str]:
        """What belongs to the devices: a command would be obeyed, and a presence or a reply would
        tell that a device is at the new broker while it is not."""
        said = {topic for one in self.devices for topic in one.replies}
        return self.commands | said | {one.presence for one in self.devices if one.presence}


def ground_of(fleet: Fleet, playbook: Playbook, dialects: Mapping[str, Dialect]) -> Ground:
    """The topics of a fleet. `silent`: devices that have no topic word, so speak no MQTT."""
    found = [(one, topics_of(one, dialects[one.dialect])) for one in fleet.device]
    spoken = {one.dialect: dialects[one.dialect] for one, its in found if its is not None}.values()
    sides = (old_side(playbook), new_side(playbook))
    words = [side.group.topic if side.group else "" for side in sides]
    old, new = (tuple(groups_of(spoken, word)) if word else () for word in words)
    return Ground(
        tuple(its for _, its in found if its is not None),
        tuple(one.name for one, its in found if its is None),
        new,
        old,
    )


def read_of(one: Topics, ident: int) -> MqttRequest | None:
    """The read of a device, as it goes over MQTT; None if its family has none there."""
    if one.ask is None:
        return None
    request = compose.ask(one.dialect, one.dialect.read, one.device, "mqtt", ident)
    return request if isinstance(request, MqttRequest) else None


# Before: the check


@dataclass
class Check:
    """Asks a new broker whether it is ready. `seconds` bound each answer of the broker, and
    `reply_seconds` what is waited for a device."""

    ground: Ground
    devices: BrokerAddress
    own: BrokerAddress
    seconds: float
    reply_seconds: float
    now: datetime
    days: int
    rows: list[Row] = field(default_factory=list)

    async def run(self) -> list[Row]:
        """All rows, in the order in which they were asked. Raises nothing for the broker."""
        async with AsyncExitStack() as stack:
            visits = []
            for whom, address in (("devices", self.devices), ("own", self.own)):
                try:
                    made = await stack.enter_async_context(visit(address, self.seconds))
                except NoVisit as error:
                    remedy = error.remedy or "see that it runs; check host, port, user, password"
                    outcome = Row("connect", whom, Outcome.NO, f"it {error}", remedy)
                    certain = error.refused or error.distrusted
                    self.rows.append(outcome if certain else _down(outcome))
                    continue
                visits.append(made)
                self._connected(made, whom, address)
            if len(visits) == 2:
                try:
                    await self._rights(visits[0], visits[1])
                except NoVisit as error:
                    broke = Row("stay connected", "both", Outcome.NO, f"it {error}", error.remedy)
                    self.rows.append(_down(broke))
        return self.rows

    def _add(
        self, what: str, whom: str, outcome: Outcome, words: str = "", remedy: str = ""
    ) -> None:
        self.rows.append(Row(what, whom, outcome, words, remedy))

    def _connected(self, made: Visit, whom: str, address: BrokerAddress) -> None:
        self._add("connect", whom, Outcome.YES, f"MQTT {made.version}")
        end = made.certificate_end
        if whom != "devices":
            return
        if not address.tls:
            words = "TLS is not asked for: passwords cross the network as they are"
            self._add("certificate", whom, Outcome.LOOK, words)
        elif end is not None:
            words = f"name, dates and authority are right; good until {end:%Y-%m-%d}"
            soon = end - self.now < timedelta(days=self.days)
            remedy = "renew it before the move: after it, devices may refuse it" if soon else ""
            if soon:
                words += f", which is within {self.days} days"
            self._add("certificate", whom, Outcome.LOOK if soon else Outcome.YES, words, remedy)
        if not made.is_v5:
            words = (
                "by this version a broker cannot say that it lets a message through to nobody "
                "(MQTT 3.1.1, section 3.3.5): only what was heard is proved"
            )
            self._add("reason codes", whom, Outcome.LOOK, words)

    async def _rights(self, devices: Visit, own: Visit) -> None:
        own_commands = {topic for one in self.ground.devices for topic in one.commands}
        replies = {topic for one in self.ground.devices for topic in one.replies}
        presences = {one.presence for one in self.ground.devices if one.presence}
        # First our own: what a device says must find a listener.
        await self._subscribe(own, "own", "presence topics", presences)
        await self._subscribe(own, "own", "reply topics", replies)
        await self._subscribe(devices, "devices", "command topics", own_commands)
        await self._subscribe(devices, "devices", "group topics", set(self.ground.new_groups))
        await self._reads(devices, own)
        await self._answers(devices, own)
        await self._not_tried()
        # A kept command came before the answers to what was published after it.
        for topic in sorted(devices.kept_words.keys() & self.ground.commands):
            if devices.kept_words[topic]:
                words = f"{topic}: it keeps a message, which is obeyed at each connection"
                remedy = "clear it: publish an empty message with the retain flag there"
                self._add("no kept command", "devices", Outcome.NO, words, remedy)

    async def _subscribe(self, made: Visit, whom: str, what: str, topics: set[str]) -> None:
        if not topics:
            return
        refused = await made.listen(topics)
        for topic, reason in sorted(refused.items()):
            self._add(f"hear {what}", whom, Outcome.NO, f"{topic}: {reason}", SAY_ACL)
        if not refused:
            words = f"all {len(topics)} subscriptions are accepted"
            self._add(f"hear {what}", whom, Outcome.YES, words)

    async def _reads(self, devices: Visit, own: Visit) -> None:
        """Our own login asks, the devices' login hears it: the read, which changes nothing."""
        asked = [
            request for number, one in enumerate(self.ground.devices, 1)
            if (request := read_of(one, number))
        ]  # fmt: skip
        refused = await say_all(own, [(one.topic, one.payload) for one in asked])
        for topic, reason in sorted(refused.items()):
            words = f"{topic}: {reason}"
            self._add("send reads", "own", Outcome.NO, words, SAY_ACL)
        sent = {one.topic for one in asked} - refused.keys()
        self._passed(
            "reads arrive", "own to devices", sent,
            await devices.until(sent, self.reply_seconds),
        )  # fmt: skip

    async def _answers(self, devices: Visit, own: Visit) -> None:
        """The devices' login answers, our own hears it. Where a device is there, it has just
        answered itself, and nothing is said in its name."""
        asked = {one.answer: one for one in self.ground.devices if one.answer}
        there = await own.until(asked, self.reply_seconds)
        spoken = {
            topic
            for topic, one in asked.items()
            if one.presence and (one.presence in own.kept_words or one.presence in own.fresh)
        } - there
        if there:
            words = f"{len(there)} devices are there already and answered themselves"
            self._add("answers arrive", "devices to own", Outcome.YES, words)
        for topic in sorted(spoken):
            words = f"{topic}: its presence is at this broker; nothing is said in its name"
            self._add("answers arrive", "devices to own", Outcome.NOT_TRIED, words)
        presences = {one.presence for one in self.ground.devices}
        free = asked.keys() - there - spoken - self.ground.commands - presences
        # Empty, not retained: no answer to anything, and nobody waits for one, since nobody is
        # there.
        refused = await say_all(devices, [(topic, b"") for topic in sorted(free)])
        for topic, reason in sorted(refused.items()):
            self._add("send replies", "devices", Outcome.NO, f"{topic}: {reason}", SAY_ACL)
        sent = free - refused.keys()
        self._passed(
            "answers arrive", "devices to own", sent, await own.until(sent, self.reply_seconds)
        )

    def _passed(self, what: str, whom: str, sent: set[str], heard: set[str]) -> None:
        for topic in sorted(sent - heard):
            words = f"{topic}: taken, and it did not arrive: an access rule drops it in silence"
            remedy = "let the one write and the other read that topic, by the access rules"
            self._add(what, whom, Outcome.NO, words, remedy)
        if sent and sent == heard:
            self._add(what, whom, Outcome.YES, f"{len(sent)} were sent, and all arrived")

    async def _not_tried(self) -> None:
        if any(one.presence for one in self.ground.devices):
            words = "whoever listens would take it for news; the pilot shows it (proof.presence)"
            self._add("send presence", "devices", Outcome.NOT_TRIED, words)
        others = {t for one in self.ground.devices for t in one.commands if t != one.ask}
        if others:
            words = f"{len(others)} without a read; a device there would obey"
            self._add("send to other command topics", "own", Outcome.NOT_TRIED, words)
        if self.ground.new_groups:
            words = "all would answer at once; migrate broker roll-call asks there after the move"
            self._add("send to group topics", "own", Outcome.NOT_TRIED, words)


def _down(row: Row) -> Row:
    return replace(row, down=True)


async def say_all(made: Visit, messages: Sequence[tuple[str, bytes]]) -> dict[str, str]:
    """Publish; those that were refused, with the reason in words."""
    gate = asyncio.Semaphore(AT_ONCE)

    async def one(topic: str, payload: bytes) -> tuple[str, str]:
        async with gate:
            return topic, await made.say(topic, payload)

    said = await asyncio.gather(*(one(topic, payload) for topic, payload in messages))
    return {topic: reason for topic, reason in said if reason}


# The copy of retained messages


@dataclass
class Copied:
    """What a copy found and did. `octets`: of those to be sent; `failed`: with the reason in words;
    `unseen`: filters that a broker does not let be looked at."""

    plan: CopyPlan
    sizes: dict[str, tuple[int, int]]
    octets: int
    unseen: dict[str, str]
    sent: int = 0
    failed: dict[str, str] = field(default_factory=dict)
    properties_lost: bool = False


async def copy(
    old: BrokerAddress,
    new: BrokerAddress,
    filters: Collection[str],
    commands: Collection[str],
    seconds: float,
    *,
    send: bool,
    overwrite: bool,
) -> Copied:
    """Compare what both brokers keep under these filters, and with `send` copy what may be copied,
    read it back and compare. Raises NoVisit, whose words begin with the side."""
    async with AsyncExitStack() as stack:
        there = await _visited(stack, old, "old", seconds)
        here = await _visited(stack, new, "new", seconds)
        kept = await _of("old", there.kept(filters, hold=True))
        found = await _of("new", here.kept(filters, hold=False))
        plan = copy_plan(
            kept.marks, found.marks, filters, commands, kept.unheld, overwrite=overwrite
        )
        sizes = {t: (kept.marks[t].octets, found.marks[t].octets) for t in plan.differ}
        sizes |= {t: (kept.marks[t].octets, 0) for t in plan.unheld}
        octets = sum(kept.marks[topic].octets for topic in plan.send)
        unseen = {f"{one} at the old broker": refusal(c) for one, c in kept.refused.items()}
        unseen |= {f"{one} at the new broker": refusal(c) for one, c in found.refused.items()}
        done = Copied(plan, sizes, octets, unseen)
        done.properties_lost = there.is_v5 and not here.is_v5
        # What the new broker has there is not known, so nothing is overwritten unseen.
        if send and plan.send and not found.refused:
            letters = [kept.letters[topic] for topic in plan.send]
            await _of("old", there.learn_qos(letters))
            if not overwrite:
                done.failed |= await _of("new", _hidden(here, letters))
                letters = [one for one in letters if one.topic not in done.failed]
            await _send(here, letters, kept, filters, done)
        return done


async def _hidden(here: Visit, letters: Sequence[Letter]) -> dict[str, str]:
    """Topics of which it is not known what the broker keeps there, with the reason in words.

    A broker may accept a subscription and let nothing through (MQTT 5.0, section 3.9.3 gives a code
    for a filter, none for a topic under it), and then an empty listing proves nothing. So each
    message goes there unretained first, which changes nothing that is kept: if it comes back, what
    is kept there would have come as well.
    """
    hidden: dict[str, str] = {}
    for start in range(0, len(letters), QOS_AT_ONCE):
        some = {one.topic: one.payload for one in letters[start : start + QOS_AT_ONCE]}
        hidden |= await here.listen(some, echo=True)
        came_since = {topic for topic in some if here.kept_words.get(topic)}
        hidden |= dict.fromkeys(came_since, "the new broker keeps another there meanwhile")
        asked = [(topic, payload) for topic, payload in some.items() if topic not in hidden]
        hidden |= await say_all(here, asked)
        wanted = some.keys() - hidden.keys()
        heard = await here.until(wanted, here.seconds)
        hidden |= dict.fromkeys(
            wanted - heard, "not sent: this login may not see what the new broker keeps there"
        )
        await here.ignore(some)
    return hidden


async def _send(
    here: Visit, letters: Sequence[Letter], kept: Listing, filters: Collection[str], done: Copied
) -> None:
    gate = asyncio.Semaphore(AT_ONCE)

    async def one(letter: Letter) -> None:
        async with gate:
            gone = letter.qos is None
            why = "gone from the old broker meanwhile" if gone else await here.keep(letter)
            if why:
                done.failed[letter.topic] = why

    await asyncio.gather(*(one(letter) for letter in letters))
    back = await _of("new", here.kept(filters, hold=False))
    for letter in letters:
        if letter.topic in done.failed:
            continue
        if back.marks.get(letter.topic) != kept.marks[letter.topic]:
            done.failed[letter.topic] = "read back, and it is not there as it was sent"
        else:
            done.sent += 1


async def _visited(
    stack: AsyncExitStack, address: BrokerAddress, side: str, seconds: float
) -> Visit:
    try:
        return await stack.enter_async_context(visit(address, seconds))
    except NoVisit as error:
        raise NoVisit(f"{side} broker {error}", error.remedy) from None


async def _of(side: str, work: Awaitable[T]) -> T:
    try:
        return await work
    except NoVisit as error:
        raise NoVisit(f"{side} broker {error}", error.remedy) from None
