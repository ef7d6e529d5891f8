"""The parts of a dialect file: messages, the places where they go, and readings."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Annotated, Literal, Self

import jsonpointer
from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from migrate.dialects.patterns import groups, pattern_fault
from migrate.model.fleet import Device, Strict, Text
from migrate.model.mqtt import topic_fault
from migrate.model.settings import Setting
from migrate.model.wifi import Band, Security

MESSAGE = "{message}"
PLACES = {"topic": "its own topic", "mac": "its MAC, upper case, hyphens", "name": "its name"}


def is_pointer(value: str) -> bool:
    try:
        jsonpointer.JsonPointer(value)
    except jsonpointer.JsonPointerException:
        return False
    return True


def _pointer(value: str) -> str:
    if not is_pointer(value):
        raise ValueError("is not a JSON Pointer (RFC 6901); it is empty or starts with a slash")
    return value


def _pattern(value: str) -> str:
    if "value" not in groups(_compiles(value)):
        raise ValueError("has no group named value; write (?P<value>...) around the reading")
    return value


def _template(value: str) -> str:
    for name in re.findall(r"\{([^{}]*)\}", value):
        if name not in PLACES:
            known = ", ".join("{" + place + "}" for place in PLACES)
            raise ValueError(f"holds {{{name}}}; known placeholders: {known}")
    return value


def _topic(value: str) -> str:
    if fault := topic_fault(_template(value)):
        raise ValueError(fault)
    return value


def _token(value: str) -> str:
    # RFC 9110 section 5.6.2: method and field names are tokens.
    if not re.fullmatch(r"[!#$%&'*+\-.^_`|~0-9A-Za-z]+", value):
        raise ValueError("is not an HTTP token (RFC 9110)")
    return value


_SETTINGS = {str(setting): setting for setting in Setting}


def _setting(value: object) -> object:
    if isinstance(value, str) and value in _SETTINGS:
        return _SETTINGS[value]
    raise ValueError(f"is not a setting; known: {', '.join(Setting)}")


Pointer = Annotated[str, AfterValidator(_pointer)]
Pattern = Annotated[str, AfterValidator(_pattern)]
TopicTemplate = Annotated[str, AfterValidator(_topic)]
SettingName = Annotated[Setting, BeforeValidator(_setting)]
OutputName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")]


class Words(Strict):
    """How yes and no are written where they are not JSON booleans."""

    true: Text
    false: Text


class Reading(Strict):
    """Where a reading stands in a reply: a JSON Pointer, or a regular expression (multi-line)
    whose group `value` holds it."""

    pointer: Pointer | None = None
    pattern: Pattern | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.pointer is None) == (self.pattern is None):
            raise ValueError("needs either pointer or pattern")
        return self


class Rule(Strict):
    """A test of a reply; all parts that are given must hold."""

    status: tuple[Annotated[int, Field(ge=100, le=599)], ...] = ()
    pointer: Pointer | None = None
    equals: str | int | bool | None = None
    pattern: Annotated[str, AfterValidator(lambda value: _compiles(value))] | None = None

    @model_validator(mode="after")
    def _something(self) -> Self:
        if not self.status and self.pointer is None and self.pattern is None:
            raise ValueError("is empty; give status, pointer or pattern")
        if self.equals is not None and self.pointer is None:
            raise ValueError("equals goes with pointer")
        return self


def _compiles(value: str) -> str:
    if fault := pattern_fault(value):
        raise ValueError(fault)
    return value


class HttpPlace(Strict):
    """Where a message goes over HTTP. In `query` and `body` {message} stands for the message."""

    method: Annotated[str, AfterValidator(_token)] = "GET"
    path: Annotated[str, Field(pattern=r"^/[^?#]*$"), AfterValidator(_template)]
    query: dict[str, str] = {}
    headers: dict[Annotated[str, AfterValidator(_token)], Text] = {}
    body: Literal["{message}", ""] = ""


class MqttPlace(Strict):
    """Where a message goes over MQTT, and where its answer comes."""

    topic: TopicTemplate
    reply: TopicTemplate


class Places(Strict):
    """One or both transports."""

    http: HttpPlace | None = None
    mqtt: MqttPlace | None = None


class MergePatch(Strict):
    """Settings become one JSON document, a merge patch (RFC 7396); names are JSON Pointers."""

    form: Literal["merge-patch"]


class JsonRpc(Strict):
    """A JSON-RPC 2.0 request; settings become params by name (names are JSON Pointers)."""

    form: Literal["json-rpc"]
    method: Text
    params: dict[str, str | int | bool] = {}


class Lines(Strict):
    """Settings become `name` `assign` `value`, joined by `separator`, as text.

    `before` and `after` frame the whole message. `escape`: "none", or "percent": octets of the
    separator, of the assign sign, of `after`, of the percent sign and of everything outside
    printable ASCII are written as %XX (RFC 3986 section 2.1).
    """

    form: Literal["lines"]
    separator: Annotated[str, Field(min_length=1, max_length=8)] = "\n"
    assign: Annotated[str, Field(min_length=1, max_length=8)] = "="
    before: str = ""
    after: str = ""
    escape: Literal["none", "percent"] = "none"


class FixedText(Strict):
    """A constant text, perhaps empty."""

    form: Literal["text"]
    text: str = ""


class Write(Places):
    """How settings are written. `taken` and `declined` tell the answers apart; `reason` finds the
    device's words for a refusal; `restarts_on` names the groups whose change restarts it."""

    message: Annotated[MergePatch | JsonRpc | Lines, Field(discriminator="form")]
    taken: Rule | None = None
    declined: Rule | None = None
    reason: Reading | None = None
    restarts_on: tuple[
        Literal["wifi", "broker", "group", "addressing", "wifi.spare", "group.spare"], ...
    ] = ()


