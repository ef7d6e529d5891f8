"""Proof, before anything is sent, that a dialect carries a bundle unchanged and in one message."""

from __future__ import annotations

from migrate.dialects.compose import plain, statement, write, write_message
from migrate.dialects.messages import HttpRequest
from migrate.dialects.schema import Dialect, Lines, fill
from migrate.model.fleet import Device, Transport
from migrate.model.mqtt import topic_fault
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
    text = told
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
        faults.append(f"{setting} has a character outside US-ASCII")
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


def message_faults(
    dialect: Dialect, device: Device, transport: Transport, bundle: Bundle
) -> list[str]:
    """Why the bundle as a whole would not arrive in one message, by exact octet counts."""
    message, form = write_message(dialect, bundle, LONG_ID), dialect.write.message
    octets = len(message.encode("utf-8"))
    faults = []
    if octets > dialect.carries.message_octets:
        faults.append(
            f"the bundle is {octets} octets long; one message of {dialect.name} holds "
            f"{dialect.carries.message_octets}"
        )
    if isinstance(form, Lines) and _ends_early(form, message):
        faults.append(f"the bundle holds the end {form.after!r} of {dialect.name} too early")
    place = dialect.write.mqtt
    if transport == "mqtt" and place is not None:
        for topic in (fill(place.topic, device), fill(place.reply, device)):
            if fault := topic_fault(topic):
                faults.append(f"the topic {topic!r} {fault}")
    limit = dialect.carries.target_octets
    if limit is not None and transport == "http":
        request = write(dialect, device, transport, bundle, LONG_ID)
        if isinstance(request, HttpRequest) and len(request.target) > limit:
            faults.append(
                f"path and query are {len(request.target)} octets long after encoding; "
                f"{dialect.name} takes {limit}"
            )
    return faults


def bundle_faults(
    dialect: Dialect, device: Device, transport: Transport, bundle: Bundle
) -> list[str]:
    """Every reason against sending this bundle to this device; empty when it is proven to fit."""
    faults = [
        fault
        for setting, value in bundle.items()
        for fault in value_faults(dialect, setting, value)
    ]
    if any(setting not in dialect.settings for setting in bundle):
        return faults
    if any("surrogate" in fault for fault in faults):
        return faults
    return faults + message_faults(dialect, device, transport, bundle)


def _control(char: str) -> bool:
    return ord(char) < 32 or 127 <= ord(char) < 160


def _ends_early(form: Lines, message: str) -> bool:
    # The end sign can also arise over the seam between two statements. One that is part of the
    # separator stands between all of them anyway.
    if not form.after or form.after in form.separator:
        return False
    return message.find(form.after, len(form.before)) != len(message) - len(form.after)


def _lines_faults(
    dialect: Dialect, setting: Setting, name: str, value: str | int | bool
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
