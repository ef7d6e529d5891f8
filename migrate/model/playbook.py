"""The playbook: the declared change, both sides, the pace, and what to do when a gate is shut."""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv4Network
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, model_validator

from migrate.model.fleet import Address, Strict, Text
from migrate.model.mqtt import string_fault, word_fault
from migrate.model.secrets import SecretRef
from migrate.model.wifi import Band, Pmf, Security, ssid_fault


def _ssid(value: str) -> str:
    if fault := ssid_fault(value):
        raise ValueError(fault)
    return value


def _word(value: str) -> str:
    if fault := word_fault(value):
        raise ValueError(fault)
    return value


def _mqtt_text(value: str) -> str:
    if fault := string_fault(value):
        raise ValueError(fault)
    return value


def _network(value: object) -> object:
    if isinstance(value, str):
        try:
            return IPv4Network(value)
        except ValueError as error:
            raise ValueError(f"{error}; write a network such as 192.0.2.0/24") from None
    return value


def _path(value: object, info: ValidationInfo) -> object:
    base = (info.context or {}).get("base")
    return Path(base or ".") / value if isinstance(value, str) else value


Part = Literal["wifi", "broker", "group", "addressing", "spare-wifi", "spare-group"]
PARTS: tuple[Part, ...] = ("wifi", "broker", "group", "addressing")
"""What an owner declares. Spare slots are spoken of by the legs of a change alone."""
Network = Annotated[IPv4Network, BeforeValidator(_network)]
Beside = Annotated[Path, BeforeValidator(_path)]
Seconds = Annotated[float, Field(ge=0, le=86400)]
Port = Annotated[int, Field(ge=1, le=65535)]


class Wifi(Strict):
    """A Wi-Fi network: name (1..32 octets) and passphrase or 64-hex-digit PSK.

    The rest is what its access point was set to. It is never sent; it tells whether the devices
    can join. What is left out is not checked. `channels`: all that the access point may choose.
    """

    ssid: Annotated[str, AfterValidator(_ssid)]
    secret: SecretRef | None = None
    bands: tuple[Band, ...] = ()
    channels: tuple[Annotated[int, Field(ge=1, le=233)], ...] = ()
    security: tuple[Security, ...] = ()
    pmf: Pmf | None = None
    hidden: bool = False


class Credentials(Strict):
    """A user name and, mostly, a password."""

    username: Annotated[str, Field(min_length=1), AfterValidator(_mqtt_text)]
    password: SecretRef | None = None


class Broker(Strict):
    """An MQTT broker as the devices are told of it.

    `own` is for this tool itself, where the broker gives it other credentials than the devices;
    `ca` is the certificate file that this tool trusts for it; `certificate` the broker's own (PEM).
    `most_clients` is how many it lets in at once, `clients_there` how many others are there.
    """

    host: Text
    port: Port = 1883
    tls: bool = False
    ca: Beside | None = None
    username: Annotated[str, AfterValidator(_mqtt_text)] = ""
    password: SecretRef | None = None
    own: Credentials | None = None
    certificate: Beside | None = None
    most_clients: Annotated[int, Field(ge=1)] | None = None
    clients_there: Annotated[int, Field(ge=0)] = 0

    @model_validator(mode="after")
    def _fits(self) -> Broker:
        if self.password and not self.username:
            raise ValueError("a password without a username; add username")
        if self.ca and not self.tls:
            raise ValueError("ca is for TLS; add tls = true")
        if self.certificate and not self.tls:
            raise ValueError("certificate is for TLS; add tls = true")
        return self


class Group(Strict):
    """A group topic word, one topic level, at which all devices of the group listen."""

    topic: Annotated[str, AfterValidator(_word)]


class Addressing(Strict):
    """Fixed IPv4 addresses, by device name; every other device asks DHCP.

    `gateway` and `resolver` (DNS) go with them; the mask is that of the side's subnet.
    """

    fixed: dict[Text, Address] = {}
    gateway: Address | None = None
    resolver: Address | None = None


