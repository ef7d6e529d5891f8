"""Which affordances of a thing are its settings, its readings, and the messages for both.

By semantic annotation (`@type` in our vocabulary, docs/things.md), or by a mapping that the owner
writes. Settings that depend on each other travel in one message: so all that are written stand in
the input of one action, or in one property that is an object.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field

from migrate.dialects.parts import Pointer, SettingName
from migrate.dialects.things.description import Affordance, Thing
from migrate.model.fleet import Strict, Text
from migrate.model.problems import Problem, Refused
from migrate.model.settings import SECRETS, Setting

VOCABULARY = "https://net.example/terms#"
"""Our own terms; the domain is reserved for examples (RFC 2606), so that nobody else's they are."""
READINGS = ("mac", "firmware", "address", "uptime")
DEEPEST = 8


def term(word: str) -> str:
    """`wifi.ssid` is annotated as VOCABULARY followed by WifiSsid."""
    return VOCABULARY + "".join(part.capitalize() for part in word.split("."))


class Place(Strict):
    """A setting by hand: JSON Pointers into what is written and what is read."""

    write: Pointer
    read: Pointer | None = None


class By(Strict):
    """An affordance by its name."""

    action: Text | None = None
    property: Text | None = None


class OverMqtt(Strict):
    """Over MQTT nobody answers by itself: `ask` is the action that makes the thing tell its state,
    which it then tells by the property that is read; `answer` the event by which it answers a
    change."""

    ask: Text
    answer: Text


class ByHand(Strict):
    """A mapping file: what the annotations do not say, or for a TD without any."""

    write: By | None = None
    read: By | None = None
    restart: By | None = None
    mqtt: OverMqtt | None = None
    taken: Pointer | None = None
    readings: dict[Literal["mac", "firmware", "address", "uptime"], Pointer] = {}
    settings: dict[SettingName, Place] = {}
    restarts_on: Annotated[
        tuple[Literal["wifi", "broker", "group", "addressing"], ...] | None, Field()
    ] = None


@dataclass(frozen=True)
class Matched:
    """What of a thing is what. `write` and `read` are the affordances; pointers lead into what is
    given to the one and told by the other. `read` is None where all properties are read at once."""

    write: Affordance
    read: Affordance | None
    restart: Affordance | None
    ask: Affordance | None
    answer: Affordance | None
    taken: str | None
    written: Mapping[Setting, str]
    told: Mapping[str, str]
    restarts_on: tuple[str, ...] | None


def match(thing: Thing, by_hand: ByHand, where: str) -> Matched:
    """Find everything. Raises Refused with all that is missing."""
    finder = _Finder(thing, where)
    write = finder.one("write", by_hand.write, "Settings", ("actions", "properties"))
    read = finder.one("read", by_hand.read, "State", ("properties",), needed=False)
    restart = finder.one("restart", by_hand.restart, "Restart", ("actions",), needed=False)
    ask = finder.mqtt(by_hand.mqtt.ask if by_hand.mqtt else None, "actions", "Tell")
    answer = finder.mqtt(by_hand.mqtt.answer if by_hand.mqtt else None, "events", "Answer")
    if write is None:
        finder.half_changes()
        raise Refused(finder.problems)
    written = {
        setting: pointer
        for setting in Setting
        for pointer in finder.pointers(write.data, term(setting))[:1]
    }
    written |= {setting: place.write for setting, place in by_hand.settings.items()}
    told = dict(_told(finder, read))
    told |= {str(setting): place.read for setting, place in by_hand.settings.items() if place.read}
    told |= {str(word): pointer for word, pointer in by_hand.readings.items()}
    if "mac" not in told:
        finder.miss(
            "tells its MAC nowhere, and without it nobody can tell one device from another",
            f"annotate that part of its state with {term('mac')}, or name it under [readings] in a "
            "mapping",
        )
    if not written:
        finder.miss(
            f"{write.kind[:-1]} {write.name} takes none of the settings that can be moved",
            f"annotate its input, as with {term(Setting.WIFI_SSID)}, or name them in a mapping",
        )
    finder.halves(written)
    taken = by_hand.taken or next(iter(finder.pointers(write.said, term("taken"))), None)
    if finder.problems:
        raise Refused(finder.problems)
    return Matched(write, read, restart, ask, answer, taken, written, told, by_hand.restarts_on)


