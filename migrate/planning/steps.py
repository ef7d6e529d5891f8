"""One change as its legs see it: what each of them tells whom, and from where to where."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from migrate.dialects.carrying import prove
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device, Fleet
from migrate.model.playbook import (
    PARTS,
    LegPlaybook,
    NewSide,
    Part,
    Playbook,
    Side,
    Slots,
    new_side,
)
from migrate.model.problems import SecretTrouble
from migrate.model.secrets import Resolve
from migrate.planning.bundles import bundle, parts_for, resolved, spare_wifi

NETWORK: tuple[Part, ...] = ("wifi", "addressing")
"""Parts that never go apart: an address is of a network."""
NOTHING = (Slots(), Slots())


@dataclass(frozen=True)
class Step:
    """A leg before it is numbered: the parts that it changes, those that earlier legs have
    changed, and the spare slots before and after. `devices`: who takes part; without it, everyone
    whom it tells something. `crossed`: they are on the new network before it, by their spare slot,
    and that has other addresses."""

    what: str
    parts: tuple[Part, ...]
    done: tuple[Part, ...]
    argument: tuple[str, ...]
    slots: tuple[Slots, Slots] = NOTHING
    owner: str | None = None
    together: bool = False
    after_flip: bool = False
    devices: Collection[str] | None = None
    crossed: bool = False


@dataclass(frozen=True)
class Change:
    """A change as its owner declared it, with what is to be known to split it."""

    fleet: Fleet
    playbook: Playbook
    dialects: Mapping[str, Dialect]
    resolve: Resolve

    @property
    def subnets_tell(self) -> bool:
        """Whether an address tells which network a device is on."""
        old, new = self.playbook.old.subnet, self.playbook.new.subnet
        return bool(old and new and not old.overlaps(new)) and self.playbook.proof.address

    @property
    def same_subnet(self) -> bool:
        """Whether the network keeps its addresses."""
        return self.playbook.new.subnet in (None, self.playbook.old.subnet)

    def with_slot(self, slot: Callable[[Dialect], bool]) -> list[str]:
        """Names of the devices whose family has this slot."""
        have = {name for name, dialect in self.dialects.items() if slot(dialect)}
        return [one.name for one in self.fleet.device if one.dialect in have]

    @property
    def bare(self) -> list[str]:
        """Names of the devices that cannot be told of a network beside the one they are on, or
        would be of no use there with what else they hold."""
        if self.playbook.legs == "joined" or self.lost_by_spare_slot:
            return [one.name for one in self.fleet.device]
        slotted = set(self.with_slot(spare_wifi))
        return [one.name for one in self.fleet.device if one.name not in slotted]

    @property
    def lost_by_spare_slot(self) -> str:
        """Why a device that an access point's change brings to other addresses by its spare slot
        could not be told the rest there; empty if it could."""
        playbook, old, new = self.playbook, self.playbook.old, self.playbook.new
        if self.same_subnet:
            return ""
        if playbook.addressing or (old.addressing and old.addressing.fixed):
            return "it would have its old fixed address there"
        moves = playbook.broker is not None and playbook.broker != old.broker
        if moves and not (old.reaches_new_broker or new.reaches_old_broker):
            return "it would look there in vain for the old broker"
        return ""

    def told(self, *parts: Part) -> list[Device]:
        """Devices whose family has words for one of these parts."""
        have = {name for name, dialect in self.dialects.items() if parts_for(dialect, parts)}
        return [one for one in self.fleet.device if one.dialect in have]

    def names(self, step: Step) -> Collection[str]:
        """Who takes part in a leg: the devices that it tells something, and those that it would
        have to tell and cannot, which are refused there."""
        if step.devices is not None:
            return step.devices
        changed = self.playbook_of(step).changed
        have = {one.name for one in self.told(*changed)}
        return [
            one.name
            for one in self.fleet.device
            if one.name in have or "wifi" in changed or ("broker" in changed and one.via == "mqtt")
        ]

    def fits(self, parts: tuple[Part, ...], spare: Slots | None = None) -> bool:
        """Whether the bundle of these parts fits one message of every device. Where a secret is
        not to be had nothing can be said; the plan then ends for that reason."""
        step = Step("", parts, (), (), (Slots(), spare or Slots()))
        playbook = self.playbook_of(step)
        side, changed = new_side(playbook), playbook.changed
        fixed = playbook.addressing.fixed if playbook.addressing else {}
        known: dict[tuple[str, str, str], bool] = {}
        for device in self.fleet.device:
            dialect = self.dialects[device.dialect]
            own = device.name if device.name in fixed or dialect.carries.target_octets else ""
            mark = (device.dialect, device.via, own)
            if mark not in known:
                try:
                    known[mark] = self._fits_one(device, dialect, side, changed)
                except SecretTrouble:
                    return True
        return all(known.values())

    def _fits_one(
        self, device: Device, dialect: Dialect, side: Side, changed: Iterable[Part]
    ) -> bool:
        told = bundle(dialect, side, parts_for(dialect, changed), device.name)
        known = {s: value for s, value in told.items() if s in dialect.settings}
        faults = prove(dialect, device.via, resolved(known, self.resolve)).faults(device)
        return not any("octets long" in fault for fault in faults)

    def playbook_of(self, step: Step, names: Collection[str] | None = None) -> LegPlaybook:
        """The playbook of one leg, for the devices of these names. What earlier legs have changed
        is its old side."""
        whole = self.playbook
        own = {field: getattr(whole, field) for field in Playbook.model_fields}
        old: dict[str, Any] = {part: getattr(whole, part) for part in step.done}
        if "wifi" in step.done or step.crossed:
            old["subnet"] = whole.new.subnet or whole.old.subnet
            old["leases"] = whole.new.leases or whole.old.leases
        gone = set() if names is None else self._all_names - set(names)
        for key in ("no_way_back", "feeds_own_way_back"):
            # A name that is nobody's stays: it is refused.
            old[key] = tuple(name for name in getattr(whole.old, key) if name not in gone)
        own["old"] = whole.old.model_copy(update=old)
        if not any(part in NETWORK for part in step.parts):
            # Without a move there is no other network: not yet, or it is this leg's old side.
            own["new"] = NewSide()
        for part in PARTS:
            if part not in step.parts:
                own[part] = None
        table = own["addressing"]
        if table is not None:
            fixed = {name: address for name, address in table.fixed.items() if name not in gone}
            own["addressing"] = table.model_copy(update={"fixed": fixed})
        left = tuple(name for name in whole.outputs.leave if name not in gone)
        own["outputs"] = whole.outputs.model_copy(update={"leave": left})
        own["old_slots"], own["new_slots"] = step.slots
        return LegPlaybook.model_construct(**own)

    def fleet_of(self, step: Step, names: Collection[str]) -> Fleet:
        """The devices that take part in a leg. A device that does not take part stays where it is,
        so nothing waits for it; what it feeds in its turn is fed by whoever feeds it. And an
        address of a network that was left says nothing."""
        gone = self._all_names.difference(names)
        moved = "wifi" in step.done or step.crossed
        devices = tuple(
            device.model_copy(
                update={
                    "feeds": self._fed(device, gone),
                    "address": None if moved else device.address,
                }
            )
            for device in self.fleet.device
            if device.name not in gone
        )
        return self.fleet.model_copy(update={"device": devices})

    def _fed(self, device: Device, gone: frozenset[str]) -> tuple[str, ...]:
        """What a device feeds, those who are gone replaced by what they feed."""
        if gone.isdisjoint(device.feeds):
            return device.feeds
        by_name = {one.name: one for one in self.fleet.device}
        fed: dict[str, None] = {}
        passed: set[str] = set()
        todo = list(device.feeds)
        while todo:
            name = todo.pop(0)
            if name not in gone:
                fed[name] = None
            elif name not in passed:
                passed.add(name)
                todo += by_name[name].feeds
        return tuple(name for name in fed if name != device.name)

    @cached_property
    def _all_names(self) -> frozenset[str]:
        return frozenset(one.name for one in self.fleet.device)


def devices(number: int) -> str:
    """A number of devices, in words."""
    return f"{number} device" + ("" if number == 1 else "s")
