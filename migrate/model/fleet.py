"""The fleet: every device of one home or site, as its owner wrote it down."""

from __future__ import annotations

import re
from collections.abc import Iterable
from enum import StrEnum
from ipaddress import IPv4Address
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

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
        return _RANKS[self]


_RANKS = {reach: number for number, reach in enumerate(Reach)}


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


_HOURS = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)")


def _hours(value: str) -> str:
    found = _HOURS.fullmatch(value)
    if not found or found[1] + found[2] == found[3] + found[4]:
        raise ValueError("is no span of hours; write it as 22:00-06:30; midnight is 00:00")
    return value


Text = Annotated[str, Field(min_length=1, max_length=100), AfterValidator(_printable)]
Topic = Annotated[str, AfterValidator(_topic)]
Hours = Annotated[str, AfterValidator(_hours)]
Address = Annotated[IPv4Address, BeforeValidator(_address)]


class Strict(BaseModel):
    """Base of all file models: unknown keys and wrong types are errors, objects do not change."""

    # What was given is kept out of pydantic's own words: it may be a secret written as text.
    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        strict=True,
        hide_input_in_errors=True,
        # TOML and Python's JSON have inf and nan; no number here may be one.
        allow_inf_nan=False,
    )


def faults_at(model: str, faults: Iterable[tuple[tuple[str | int, ...], str]]) -> ValidationError:
    """Several faults of a model as a whole, each with its place, to be raised by a validator."""
    return ValidationError.from_exception_data(
        model,
        [
            InitErrorDetails(
                type=PydanticCustomError("value_error", "{words}", {"words": words}),
                loc=place,
                input=None,
            )
            for place, words in faults
        ],
    )


class Login(Strict):
    """How migrate proves itself at a device's own HTTP interface: by user name and password (RFC
    7617, RFC 7616), or by a token (RFC 6750)."""

    username: Text | None = None
    password: SecretRef | None = None
    token: SecretRef | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Login:
        if self.token is not None:
            both = [name for name in ("username", "password") if getattr(self, name) is not None]
            faults = [((name,), "does not go with token; keep one of them") for name in both]
        else:
            lacking = [name for name in ("username", "password") if getattr(self, name) is None]
            faults = [((name,), f"is missing; add {name} = ...") for name in lacking]
        if faults:
            raise faults_at("Login", faults)
        return self

    @property
    def secret(self) -> SecretRef:
        """The password, or the token."""
        kept = self.password or self.token
        if kept is None:
            raise ValueError("neither password nor token")  # refused above
        return kept


class Device(Strict):
    """One device. Its identity is `mac`; `address` is only where it is today.

    `wakes_seconds`: it sleeps, and wakes this often. `quiet`: hours of the day in which it is not
    sent anything, beside those of its place.
    """

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
    firmware: Text | None = None
    load: Text | None = None
    login: Login | None = None
    channels: tuple[Annotated[int, Field(ge=1, le=233)], ...] | None = None
    wakes_seconds: Annotated[float, Field(gt=0, le=86400)] | None = None
    quiet: tuple[Hours, ...] = ()

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
    """All devices of one home or site. Names, MACs and topics are unique.

    `quiet`: by place, hours of the day in which no device there is sent anything."""

    title: Text = "fleet"
    quiet: dict[Text, tuple[Hours, ...]] = {}
    device: Annotated[tuple[Device, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _unique(self) -> Fleet:
        faults: list[tuple[tuple[str | int, ...], str]] = []
        seen: dict[tuple[str, ...], Device] = {}
        for number, one in enumerate(self.device):
            own = [("name", one.name), ("mac", one.mac)]
            if one.topic:
                own.append(("topic", one.topic))
            for what, value in own:
                # Two families may use one topic word: it stands behind their own first level.
                mark = (what, value, one.dialect) if what == "topic" else (what, value)
                first = seen.setdefault(mark, one)
                if first is not one:
                    words = f"{what} {value} is already that of device {first.name}"
                    faults.append((("device", number, what), f"{words}; give it its own {what}"))
        if faults:
            raise faults_at("Fleet", faults)
        return self

    def quiet_hours(self, device: Device) -> tuple[str, ...]:
        """The quiet hours of a device: its own and those of its place, as `HH:MM-HH:MM`."""
        return tuple(dict.fromkeys((*device.quiet, *self.quiet.get(device.place, ()))))

    def by_name(self, name: str) -> Device | None:
        """The device of that name, if there is one."""
        return next((one for one in self.device if one.name == name), None)
