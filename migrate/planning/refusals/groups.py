"""A group word that is a device's own: what is meant for one would reach all."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from migrate.dialects.parts import fill
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device
from migrate.model.mqtt import matches
from migrate.model.problems import Problem
from migrate.planning.refusals.case import Case

WORD = "{topic}"
_PLACE = re.compile(r"\{(topic|mac|name)\}")


def refusals(case: Case) -> Iterator[Problem]:
    """Devices that have a topic at which the group would listen, each once for every family."""
    group = case.playbook.group
    if group is None:
        return
    owners = Owners(case.fleet.device, case.dialects)
    for dialect in {
        alike.dialect.name: alike.dialect for alike in case.with_part("group")
    }.values():
        told: set[str] = set()
        for topic in group_topics(dialect, group.topic):
            for device, what in owners.of(topic):
                if device.name not in told:
                    told.add(device.name)
                    yield Problem(
                        f"the group {group.topic!r} of {dialect.name} listens to {topic}, which is "
                        f"the {what} of {device.name}: what is meant for one would reach all",
                        "choose another group word, or give the device another topic",
                        case.playbook_file,
                        "group.topic",
                        device.name,
                    )


def group_topics(dialect: Dialect, word: str) -> list[str]:
    """The topics at which all devices of a family listen together: those at which one listens,
    with the group word in the place of its own. None where that place is not known."""
    asks = (dialect.write, dialect.read, dialect.restart)
    templates = [ask.mqtt.topic for ask in asks if ask and ask.mqtt and WORD in ask.mqtt.topic]
    filled = (template.replace(WORD, word) for template in templates)
    return list(dict.fromkeys(topic for topic in filled if not _PLACE.search(topic)))


def own_topics(dialect: Dialect) -> dict[str, str]:
    """The topics of one device, as templates, and what each is for. One that serves for several
    things is told as the first of them."""
    found: dict[str, str] = {}
    for what, ask in (
        ("write", dialect.write),
        ("read", dialect.read),
        ("restart", dialect.restart),
    ):
        if ask and ask.mqtt:
            found.setdefault(ask.mqtt.topic, f"{what} topic")
            found.setdefault(ask.mqtt.reply, f"reply topic ({what})")
    if dialect.presence:
        found.setdefault(dialect.presence.topic, "presence topic")
    return found


class Owners:
    """Whose topic is this? Asked of what stands in the topic, not of every device in turn."""

    def __init__(self, devices: tuple[Device, ...], dialects: Mapping[str, Dialect]) -> None:
        # A device without a topic word of its own does not speak MQTT.
        self._devices = [device for device in devices if device.topic is not None]
        self._templates = [
            (name, template, what, _reader(template))
            for name in dict.fromkeys(device.dialect for device in self._devices)
            for template, what in own_topics(dialects[name]).items()
        ]
        self._marks: dict[str, dict[tuple[str, str], Device]] = {}

    def of(self, topic: str) -> Iterator[tuple[Device, str]]:
        """Devices with this topic, and what it is for."""
        for name, template, what, reader in self._templates:
            found = reader.fullmatch(topic)
            if found is None:
                continue
            for device in self._candidates(name, found.groupdict()):
                if matches(fill(template, device), topic):
                    yield device, what

    def _candidates(self, dialect: str, held: Mapping[str, str]) -> list[Device]:
        """Devices of a dialect with the topic word, MAC or name that a topic holds."""
        for kind, mark in held.items():
            device = self._by(kind).get((dialect, mark))
            return [device] if device is not None else []
        return [device for device in self._devices if device.dialect == dialect]

    def _by(self, kind: str) -> dict[tuple[str, str], Device]:
        if kind not in self._marks:
            # In one dialect no two devices have the same, as the fleet file's model sees to.
            self._marks[kind] = {(one.dialect, getattr(one, kind)): one for one in self._devices}
        return self._marks[kind]


def _reader(template: str) -> re.Pattern[str]:
    """A pattern that finds in a topic what stood in the places of its template."""
    seen: set[str] = set()
    pattern = ""
    for number, part in enumerate(_PLACE.split(template)):
        if number % 2 == 0:
            pattern += re.escape(part)
        elif part in seen:
            pattern += f"(?P={part})"
        else:
            seen.add(part)
            pattern += f"(?P<{part}>.+)"
    return re.compile(pattern, re.DOTALL)
