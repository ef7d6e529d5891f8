"""From settings to one message. Encoding is by context: JSON, URL query, text.

Nothing here decides whether a value may be sent: `carrying` has refused it before.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote, urlencode

import jsonpointer

from migrate.dialects.messages import HttpRequest, MqttRequest, Request, Switched
from migrate.dialects.parts import (
    MESSAGE,
    Ask,
    FixedText,
    HttpPlace,
    JsonRpc,
    Lines,
    Output,
    Word,
    Write,
    fill,
)
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device, Transport
from migrate.model.secrets import MASK, Secret
from migrate.model.settings import SECRETS, Bundle, Setting, Value

_UNESCAPED = frozenset(range(0x20, 0x7F))
_SEGMENT = ":@!$&'()*+,;=-._~"
"""What stands unencoded in one segment of a path, beside letters and digits (RFC 3986, 3.3)."""


def write_message(dialect: Dialect, bundle: Bundle, ident: int = 1) -> str:
    """The message that sets every setting of the bundle, as the device will decode it."""
    values = {
        dialect.settings[setting].name: plain(dialect.settings[setting], value)
        for setting, value in bundle.items()
    }
    return _message(dialect, values, ident)


def outputs_message(dialect: Dialect, states: Mapping[str, Switched], ident: int = 1) -> str:
    """The message that sets these outputs, by the dialect's names for them, and nothing else.
    Raises ValueError for one that cannot be written."""
    values: dict[str, str | int | float | bool] = {}
    for name, state in states.items():
        output = dialect.outputs[name]
        if output.write is None:
            raise ValueError(f"{dialect.name} cannot set its output {name}")
        values[output.write] = told_state(output, state)
    return _message(dialect, values, ident)


def write_outputs(
    dialect: Dialect,
    device: Device,
    transport: Transport,
    states: Mapping[str, Switched],
    ident: int = 1,
) -> Request:
    """The one request that sets these outputs of a device. Raises ValueError, as its message."""
    message = outputs_message(dialect, states, ident)
    return _place(dialect.write, device, transport, message, ident)


def write_harmless(
    dialect: Dialect,
    device: Device,
    transport: Transport,
    values: Mapping[str, str],
    ident: int = 1,
) -> Request:
    """The one request that sets these harmless texts of a device, whatever is in them, and nothing
    else: a trial wants to know what becomes of them. Raises KeyError for a text that is none."""
    message = harmless_message(dialect, values, ident)
    return _place(dialect.write, device, transport, message, ident)


def harmless_message(dialect: Dialect, values: Mapping[str, str], ident: int = 1) -> str:
    """The message that sets these harmless texts. Raises KeyError."""
    return _message(
        dialect, {dialect.harmless[name].write: value for name, value in values.items()}, ident
    )


def told_state(output: Output, state: Switched) -> str | int | float | bool:
    """The state of an output as the device is told it: on and off in its own words."""
    if isinstance(state, bool):
        words = output.words
        return state if words is None else words.true if state else words.false
    return int(state) if state == int(state) else state


def _message(dialect: Dialect, values: Mapping[str, str | int | float | bool], ident: int) -> str:
    form = dialect.write.message
    if isinstance(form, Lines):
        texts = [statement(form, name, value) for name, value in values.items()]
        return form.before + form.separator.join(texts) + form.after
    document: dict[str, Any] = {}
    for pointer, value in values.items():
        _put(document, pointer, value)
    if isinstance(form, JsonRpc):
        return _call(form, ident, document)
    return _json(document)


def write(
    dialect: Dialect, device: Device, transport: Transport, bundle: Bundle, ident: int = 1
) -> Request:
    """The one request that carries the whole bundle to a device."""
    message = write_message(dialect, bundle, ident)
    return _place(dialect.write, device, transport, message, ident)


def ask(
    dialect: Dialect, what: Ask, device: Device, transport: Transport, ident: int = 1
) -> Request:
    """The request of the dialect's read or restart."""
    form = what.message
    text = form.text if isinstance(form, FixedText) else _call(form, ident, {})
    return _place(what, device, transport, text, ident)