class Ask(Places):
    """A message that changes no setting: the read, or the restart."""

    message: Annotated[FixedText | JsonRpc, Field(discriminator="form")] = FixedText(form="text")
    taken: Rule | None = None


class Presence(Strict):
    """The topic on which a device says that it is there, and its words for it."""

    topic: TopicTemplate
    online: Text
    offline: Text


class Http(Strict):
    """HTTP in general: port, and how a login is proved (RFC 7617 basic, RFC 7616 digest, RFC 6750
    bearer)."""

    port: Annotated[int, Field(ge=1, le=65535)] = 80
    auth: Literal["none", "basic", "digest", "bearer"] = "none"


class Carries(Strict):
    """What a message of this family can carry.

    `message_octets`: longest message as the device decodes it. `target_octets`: longest path and
    query after encoding. `cannot`: texts that no value may contain. `trims`: blanks at the ends of
    a value are lost. `ascii_only`: no other characters. `control`: control characters arrive.
    """

    message_octets: Annotated[int, Field(ge=16)] = 1024
    target_octets: Annotated[int, Field(ge=16)] | None = None
    cannot: tuple[Annotated[str, Field(min_length=1)], ...] = ()
    trims: bool = False
    ascii_only: bool = False
    control: bool = False


class Radio(Strict):
    """What the family's radio can do. `protects_frames`: it can join a network that requires
    protected management frames (IEEE Std 802.11w); a family that speaks WPA3-SAE must."""

    bands: tuple[Band, ...] = ("2.4 GHz",)
    channels: tuple[Annotated[int, Field(ge=1, le=233)], ...] = tuple(range(1, 12))
    security: tuple[Security, ...] = ("wpa2-psk",)
    finds_hidden: bool = False
    protects_frames: bool = False


class RestartTime(Strict):
    """Seconds from the message to the device's return, usually: least and most."""

    least: Annotated[float, Field(ge=0, le=3600)] = 5
    most: Annotated[float, Field(ge=0, le=3600)] = 30

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.least > self.most:
            raise ValueError(f"least ({self.least:g}) is more than most ({self.most:g})")
        return self


class Word(Strict):
    """One setting in the family's own words: `name` to write it, `read` to find it."""

    name: Text
    read: Reading | None = None
    max_octets: Annotated[int, Field(ge=1)] | None = None
    empty: bool = True
    words: Words | None = None


class Identity(Strict):
    """Readings that are no settings. `mac` proves who answers, so it is needed."""

    mac: Reading
    firmware: Reading | None = None
    address: Reading | None = None
    uptime: Reading | None = None
    signal: Reading | None = None


class Output(Strict):
    """One thing that a device of this family switches. `read` says where its state stands in the
    answer to a read; `write` how it is called in a message of the dialect's write, if it can be set
    without a restart; `words` how on (true) and off (false) are written and told."""

    read: Reading
    write: Text | None = None
    holds: Literal["switch", "level"] = "switch"
    words: Words | None = None

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.holds == "level" and self.words is not None:
            raise ValueError("a level is a number and has no words")
        return self


class Harmless(Strict):
    """A free text of this family that changes nothing that matters and restarts nothing, such as
    the name that a device shows: a trial on the bench may write it. `write` is how it is called in
    a message of the dialect's write, `read` where it stands in the answer to a read."""

    write: Text
    read: Reading
    max_octets: Annotated[int, Field(ge=8, le=1024)] = 32


def fill(template: str, device: Device, encode: Callable[[str], str] = str) -> str:
    """A template with the device's own words in it, each encoded for where it stands."""
    values = {"topic": device.topic or "", "mac": device.mac, "name": device.name}
    return re.sub(r"\{([^{}]*)\}", lambda found: encode(values[found[1]]), template)