class Pool(Strict):
    """The addresses that a DHCP server gives out, both ends included; `taken` are in use already,
    by what is not of the fleet."""

    first: Address
    last: Address
    taken: Annotated[int, Field(ge=0)] = 0

    @model_validator(mode="after")
    def _ordered(self) -> Pool:
        if self.first > self.last:
            raise ValueError(f"first ({self.first}) comes after last ({self.last})")
        return self

    @property
    def size(self) -> int:
        """How many addresses it holds."""
        return int(self.last) - int(self.first) + 1


class OldSide(Strict):
    """Where the devices are today. `wifi` and `broker` are the way back: name them in full.

    `no_way_back` names devices that the owner lets go without a complete rollback, and
    `feeds_own_way_back` those that feed what they would go back through. `reaches_new_broker`: a
    device on the old network gets through to the new broker.
    """

    subnet: Network | None = None
    leases: Beside | None = None
    wifi: Wifi | None = None
    broker: Broker | None = None
    group: Group | None = None
    addressing: Addressing | None = None
    no_way_back: tuple[Text, ...] = ()
    feeds_own_way_back: tuple[Text, ...] = ()
    reaches_new_broker: bool = False


class NewSide(Strict):
    """Where the devices will be found: the subnet, and the DHCP server's lease file and pool.

    `reaches_old_broker`: a device on the new network gets through to the old broker.
    """

    subnet: Network | None = None
    leases: Beside | None = None
    pool: Pool | None = None
    reaches_old_broker: bool = False


class Deadline(Strict):
    """Least and most seconds to wait for a device to come back."""

    least: Seconds = 30
    most: Seconds = 180

    @model_validator(mode="after")
    def _ordered(self) -> Deadline:
        if self.least > self.most:
            raise ValueError(f"least ({self.least:g}) is more than most ({self.most:g})")
        return self


class Pace(Strict):
    """How fast, and how much may be lost at once.

    `stranded_at_most` is the number of devices the owner is prepared to go and open after one
    wave, held at `confidence` (one-sided). All times are seconds.
    """

    stranded_at_most: Annotated[int, Field(ge=1, le=1000)] = 1
    confidence: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    widest_wave: Annotated[int, Field(ge=1, le=1000)] = 50
    soak_seconds: Seconds = 60
    deadline_seconds: Deadline = Deadline()
    reply_seconds: Annotated[float, Field(gt=0, le=120)] = 5
    look_seconds: Annotated[float, Field(ge=0.05, le=60)] = 1


class Proof(Strict):
    """What else must be true, beside MAC, read-back and soak, for a device to count as moved.

    `address`: the address it has lies in the new subnet. `presence`: its presence topic on the
    new broker says so.
    """

    address: bool = True
    presence: bool = False


Way = Literal["leases", "neighbours", "dns-sd", "sweep"]
MOST_SWEPT = 1024
"""Addresses of a network that is swept."""


class Search(Strict):
    """How a device is found again on the new side, beside what it says on a broker: by all of these
    ways at once.

    `leases`: the DHCP server's lease file; `neighbours`: the table of this machine's own kernel;
    `dns-sd`: services of these types (RFC 6763), of whose TXT record `service_mac` is the key of
    the MAC; `sweep`: every address of the new subnet is asked, without a login.
    """

    ways: Annotated[tuple[Way, ...], Field(min_length=1)] = ("leases", "neighbours")
    services: tuple[Text, ...] = ()
    service_mac: Text | None = None

    @model_validator(mode="after")
    def _fits(self) -> Search:
        if ("dns-sd" in self.ways) != bool(self.services):
            raise ValueError('dns-sd and services go together; such as services = ["_http._tcp"]')
        return self


class Gate(Strict):
    """What a shut gate does."""

    on_fault: Literal["hold", "roll-back-wave", "roll-back-all"] = "hold"