def preview(dialect: Dialect, device: Device, transport: Transport, bundle: Bundle) -> str:
    """The write as a person may read it: not encoded, and masked before it is composed."""
    hidden: dict[Setting, Value] = {
        setting: MASK if setting in SECRETS else value for setting, value in bundle.items()
    }
    message = write_message(dialect, hidden)
    if transport == "mqtt":
        if dialect.write.mqtt is None:
            raise ValueError(f"{dialect.name} has no mqtt")
        return f"publish to {fill(dialect.write.mqtt.topic, device)}: {message}"
    place = dialect.write.http
    if place is None:
        raise ValueError(f"{dialect.name} has no http")
    query = "&".join(
        f"{key}={message if value == MESSAGE else value}" for key, value in place.query.items()
    )
    head = f"{place.method} {fill(place.path, device)}" + (f"?{query}" if query else "")
    return f"{head} with body {message}" if place.body else head


def plain(word: Word, value: Value) -> str | int | bool:
    """A value as the device is told it: secrets in the clear, yes and no in its own words."""
    told = value.reveal() if isinstance(value, Secret) else value
    if isinstance(told, bool) and word.words:
        return word.words.true if told else word.words.false
    return told


def statement(form: Lines, name: str, value: str | int | float | bool) -> str:
    """One setting, or output, as text: name, assign sign, escaped value."""
    return f"{name}{form.assign}{_escaped(form, str(value))}"


def _escaped(form: Lines, text: str) -> str:
    if form.escape == "none":
        return text
    special = {*f"{form.separator}{form.assign}{form.after}%".encode()}
    return "".join(
        chr(octet) if octet in _UNESCAPED and octet not in special else f"%{octet:02X}"
        for octet in text.encode("utf-8")
    )


def _put(document: dict[str, Any], pointer: str, value: str | int | float | bool) -> None:
    *inner, last = jsonpointer.JsonPointer(pointer).parts
    here = document
    for part in inner:
        here = here.setdefault(part, {})
    here[last] = value


def _call(form: JsonRpc, ident: int, params: Mapping[str, Any]) -> str:
    call: dict[str, Any] = {"jsonrpc": "2.0", "id": ident, "method": form.method}
    joined = {**form.params, **params}
    if joined:
        call["params"] = joined
    return _json(call)


def _json(value: Any) -> str:
    # ASCII only: \u escapes arrive the same whatever encoding the device assumes (RFC 8259).
    return json.dumps(value, ensure_ascii=True, separators=(",", ":"))


def _place(
    what: Write | Ask, device: Device, transport: Transport, message: str, ident: int
) -> Request:
    expects = ident if isinstance(what.message, JsonRpc) else None
    if transport == "mqtt":
        if what.mqtt is None:
            raise ValueError("this dialect has no mqtt here")
        return MqttRequest(
            fill(what.mqtt.topic, device),
            message.encode("utf-8"),
            fill(what.mqtt.reply, device),
            expects,
        )
    place = what.http
    if place is None:
        raise ValueError("this dialect has no http here")
    query = query_of(place, message)
    return HttpRequest(
        place.method,
        path_of(place, device) + (f"?{query}" if query else ""),
        tuple(place.headers.items()),
        message.encode("utf-8") if place.body else b"",
        expects,
    )


def query_of(place: HttpPlace, message: str) -> str:
    """The query, encoded, with the message in it if that is its place."""
    return urlencode(
        {key: message if value == MESSAGE else value for key, value in place.query.items()},
        quote_via=quote,
        safe="",
    )


def path_of(place: HttpPlace, device: Device) -> str:
    """The path, encoded, with the device's own words in it."""
    path = quote(place.path, safe="/{}" + _SEGMENT)
    path = fill(path, device, lambda value: quote(value, safe=_SEGMENT))
    return path.replace("{", "%7B").replace("}", "%7D")
