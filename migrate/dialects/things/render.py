"""A matched thing becomes the text of a dialect file, with where each line is from."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any
from urllib.parse import parse_qsl, quote, urlsplit

from migrate.dialects.things.description import DEFAULT_METHODS, JSON, Affordance, Form, Thing
from migrate.dialects.things.match import READINGS, Matched
from migrate.dialects.toml_lines import line
from migrate.model.parsing import brief
from migrate.model.problems import Problem, Refused
from migrate.model.settings import Setting

AUTH = {"nosec": "none", "basic": "basic", "digest": "digest", "bearer": "bearer"}
"""Security schemes of TD 1.1, section 5.3.3, that a dialect has a word for."""


def render(thing: Thing, matched: Matched, name: str, instance: str | None, where: str) -> str:
    """The text of a dialect called `name`. `instance`: the word in paths and topics that stands for
    this one thing, and becomes {topic}. Raises Refused with all that a dialect cannot say."""
    return "\n".join(_Renderer(thing, matched, name, instance, where).lines()) + "\n"


class _Renderer:
    def __init__(
        self, thing: Thing, matched: Matched, name: str, instance: str | None, where: str
    ) -> None:
        self._thing, self._matched, self._name = thing, matched, name
        self._instance, self._where = instance, where
        self._problems: list[Problem] = []

    def lines(self) -> list[str]:
        """All lines. Raises Refused."""
        one = self._matched
        write_op = "invokeaction" if one.write.kind == "actions" else "writeproperty"
        read_op = "readproperty" if one.read else "readallproperties"
        write = one.write.form(write_op, "http")
        read = self._read_form(read_op, "http")
        restart = one.restart.form("invokeaction", "http") if one.restart else None
        http = write is not None and read is not None
        mqtt = self._mqtt(write_op)
        if not http and not mqtt:
            self._miss(
                f"{one.write.name} and its state can neither be had over plain HTTP in JSON nor "
                "over MQTT with an answer",
                "see its forms; docs/things.md tells what a thing must offer over MQTT",
            )
        forms = [form for form in (write, read, restart) if form and http]
        auth = self._auth(forms)
        ports = {urlsplit(form.target).port or 80 for form in forms}
        if len(ports) > 1:
            self._miss("speaks HTTP at several ports", "one dialect has one port")
        out = [
            f"# {self._name}: made from the Thing Description of {_comment(self._thing.title)}",
            "# (W3C Web of Things, TD 1.1). Read it, see what is missing, then try it.",
            "",
            line("name", self._name),
            line("about", f"a thing by its description: {_plain(self._thing.title)}"),
            "",
            "# A description does not tell what the radio can do; see the manual:",
            '# radio = { bands = ["2.4 GHz"], security = ["wpa2-psk"] }',
            "",
        ]
        if http:
            out += ["[http]", line("port", min(ports, default=80)), line("auth", auth), ""]
        out += self._write(write if http else None, write_op, mqtt)
        out += self._read(read if http else None, read_op, mqtt)
        out += self._restart(restart if http else None)
        out += self._readings()
        out += self._settings()
        if self._problems:
            raise Refused(self._problems)
        return out

    def _miss(self, what: str, remedy: str) -> None:
        self._problems.append(Problem(brief(what), remedy, self._where))

    def _read_form(self, op: str, scheme: str) -> Form | None:
        if self._matched.read:
            return self._matched.read.form(op, scheme)
        fits = (f for f in self._thing.forms if op in f.ops and f.scheme == scheme and f.is_json)
        return next(fits, None)

    def _mqtt(self, write_op: str) -> dict[str, str] | None:
        """Topics, where the thing answers over MQTT: by an event to a change, and by telling its
        state when an action asks for it."""
        one = self._matched
        write = one.write.form(write_op, "mqtt")
        ask = one.ask.form("invokeaction", "mqtt") if one.ask else None
        told = one.read.form("observeproperty", "mqtt") if one.read else None
        answer = one.answer.form("subscribeevent", "mqtt") if one.answer else None
        if not (write and ask and told and answer):
            return None
        topics = {"write": write, "answer": answer, "ask": ask, "told": told}
        return {what: self._own("/", form.mqtt_topic) for what, form in topics.items()}

    def _own(self, separator: str, text: str) -> str:
        """With {topic} for every whole part that is this one thing's word."""
        parts = text.split(separator)
        same = {self._instance, quote(self._instance, safe="")} if self._instance else set()
        return separator.join("{topic}" if part in same else part for part in parts)

    def _auth(self, forms: Iterable[Form]) -> str:
        """The one scheme by which all of these forms are entered."""
        names = {name for form in forms for name in (form.security or self._thing.security)}
        schemes = {str(self._thing.schemes.get(name, {}).get("scheme", name)) for name in names}
        if len(schemes) > 1:
            self._miss(f"asks for several logins ({', '.join(sorted(schemes))})", "keep one")
        scheme = next(iter(sorted(schemes)), "nosec")
        for name in names:
            place = self._thing.schemes.get(name, {}).get("in", "header")
            if place != "header" and scheme != "nosec":
                self._miss(f"wants its login in its {place}", "a dialect puts it into the header")
        if scheme not in AUTH:
            self._miss(
                f"asks for a login by {scheme}",
                f"a dialect knows {', '.join(AUTH)} (TD 1.1, section 5.3.3)",
            )
        return AUTH.get(scheme, "none")

    def _place(self, form: Form, op: str, *, body: bool) -> str:
        parts = urlsplit(form.target)
        place: dict[str, Any] = {
            "method": form.method or DEFAULT_METHODS[op],
            "path": self._own("/", parts.path or "/"),
        }
        if parts.query:
            place["query"] = dict(parse_qsl(parts.query, keep_blank_values=True))
        if body:
            place["headers"] = {"Content-Type": JSON}
            place["body"] = "{message}"
        return line("http", place)

    def _write(self, http: Form | None, op: str, mqtt: Mapping[str, str] | None) -> Iterator[str]:
        one = self._matched
        yield f"# All settings in one message: its {_what(one.write)}."
        yield "[write]"
        yield line("message", {"form": "merge-patch"})
        if http:
            yield self._place(http, op, body=True)
        if mqtt and one.answer:
            yield f"# Over MQTT it answers by its {_what(one.answer)}."
            yield line("mqtt", {"topic": mqtt["write"], "reply": mqtt["answer"]})
        rule: dict[str, Any] = {"status": [200, 201, 202, 204]} if http else {}
        if one.taken is not None:
            rule |= {"pointer": one.taken, "equals": True}
        elif mqtt:
            self._miss(
                "tells over MQTT nowhere whether it took a change",
                "name where under taken in the mapping, as a JSON Pointer to true or false",
            )
        yield line("taken", rule)
        if one.taken is not None:
            yield line("declined", {"pointer": one.taken, "equals": False})
        restarts = one.restarts_on
        if restarts is None:
            yield "# A description does not tell what restarts it; correct this by the manual."
            restarts = () if one.restart else ("wifi", "broker", "addressing")
        yield line("restarts_on", list(restarts))
        yield ""

    def _read(self, http: Form | None, op: str, mqtt: Mapping[str, str] | None) -> Iterator[str]:
        one = self._matched
        yield f"# {f'Its {_what(one.read)}' if one.read else 'All its properties'}, read at once."
        yield "[read]"
        if http:
            yield self._place(http, op, body=False)
        if mqtt and one.ask:
            yield f"# Over MQTT its {_what(one.ask)} makes it tell that."
            yield line("mqtt", {"topic": mqtt["ask"], "reply": mqtt["told"]})
        yield ""

    def _restart(self, http: Form | None) -> Iterator[str]:
        one = self._matched
        if one.restart and http:
            yield f"# Its {_what(one.restart)}."
            yield "[restart]"
            yield self._place(http, "invokeaction", body=False)
            yield line("taken", {"status": [200, 201, 202, 204]})
            yield ""

    def _readings(self) -> Iterator[str]:
        yield "[readings]"
        for word in READINGS:
            if word in self._matched.told:
                yield line(word, {"pointer": self._matched.told[word]})
        yield ""

    def _settings(self) -> Iterator[str]:
        yield "[settings]"
        for setting, pointer in self._matched.written.items():
            keys: dict[str, Any] = {"name": pointer}
            if read := self._matched.told.get(setting):
                keys["read"] = {"pointer": read}
            if setting in (Setting.WIFI_SSID, Setting.WIFI_SECRET):
                keys["empty"] = False
            if setting in (Setting.WIFI_SSID, Setting.SPARE_SSID):
                keys["max_octets"] = 32
            yield line(f'"{setting}"', keys)


def _what(one: Affordance) -> str:
    kinds = {"properties": "property", "actions": "action", "events": "event"}
    return f"{kinds[one.kind]} {_comment(one.name)}"


def _plain(words: str) -> str:
    return "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in words)[
        :60
    ]


_comment = _plain
