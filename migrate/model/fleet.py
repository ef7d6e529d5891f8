"""The fleet: every device of one home or site, as its owner wrote it down."""

from __future__ import annotations

from collections import Counter
from enum import StrEnum
from ipaddress import IPv4Address
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from migrate.model.eui48 import Mac
from migrate.model.mqtt import topic_fault
from migrate.model.secrets import SecretRef

Transport = Literal["http", "mqtt"]


class Reach(StrEnum):
    """How hard a device is to get at by hand, easiest first."""

    TABLE = "table"
    LADDER = "ladder"
    TOOLS = "tools"

    @property
    def rank(self) -> int:
        """0 for the easiest."""
        return list(Reach).index(self)


def _printable(value: str) -> str:
    if not value.strip() or not value.isprintable():
        raise ValueError("must be printable text and not blank")
    return value


def _topic(value: str) -> str:
    if fault := topic_fault(value):
        raise ValueError(fault)
    return value


def _address(value: object) -> object:
    # Strict models take no text for an address; TOML and CSV have nothing else.
    if isinstance(value, str):
        try:
            return IPv4Address(value)
        except ValueError:
            raise ValueError("is not an IPv4 address; write four numbers, 192.0.2.11") from None
    return value


def _reach(value: object) -> object:
    if isinstance(value, str) and value in set(Reach):
        return Reach(value)
    raise ValueError(f"must be one of {', '.join(Reach)}")


Text = Annotated[str, Field(min_length=1, max_length=100), AfterValidator(_printable)]
Topic = Annotated[str, AfterValidator(_topic)]
Address = Annotated[IPv4Address, BeforeValidator(_address)]


class Strict(BaseModel):
    """Base of all file models: unknown keys and wrong types are errors, objects do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Login(Strict):
    """User name and password of a device's own HTTP interface."""

    username: Text
    password: SecretRef


class Device(Strict):
    """One device. Its identity is `mac`; `address` is only where it is today."""

    name: Text
    mac: Mac
    dialect: Text
    via: Transport = "http"
    address: Address | None = None
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    topic: Topic | None = None
    place: Text = "somewhere"
    reach: Annotated[Reach, BeforeValidator(_reach)] = Reach.TABLE
    cover: Text | None = None
    feeds: tuple[Text, ...] = ()
    fed_by: Text | None = None
    firmware: Text | None = None
    load: Text | None = None
    login: Login | None = None

    @model_validator(mode="after")
    def _mqtt_needs_topic(self) -> Device:
        if self.via == "mqtt" and self.topic is None:
            raise ValueError("a device moved over MQTT needs its own topic: add topic")
        return self

    @property
    def carrier(self) -> bool:
        """Whether it feeds power to a part of the network."""
        return bool(self.feeds)


class Fleet(Strict):
    """All devices of one home or site. Names, MACs and topics are unique."""

    title: Text = "fleet"
    device: Annotated[tuple[Device, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _unique(self) -> Fleet:
        faults: list[str] = []
        for what, values in (
            ("name", [one.name for one in self.device]),
            ("mac", [one.mac for one in self.device]),
            ("topic", [f"{one.dialect} {one.topic}" for one in self.device if one.topic]),
        ):
            faults += [
                f"{what} {value} stands {count} times"
                for value, count in Counter(values).items()
                if count > 1
            ]
        if faults:
            raise ValueError("every device needs its own: " + "; ".join(faults))
        return self

    def by_name(self, name: str) -> Device | None:
        """The device of that name, if there is one."""
        return next((one for one in self.device if one.name == name), None)
