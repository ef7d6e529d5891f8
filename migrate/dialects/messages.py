"""What passes between a device and this tool, as plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from migrate.model.settings import Setting


@dataclass(frozen=True, repr=False)
class HttpRequest:
    """An HTTP request: `target` is path and query, encoded; `body` is octets.

    Holds secrets in the clear: repr shows the method and path alone.
    """

    method: str
    target: str
    headers: tuple[tuple[str, str], ...]
    body: bytes
    expects_id: int | None = None

    def __repr__(self) -> str:
        return f"HttpRequest({self.method} {self.target.partition('?')[0]})"


@dataclass(frozen=True, repr=False)
class MqttRequest:
    """An MQTT message to publish, and the topic on which its answer comes."""

    topic: str
    payload: bytes
    reply_topic: str
    expects_id: int | None = None

    def __repr__(self) -> str:
        return f"MqttRequest({self.topic})"


Request = HttpRequest | MqttRequest


@dataclass(frozen=True, repr=False)
class Reply:
    """What came back: `status` is the HTTP status, None over MQTT; `body` is octets."""

    body: bytes
    status: int | None = None

    def __repr__(self) -> str:
        return f"Reply(status={self.status}, {len(self.body)} octets)"


@dataclass(frozen=True)
class Taken:
    """The device says it took the settings."""


@dataclass(frozen=True)
class Declined:
    """The device says it did not, and nothing changed."""

    reason: str


@dataclass(frozen=True)
class Unclear:
    """The reply does not tell. Whoever sent the message must go and look."""

    why: str


Answer = Taken | Declined | Unclear

Switched = bool | float
"""The state of an output: on or off; or its level, as a dimmer has one, of which 0 is off."""


@dataclass(frozen=True)
class Readings:
    """What a device said of itself. Settings and outputs that it does not tell, or not so that it
    can be understood, are absent; secrets always are. `hidden`: settings that were left out since
    what the device told for them holds a secret. `signal_dbm`: how strongly it hears its access
    point. `harmless`: the texts that a trial on the bench may write."""

    mac: str
    settings: Mapping[Setting, str | int | bool] = field(default_factory=dict)
    firmware: str | None = None
    address: str | None = None
    uptime_seconds: float | None = None
    outputs: Mapping[str, Switched] = field(default_factory=dict)
    hidden: tuple[Setting, ...] = ()
    signal_dbm: int | None = None
    harmless: Mapping[str, str] = field(default_factory=dict)
