"""Proof, before anything is sent, that a dialect carries a bundle unchanged and in one message."""

from __future__ import annotations

from migrate.dialects.compose import write, write_message
from migrate.dialects.messages import HttpRequest
from migrate.dialects.schema import Dialect, Lines
from migrate.model.fleet import Device, Transport
from migrate.model.secrets import Secret
from migrate.model.settings import Bundle, Setting, Value


def value_faults(dialect: Dialect, setting: Setting, value: Value) -> list[str]:
    """Why a value would not arrive as it is. The words never quote a value."""
    word = dialect.settings.get(setting)
    if word is None:
        return [f"{dialect.name} has no word for {setting}"]
    text = value.reveal() if isinstance(value, Secret) else value
    if not isinstance(text, str):
        return []
    try:
        octets = len(text.encode("utf-8"))
    except UnicodeEncodeError:
        return [f"{setting} holds half a character pair (a lone surrogate)"]
    carries, form = dialect.carries, dialect.write.message
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
    if isinstance(form, Lines) and form.escape == "none":
        # A separator can also arise over the seam between a value and what follows it.
        joined = text + form.separator
        if joined.find(form.separator) != len(text):
            faults.append(f"{setting} contains the separator {form.separator!r} of {dialect.name}")
        if _assign_moves(form.assign, word.name, text):
            faults.append(f"{setting} would move the sign {form.assign!r} of {dialect.name}")
    return faults


def message_faults(
    dialect: Dialect, device: Device, transport: Transport, bundle: Bundle
) -> list[str]:
    """Why the bundle as a whole would not arrive in one message, by exact octet counts."""
    octets = len(write_message(dialect, bundle, ident=2**31).encode("utf-8"))
    faults = []
    if octets > dialect.carries.message_octets:
        faults.append(
            f"the bundle is {octets} octets long; one message of {dialect.name} holds "
            f"{dialect.carries.message_octets}"
        )
    limit = dialect.carries.target_octets
    if limit is not None and transport == "http":
        request = write(dialect, device, transport, bundle)
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


def _assign_moves(assign: str, name: str, text: str) -> bool:
    return (name + assign + text).find(assign) != len(name)
