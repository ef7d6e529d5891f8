"""What a refusal may look at: the case, and in it the devices that are given the same."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device, Fleet, Transport
from migrate.model.playbook import Part, Playbook, Side, new_side, old_side
from migrate.model.problems import Problem
from migrate.model.secrets import Resolve
from migrate.model.settings import FrozenBundle
from migrate.planning.addressing import fixed_address
from migrate.planning.bundles import WayBack, bundle, parts_for, restarts, way_back
from migrate.planning.exposure import Twin
from migrate.planning.ledger import Tried


@dataclass(frozen=True)
class Alike:
    """Devices that are given the same: one dialect, one transport, one bundle, one way back.

    What depends on nothing else is judged once for all of them. A device with an address of its
    own is alone. `parts` are those of the change for which the dialect has words.
    """

    dialect: Dialect
    via: Transport
    parts: tuple[Part, ...]
    given: FrozenBundle
    back: WayBack
    devices: tuple[Device, ...]

    @property
    def name(self) -> str:
        """One of them, to ask what a side says of it: it says the same of all."""
        return self.devices[0].name

    @cached_property
    def restarts(self) -> bool:
        """Whether what they are given is in force only after a restart."""
        return restarts(self.dialect, self.given)


@dataclass(frozen=True)
class Case:
    """Fleet, playbook, dialects and secrets; the names of both files for the words.

    `created` is the ISO 8601 time at which a certificate must be good; `certificates` holds the
    octets of the certificate files that the playbook names; `trials` what was shown on the bench
    of each twin group.
    """

    fleet: Fleet
    playbook: Playbook
    dialects: Mapping[str, Dialect]
    resolve: Resolve = field(repr=False)
    fleet_file: str = "fleet"
    playbook_file: str = "playbook"
    created: str = ""
    certificates: Mapping[Path, bytes] = field(default_factory=dict, repr=False)
    trials: Mapping[Twin, Sequence[Tried]] = field(default_factory=dict)

    @cached_property
    def old(self) -> Side:
        """The old side, complete."""
        return old_side(self.playbook)

    @cached_property
    def new(self) -> Side:
        """The new side, complete."""
        return new_side(self.playbook)

    @cached_property
    def by_name(self) -> dict[str, Device]:
        """The devices by their names."""
        return {device.name: device for device in self.fleet.device}

    @cached_property
    def carriers(self) -> tuple[Device, ...]:
        """The devices that feed something."""
        return tuple(device for device in self.fleet.device if device.feeds)

    @cached_property
    def all_alike(self) -> tuple[Alike, ...]:
        """Every device, with those that are given the same."""
        sorts: dict[tuple[object, ...], list[Device]] = {}
        for device in self.fleet.device:
            own = (fixed_address(self.old, device.name), fixed_address(self.new, device.name))
            sorts.setdefault((device.dialect, device.via, *own), []).append(device)
        return tuple(self._alike(devices) for devices in sorts.values())

    @cached_property
    def moved(self) -> tuple[Alike, ...]:
        """Those that can be given anything at all; `words` refuses the rest."""
        return tuple(
            alike
            for alike in self.all_alike
            if alike.parts and alike.via in alike.dialect.transports
        )

    def with_part(self, part: Part) -> Iterator[Alike]:
        """Those whose part of the change this is."""
        return (alike for alike in self.moved if part in alike.parts)

    def about_change(self, what: str, remedy: str, key: str) -> Problem:
        """A problem of the playbook."""
        return Problem(what, remedy, self.playbook_file, key)

    def strangers(self, names: tuple[str, ...], key: str) -> Iterator[Problem]:
        """Names in the playbook that are no device's."""
        for name in names:
            if name not in self.by_name:
                yield self.about_change(
                    f"{name!r} is not in the fleet", "write the name as the fleet file has it", key
                )

    def _alike(self, devices: list[Device]) -> Alike:
        first = devices[0]
        dialect = self.dialects[first.dialect]
        parts = parts_for(dialect, self.playbook.changed)
        given = bundle(dialect, self.new, parts, first.name)
        back = way_back(dialect, self.old, given, first.name)
        return Alike(dialect, first.via, parts, given, back, tuple(devices))
