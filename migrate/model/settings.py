"""The neutral names of settings, and which of them depend on each other."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Final

from migrate.model.secrets import MASK, Secret, SecretRef


class Setting(StrEnum):
    """A setting of a device, under the name that playbooks and dialects use for it."""

    WIFI_SSID = "wifi.ssid"
    WIFI_SECRET = "wifi.secret"  # noqa: S105 - a name, not a secret
    SPARE_SSID = "wifi.spare.ssid"
    SPARE_SECRET = "wifi.spare.secret"  # noqa: S105
    BROKER_HOST = "broker.host"
    BROKER_PORT = "broker.port"
    BROKER_TLS = "broker.tls"
    BROKER_USERNAME = "broker.username"
    BROKER_PASSWORD = "broker.password"  # noqa: S105
    GROUP_TOPIC = "group.topic"
    SPARE_TOPIC = "group.spare.topic"
    ADDRESS = "addressing.address"
    MASK = "addressing.mask"
    GATEWAY = "addressing.gateway"
    RESOLVER = "addressing.resolver"


SECRETS: Final = frozenset({Setting.WIFI_SECRET, Setting.SPARE_SECRET, Setting.BROKER_PASSWORD})
NUMBERS: Final = frozenset({Setting.BROKER_PORT})
FLAGS: Final = frozenset({Setting.BROKER_TLS})

WIFI: Final = (Setting.WIFI_SSID, Setting.WIFI_SECRET)
BROKER: Final = (
    Setting.BROKER_HOST,
    Setting.BROKER_PORT,
    Setting.BROKER_TLS,
    Setting.BROKER_USERNAME,
    Setting.BROKER_PASSWORD,
)
GROUP: Final = (Setting.GROUP_TOPIC,)
ADDRESSING: Final = (Setting.ADDRESS, Setting.MASK, Setting.GATEWAY, Setting.RESOLVER)
"""An IPv4 address of its own; `addressing.address` empty: it asks DHCP."""
SPARE_WIFI: Final = (Setting.SPARE_SSID, Setting.SPARE_SECRET)

SPARE_GROUP: Final = (Setting.SPARE_TOPIC,)

DEPENDENT: Final = (WIFI, SPARE_WIFI, BROKER, GROUP, SPARE_GROUP, ADDRESSING)
"""Settings of one tuple make sense only together: a device that is given one of them without the
others may be on its way to nowhere (common practice, no source)."""

Value = str | int | bool | Secret
FrozenValue = str | int | bool | SecretRef
Bundle = Mapping[Setting, Value]
FrozenBundle = Mapping[Setting, FrozenValue]


def shown(value: Value | FrozenValue) -> str:
    """A value for a person to read, on one line; secrets masked, and U+FFFD for what does not
    print: an SSID may hold any octets (IEEE Std 802.11), also those that steer a terminal."""
    if isinstance(value, SecretRef):
        return f"{MASK} from {value}"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not isinstance(value, str):
        return str(value)
    return "".join(char if char.isprintable() else "\ufffd" for char in value) or "(none)"
