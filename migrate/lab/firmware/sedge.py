"""sedge: lines of text. Written from docs/manuals/sedge.md."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any
from urllib.parse import unquote_to_bytes

from migrate.lab.firmware import base
from migrate.lab.firmware.base import Facts, HttpAnswer, HttpRequest, MqttReply, Outcome, Reaction

LIMIT_OCTETS = 255
_BLANKS = " \t"
_NAMES = {
    "station.name": "wifi_name",
    "station.key": "wifi_key",
    "mqtt.host": "broker_host",
    "mqtt.port": "broker_port",
    "mqtt.secure": "broker_secure",
    "mqtt.user": "broker_user",
    "mqtt.pass": "broker_password",
    "mqtt.group": "group",
    "output": "output",
    "unit.label": "label",
    "unit.remark": "remark",
}
_HEX_KEY = re.compile(r"[0-9A-Fa-f]{64}")


class Sedge(base.Firmware):
    """The sedge family. It has no authentication: an HTTP password is not used."""

    family = "sedge"
    presence_word = "up"
    absence_word = "down"
    groups_at_once = False

    def topics(self, running: base.Store) -> frozenset[str]:
        return frozenset(f"sedge/{word}/say" for word in (self.topic, running.group) if word)

    def http(self, request: HttpRequest, store: base.Store, facts: Facts) -> Reaction:
        if request.path != "/do":
            return base.unanswered(store, HttpAnswer(404, b"not here\n"))
        if request.method != "GET":
            return base.unanswered(store, HttpAnswer(405, b"not so\n", headers={"Allow": "GET"}))
        message = b""
        for pair in request.query.split("&"):
            name, _, value = pair.partition("=")
            if name == "say":
                # RFC 3986: a plus sign in a URL is a plus sign.
                message = unquote_to_bytes(value)
                break
        outcome = say(message, store, facts)
        return Reaction(outcome, HttpAnswer(200, outcome.answer or b""))

    def mqtt(self, topic: str, payload: bytes, store: base.Store, facts: Facts) -> Reaction:
        outcome = say(payload, store, facts)
        if topic == f"sedge/{self.topic}/say":
            reply = MqttReply(f"sedge/{self.topic}/reply", outcome.answer or b"")
            return Reaction(outcome, replies=(reply,))
        return Reaction(outcome)


def say(message: bytes, store: base.Store, facts: Facts) -> Outcome:
    """Carry out one message."""
    try:
        if len(message) > LIMIT_OCTETS:
            raise base.RefusedError("message too long")
        try:
            words = message.decode("ascii")
        except UnicodeDecodeError:
            raise base.RefusedError("not US-ASCII") from None
        alone = words.strip(_BLANKS)
        if alone == "report":
            return Outcome(store, _report(facts.shown or store, facts).encode(), "read")
        if alone == "restart":
            return Outcome(store, b"ok\n", "write", restart=True)
        fresh, count = _stored(words, store)
        if facts.declines is not None:
            return Outcome(store, f"no {facts.declines}\n".encode(), "write", declined=True)
    except base.RefusedError as refused:
        return Outcome(store, f"no {refused}\n".encode(), "write")
    return Outcome(fresh, f"ok {count}\n".encode(), "write", settings_taken=True)


def _stored(words: str, store: base.Store) -> tuple[base.Store, int]:
    changes: dict[str, Any] = {}
    waiting: set[str] = set()
    statements = words.split(";")
    for statement in statements:
        name, sign, value = statement.partition("=")
        name, value = name.strip(_BLANKS), value.strip(_BLANKS)
        if name in ("report", "restart") and not sign:
            raise base.RefusedError(f"{name} stands alone")
        if not sign or name not in _NAMES:
            raise base.RefusedError("unknown name")
        changes[_NAMES[name]] = _checked(name, value)
        if name not in ("output", "unit.label", "unit.remark"):
            waiting.add(name)
    return replace(store, **changes, pending=store.pending | waiting), len(statements)


def _checked(name: str, value: str) -> str | int | bool:
    match name:
        case "station.name":
            return base.network_name(value, name)
        case "station.key":
            if not 8 <= len(value) <= 63 and not _HEX_KEY.fullmatch(value):
                raise base.RefusedError("a key neither 8..63 characters nor 64 hex digits")
            return value
        case "mqtt.port":
            if not re.fullmatch(r"[0-9]{1,5}", value):
                raise base.RefusedError("not a port")
            return base.port_number(int(value), name)
        case "mqtt.secure":
            return _one_of(value, "yes", "no")
        case "output":
            return _one_of(value, "on", "off")
        case "unit.label" | "unit.remark":
            return base.note(value, name)
        case _:
            return value


def _one_of(value: str, yes: str, no: str) -> bool:
    if value not in (yes, no):
        raise base.RefusedError(f"neither {yes} nor {no}")
    return value == yes


def _report(store: base.Store, facts: Facts) -> str:
    rows = {
        "unit.mac": facts.mac,
        "unit.firmware": facts.firmware,
        "unit.address": facts.address,
        "unit.uptime": str(facts.uptime_s),
        "unit.signal": str(facts.signal_dbm),
        "station.name": store.wifi_name,
        "mqtt.host": store.broker_host,
        "mqtt.port": str(store.broker_port),
        "mqtt.secure": "yes" if store.broker_secure else "no",
        "mqtt.user": store.broker_user,
        "mqtt.group": store.group,
        "output": "on" if store.output else "off",
        "unit.label": store.label,
        "unit.remark": store.remark,
        "pending": str(len(store.pending)),
    }
    return "".join(f"{name}: {value}\n" for name, value in rows.items())
