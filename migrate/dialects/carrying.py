"""Proof, before anything is sent, that a dialect carries a bundle unchanged and in one message."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from migrate.dialects.compose import (
    harmless_message,
    outputs_message,
    path_of,
    plain,
    query_of,
    statement,
    told_state,
    write_message,
)
from migrate.dialects.messages import Switched
from migrate.dialects.parts import Lines, Word, fill
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device, Transport
from migrate.model.mqtt import TOPIC_MAX_OCTETS, topic_fault
from migrate.model.settings import Bundle, Setting, Value

LONG_ID = 2**31
"""No request has an identifier with more digits: what fits with it, fits."""


def value_faults(dialect: Dialect, setting: Setting, value: Value) -> list[str]:
    """Why a value would not arrive as it is. The words never quote a value."""
    word = dialect.settings.get(setting)
    if word is None:
        return [f"{dialect.name} has no word for {setting}"]
    told = plain(word, value)
    if not isinstance(told, str):
        return _lines_faults(dialect, setting, word.name, told)
    return _text_faults(dialect, setting, word, told)


def _text_faults(dialect: Dialect, setting: str, word: Word, text: str) -> list[str]:
    """The same for a text, called `setting` in the words."""
    try:
        octets = len(text.encode("utf-8"))
    except UnicodeEncodeError:
        return [f"{setting} holds half a character pair (a lone surrogate)"]
    carries = dialect.carries
    faults = []
    if not text and not word.empty:
        faults.append(f"{setting} may not be empty")
    if word.max_octets is not None and octets > word.max_octets:
        faults.append(f"{setting} has {octets} octets, {dialect.name} takes {word.max_octets}")
    if carries.ascii_only and not text.isascii():
        faults.append(
            f"{setting} has a character outside US-ASCII, which {dialect.name} cannot carry"
        )
    if carries.trims and text != text.strip():
        faults.append(f"{setting} begins or ends with a blank, which {dialect.name} drops")
    if not carries.control and any(_control(char) for char in text):
        faults.append(f"{setting} holds a control character")
    faults += [
        f"{setting} contains {part!r}, which {dialect.name} cannot carry"
        for part in carries.cannot
        if part in text
    ]
    return faults + _lines_faults(dialect, setting, word.name, text)


@dataclass(frozen=True, repr=False)
class Proof:
    """What was found out about one bundle for all devices of a family that get it alike.

    `shared` are the faults that hold for each of them; `query_octets` is the length of the encoded
    query, None where a target has no limit. The message itself, secrets in it, is not kept.
    """

    dialect: Dialect
    shared: tuple[str, ...]
    query_octets: int | None = None

    @property
    def clear(self) -> bool:
        """Whether there is no fault, whichever device it is."""
        return not self.shared and self.query_octets is None

    def faults(self, device: Device) -> list[str]:
        """Every reason against sending the bundle to this device, its topics apart."""
        return [*self.shared, *self._target_faults(device)]

    def _target_faults(self, device: Device) -> list[str]:
        limit, place = self.dialect.carries.target_octets, self.dialect.write.http
        if limit is None or place is None or self.query_octets is None:
            return []
        octets = len(path_of(place, device)) + self.query_octets
        if octets <= limit:
            return []
        return [
            f"path and query are {octets} octets long after encoding; "
            f"{self.dialect.name} takes {limit}"
        ]


def prove(dialect: Dialect, transport: Transport, bundle: Bundle) -> Proof:
    """Judge a bundle once for every device of a family that is given it over one transport."""
    faults = [
        fault
        for setting, value in bundle.items()
        for fault in value_faults(dialect, setting, value)
    ]
    if any(setting not in dialect.settings for setting in bundle):
        return Proof(dialect, tuple(faults))
    if any("surrogate" in fault for fault in faults):
        return Proof(dialect, tuple(faults))
    message = write_message(dialect, bundle, LONG_ID)
    place, query_octets = dialect.write.http, None
    if transport == "http" and place is not None and dialect.carries.target_octets is not None:
        query = query_of(place, message)
        query_octets = len(f"?{query}") if query else 0
    return Proof(dialect, (*faults, *_message_faults(dialect, message)), query_octets)


def topic_faults(dialect: Dialect, device: Device) -> list[str]:
    """Why the topics at which a device is told, and answers, are none."""
    place = dialect.write.mqtt
    if place is None:
        return []
    return [
        f"the topic {topic!r} {fault}"
        for template in (place.topic, place.reply)
        if not _surely_a_topic(template, device)
        if (fault := topic_fault(topic := fill(template, device)))
    ]


def bundle_faults(
    dialect: Dialect, device: Device, transport: Transport, bundle: Bundle
) -> list[str]:
    """Every reason against sending this bundle to this device; empty when it is proven to fit."""
    faults = prove(dialect, transport, bundle).faults(device)
    return faults + topic_faults(dialect, device) if transport == "mqtt" else faults


def output_faults(
    dialect: Dialect, device: Device, transport: Transport, states: Mapping[str, Switched]
) -> list[str]:
    """Every reason against sending a device a message that sets these outputs, all of which it can
    set; empty when it is proven to fit."""
    message = outputs_message(dialect, states, LONG_ID)
    faults = _message_faults(dialect, message, "the message")
    for name, state in states.items():
        output = dialect.outputs[name]
        told = told_state(output, state)
        faults += _lines_faults(dialect, f"output {name}", output.write or "", told)
    place = dialect.write.http
    if transport == "http" and place is not None and dialect.carries.target_octets is not None:
        query = query_of(place, message)
        one = Proof(dialect, (), len(f"?{query}") if query else 0)
        faults += one.faults(device)
    return faults + topic_faults(dialect, device) if transport == "mqtt" else faults


def harmless_faults(
    dialect: Dialect, device: Device, transport: Transport, values: Mapping[str, str]
) -> list[str]:
    """Why, by what the dialect says, these harmless texts would not arrive in one message; empty
    where it says that they do."""
    faults: list[str] = []
    for name, text in values.items():
        one = dialect.harmless[name]
        word = Word(name=one.write, max_octets=one.max_octets)
        faults += _text_faults(dialect, f"harmless {name}", word, text)
    message = harmless_message(dialect, values, LONG_ID)
    faults += _message_faults(dialect, message, "the message")
    place = dialect.write.http
    if transport == "http" and place is not None and dialect.carries.target_octets is not None:
        query = query_of(place, message)
        faults += Proof(dialect, (), len(f"?{query}") if query else 0).faults(device)
    return faults


def _surely_a_topic(template: str, device: Device) -> bool:
    """Told without filling in, since a fleet may be large. The model has looked at template and
    topic word: only a name can bring a wildcard, and only great length is left to go wrong."""
    longest = len(template) + template.count("{") * max(len(device.topic or ""), len(device.mac))
    return "{name}" not in template and 4 * longest <= TOPIC_MAX_OCTETS


def _message_faults(dialect: Dialect, message: str, what: str = "the bundle") -> list[str]:
    """Why a message as a whole would not arrive, by exact octet count."""
    octets, form = len(message.encode("utf-8")), dialect.write.message
    faults = []
    if octets > dialect.carries.message_octets:
        faults.append(
            f"{what} is {octets} octets long; one message of {dialect.name} holds "
            f"{dialect.carries.message_octets}"
        )
    if isinstance(form, Lines) and _ends_early(form, message):
        faults.append(f"{what} holds the end {form.after!r} of {dialect.name} too early")
    return faults


def _control(char: str) -> bool:
    return ord(char) < 32 or 127 <= ord(char) < 160


def _ends_early(form: Lines, message: str) -> bool:
    # The end sign can also arise over the seam between two statements. One that is part of the
    # separator stands between all of them anyway.
    if not form.after or form.after in form.separator:
        return False
    return message.find(form.after, len(form.before)) != len(message) - len(form.after)


def _lines_faults(
    dialect: Dialect, setting: str, name: str, value: str | int | float | bool
) -> list[str]:
    """Why a statement would not end where it ends, or not be split where it is joined.

    A sign can also arise over the seam between a value and what stands beside it, and out of
    escapes: so the statement is looked at as it will be sent. The assign sign is safe: it is split
    at its first place, and the schema sees to it that this is behind the name.
    """
    form = dialect.write.message
    if not isinstance(form, Lines):
        return []
    whole = statement(form, name, value)
    return [
        f"{setting} contains the {what} {sign!r} of {dialect.name}"
        for what, sign in (("separator", form.separator), ("end", form.after))
        if sign and (whole + sign).find(sign) != len(whole)
    ]
