"""What all families share: the store, the shapes of requests and answers, the checks.

A firmware here is protocol only. It takes one message and the non-volatile store and
returns what it answers and what it would store; it opens no socket and keeps no
clock. Whether the result is kept is decided by the unit around it.
"""

from __future__ import annotations

import json
import re
from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from ipaddress import IPv4Address
from typing import Any, Literal

Kind = Literal["none", "read", "write"]


class RefusedError(ValueError):
    """A message is not taken; the words say why and never repeat a key."""


@dataclass(frozen=True)
class Store:
    """The non-volatile settings of a unit, the same for all families.

    A family without a spare network, a spare group or a fixed address leaves those empty.
    ``label`` and ``remark``: texts for people, that change nothing.
    ``pending``: names of values stored that wait for a restart (sedge only).
    Keys and passwords are left out of the repr.
    """

    wifi_name: str
    wifi_key: str = field(repr=False)
    wifi_spare_name: str = ""
    wifi_spare_key: str = field(default="", repr=False)
    broker_host: str = ""
    broker_port: int = 1883
    broker_secure: bool = False
    broker_user: str = ""
    broker_password: str = field(default="", repr=False)
    group: str = "house"
    group_spare: str = ""
    output: bool = True
    fixed_address: str = ""
    fixed_mask: str = ""
    fixed_gateway: str = ""
    fixed_resolver: str = ""
    label: str = ""
    remark: str = ""
    pending: frozenset[str] = frozenset()

    def __repr__(self) -> str:
        def mask(secret: str) -> str:
            return "set, not shown" if secret else "not set"

        return (
            f"Store(wifi={self.wifi_name!r}, key {mask(self.wifi_key)}, "
            f"spare={self.wifi_spare_name!r}, key {mask(self.wifi_spare_key)}, "
            f"broker={self.broker_host}:{self.broker_port} secure={self.broker_secure} "
            f"user={self.broker_user!r}, password {mask(self.broker_password)}, "
            f"group={self.group!r}, group_spare={self.group_spare!r}, output={self.output}, "
            f"fixed={self.fixed_address!r}, "
            f"pending={len(self.pending)})"
        )

    @property
    def connection(self) -> tuple[object, ...]:
        """Everything whose change needs a restart: network, address and broker, but not the
        spare network, which is looked up when it is needed."""
        return (
            self.wifi_name,
            self.wifi_key,
            self.broker_host,
            self.broker_port,
            self.broker_secure,
            self.broker_user,
            self.broker_password,
            self.fixed_address,
            self.fixed_mask,
            self.fixed_gateway,
            self.fixed_resolver,
        )


@dataclass(frozen=True)
class Facts:
    """What a unit says about itself besides its settings.

    ``shown``: settings to report instead of the true ones (a fault). ``declines``:
    words with which every settings message is refused (a fault). ``signal_dbm``: how strongly it
    hears its access point.
    """

    mac: str
    firmware: str
    address: str
    uptime_s: int
    shown: Store | None = None
    declines: str | None = None
    signal_dbm: int = -58


@dataclass(frozen=True)
class HttpRequest:
    """One HTTP request. ``target`` is the raw request target; header names lower case."""

    method: str
    target: str
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""

    @property
    def path(self) -> str:
        return self.target.partition("?")[0]

    @property
    def query(self) -> str:
        return self.target.partition("?")[2]

    @property
    def content_type(self) -> str:
        return self.headers.get("content-type", "").partition(";")[0].strip().lower()


@dataclass(frozen=True)
class HttpAnswer:
    """One HTTP answer."""

    status: int
    body: bytes = b""
    content_type: str = "text/plain"
    headers: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class MqttReply:
    """One MQTT message a unit sends as an answer; never retained."""

    topic: str
    payload: bytes


@dataclass(frozen=True)
class Outcome:
    """What a message led to, whatever it came by.

    ``store``: the settings afterwards (unchanged for a refused message).
    ``settings_taken``: it was a settings message and it was taken.
    """

    store: Store
    answer: bytes | None
    kind: Kind = "none"
    settings_taken: bool = False
    restart: bool = False
    declined: bool = False