def _told(finder: _Finder, read: Affordance | None) -> Iterator[tuple[str, str]]:
    """Pointers into what is read: of one property, or of an object of all of them."""
    words = [*READINGS, *(str(setting) for setting in Setting if setting not in SECRETS)]
    for word in words:
        if read is not None:
            found = finder.pointers(read.data, term(word))
        else:
            found = [
                f"/{_escaped(one.name)}{pointer}"
                for one in finder.thing.affordances
                if one.kind == "properties"
                for pointer in finder.pointers(one.data, term(word), top=True)
            ]
        if found:
            yield word, found[0]


class _Finder:
    """Looks through a thing, and keeps what is missing."""

    def __init__(self, thing: Thing, where: str) -> None:
        self.thing = thing
        self.problems: list[Problem] = []
        self._where = where

    def miss(self, what: str, remedy: str) -> None:
        self.problems.append(Problem(what, remedy, self._where))

    def one(
        self,
        what: str,
        by: By | None,
        word: str,
        kinds: tuple[Literal["properties", "actions"], ...],
        *,
        needed: bool = True,
    ) -> Affordance | None:
        """By its name in the mapping, else by its annotation."""
        names = {"actions": by.action if by else None, "properties": by.property if by else None}
        for kind in kinds:
            if name := names[kind]:
                found = self.thing.by_name(kind, name)
                if found is None:
                    self.miss(f"has no {kind[:-1]} {name!r}", f"correct [{what}] in the mapping")
                return found
        wanted = VOCABULARY + word
        several = [a for a in self.thing.affordances if a.kind in kinds and wanted in a.types]
        if len(several) > 1:
            names_ = " and ".join(one.name for one in several)
            self.miss(f"{names_} are both annotated as {wanted}", f"name one under [{what}]")
        elif not several and needed:
            self.miss(
                f"nothing is annotated as {wanted}, by which settings are written together",
                f"annotate an action or a property that is an object, or name it under [{what}] in "
                "a mapping (docs/things.md)",
            )
        return several[0] if several else None

    def mqtt(self, name: str | None, kind: Literal["actions", "events"], word: str) -> Any:
        if name is not None:
            found = self.thing.by_name(kind, name)
            if found is None:
                self.miss(f"has no {kind[:-1]} {name!r}", "correct [mqtt] in the mapping")
            return found
        wanted = VOCABULARY + word
        return next(
            (a for a in self.thing.affordances if a.kind == kind and wanted in a.types), None
        )

    def pointers(
        self, schema: Mapping[str, Any], wanted: str, *, top: bool = False, deep: int = 0
    ) -> list[str]:
        """Where in a data schema something is annotated so; `top`: the schema itself counts."""
        found = [""] if top and wanted in self.thing.types_of(schema) else []
        inner = schema.get("properties")
        if isinstance(inner, dict) and deep < DEEPEST:
            for name, one in inner.items():
                if isinstance(one, dict):
                    below = self.pointers(one, wanted, top=True, deep=deep + 1)
                    found += [f"/{_escaped(name)}{pointer}" for pointer in below]
        return found

    def half_changes(self) -> None:
        """Settings that stand apart from each other: to give one alone would strand the device."""
        alone = [
            a.name
            for a in self.thing.affordances
            if a.kind == "properties" and a.types & {term(setting) for setting in Setting}
        ]
        if len(alone) > 1:
            self.miss(
                f"takes {', '.join(alone)} one by one: a device given a network's name without its "
                "passphrase restarts into nowhere",
                "see whether it has an action that takes them together, and name that",
            )

    def halves(self, written: Mapping[Setting, str]) -> None:
        for name, needs in (
            (Setting.WIFI_SSID, Setting.WIFI_SECRET),
            (Setting.SPARE_SSID, Setting.SPARE_SECRET),
        ):
            if (name in written) != (needs in written):
                one, other = (name, needs) if name in written else (needs, name)
                self.miss(
                    f"takes {one} and not {other} in the same message",
                    "they must travel together: see its description, or complete the mapping",
                )


def _escaped(name: str) -> str:
    """One token of a JSON Pointer (RFC 6901, section 3)."""
    return name.replace("~", "~0").replace("/", "~1")
