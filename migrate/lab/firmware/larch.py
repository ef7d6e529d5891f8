"""larch: one settings document, patched. Written from docs/manuals/larch.md."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from migrate.lab.firmware import base, http_auth
from migrate.lab.firmware.base import Facts, HttpAnswer, HttpRequest, MqttReply, Outcome, Reaction
from migrate.lab.firmware.merge_patch import merge

LIMIT_OCTETS = 1024
USER = "owner"
# Every member a patch may name, and the member of the store behind it.
_MEMBERS = {
    ("network", "name"): "wifi_name",
    ("network", "key"): "wifi_key",
    ("network", "spare_name"): "wifi_spare_name",
    ("network", "spare_key"): "wifi_spare_key",
    ("broker", "host"): "broker_host",
    ("broker", "port"): "broker_port",
    ("broker", "secure"): "broker_secure",
    ("broker", "user"): "broker_user",
    ("broker", "pass"): "broker_password",
    ("groups", "word"): "group",
    ("output", "on"): "output",
    ("about", "label"): "label",
    ("about", "remark"): "remark",
}
_WRITE_ONLY = {("network", "key"), ("network", "spare_key"), ("broker", "pass")}


class Larch(base.Firmware):
    """The larch family."""

    family = "larch"
    presence_word = "present"
    absence_word = "absent"
    spare_network = True

    def topics(self, running: base.Store) -> frozenset[str]:
        own = {f"larch/{self.topic}/patch", f"larch/{self.topic}/show"}
        return frozenset(own | ({f"larch/{running.group}/patch"} if running.group else set()))

    def http(self, request: HttpRequest, store: base.Store, facts: Facts) -> Reaction:
        if self.http_password is not None and not http_auth.basic_is_right(
            request.headers.get("authorization", ""), USER, self.http_password
        ):
            demand = {"WWW-Authenticate": 'Basic realm="larch", charset="UTF-8"'}
            return base.unanswered(store, HttpAnswer(401, b"who are you\n", headers=demand))
        if request.path != "/unit/document":
            return base.unanswered(store, HttpAnswer(404, b"not here\n"))
        if request.method == "GET":
            shown = base.to_json(document(facts.shown or store, facts))
            return Reaction(
                Outcome(store, shown, "read"), HttpAnswer(200, shown, "application/json")
            )
        if request.method != "PATCH":
            allow = {"Allow": "GET, PATCH"}
            return base.unanswered(store, HttpAnswer(405, b"not so\n", headers=allow))
        if request.content_type != "application/merge-patch+json":
            return base.unanswered(store, HttpAnswer(415, b"send a merge patch\n"))
        outcome = take(request.body, store, facts)
        refused = 413 if len(request.body) > LIMIT_OCTETS else 422
        status = 200 if outcome.settings_taken else refused
        return Reaction(outcome, HttpAnswer(status, outcome.answer or b"", "application/json"))

    def mqtt(self, topic: str, payload: bytes, store: base.Store, facts: Facts) -> Reaction:
        if topic == f"larch/{self.topic}/show":
            shown = base.to_json(document(facts.shown or store, facts))
            reply = MqttReply(f"larch/{self.topic}/document", shown)
            return Reaction(Outcome(store, shown, "read"), replies=(reply,))
        outcome = take(payload, store, facts)
        if topic == f"larch/{self.topic}/patch":
            reply = MqttReply(f"larch/{self.topic}/patched", outcome.answer or b"")
            return Reaction(outcome, replies=(reply,))
        return Reaction(outcome)


def document(store: base.Store, facts: Facts) -> dict[str, Any]:
    """The document as it is shown: without the write-only members."""
    shown: dict[str, Any] = {
        "unit": {
            "mac": facts.mac,
            "firmware": facts.firmware,
            "address": facts.address,
            "uptime_s": facts.uptime_s,
            "signal_dbm": facts.signal_dbm,
        }
    }
    for (part, member), name in _MEMBERS.items():
        if (part, member) not in _WRITE_ONLY:
            shown.setdefault(part, {})[member] = getattr(store, name)
    return shown


def take(patch: bytes, store: base.Store, facts: Facts) -> Outcome:
    """Apply a merge patch to the store, or refuse it as a whole."""
    try:
        if len(patch) > LIMIT_OCTETS:
            raise base.RefusedError("over 1024 octets")
        if facts.declines is not None:
            raise base.RefusedError(facts.declines)
        fresh = _patched(patch, store)
    except base.RefusedError as refused:
        no = base.to_json({"taken": False, "why": str(refused)})
        return Outcome(store, no, "write", declined=facts.declines is not None)
    restart = fresh.connection != store.connection
    yes = base.to_json({"taken": True, "restart": restart})
    return Outcome(fresh, yes, "write", settings_taken=True, restart=restart)


def _patched(raw: bytes, store: base.Store) -> base.Store:
    try:
        patch = base.parse_json(raw)
    except ValueError:
        raise base.RefusedError("not JSON") from None
    if not isinstance(patch, dict):
        raise base.RefusedError("wrong type: the document")
    before: dict[str, Any] = {}
    for (part, member), name in _MEMBERS.items():
        before.setdefault(part, {})[member] = getattr(store, name)
    for part, members in patch.items():
        if part == "unit":
            raise base.RefusedError("unit cannot be written")
        if part not in before:
            raise base.RefusedError("unknown member")
        if not isinstance(members, dict):
            raise base.RefusedError(f"wrong type: {part}")
        if any(member not in before[part] for member in members):
            raise base.RefusedError(f"unknown member of {part}")
        # RFC 7396 null removes a member, and this document has none that may be missing.
        if any(value is None for value in members.values()):
            raise base.RefusedError(f"wrong type: null in {part}")
    after = merge(before, patch)
    changes: dict[str, Any] = {}
    for part, members in patch.items():
        for member in members:
            where = f"{part}.{member}"
            changes[_MEMBERS[part, member]] = _checked(where, after[part][member])
    fresh = replace(store, **changes)
    return fresh if fresh.wifi_spare_name else replace(fresh, wifi_spare_key="")


def _checked(where: str, value: Any) -> str | int | bool:
    match where:
        case "broker.port":
            return base.port_number(value, where)
        case "broker.secure" | "output.on":
            return base.truth(value, where)
        case "network.name":
            return base.network_name(base.text(value, where), where)
        case "network.spare_name":
            return base.network_name(base.text(value, where), where, may_be_empty=True)
        case "network.key" | "network.spare_key":
            return base.network_key(base.text(value, where), where)
        case "about.label" | "about.remark":
            return base.note(base.text(value, where), where)
        case _:
            return base.text(value, where)
