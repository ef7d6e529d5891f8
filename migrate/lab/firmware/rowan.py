"""rowan: JSON-RPC 2.0. Written from docs/manuals/rowan.md."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from migrate.lab.firmware import base
from migrate.lab.firmware.base import Facts, HttpAnswer, HttpRequest, MqttReply, Outcome, Reaction
from migrate.lab.firmware.http_auth import DigestGate

LIMIT_OCTETS = 2048
USER = "owner"
REALM = "rowan"
_NAMES = {
    "wifi_name": "wifi_name",
    "wifi_key": "wifi_key",
    "broker_host": "broker_host",
    "broker_port": "broker_port",
    "broker_secure": "broker_secure",
    "broker_user": "broker_user",
    "broker_pass": "broker_password",
    "group": "group",
    "group_spare": "group_spare",
    "output": "output",
    "label": "label",
    "remark": "remark",
    "fixed_address": "fixed_address",
    "fixed_mask": "fixed_mask",
    "fixed_gateway": "fixed_gateway",
    "fixed_resolver": "fixed_resolver",
}
_WRITE_ONLY = {"wifi_key", "broker_pass"}


class RpcError(Exception):
    """A JSON-RPC error with its code."""

    def __init__(self, code: int, message: str) -> None:
        super().__init__(message)
        self.code = code


class Rowan(base.Firmware):
    """The rowan family."""

    family = "rowan"
    presence_word = "here"
    absence_word = "gone"

    def __init__(self, topic: str, http_password: str | None = None) -> None:
        super().__init__(topic, http_password)
        self._gate = None if http_password is None else DigestGate(REALM, USER, http_password)

    def topics(self, running: base.Store) -> frozenset[str]:
        words = [self.topic, running.group, running.group_spare]
        return frozenset(f"rowan/{word}/call" for word in words if word)

    def http(self, request: HttpRequest, store: base.Store, facts: Facts) -> Reaction:
        if self._gate is not None:
            header = request.headers.get("authorization", "")
            demand = self._gate.refusal(header, request.method, request.target)
            if demand is not None:
                answer = HttpAnswer(401, b"who are you\n", headers={"WWW-Authenticate": demand})
                return base.unanswered(store, answer)
        if request.path != "/call":
            return base.unanswered(store, HttpAnswer(404, b"not here\n"))
        if request.method != "POST":
            return base.unanswered(store, HttpAnswer(405, b"not so\n", headers={"Allow": "POST"}))
        if request.content_type != "application/json":
            return base.unanswered(store, HttpAnswer(415, b"send JSON\n"))
        outcome = call(request.body, store, facts)
        return Reaction(outcome, HttpAnswer(200, outcome.answer or b"", "application/json"))

    def mqtt(self, topic: str, payload: bytes, store: base.Store, facts: Facts) -> Reaction:
        outcome = call(payload, store, facts)
        if topic == f"rowan/{self.topic}/call" and outcome.answer is not None:
            reply = MqttReply(f"rowan/{self.topic}/return", outcome.answer)
            return Reaction(outcome, replies=(reply,))
        return Reaction(outcome)


def call(raw: bytes, store: base.Store, facts: Facts) -> Outcome:
    """Carry out one request. A request without id is a notification: no answer."""
    ident: str | int | float | None = None
    notification = False
    try:
        request, ident, notification = _request(raw)
        result, outcome = _carry_out(request, store, facts)
        response: dict[str, Any] = {"jsonrpc": "2.0", "result": result, "id": ident}
    except RpcError as error:
        declined = facts.declines is not None and str(error) == facts.declines
        outcome = Outcome(store, None, "write" if error.code == -32602 else "none")
        outcome = replace(outcome, declined=declined)
        details = {"code": error.code, "message": str(error)}
        response = {"jsonrpc": "2.0", "error": details, "id": ident}
    return outcome if notification else replace(outcome, answer=base.to_json(response))


def _request(raw: bytes) -> tuple[dict[str, Any], str | int | float | None, bool]:
    if len(raw) > LIMIT_OCTETS:
        raise RpcError(-32600, "over 2048 octets")
    try:
        request = base.parse_json(raw)
    except ValueError:
        raise RpcError(-32700, "Parse error") from None
    if isinstance(request, list):
        raise RpcError(-32600, "no batches")
    if not isinstance(request, dict) or request.get("jsonrpc") != "2.0":
        raise RpcError(-32600, "Invalid Request")
    ident = request.get("id")
    if isinstance(ident, bool) or not isinstance(ident, str | int | float | None):
        raise RpcError(-32600, "Invalid Request")
    if not isinstance(request.get("method"), str):
        raise RpcError(-32600, "Invalid Request")
    if not isinstance(request.get("params", {}), dict | list):
        raise RpcError(-32600, "Invalid Request")
    return request, ident, "id" not in request


def _carry_out(request: dict[str, Any], store: base.Store, facts: Facts) -> tuple[Any, Outcome]:
    method, params = request["method"], request.get("params", {})
    if method == "settings.merge":
        fresh = _merged(params, store, facts)
        restart = fresh.connection != store.connection
        result = {"stored": len(params), "restart": restart}
        return result, Outcome(fresh, None, "write", settings_taken=True, restart=restart)
    if method not in ("settings.show", "unit.restart"):
        raise RpcError(-32601, "Method not found")
    if params:
        raise RpcError(-32602, "no params")
    if method == "unit.restart":
        return True, Outcome(store, None, "write", restart=True)
    return _shown(facts.shown or store, facts), Outcome(store, None, "read")


def _shown(store: base.Store, facts: Facts) -> dict[str, Any]:
    shown: dict[str, Any] = {
        "mac": facts.mac,
        "firmware": facts.firmware,
        "address": facts.address,
        "uptime_s": facts.uptime_s,
        "signal_dbm": facts.signal_dbm,
    }
    for name, member in _NAMES.items():
        if name not in _WRITE_ONLY:
            shown[name] = getattr(store, member)
    return shown


def _merged(params: Any, store: base.Store, facts: Facts) -> base.Store:
    if facts.declines is not None:
        raise RpcError(-32602, facts.declines)
    if not isinstance(params, dict):
        raise RpcError(-32602, "params must be an object")
    try:
        if any(name not in _NAMES for name in params):
            raise base.RefusedError("unknown name")
        changes = {_NAMES[name]: _checked(name, value) for name, value in params.items()}
        fresh = replace(store, **changes)
        if fresh.fixed_address and not fresh.fixed_mask:
            raise base.RefusedError("an address without its mask: fixed_address")
    except base.RefusedError as refused:
        raise RpcError(-32602, str(refused)) from None
    return fresh


def _checked(name: str, value: Any) -> Any:
    match name:
        case "broker_port":
            return base.port_number(value, name)
        case "broker_secure" | "output":
            return base.truth(value, name)
        case "wifi_name":
            return base.network_name(base.text(value, name), name)
        case "wifi_key":
            return base.network_key(base.text(value, name), name)
        case "fixed_address" | "fixed_mask" | "fixed_gateway" | "fixed_resolver":
            return base.fixed_address(base.text(value, name), name)
        case "label" | "remark":
            return base.note(base.text(value, name), name)
        case _:
            return base.text(value, name)