class Outputs(Strict):
    """What is done about outputs that a restart left otherwise than they were just before.

    `restore`: they are set as they were, where the dialect can. `leave`: names of devices of which
    they are only reported.
    """

    restore: bool = True
    leave: tuple[Text, ...] = ()


class Switchover(Strict):
    """One access point changes for all at the same moment: same SSID, new passphrase.

    `accept_stranded`: where devices have no spare slot for the new network, how many the owner
    accepts to have lost should the change be wrong. It must be all of them, in numbers.
    """

    accept_stranded: Annotated[int, Field(ge=1)] | None = None


class Playbook(Strict):
    """A declared change: any of wifi, broker, group, addressing."""

    title: Text = "change"
    wifi: Wifi | None = None
    broker: Broker | None = None
    group: Group | None = None
    addressing: Addressing | None = None
    switchover: Switchover = Switchover()
    legs: Literal["auto", "joined"] = "auto"
    old: OldSide = OldSide()
    new: NewSide = NewSide()
    pace: Pace = Pace()
    proof: Proof = Proof()
    finding: Search = Search()
    gate: Gate = Gate()
    outputs: Outputs = Outputs()

    @model_validator(mode="after")
    def _declares(self) -> Playbook:
        if not self.changed:
            raise ValueError(
                "declares no change; add a table [wifi], [broker], [group] or [addressing]"
            )
        if self.wifi is not None and self.wifi.secret is None:
            raise ValueError(
                "wifi has no secret: an SSID without its passphrase strands every device; "
                'add secret = { env = "NEW_WIFI_PASSPHRASE" } (or file, keyring, prompt)'
            )
        return self

    @property
    def changed(self) -> tuple[Part, ...]:
        """The parts that the playbook changes."""
        return tuple(part for part in PARTS if getattr(self, part) is not None)

    @property
    def switches_over(self) -> bool:
        """Whether the network keeps its name: then no device can be on both sides."""
        old, new = self.old.wifi, self.wifi
        return old is not None and new is not None and old.ssid == new.ssid


@dataclass(frozen=True)
class Slots:
    """What stands in the spare slots of a device on one side of a leg. An empty text: nothing
    stands there; None: the leg does not speak of it."""

    wifi: Wifi | Literal[""] | None = None
    topic: str | None = None


class LegPlaybook(Playbook):
    """The playbook of one leg, derived from the owner's: what this leg alone changes, the spare
    slots included, and both of its sides. No file holds one."""

    old_slots: Slots = Slots()
    new_slots: Slots = Slots()

    @property
    def changed(self) -> tuple[Part, ...]:
        """The parts that this leg changes."""
        spare: list[Part] = []
        if self.new_slots.wifi is not None:
            spare.append("spare-wifi")
        if self.new_slots.topic is not None:
            spare.append("spare-group")
        return (*super().changed, *spare)


@dataclass(frozen=True)
class Side:
    """One side, complete: what is not changed is the same on both."""

    name: Literal["old", "new"]
    subnet: IPv4Network | None
    leases: Path | None
    wifi: Wifi | None
    broker: Broker | None
    group: Group | None
    addressing: Addressing | None = None
    slots: Slots = Slots()


def old_side(playbook: Playbook) -> Side:
    """Where the fleet is before the run."""
    old = playbook.old
    slots = playbook.old_slots if isinstance(playbook, LegPlaybook) else Slots()
    return Side(
        "old", old.subnet, old.leases, old.wifi, old.broker, old.group, old.addressing, slots
    )


def new_side(playbook: Playbook) -> Side:
    """Where the fleet is to be after the run."""
    old, new = playbook.old, playbook.new
    return Side(
        "new",
        new.subnet or old.subnet,
        new.leases or old.leases,
        playbook.wifi or old.wifi,
        playbook.broker or old.broker,
        playbook.group or old.group,
        playbook.addressing or old.addressing,
        playbook.new_slots if isinstance(playbook, LegPlaybook) else Slots(),
    )
