"""A dialect on trial, in words: the messages it would send, and what it makes of an answer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from rich.console import Console

from migrate.dialects import compose
from migrate.dialects.carrying import bundle_faults, value_faults
from migrate.dialects.messages import HttpRequest, Readings, Reply, Request
from migrate.dialects.parts import Reading
from migrate.dialects.schema import Dialect
from migrate.dialects.understand import NotUnderstood, readings
from migrate.model.fleet import Device, Transport
from migrate.model.secrets import Redactor, Secret
from migrate.model.settings import SECRETS, Setting, Value
from migrate.views.lines import harmless, say

SAMPLES: Mapping[Setting, Value] = {
    Setting.WIFI_SSID: "a network name",
    Setting.SPARE_SSID: "another network",
    Setting.BROKER_HOST: "broker.example.net",
    Setting.BROKER_PORT: 1883,
    Setting.BROKER_TLS: False,
    Setting.BROKER_USERNAME: "user",
    Setting.GROUP_TOPIC: "group",
    Setting.SPARE_TOPIC: "other-group",
    Setting.ADDRESS: "192.0.2.99",
    Setting.MASK: "255.255.255.0",
    Setting.GATEWAY: "192.0.2.1",
    Setting.RESOLVER: "192.0.2.1",
}
LONGEST_KEY = 63
"""Characters of the longest passphrase (IEEE Std 802.11): the message is weighed with it."""
LONGEST_SHOWN = 2000
KINDS = {bool: "yes or no", str: "text", int: "number", float: "number"}
_LETTER = "a"


def show_messages(dialect: Dialect, device: Device, console: Console) -> None:
    """Every message that would be sent to the device, and what one cannot carry."""
    say(console, f"{dialect.name}: {harmless(dialect.about)}", "bold", hang=2)
    for transport in dialect.transports:
        if transport == "mqtt" and device.topic is None:
            say(console, f"over MQTT: {device.name} has no topic in the fleet file", hang=2)
            continue
        asks = [("to read everything", dialect.read)]
        if dialect.restart:
            asks.append(("to restart it", dialect.restart))
        for what, ask in asks:
            _message(console, f"{what}, over {transport.upper()}",
                     compose.ask(dialect, ask, device, transport))  # fmt: skip
        say(console, f"to write all settings, over {transport.upper()}", "bold", indent=2, hang=2)
        say(console, _shown_write(dialect, device, transport), indent=4, hang=2, whole=True)
        _weight(dialect, device, transport, console)
    _carries(dialect, console)


def _samples(dialect: Dialect) -> dict[Setting, Value]:
    """Values for every setting of the dialect; secrets as long as they can be."""
    return {
        setting: Secret(_LETTER * LONGEST_KEY) if setting in SECRETS else SAMPLES[setting]
        for setting in dialect.settings
    }


def _shown_write(dialect: Dialect, device: Device, transport: Transport) -> str:
    return compose.preview(dialect, device, transport, _samples(dialect))


def _message(console: Console, what: str, request: Request) -> None:
    say(console, what, "bold", indent=2, hang=2)
    if isinstance(request, HttpRequest):
        say(console, f"{request.method} {request.target}", indent=4, hang=2, whole=True)
        for name, value in request.headers:
            say(console, f"{name}: {value}", indent=4, hang=2, whole=True)
        body = request.body
    else:
        say(console, f"publish to {request.topic}", indent=4, hang=2, whole=True)
        say(console, f"answer on {request.reply_topic}", indent=4, hang=2, whole=True)
        body = request.payload
    if body:
        say(console, harmless(body.decode("utf-8", "replace")), indent=4, hang=2, whole=True)


def _weight(dialect: Dialect, device: Device, transport: Transport, console: Console) -> None:
    octets = len(compose.write_message(dialect, _samples(dialect)).encode())
    most = dialect.carries.message_octets
    words = f"{octets} octets with passphrases of {LONGEST_KEY} characters; at most {most} fit"
    say(console, words, indent=4, hang=2, whole=True)
    for fault in bundle_faults(dialect, device, transport, _samples(dialect)):
        say(console, f"would be refused: {fault}", indent=4, hang=2, whole=True)


def _carries(dialect: Dialect, console: Console) -> None:
    text = next(
        (s for s in dialect.settings if s in (Setting.WIFI_SSID, Setting.BROKER_HOST)), None
    )
    if text is None:
        return
    ascii_ = [chr(code) for code in range(0x20, 0x7F)]
    lost = [c for c in ascii_ if value_faults(dialect, text, f"{_LETTER}{c}{_LETTER}")]
    say(console, "what a value cannot hold, as this dialect says", "bold", indent=2, hang=2)
    told = " ".join(lost) if lost else "no printable character of ASCII is refused"
    say(console, told, indent=4, hang=2, whole=True)
    for value, words in (
        (" a", "a blank at an end is refused"),
        ("\N{LATIN SMALL LETTER E WITH ACUTE}", "characters outside ASCII are refused"),
        ("a\tb", "control characters are refused"),
    ):
        if value_faults(dialect, text, value):
            say(console, words, indent=4, hang=2, whole=True)
    say(console, "Is that what your device does? On a spare one, migrate bench finds it out.",
        indent=4, hang=2)  # fmt: skip


def show_reply(
    dialect: Dialect,
    device: Device,
    reply: Reply,
    ident: int | None,
    redactor: Redactor,
    console: Console,
    *,
    whole: bool,
) -> bool:
    """What the dialect makes of an answer, reading by reading. `whole`: the answer as well, known
    secrets masked. Returns whether the device is who the fleet file says."""
    if whole:
        say(console, "what it answered", "bold", indent=2)
        text = redactor.clean(reply.body.decode("utf-8", "replace"))
        for line in text[:LONGEST_SHOWN].splitlines():
            say(console, harmless(line), indent=4, hang=2, whole=True)
    try:
        said = readings(dialect, reply, ident)
    except NotUnderstood as error:
        status = f"HTTP status {reply.status}, " if reply.status else ""
        words = f"not understood: {redactor.clean(str(error))} ({status}{len(reply.body)} octets)"
        say(console, words, "bold", indent=2, hang=2, whole=True)
        return False
    say(console, "what this dialect reads in it", "bold", indent=2)
    lost = []
    for name, where, value in _each(dialect, said):
        if value is None:
            lost.append((name, where))
            continue
        kind = KINDS[type(value)]
        shown = redactor.clean(str(value))
        say(console, f"{name} = {harmless(shown)}  ({kind}, {where})", indent=4, hang=4, whole=True)
    for name, where in lost:
        say(console, f"{name} is not told  ({where})", indent=4, hang=4, whole=True)
    if said.mac != device.mac:
        words = f"it says it is {said.mac}; in the fleet file {device.name} is {device.mac}"
        say(console, words, "bold", indent=2, hang=2, whole=True)
    return said.mac == device.mac


def _each(dialect: Dialect, said: Readings) -> Iterator[tuple[str, str, object | None]]:
    """Name, place and value of everything that the dialect reads."""
    own: list[tuple[str, Reading | None, object | None]] = [
        ("mac", dialect.readings.mac, said.mac),
        ("firmware", dialect.readings.firmware, said.firmware),
        ("address", dialect.readings.address, said.address),
        ("uptime", dialect.readings.uptime, said.uptime_seconds),
        ("signal", dialect.readings.signal, said.signal_dbm),
    ]
    own += [(str(s), word.read, said.settings.get(s)) for s, word in dialect.settings.items()]
    own += [
        (f"output {name}", one.read, said.outputs.get(name))
        for name, one in dialect.outputs.items()
    ]
    for name, where, value in own:
        if where is not None:
            place = f"pointer {where.pointer}" if where.pattern is None else "by its pattern"
            yield name, place, value
