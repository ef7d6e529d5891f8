"""The move from one broker to another, judged: which topics are needed, what is copied, who is
where. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from migrate.dialects.parts import fill
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device
from migrate.model.mqtt import matches
from migrate.model.settings import Setting
from migrate.planning.refusals.groups import WORD, group_topics

GROUP = (Setting.GROUP_TOPIC, Setting.SPARE_TOPIC)


@dataclass(frozen=True)
class Topics:
    """The topics of one device. `ask`: where it takes the read; `commands`: all at which it takes
    something."""

    device: Device
    dialect: Dialect
    ask: str | None
    commands: tuple[str, ...]
    replies: tuple[str, ...]
    presence: str | None

    @property
    def answer(self) -> str | None:
        """Where the answer to the read comes."""
        place = self.dialect.read.mqtt
        return fill(place.reply, self.device) if place else None


def topics_of(device: Device, dialect: Dialect) -> Topics | None:
    """None for a device that speaks no MQTT: it has no topic word."""
    if device.topic is None:
        return None
    places = [ask.mqtt for ask in (dialect.write, dialect.read, dialect.restart) if ask]
    known = [place for place in places if place]
    read = dialect.read.mqtt
    return Topics(
        device,
        dialect,
        fill(read.topic, device) if read else None,
        tuple(dict.fromkeys(fill(place.topic, device) for place in known)),
        tuple(dict.fromkeys(fill(place.reply, device) for place in known)),
        fill(dialect.presence.topic, device) if dialect.presence else None,
    )


def groups_of(dialects: Iterable[Dialect], word: str) -> list[str]:
    """The topics at which devices of these families listen together by a group word."""
    found = [
        topic
        for dialect in dialects
        if any(setting in dialect.settings for setting in GROUP)
        for topic in group_topics(dialect, word)
    ]
    return list(dict.fromkeys(found))


def group_asks(dialect: Dialect, word: str) -> str | None:
    """Where the read of a family goes for all that listen to a group word; None if it has no such
    topic, or no group."""
    read = dialect.read.mqtt
    if read is None or not any(setting in dialect.settings for setting in GROUP):
        return None
    topic = read.topic.replace(WORD, word)
    return topic if WORD in read.topic and topic in group_topics(dialect, word) else None


@dataclass(frozen=True)
class Mark:
    """What is known of a message without its content: its length, and a digest (SHA-256)."""

    octets: int
    digest: bytes


@dataclass(frozen=True)
class CopyPlan:
    """What is to be copied, and what is not and why, each as sorted topics."""

    send: tuple[str, ...]
    same: tuple[str, ...]
    differ: tuple[str, ...]
    commands: tuple[str, ...]
    unheld: tuple[str, ...]

    @property
    def left(self) -> int:
        """How many are not copied, though they are not at the new broker as they are at the old."""
        return len(self.differ) + len(self.commands) + len(self.unheld)


def copy_plan(
    old: Mapping[str, Mark],
    new: Mapping[str, Mark],
    filters: Collection[str],
    commands: Collection[str],
    unheld: Collection[str],
    *,
    overwrite: bool,
) -> CopyPlan:
    """By what both brokers keep. `commands`: topics at which devices take commands, which are never
    copied; `unheld`: messages that are too long."""
    never, long = set(commands), set(unheld)
    parts: dict[str, list[str]] = {"send": [], "same": [], "differ": [], "never": [], "long": []}
    for topic, mark in sorted(old.items()):
        if not any(matches(one, topic) for one in filters):
            continue
        there = new.get(topic)
        if topic in never:
            parts["never"].append(topic)
        elif there == mark:
            parts["same"].append(topic)
        elif topic in long:
            parts["long"].append(topic)
        elif there is not None and not overwrite:
            parts["differ"].append(topic)
        else:
            parts["send"].append(topic)
    return CopyPlan(*(tuple(found) for found in parts.values()))


class Stand(StrEnum):
    """What is known of a device after the move."""

    THERE = "there"
    SAYS_SO = "says it is there"
    BOTH = "on both"
    OLD = "still at the old broker"
    OTHER = "another device answers"
    ASLEEP = "asleep, not heard"
    MISSING = "missing"


@dataclass(frozen=True)
class Heard:
    """What came from one device at one broker. `read`: it answered with its own MAC; `other`: the
    MAC of whoever answered in its place; `online`: its presence there, None if nothing was said;
    `fresh`: that word was not a kept one; `asked`: it was asked to be read; `why`: why no answer
    came."""

    read: bool = False
    other: str = ""
    online: bool | None = None
    fresh: bool = False
    why: str = ""
    asked: bool = False

    @property
    def says_so(self) -> bool:
        """Whether its presence counts: a kept word of one that does not answer is a leftover."""
        return bool(self.online) and (self.fresh or not self.asked)


@dataclass(frozen=True)
class Judged:
    """Where a device is, and in words why that is thought."""

    stand: Stand
    words: str


def judge(new: Heard, old: Heard | None, *, sleeps: bool = False) -> Judged:
    """Where a device is. A kept word that it is there proves less than an answer: if it answers at
    the new broker, one at the old is a leftover. `old`: None if that broker is not listened to;
    `sleeps`: it may just be asleep."""
    if new.other:
        return Judged(Stand.OTHER, f"the device {new.other} answers in its place")
    if new.read:
        if old and old.read:
            return Judged(Stand.BOTH, "it answers at both: is one bridged to the other?")
        return Judged(Stand.THERE, "it answers with its MAC")
    if old and old.read:
        return Judged(Stand.OLD, "it answers there, and not at the new one")
    if new.says_so:
        return Judged(Stand.SAYS_SO, "its presence says so; it was not read by MQTT")
    if old and old.says_so:
        return Judged(Stand.OLD, "its presence there says that it is there")
    if sleeps:
        return Judged(Stand.ASLEEP, "it sleeps; call again when it has woken up, to be sure")
    if new.online is False:
        said = "it was at the new broker, and its presence there says that it has gone"
        return Judged(Stand.MISSING, said)
    why = new.why or "nothing is heard of it"
    if new.online:
        why = f"its presence is a kept word only; {why}"
    return Judged(Stand.MISSING, why)