@dataclass(frozen=True)
class Reaction:
    """An outcome with the answer in the form of the way the message came by."""

    outcome: Outcome
    http: HttpAnswer | None = None
    replies: tuple[MqttReply, ...] = ()


class Firmware(ABC):
    """The protocol of one family. ``topic`` is the unit's own topic word."""

    family: str
    presence_word: str
    absence_word: str
    spare_network = False
    groups_at_once = True

    def __init__(self, topic: str, http_password: str | None = None) -> None:
        self.topic = topic
        self.http_password = http_password

    @property
    def presence_topic(self) -> str:
        return f"{self.family}/{self.topic}/presence"

    @abstractmethod
    def topics(self, running: Store) -> frozenset[str]:
        """The topics the unit listens on with these settings in effect."""

    @abstractmethod
    def http(self, request: HttpRequest, store: Store, facts: Facts) -> Reaction:
        """Answer one HTTP request."""

    @abstractmethod
    def mqtt(self, topic: str, payload: bytes, store: Store, facts: Facts) -> Reaction:
        """Answer one MQTT message; nothing for a topic that is not listened on."""

    def in_effect(self, running: Store, store: Store) -> Store:
        """The settings in effect after a message, without a restart."""
        running = replace(
            running,
            output=store.output,
            wifi_spare_name=store.wifi_spare_name,
            wifi_spare_key=store.wifi_spare_key,
        )
        if self.groups_at_once:
            running = replace(running, group=store.group, group_spare=store.group_spare)
        return running


def unanswered(store: Store, answer: HttpAnswer | None = None) -> Reaction:
    """A reaction that stores nothing."""
    return Reaction(Outcome(store, None), http=answer)


def parse_json(raw: bytes) -> Any:
    """Strict JSON (RFC 8259): UTF-8, no NaN. Raises ValueError."""

    def refuse(constant: str) -> Any:
        raise ValueError(f"{constant} is not JSON")

    try:
        return json.loads(raw.decode("utf-8"), parse_constant=refuse)
    except RecursionError:
        raise ValueError("nested too deep") from None


def to_json(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False).encode()


def note(value: str, name: str) -> str:
    """A text for people: at most 64 octets of UTF-8. Raises RefusedError."""
    if len(value.encode("utf-8", "surrogatepass")) > 64:
        raise RefusedError(f"over 64 octets: {name}")
    return value


def text(value: Any, where: str) -> str:
    """Raises RefusedError unless ``value`` is text that UTF-8 can carry."""
    if not isinstance(value, str):
        raise RefusedError(f"wrong type: {where}")
    try:
        value.encode()
    except UnicodeEncodeError:
        raise RefusedError(f"not text: {where}") from None
    return value


def truth(value: Any, where: str) -> bool:
    if not isinstance(value, bool):
        raise RefusedError(f"wrong type: {where}")
    return value


def port_number(value: Any, where: str) -> int:
    if not isinstance(value, int) or isinstance(value, bool):
        raise RefusedError(f"wrong type: {where}")
    if not 1 <= value <= 65535:
        raise RefusedError(f"not a port: {where}")
    return value


def network_name(value: str, where: str, *, may_be_empty: bool = False) -> str:
    """1..32 octets of UTF-8 (0 too where the manual gives empty a meaning)."""
    octets = len(value.encode())
    if octets > 32 or (octets == 0 and not may_be_empty):
        raise RefusedError(f"a name of no or more than 32 octets: {where}")
    return value


_PASSPHRASE = re.compile(r"[\x20-\x7e]{8,63}")
_HEX_KEY = re.compile(r"[0-9A-Fa-f]{64}")


def network_key(value: str, where: str) -> str:
    """8..63 characters of code 32..126, or 64 hex digits."""
    if not _PASSPHRASE.fullmatch(value) and not _HEX_KEY.fullmatch(value):
        raise RefusedError(f"a key neither 8..63 characters nor 64 hex digits: {where}")
    return value


def fixed_address(value: str, where: str) -> str:
    """Four numbers with dots, or nothing."""
    try:
        return str(IPv4Address(value)) if value else value
    except ValueError:
        raise RefusedError(f"not an address: {where}") from None
