"""Which settings a device is given together, and which bundle takes it back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from migrate.dialects.schema import Dialect
from migrate.model.playbook import Broker, Group, Part, Side, Wifi
from migrate.model.settings import (
    ADDRESSING,
    BROKER,
    GROUP,
    SECRETS,
    WIFI,
    FrozenBundle,
    FrozenValue,
    Setting,
)

PARTS: dict[Part, tuple[Setting, ...]] = {
    "wifi": WIFI,
    "broker": BROKER,
    "group": GROUP,
    "addressing": ADDRESSING,
}


@dataclass(frozen=True)
class WayBack:
    """The rollback of one device: values known now, settings to be read before the first send,
    and settings that nobody knows. What depends on a lost setting is in none of the three."""

    known: FrozenBundle
    read: tuple[Setting, ...]
    lost: tuple[Setting, ...]


def wifi_settings(wifi: Wifi) -> dict[Setting, FrozenValue]:
    """A network as settings; without its secret if the owner gave none."""
    settings: dict[Setting, FrozenValue] = {Setting.WIFI_SSID: wifi.ssid}
    if wifi.secret is not None:
        settings[Setting.WIFI_SECRET] = wifi.secret
    return settings


def broker_settings(broker: Broker) -> dict[Setting, FrozenValue]:
    """A broker as settings, all of them: what is left out would stay as it was on the device."""
    return {
        Setting.BROKER_HOST: broker.host,
        Setting.BROKER_PORT: broker.port,
        Setting.BROKER_TLS: broker.tls,
        Setting.BROKER_USERNAME: broker.username,
        Setting.BROKER_PASSWORD: broker.password if broker.password is not None else "",
    }


def group_settings(group: Group) -> dict[Setting, FrozenValue]:
    """A group topic as settings."""
    return {Setting.GROUP_TOPIC: group.topic}


def side_settings(side: Side, parts: Iterable[Part]) -> dict[Setting, FrozenValue]:
    """What a side says of these parts of the change."""
    settings: dict[Setting, FrozenValue] = {}
    for part in parts:
        if part == "wifi" and side.wifi:
            settings |= wifi_settings(side.wifi)
        elif part == "broker" and side.broker:
            settings |= broker_settings(side.broker)
        elif part == "group" and side.group:
            settings |= group_settings(side.group)
    return settings


def parts_for(dialect: Dialect, changed: Iterable[Part]) -> tuple[Part, ...]:
    """The parts of the change that concern a family: those it has words for."""
    return tuple(part for part in changed if any(s in dialect.settings for s in PARTS[part]))


def bundle(dialect: Dialect, new: Side, parts: Iterable[Part]) -> dict[Setting, FrozenValue]:
    """Everything the device is given, in one message: the new side's settings of these parts.

    A setting without a word in the dialect is left out only if its value is the neutral one
    (no TLS, no user, no password); otherwise it stays, and carrying refuses it.
    """
    return {
        setting: value
        for setting, value in side_settings(new, parts).items()
        if setting in dialect.settings or value not in ("", False)
    }


def restarts(dialect: Dialect, given: Iterable[Setting]) -> bool:
    """Whether a bundle is in force only after a restart: its own, or one the device is told."""
    parts = {setting.partition(".")[0] for setting in given}
    return dialect.restart is not None or not parts.isdisjoint(dialect.write.restarts_on)


def way_back(dialect: Dialect, old: Side, given: Iterable[Setting]) -> WayBack:
    """The rollback bundle for the settings of a bundle.

    What can be read is read in the survey, since that is what the device really had. The rest is
    what the owner declared of the old side. A secret that is not declared is lost, and with it
    goes what depends on it: a network's name without its passphrase leads to nowhere. Nor does
    anything go back without the network that it belongs to.
    """
    given = tuple(given)
    declared = side_settings(old, PARTS)
    known: dict[Setting, FrozenValue] = {}
    read: list[Setting] = []
    lost: list[Setting] = []
    for setting in given:
        word = dialect.settings.get(setting)
        if word is not None and word.read is not None and setting not in SECRETS:
            read.append(setting)
        elif setting in declared:
            known[setting] = declared[setting]
        else:
            lost.append(setting)
    stays = staying(given, lost)
    return WayBack(
        {setting: value for setting, value in known.items() if setting not in stays},
        tuple(setting for setting in read if setting not in stays),
        tuple(lost),
    )


def staying(given: Iterable[Setting], lost: Iterable[Setting]) -> set[Setting]:
    """Settings that cannot go back because others are lost: all that depend on a lost one, and
    everything if a setting of the network is lost."""
    gone = set(lost)
    stays = {s for group in PARTS.values() if not gone.isdisjoint(group) for s in group}
    return stays if gone.isdisjoint(WIFI) else stays | set(given)
