"""After the move: who is at the new broker, who still at the old one. Only reads are sent."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, field

from migrate.dialects import compose
from migrate.dialects.messages import MqttRequest, Reply
from migrate.dialects.schema import Dialect
from migrate.dialects.understand import NotUnderstood, readings
from migrate.engine.broker_move import Ground, read_of, say_all
from migrate.planning.broker_move import Heard, Judged, Topics, group_asks, judge
from migrate.ports.broker import BrokerAddress
from migrate.ports.broker_visit import NoVisit, Visit, visit


@dataclass
class GroupHeard:
    """Who answered one read that went to a group topic. `why`: why it could not be sent."""

    topic: str
    old: bool
    expected: tuple[str, ...]
    answered: tuple[str, ...]
    why: str = ""


@dataclass
class Called:
    """What the roll call brought. `old_down`: why the old broker was not asked, in words.
    `leftovers`: topics on which the old broker keeps words of the devices. `unheard`: topics that
    the new broker does not let this login hear, and why; `unheard_old`: the old one."""

    devices: dict[str, Judged] = field(default_factory=dict)
    groups: list[GroupHeard] = field(default_factory=list)
    old_down: str = ""
    leftovers: tuple[str, ...] = ()
    unheard: dict[str, str] = field(default_factory=dict)
    unheard_old: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class GroupWords:
    """The group words of both sides; None where there is none."""

    old: str | None
    new: str | None


async def roll_call(
    ground: Ground,
    words: GroupWords,
    old: BrokerAddress | None,
    new: BrokerAddress,
    seconds: float,
    reply_seconds: float,
) -> Called:
    """Ask everybody at both brokers. `old`: None if it is the same broker, or not named. Raises
    NoVisit if the new broker cannot be had; the old one may be off already."""
    called = Called()
    async with AsyncExitStack() as stack:
        here = await stack.enter_async_context(visit(new, seconds))
        there: Visit | None = None
        if old is None:
            called.old_down = "the playbook names no other broker under [old]"
        else:
            try:
                there = await stack.enter_async_context(visit(old, seconds))
            except NoVisit as error:
                called.old_down = f"it {error}"
        called.unheard = await here.listen(_listened(ground))
        if there is not None:
            try:
                called.unheard_old = await there.listen(_listened(ground))
            except NoVisit as error:
                called.old_down, there = f"it {error}", None
        visits = [one for one in (here, there) if one is not None]
        found = await asyncio.gather(*(_heard(one, ground, reply_seconds) for one in visits))
        theirs: Mapping[str, Heard] = found[1] if len(found) > 1 else {}
        for one in ground.devices:
            name = one.device.name
            sleeps = one.device.wakes_seconds is not None
            called.devices[name] = judge(found[0][name], theirs.get(name), sleeps=sleeps)
        if there is not None:
            called.leftovers = tuple(sorted(t for t, word in there.kept_words.items() if word))
        for word, is_old in ((words.new, False), (words.old, True)):
            if word and not (is_old and words.old == words.new):
                called.groups += await _groups(here, ground, word, reply_seconds, is_old=is_old)
    return called


def _listened(ground: Ground) -> set[str]:
    topics = {one.answer for one in ground.devices} | {one.presence for one in ground.devices}
    return {topic for topic in topics if topic}


async def _heard(made: Visit, ground: Ground, reply_seconds: float) -> dict[str, Heard]:
    """What one broker brings of each device. Those that did not answer are asked once more."""
    asked = {
        one.device.name: request
        for number, one in enumerate(ground.devices, 1)
        if (request := read_of(one, number))
    }
    refused: dict[str, str] = {}
    for _ in range(2):
        quiet = [one for one in asked.values() if one.reply_topic not in made.fresh]
        if not quiet:
            break
        refused = await say_all(made, [(one.topic, one.payload) for one in quiet])
        waited = {one.reply_topic for one in quiet if one.topic not in made.nobody}
        await made.until(waited, reply_seconds)
    shared = [one.answer for one in ground.devices]
    return {
        one.device.name: _of_one(
            made, one, asked.get(one.device.name), refused, alone=shared.count(one.answer) == 1
        )
        for one in ground.devices
    }


def _of_one(
    made: Visit,
    one: Topics,
    request: MqttRequest | None,
    refused: Mapping[str, str],
    *,
    alone: bool,
) -> Heard:
    online, fresh = _presence(made, one)
    macs = _macs(made, one, request) if request else []
    read = one.device.mac in macs
    other = macs[-1] if macs and not read and alone else ""
    if request is None:
        why = "its family is not read by MQTT, and nothing is heard of it"
    elif request.topic in refused:
        why = f"the broker does not take its read from this login ({refused[request.topic]})"
    elif request.topic in made.nobody:
        why = (
            f"nobody listens to {request.topic}: it is not connected there. Has it power and its "
            "network? Does the broker's log show its login refused?"
        )
    elif request.reply_topic in made.fresh and not macs:
        why = "what it answered is not understood: see its dialect"
    else:
        why = (
            "no answer, though its read was taken. Does the broker let it hear its command topic "
            "and send its reply? migrate broker check tells"
        )
    return Heard(read, other, online, fresh, why, asked=request is not None)


def _macs(made: Visit, one: Topics, request: MqttRequest) -> list[str]:
    found = []
    for payload in made.fresh.get(request.reply_topic, ()):
        try:
            found.append(readings(one.dialect, Reply(payload), request.expects_id).mac)
        except NotUnderstood:
            continue  # somebody else's answer, or no answer at all
    return found


def _presence(made: Visit, one: Topics) -> tuple[bool | None, bool]:
    told = one.dialect.presence
    if told is None or one.presence is None:
        return None, False
    fresh = made.fresh.get(one.presence)
    word = fresh[-1] if fresh else made.kept_words.get(one.presence)
    if word is None:
        return None, False
    text = word.decode("utf-8", "replace")
    known = {told.online: True, told.offline: False}
    return known.get(text), bool(fresh)


async def _groups(
    made: Visit, ground: Ground, word: str, reply_seconds: float, *, is_old: bool
) -> list[GroupHeard]:
    """One read to each group topic of a word, and who answers it."""
    families: dict[str, list[Topics]] = {}
    for one in ground.devices:
        families.setdefault(one.dialect.name, []).append(one)
    return [
        await _group(made, topic, members, word, reply_seconds, is_old=is_old)
        for members in families.values()
        if (topic := _topic(members[0].dialect, word))
    ]


def _topic(dialect: Dialect, word: str) -> str | None:
    return group_asks(dialect, word)


async def _group(
    made: Visit,
    topic: str,
    members: Sequence[Topics],
    word: str,
    reply_seconds: float,
    *,
    is_old: bool,
) -> GroupHeard:
    first = members[0]
    device = first.device.model_copy(update={"topic": word})
    request = compose.ask(first.dialect, first.dialect.read, device, "mqtt", 900_001)
    names = tuple(one.device.name for one in members)
    if not isinstance(request, MqttRequest):
        return GroupHeard(topic, is_old, names, (), "its family is not read by MQTT")
    answers = {one.answer for one in members if one.answer}
    for answer in answers:
        made.fresh.pop(answer, None)
    made.nobody.discard(topic)
    if why := await made.say(topic, request.payload):
        return GroupHeard(topic, is_old, names, (), why)
    if topic not in made.nobody:
        await made.until(answers, reply_seconds)
    heard = []
    for one in members:
        if one.answer is None:
            continue
        own = MqttRequest(topic, request.payload, one.answer, request.expects_id)
        if one.device.mac in _macs(made, one, own):
            heard.append(one.device.name)
    return GroupHeard(topic, is_old, names, tuple(heard))
