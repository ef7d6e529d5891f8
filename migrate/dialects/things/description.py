"""A Thing Description as far as a dialect needs it (W3C Recommendation "Web of Things (WoT) Thing
Description 1.1", 5 December 2023; bindings: HTTP in RDF, MQTT binding template).

Read leniently, since a TD may hold whatever its vocabularies allow; what a dialect cannot do is
refused where it is used, in words.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal
from urllib.parse import unquote, urljoin, urlsplit

from migrate.model.parsing import brief
from migrate.model.problems import BadFile, Problem

DEFAULT_METHODS = {
    "readproperty": "GET",
    "writeproperty": "PUT",
    "invokeaction": "POST",
    "readallproperties": "GET",
    "readmultipleproperties": "GET",
    "writemultipleproperties": "PUT",
    "writeallproperties": "PUT",
}
"""TD 1.1, section 8.3.1 (HTTP binding): methods where a form names none."""
DEFAULT_OPS = {
    "properties": ("readproperty", "writeproperty"),
    "actions": ("invokeaction",),
    "events": ("subscribeevent", "unsubscribeevent"),
}
"""TD 1.1, section 5.4 (default values): what a form without `op` is for."""
JSON = "application/json"
Kind = Literal["properties", "actions", "events"]


@dataclass(frozen=True)
class Form:
    """Where an operation goes. `target`: an absolute URI; `content` its media type."""

    target: str
    ops: tuple[str, ...]
    content: str = JSON
    method: str | None = None
    topic: str | None = None
    security: tuple[str, ...] | None = None

    @property
    def scheme(self) -> str:
        return urlsplit(self.target).scheme

    @property
    def is_json(self) -> bool:
        return self.content.partition(";")[0].strip().lower() == JSON

    @property
    def mqtt_topic(self) -> str:
        """What is published to: by its own term, else the path of the URI (MQTT binding)."""
        return self.topic if self.topic is not None else unquote(urlsplit(self.target).path[1:])


@dataclass(frozen=True)
class Affordance:
    """A property, action or event. `data`: the schema of what is read, given, or told; `said`: of
    what an action answers. `types`: its semantic annotations, as whole IRIs."""

    name: str
    kind: Kind
    types: frozenset[str]
    forms: tuple[Form, ...]
    data: Mapping[str, Any] = field(default_factory=dict)
    said: Mapping[str, Any] = field(default_factory=dict)

    def form(self, op: str, scheme: str) -> Form | None:
        """The first of its forms for an operation over a protocol, in JSON."""
        fits = (one for one in self.forms if op in one.ops and one.scheme == scheme)
        return next((one for one in fits if one.is_json), None)


@dataclass(frozen=True)
class Thing:
    """A Thing Description. `forms`: those of the thing as a whole; `schemes`: by name, how one
    proves oneself; `security` the names that apply."""

    title: str
    affordances: tuple[Affordance, ...]
    forms: tuple[Form, ...]
    schemes: Mapping[str, Mapping[str, Any]]
    security: tuple[str, ...]
    context: Mapping[str, str]

    def by_name(self, kind: Kind, name: str) -> Affordance | None:
        """The affordance of that name."""
        return next((a for a in self.affordances if (a.kind, a.name) == (kind, name)), None)

    def types_of(self, schema: Mapping[str, Any]) -> frozenset[str]:
        """Semantic annotations of a data schema, as whole IRIs."""
        return frozenset(self._whole(one) for one in _texts(schema.get("@type")))

    def _whole(self, word: str) -> str:
        prefix, colon, rest = word.partition(":")
        return self.context[prefix] + rest if colon and prefix in self.context else word


def parse_thing(text: str, where: str) -> Thing:
    """Read a Thing Description (JSON-LD 1.1, in its compact form). Raises BadFile."""

    def bad(what: str, remedy: str = "see W3C Thing Description 1.1") -> BadFile:
        return BadFile(Problem(brief(what), remedy, where))

    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        raise bad("is not JSON", "is this the Thing Description?") from None
    if not isinstance(data, dict):
        raise bad("is no Thing Description: it is no JSON object", "is this the right file?")
    if missing := [key for key in ("title", "@context") if key not in data]:
        raise bad(f"is no Thing Description: it has no {' and no '.join(missing)}")
    title = data["title"]
    if not isinstance(title, str) or not title.strip():
        raise bad("has a title that is no text")
    base = data.get("base", "")
    if not isinstance(base, str) or "{" in base:
        raise bad("has a base that is no address, or one with variables")
    thing = Thing(
        title,
        (),
        tuple(_forms(data.get("forms"), base, ())),
        {
            name: scheme
            for name, scheme in _table(data.get("securityDefinitions")).items()
            if isinstance(scheme, dict)
        },
        tuple(_texts(data.get("security"))),
        dict(_context(data["@context"])),
    )
    kinds: tuple[Kind, ...] = ("properties", "actions", "events")
    affordances = tuple(
        Affordance(
            name,
            kind,
            thing.types_of(said),
            tuple(_forms(said.get("forms"), base, DEFAULT_OPS[kind])),
            _data(kind, said),
            _table(said.get("output")),
        )
        for kind in kinds
        for name, said in _table(data.get(kind)).items()
        if isinstance(said, dict)
    )
    if not affordances:
        raise bad("has neither properties nor actions")
    return Thing(title, affordances, thing.forms, thing.schemes, thing.security, thing.context)


def _data(kind: Kind, said: Mapping[str, Any]) -> Mapping[str, Any]:
    part = {"properties": said, "actions": said.get("input"), "events": said.get("data")}[kind]
    return _table(part)


def _table(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _texts(value: Any) -> list[str]:
    some = value if isinstance(value, list) else [value]
    return [one for one in some if isinstance(one, str)]


def _forms(value: Any, base: str, ops: tuple[str, ...]) -> Iterator[Form]:
    for one in value if isinstance(value, list) else ():
        href = one.get("href") if isinstance(one, dict) else None
        # Variables of a URI (RFC 6570) would have to be known for each message: not here.
        if not isinstance(href, str) or "{" in href:
            continue
        try:
            target = urljoin(base, href)
            port = urlsplit(target).port  # read here, since only now it is seen to be one
        except ValueError:
            continue
        if port == 0:
            continue
        method, topic = one.get("htv:methodName"), one.get("mqv:topic", one.get("mqv:filter"))
        security = _texts(one.get("security"))
        yield Form(
            target,
            tuple(_texts(one.get("op"))) or ops,
            one.get("contentType", JSON) if isinstance(one.get("contentType", JSON), str) else "",
            method if isinstance(method, str) else None,
            topic if isinstance(topic, str) else None,
            tuple(security) or None,
        )


def _context(value: Any) -> Iterable[tuple[str, str]]:
    for one in value if isinstance(value, list) else [value]:
        if isinstance(one, dict):
            for prefix, iri in one.items():
                if isinstance(iri, str) and not prefix.startswith("@"):
                    yield prefix, iri
