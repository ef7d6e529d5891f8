"""Messages that brokers keep on topics at which devices take commands.

A broker hands a retained message to each device that subscribes, so at each reconnect, also at the
first on the new side (MQTT 5.0, section 3.3.1.3). A device would obey it, and it might undo the
change. The tool itself never publishes one.
"""

from __future__ import annotations

from collections.abc import Iterable

from migrate.dialects.parts import fill
from migrate.engine.crew import Crew
from migrate.engine.tidings import Tell, Tidings
from migrate.model.problems import Problem
from migrate.model.settings import Setting
from migrate.planning.refusals.groups import group_topics
from migrate.ports.protocols import SideName, World

CLEAR = (
    "clear it: publish an empty message with the retain flag to that topic at that broker (MQTT "
    "5.0, section 3.3.1.3), and find out who keeps it there"
)
GROUPS = (Setting.GROUP_TOPIC, Setting.SPARE_TOPIC)


def command_topics(crew: Crew, words: Iterable[tuple[str, object]] = ()) -> dict[str, str]:
    """The topics at which the devices take commands, and whose each is: "device ..." or "the group
    ...". `words`: group words that devices told, with the name of their dialect; those that the
    playbook declares are known."""
    topics: dict[str, str] = {}
    dialects = {member.dialect.name: member.dialect for member in crew.members.values()}
    declared = [side.group.topic for side in crew.sides.values() if side.group]
    known = dict.fromkeys([(name, word) for name in dialects for word in declared])
    for name, word in (*known, *words):
        if isinstance(word, str) and word:
            for topic in group_topics(dialects[name], word):
                topics[topic] = f"the group {word}"
    for member in crew.members.values():
        asks = (member.dialect.write, member.dialect.read, member.dialect.restart)
        for ask in asks if member.device.topic is not None else ():
            if ask and ask.mqtt:
                topics[fill(ask.mqtt.topic, member.device)] = f"device {member.name}"
    return topics


async def kept_commands(
    crew: Crew, world: World, tell: Tell, words: Iterable[tuple[str, object]] = ()
) -> list[Problem]:
    """One problem for each command that a broker keeps. Those that appear later are told, and so is
    a broker that does not let anybody look."""
    if world.brokers is None:
        return []
    topics = command_topics(crew, words)

    def what(topic: str, side: SideName) -> str:
        return (
            f"the {side} broker keeps a retained message on {topic}, at which {topics[topic]} "
            "takes commands: it would be obeyed at each reconnect, and might undo the change"
        )

    def appeared(topic: str, side: SideName) -> None:
        tell(Tidings("note", f"{what(topic, side)}; {CLEAR}"))

    problems = []
    for seen in await world.brokers.retained(topics.keys(), appeared) if topics else ():
        if seen.unseen:
            tell(Tidings("note", seen.unseen))
        for topic, side in seen.found:
            broker = crew.sides[side].broker
            where = f"{broker.host}:{broker.port}" if broker else ""
            problems.append(Problem(what(topic, side), CLEAR, where=where))
    return problems
