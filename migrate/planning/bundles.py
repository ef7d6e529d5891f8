"""Which settings a device is given together, and which bundle takes it back.

Most of them are the same for all devices of a family; an address is a device's own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from migrate.dialects.schema import Dialect
from migrate.model.playbook import Broker, Group, Part, Side, Wifi
from migrate.model.secrets import Resolve, Secret, SecretRef
from migrate.model.settings import (
    ADDRESSING,
    BROKER,
    GROUP,
    SECRETS,
    SPARE_GROUP,
    SPARE_WIFI,
    WIFI,
    FrozenBundle,
    FrozenValue,
    Setting,
    Value,
)
from migrate.planning.addressing import fixed_address

PARTS: dict[Part, tuple[Setting, ...]] = {
    "wifi": WIFI,
    "broker": BROKER,
    "group": GROUP,
    "addressing": ADDRESSING,
    "spare-wifi": SPARE_WIFI,
    "spare-group": SPARE_GROUP,
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


def addressing_settings(side: Side, name: str) -> dict[Setting, FrozenValue]:
    """The address of a device on a side that declares addresses, with the mask of its subnet; of
    a device that has none of its own, all four empty: it asks DHCP."""
    table, address = side.addressing, fixed_address(side, name)
    if table is None or address is None:
        return dict.fromkeys(ADDRESSING, "")
    return {
        Setting.ADDRESS: str(address),
        Setting.MASK: str(side.subnet.netmask) if side.subnet else "",
        Setting.GATEWAY: str(table.gateway or ""),
        Setting.RESOLVER: str(table.resolver or ""),
    }


def slot_settings(side: Side) -> dict[Setting, FrozenValue]:
    """The spare network of a side: one that is empty has no name, and keeps no key that counts."""
    wifi = side.slots.wifi
    if wifi is None:
        return {}
    if wifi == "":
        return {Setting.SPARE_SSID: ""}
    settings: dict[Setting, FrozenValue] = {Setting.SPARE_SSID: wifi.ssid}
    if wifi.secret is not None:
        settings[Setting.SPARE_SECRET] = wifi.secret
    return settings


def side_settings(side: Side, parts: Iterable[Part], name: str) -> dict[Setting, FrozenValue]:
    """What a side says of these parts of the change for the device of this name."""
    settings: dict[Setting, FrozenValue] = {}
    for part in parts:
        if part == "wifi" and side.wifi:
            settings |= wifi_settings(side.wifi)
        elif part == "broker" and side.broker:
            settings |= broker_settings(side.broker)
        elif part == "group" and side.group:
            settings |= group_settings(side.group)
        elif part == "addressing" and side.addressing:
            settings |= addressing_settings(side, name)
        elif part == "spare-wifi":
            settings |= slot_settings(side)
        elif part == "spare-group" and side.slots.topic is not None:
            settings[Setting.SPARE_TOPIC] = side.slots.topic
    return settings


def parts_for(dialect: Dialect, changed: Iterable[Part]) -> tuple[Part, ...]:
    """The parts of the change that concern a family: those it has words for."""
    return tuple(
        part
        for part in changed
        if any(s in dialect.settings for s in PARTS[part])
        and (part != "spare-wifi" or spare_wifi(dialect))
        and (part != "spare-group" or spare_group(dialect))
    )


def spare_wifi(dialect: Dialect) -> bool:
    """Whether a family has a spare network that can be used here: written, proved by reading it
    back, and emptied again."""
    return Setting.SPARE_SECRET in dialect.settings and _slot(dialect, Setting.SPARE_SSID)


def spare_group(dialect: Dialect) -> bool:
    """Whether a family has a spare group topic that can be used here, likewise."""
    return _slot(dialect, Setting.SPARE_TOPIC)


def _slot(dialect: Dialect, setting: Setting) -> bool:
    word = dialect.settings.get(setting)
    return word is not None and word.read is not None and word.empty


def bundle(
    dialect: Dialect, new: Side, parts: Iterable[Part], name: str
) -> dict[Setting, FrozenValue]:
    """Everything the device of this name is given, in one message: the new side's settings of
    these parts.

    A setting without a word in the dialect is left out only if its value is the neutral one
    (no TLS, no user, no password, no address); otherwise it stays, and carrying refuses it. What
    goes with an address is left out as well where there is none and it may not be empty.
    """
    told = side_settings(new, parts, name)
    idle = ADDRESSING[1:] if told.get(Setting.ADDRESS) == "" else ()
    return {
        setting: value
        for setting, value in told.items()
        if (word := dialect.settings.get(setting)) or value not in ("", False)
        if not (setting in idle and word and not word.empty)
    }


def restarts(dialect: Dialect, given: Iterable[Setting]) -> bool:
    """Whether a bundle is in force only after a restart: its own, or one the device is told."""
    # "wifi.spare.ssid" is of "wifi.spare": a slot that is not in use now needs no restart.
    parts = {setting.rpartition(".")[0] for setting in given}
    return dialect.restart is not None or not parts.isdisjoint(dialect.write.restarts_on)


def resolved(frozen: FrozenBundle, resolve: Resolve) -> dict[Setting, Value]:
    """A bundle with its secrets in it, for composing. Raises what `resolve` raises."""
    values: dict[Setting, Value] = {}
    for setting, value in frozen.items():
        if isinstance(value, SecretRef):
            values[setting] = resolve(value)
        elif setting in SECRETS:
            values[setting] = Secret(str(value))
        else:
            values[setting] = value
    return values


def way_back(dialect: Dialect, old: Side, given: Iterable[Setting], name: str) -> WayBack:
    """The rollback bundle for the settings of the bundle of the device of this name.

    What can be read is read in the survey, since that is what the device really had. The rest is
    what the owner declared of the old side. A secret that is not declared is lost, and with it
    goes what depends on it: a network's name without its passphrase leads to nowhere. Nor does
    anything go back without the network that it belongs to.
    """
    given = tuple(given)
    declared = side_settings(old, PARTS, name)
    known: dict[Setting, FrozenValue] = {}
    read: list[Setting] = []
    lost: list[Setting] = []
    for setting in given:
        word = dialect.settings.get(setting)
        if word is not None and word.read is not None and setting not in SECRETS:
            read.append(setting)
        elif setting in declared:
            known[setting] = declared[setting]
        elif not keyless(declared, setting):
            lost.append(setting)
    known |= slot_key(declared, given)
    stays = staying(given, lost)
    return WayBack(
        {setting: value for setting, value in known.items() if setting not in stays},
        tuple(setting for setting in read if setting not in stays),
        tuple(lost),
    )


def keyless(declared: FrozenBundle, setting: Setting) -> bool:
    """Whether a setting is the key of a slot that was empty: of no network, so none is lost."""
    return setting is Setting.SPARE_SECRET and declared.get(Setting.SPARE_SSID) == ""


def slot_key(declared: FrozenBundle, given: Iterable[Setting]) -> dict[Setting, FrozenValue]:
    """The key that goes back with a spare network: a slot that is emptied may forget it."""
    if Setting.SPARE_SSID not in given or Setting.SPARE_SECRET not in declared:
        return {}
    return {Setting.SPARE_SECRET: declared[Setting.SPARE_SECRET]}


def staying(given: Iterable[Setting], lost: Iterable[Setting]) -> set[Setting]:
    """Settings that cannot go back because others are lost: all that depend on a lost one, and
    everything if a setting of the network is lost, or of the address that the network needs."""
    gone, told = set(lost), set(given)
    stays = {s for group in PARTS.values() if not gone.isdisjoint(group) for s in group}
    # On the old network with an address of the new one nobody could reach it.
    homeless = not gone.isdisjoint(ADDRESSING) and not told.isdisjoint(WIFI)
    return stays | told if homeless or not gone.isdisjoint(WIFI) else stays
