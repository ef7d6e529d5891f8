"""What a dialect file may hold. Everything is checked here, once, so that the rest need not."""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Self

from pydantic import Field, model_validator

from migrate.dialects.parts import (
    MESSAGE,
    Ask,
    Carries,
    FixedText,
    Harmless,
    Http,
    Identity,
    JsonRpc,
    Lines,
    MergePatch,
    Output,
    OutputName,
    Presence,
    Radio,
    RestartTime,
    SettingName,
    Word,
    Write,
    is_pointer,
)
from migrate.model.fleet import Strict, Text, Transport, faults_at
from migrate.model.settings import DEPENDENT, FLAGS, SECRETS


class Dialect(Strict):
    """One family of devices. A spare slot is there where the `wifi.spare.*` or `group.spare.*`
    settings are."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")]
    about: Text
    radio: Radio = Radio()
    carries: Carries = Carries()
    http: Http = Http()
    write: Write
    read: Ask
    restart: Ask | None = None
    restart_seconds: RestartTime = RestartTime()
    presence: Presence | None = None
    readings: Identity
    settings: dict[SettingName, Word]
    outputs: dict[OutputName, Output] = {}
    harmless: dict[OutputName, Harmless] = {}

    @model_validator(mode="after")
    def _whole(self) -> Self:
        faults = [*self._places(), *self._halves(), *self._names()]
        if faults:
            raise faults_at("Dialect", [((), fault) for fault in faults])
        return self

    def _places(self) -> list[str]:
        faults = []
        if not self.transports:
            faults.append("write and read share no transport: give both http, or both mqtt")
        for name, ask in (("write", self.write), ("read", self.read), ("restart", self.restart)):
            if ask is None:
                continue
            if ask.http is not None:
                where = list(ask.http.query.values()).count(MESSAGE) + (ask.http.body == MESSAGE)
                empty = isinstance(ask.message, FixedText) and not ask.message.text
                if where != (0 if empty else 1):
                    faults.append(
                        f"{name}.http holds {{message}} {where} times; it goes into the body or "
                        "into one query value, once (and nowhere if the message is empty)"
                    )
        if self.restart is not None:
            missing = [t for t in self.transports if getattr(self.restart, t) is None]
            faults += [
                f"restart has no {transport}, which write and read have" for transport in missing
            ]
        if isinstance(self.write.message, Lines | MergePatch) and self.write.taken is None:
            faults.append("write.taken is missing: without it no answer counts as yes")
        return faults

    def _halves(self) -> list[str]:
        faults = []
        for group in DEPENDENT:
            present = [setting for setting in group if setting in self.settings]
            needed = [s for s in group if s in SECRETS] if present else []
            faults += [
                f"knows {present[0]} but not {setting}, which must travel with it"
                for setting in needed
                if setting not in self.settings
            ]
            if present and group[0] not in self.settings:
                faults.append(f"knows {present[0]} but not {group[0]}")
        if not any(setting not in SECRETS for setting in self.settings):
            faults.append("knows no setting that can be moved")
        faults += [
            f"settings.{setting} has a read, but secrets are never read"
            for setting in self.settings
            if setting in SECRETS and self.settings[setting].read is not None
        ]
        return faults

    def _names(self) -> list[str]:
        faults = []
        placed = [
            (f"settings.{setting}.name", word.name) for setting, word in self.settings.items()
        ]
        placed += [
            (f"outputs.{name}.write", one.write) for name, one in self.outputs.items() if one.write
        ]
        placed += [(f"harmless.{name}.write", one.write) for name, one in self.harmless.items()]
        names = [name for _, name in placed]
        faults += [
            f"the name {name!r} stands for two settings"
            for name in sorted({name for name in names if names.count(name) > 1})
        ]
        if isinstance(self.write.message, MergePatch | JsonRpc):
            for place, name in placed:
                if not name.startswith("/") or not is_pointer(name):
                    faults.append(f"{place} must be a JSON Pointer such as /name (RFC 6901)")
            for one in names:
                faults += [
                    f"the name {other!r} lies inside {one!r}"
                    for other in names
                    if other.startswith(one + "/")
                ]
        else:
            message = self.write.message
            for place, name in placed:
                # The signs must not arise over the seam between name and assign sign either.
                begin = name + message.assign
                if message.separator in begin or begin.find(message.assign) != len(name):
                    faults.append(f"{place} holds the separator or assign sign")
            faults += [
                f"settings.{setting} needs words for true and false"
                for setting, word in self.settings.items()
                if setting in FLAGS and word.words is None
            ]
            faults += [
                f"outputs.{name} needs words for true (on) and false (off)"
                for name, one in self.outputs.items()
                if one.write and one.holds == "switch" and one.words is None
            ]
        return faults

    @cached_property
    def transports(self) -> tuple[Transport, ...]:
        """The transports over which this family can be both read and written."""
        both: tuple[Transport, ...] = ("http", "mqtt")
        return tuple(t for t in both if getattr(self.write, t) and getattr(self.read, t))
