"""Legs: a combined change, split where that is safer and joined where a half could strand.

The rule, in plain words. Between two legs every device must be where the tool can reach it over
the transport it is moved by, and where it can reach its broker: a device that looks for a broker
in vain keeps trying, and may restart (common practice, no source). Which side reaches what is
taken from the playbook alone; what the owner did not declare counts as not reachable.

* A group topic cuts nobody off, so it goes first; with a spare slot in two legs, between which
  devices listen to both words.
* Network and broker go in one bundle, one restart, unless the first half leaves every device
  reachable and either the broker is out of the way of the move (all are moved over HTTP), or one
  message does not hold both.
* Where old and new network are both on air and a device has a spare network, the bundle that moves
  it keeps the old network there: should the new one not let it in, it comes back by itself.
* Where one access point changes its passphrase, the spare network is filled first, in waves; the
  owner changes the access point; then the first slot follows. Devices without a spare slot are all
  told at once, just before.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from migrate.dialects.carrying import prove
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device, Fleet
from migrate.model.playbook import (
    LegPlaybook,
    NewSide,
    Part,
    Playbook,
    Slots,
    new_side,
)
from migrate.model.problems import Changed, Problem, SecretTrouble
from migrate.model.secrets import Secret, SecretRef
from migrate.model.settings import SECRETS
from migrate.planning.bundles import PARTS, bundle, parts_for, spare_group, spare_wifi
from migrate.planning.plan import Leg

Resolve = Callable[[SecretRef], Secret]
NETWORK: tuple[Part, ...] = ("wifi", "addressing")
"""Parts that never go apart: an address is of a network."""


@dataclass(frozen=True)
class OneLeg:
    """One leg, ready to be planned: the devices that take part, the playbook derived for it, and
    what the plan says of it."""

    leg: Leg
    fleet: Fleet
    playbook: Playbook


@dataclass(frozen=True)
class _Step:
    """A leg before it is numbered. `done`: parts that earlier legs have changed."""

    what: str
    parts: tuple[Part, ...]
    done: tuple[Part, ...]
    argument: tuple[str, ...]
    slots: tuple[Slots, Slots] = (Slots(), Slots())
    owner: str | None = None
    together: bool = False
    after_flip: bool = False
    devices: Collection[str] | None = None


def legs(
    fleet: Fleet, playbook: Playbook, dialects: Mapping[str, Dialect], resolve: Resolve
) -> tuple[OneLeg, ...]:
    """The legs of a change, in order; the same ones for the same files and secrets. `resolve` is
    asked only where it matters whether a bundle fits one message."""
    return _Splitter(fleet, playbook, dialects, resolve).legs()


def same_leg(
    leg: Leg,
    fleet: Fleet,
    playbook: Playbook,
    dialects: Mapping[str, Dialect],
    resolve: Resolve,
) -> OneLeg:
    """The leg that a plan was frozen for, derived anew from the same files. Raises Changed if the
    change now splits otherwise."""
    found = legs(fleet, playbook, dialects, resolve)
    one = found[leg.number - 1] if leg.number <= len(found) else None
    if one is None or one.leg.model_copy(update={"after": leg.after}) != leg:
        raise Changed(
            Problem(
                "the change now splits into other legs than when it was planned: a secret is "
                "longer or shorter than it was",
                "make the plan anew: migrate plan",
            )
        )
    return one


def switchover_refusals(
    fleet: Fleet,
    playbook: Playbook,
    dialects: Mapping[str, Dialect],
    resolve: Resolve,
    where: str,
) -> list[Problem]:
    """Why a change of the passphrase alone is not planned: the exposure is not accepted in
    numbers, or nothing changes."""
    if not playbook.switches_over or playbook.wifi is None or playbook.old.wifi is None:
        return []
    new, old = playbook.wifi.secret, playbook.old.wifi.secret
    if new is not None and old is not None and _equal(new, old, resolve):
        return [
            Problem(
                "old and new network have the same name and the same passphrase",
                "declare what changes, or leave [wifi] out",
                where,
                "wifi",
            )
        ]
    bare = [device.name for device in fleet.device if _bare(device, playbook, dialects)]
    accepted = playbook.switchover.accept_stranded
    if accepted == len(bare) or (not bare and accepted is None):
        return []
    if not bare:
        return [
            Problem(
                f"accepts that {accepted} devices may be stranded, but every device has a spare "
                "slot for the new passphrase",
                "leave accept_stranded out",
                where,
                "switchover.accept_stranded",
            )
        ]
    some = ", ".join(bare[:5]) + (f" and {len(bare) - 5} more" if len(bare) > 5 else "")
    said = "nothing is accepted" if accepted is None else f"{accepted} are accepted"
    return [
        Problem(
            f"the network keeps its name, and {len(bare)} of {len(fleet.device)} devices have no "
            f"spare slot ({some}): all {len(bare)} must be given the new passphrase before the "
            "access point has it, and if it is wrong all of them must be opened by hand; "
            f"{said}",
            f"accept it in numbers: [switchover] accept_stranded = {len(bare)}; or give the new "
            "network another name and put it on air beside the old one",
            where,
            "switchover.accept_stranded",
        )
    ]


def _bare(device: Device, playbook: Playbook, dialects: Mapping[str, Dialect]) -> bool:
    return playbook.legs == "joined" or not spare_wifi(dialects[device.dialect])


def _equal(one: SecretRef, other: SecretRef, resolve: Resolve) -> bool:
    try:
        return one == other or resolve(one) == resolve(other)
    except SecretTrouble:
        return False


class _Splitter:
    """Finds the legs of one change."""

    def __init__(
        self,
        fleet: Fleet,
        playbook: Playbook,
        dialects: Mapping[str, Dialect],
        resolve: Resolve,
    ) -> None:
        self._fleet = fleet
        self._playbook = playbook
        self._dialects = dialects
        self._resolve = resolve

    def legs(self) -> tuple[OneLeg, ...]:
        """All legs that concern a device."""
        steps = [step for step in self._steps() if self._names(step)]
        placed = {name for step in steps for name in self._names(step)}
        last = steps[-1] if steps else _Step("everything at once", self._playbook.changed, (), ())
        # A device that nothing concerns goes into the last leg, where it is refused by name.
        strays = [device.name for device in self._fleet.device if device.name not in placed]
        rest = replace(last, devices={*self._names(last), *strays})
        steps = [*steps[:-1], rest]
        return tuple(self._leg(step, n, len(steps)) for n, step in enumerate(steps, start=1))

    def _steps(self) -> list[_Step]:
        playbook = self._playbook
        changed = playbook.changed
        if playbook.switches_over:
            return self._with_group(self._switchover)
        if playbook.legs == "joined":
            words = "The playbook asks for everything in one bundle (legs = \"joined\")."
            return [_Step("everything at once", changed, (), (words,))]
        return self._with_group(self._crossing)

    def _with_group(
        self, rest: Callable[[tuple[Part, ...], tuple[Part, ...]], list[_Step]]
    ) -> list[_Step]:
        """The legs of the group topic, where it has legs of its own, then the rest."""
        playbook, changed = self._playbook, self._playbook.changed
        alone = "group" in changed and playbook.group != playbook.old.group
        if not alone or playbook.legs == "joined":
            return rest(changed, ())
        others = tuple(part for part in changed if part != "group")
        first = self._group()
        return [*first, *(rest(others, ("group",)) if others else [])]

    def _group(self) -> list[_Step]:
        playbook = self._playbook
        word = playbook.group.topic if playbook.group else ""
        stays = (
            "A device keeps its network, its broker and its own topic while its group topic "
            "changes, so it can be reached before, between and after."
        )
        slotted = self._with(spare_group)
        if not slotted:
            return [_Step("the group topic", ("group",), (), (stays,))]
        both = (
            f"{_devices(len(slotted))} can listen to a second group topic: first the new word "
            f"({word}) is put beside the old one, and only when everything that sends to the "
            "group uses the new word is the old one dropped."
        )
        make = _Step(
            "the new group topic beside the old one",
            (),
            (),
            (stays, both),
            (Slots(topic=""), Slots(topic=word)),
        )
        retire = _Step(
            "the old group topic retired",
            ("group",),
            (),
            (stays, both, *self._others_now(slotted)),
            (Slots(topic=word), Slots(topic="")),
            owner=f"let everything that sends to the group use the new topic word {word}",
        )
        return [make, retire]

    def _others_now(self, slotted: Collection[str]) -> Iterable[str]:
        others = [
            one.name
            for one in self._fleet.device
            if one.name not in slotted and "group" in self._parts(one, ("group",))
        ]
        if others:
            yield f"{_devices(len(others))} without such a slot change their word in this leg."

    def _switchover(self, parts: tuple[Part, ...], done: tuple[Part, ...]) -> list[_Step]:
        """One access point, the same name, another passphrase."""
        steps: list[_Step] = []
        playbook = self._playbook
        if "broker" in parts and playbook.legs == "auto" and playbook.broker != playbook.old.broker:
            reaches = self._same_subnet or playbook.old.reaches_new_broker
            if reaches:
                steps.append(
                    _Step("the broker", ("broker",), done, (self._why_reaches_new(),))
                )
                parts, done = tuple(p for p in parts if p != "broker"), (*done, "broker")
        slotted = self._with(spare_wifi) if playbook.legs == "auto" else []
        bare = [one.name for one in self._fleet.device if one.name not in slotted]
        wifi = playbook.wifi
        same = (
            "One access point changes its passphrase and keeps its name, so no device can be on "
            "both sides, and none can be seen on the new one before it is changed."
        )
        flip = "change the passphrase at the access point now; every device that has moved or " \
            "listens for it by its spare slot comes back by itself"
        if slotted:
            steps.append(
                _Step(
                    "the new passphrase in the spare slot",
                    (),
                    done,
                    (
                        same,
                        f"{_devices(len(slotted))} have a spare slot: they are given the new "
                        "passphrase there while they stay where they are. Nobody can be stranded "
                        "by it; what the slot holds is read back.",
                    ),
                    (Slots(wifi=""), Slots(wifi=wifi)),
                    devices=slotted,
                )
            )
        if bare:
            words = (
                f"{_devices(len(bare))} have no spare slot. They are given the new passphrase all "
                "together and are gone until the access point has it: it is one step for all, "
                f"with no pilot and no gate in it. You accepted that {len(bare)} may have to be "
                "opened by hand. The way back is the same step the other way."
            )
            steps.append(
                _Step(
                    "the new passphrase, for all that have no spare slot, and the access point",
                    parts,
                    done,
                    (same, words),
                    together=True,
                    devices=bare,
                )
            )
        if slotted:
            steps.append(
                _Step(
                    "the new passphrase in the first slot",
                    parts,
                    done,
                    (
                        "By now these devices are on the network by their spare slot; who did not "
                        "come across is found out before anything is sent. The same passphrase "
                        "goes into the first slot and the spare slot is emptied, so that a device "
                        "that is back after its restart has proved its first slot.",
                    ),
                    (Slots(wifi=wifi), Slots(wifi="")),
                    owner=None if bare else flip,
                    after_flip=not bare,
                    devices=slotted,
                )
            )
        return steps

    def _crossing(self, parts: tuple[Part, ...], done: tuple[Part, ...]) -> list[_Step]:
        """Both networks are on air: one bundle, or the broker and the network apart."""
        order, why = self._apart(parts, done)
        if not order:
            return [self._move("everything at once", parts, done, why)]
        steps = []
        for number, (what, some) in enumerate(order):
            argument = why if number == 0 else (why[0],)
            steps.append(self._move(what, some, done, argument))
            done = (*done, *some)
        return steps

    def _apart(
        self, parts: tuple[Part, ...], done: tuple[Part, ...]
    ) -> tuple[list[tuple[str, tuple[Part, ...]]], tuple[str, ...]]:
        """In which order broker and network go, and why; in one bundle if the order is empty."""
        playbook = self._playbook
        network = tuple(part for part in parts if part in NETWORK)
        others = tuple(part for part in parts if part not in NETWORK)
        if not network or "broker" not in parts or playbook.broker == playbook.old.broker:
            return [], self._alone(parts)
        told = [d for d in self._fleet.device if "broker" in self._parts(d, ("broker",))]
        by_http = all(device.via == "http" for device in told)
        old_reaches, new_reaches = playbook.old.reaches_new_broker, playbook.new.reaches_old_broker
        broker_first = [("the broker", others), ("the network", network)]
        network_first = [("the network", network), ("the broker", others)]
        if old_reaches and by_http:
            words = (
                "The broker goes first, as a leg of its own: " + self._why_reaches_new(),
                "No device is moved over MQTT, so whatever becomes of its broker, it is reached "
                "over HTTP on the old network.",
            )
            return broker_first, words
        if not self._fits(parts):
            if old_reaches and self._fits(others) and self._fits(network):
                words = (
                    "One message does not hold network and broker together. The broker goes "
                    "first: " + self._why_reaches_new(),
                    "Between the legs a device is on the old network and at the new broker, over "
                    "which it is moved on.",
                )
                return broker_first, words
            if new_reaches and self._fits(others) and self._fits(network):
                words = (
                    "One message does not hold network and broker together. The network goes "
                    "first: a device on the new network reaches the old broker, as the playbook "
                    "says (new.reaches_old_broker).",
                    "Between the legs a device is on the new network and at the old broker, over "
                    "which it is moved on.",
                )
                return network_first, words
        return [], self._joined(old=old_reaches, new=new_reaches)

    def _joined(self, *, old: bool, new: bool) -> tuple[str, ...]:
        if old or new:
            return (
                "Network and broker go in one bundle: one restart and one exposure instead of "
                "two. Devices are moved over MQTT, so a leg for the broker alone would risk "
                "them as well.",
            )
        return (
            "Network and broker go in one bundle. With the broker first, a device on the old "
            "network would not reach the new broker; with the network first, it would not reach "
            "the old broker from the new network. Neither is declared "
            "(old.reaches_new_broker, new.reaches_old_broker), so neither is counted on.",
        )

    def _alone(self, parts: tuple[Part, ...]) -> tuple[str, ...]:
        if any(part in NETWORK for part in parts):
            return (
                "The network changes, and what travels with it. Before, a device is reached on "
                "the old network; after, on the new one; there is nothing between.",
            )
        if "broker" in parts:
            return (
                "The broker changes and the network stays: a device that is moved over HTTP is "
                "reached all the time, one that is moved over MQTT at the one broker or the "
                "other.",
            )
        return ()

    def _why_reaches_new(self) -> str:
        if self._playbook.switches_over and self._same_subnet:
            return (
                "the network stays the same but for its passphrase, so what reaches the new "
                "broker afterwards reaches it now."
            )
        return (
            "a device on the old network reaches the new broker, as the playbook says "
            "(old.reaches_new_broker)."
        )

    @property
    def _same_subnet(self) -> bool:
        return self._playbook.new.subnet in (None, self._playbook.old.subnet)

    def _move(
        self,
        what: str,
        parts: tuple[Part, ...],
        done: tuple[Part, ...],
        argument: tuple[str, ...],
    ) -> _Step:
        """A leg over to the other side; with the old network in the spare slot where that helps."""
        step = _Step(what, parts, done, argument)
        slotted = self._with(spare_wifi)
        old = self._playbook.old.wifi
        if "wifi" not in parts or not slotted or old is None or self._playbook.wifi == old:
            return step
        slots = (Slots(wifi=""), Slots(wifi=old))
        if old.secret is None:
            words = "the passphrase of the old network is not declared"
        elif not self._subnets_tell or not self._playbook.proof.address:
            words = (
                "nothing but the subnet can tell that a device is back on the old network by its "
                "spare slot, and old and new subnet are not declared apart, or not looked at"
            )
        elif not self._fits(parts, slots[1]):
            words = "one message does not hold that as well"
        else:
            keeps = (
                f"{_devices(len(slotted))} have a spare slot and keep the old network in it, by "
                "the same message: should the new one not let them in, they come back by "
                "themselves. It stays there afterwards, until you empty it."
            )
            return replace(step, slots=slots, argument=(*argument, keeps))
        return replace(step, argument=(*argument, f"Spare slots are not used: {words}."))

    @property
    def _subnets_tell(self) -> bool:
        old, new = self._playbook.old.subnet, self._playbook.new.subnet
        return bool(old and new and not old.overlaps(new))

    def _with(self, slot: Callable[[Dialect], bool]) -> list[str]:
        """Names of the devices whose family has this slot."""
        return [one.name for one in self._fleet.device if slot(self._dialects[one.dialect])]

    def _parts(self, device: Device, parts: Iterable[Part]) -> tuple[Part, ...]:
        return parts_for(self._dialects[device.dialect], parts)

    def _names(self, step: _Step) -> Collection[str]:
        """Who takes part in a leg: the devices that it tells something, and those that it would
        have to tell and cannot, which are refused there."""
        if step.devices is not None:
            return step.devices
        playbook = self._derived(step, {one.name for one in self._fleet.device})
        changed = playbook.changed
        return [
            one.name
            for one in self._fleet.device
            if self._parts(one, changed)
            or "wifi" in changed
            or ("broker" in changed and one.via == "mqtt")
        ]

    def _fits(self, parts: tuple[Part, ...], new_slots: Slots | None = None) -> bool:
        """Whether the bundle of these parts fits one message of every device. Where a secret is
        not to be had nothing can be said; the plan then ends for that reason."""
        step = _Step("", parts, (), (), (Slots(), new_slots or Slots()))
        playbook = self._derived(step, {one.name for one in self._fleet.device})
        side, changed = new_side(playbook), playbook.changed
        known: dict[tuple[Any, ...], bool] = {}
        for device in self._fleet.device:
            dialect = self._dialects[device.dialect]
            told = bundle(dialect, side, self._parts(device, changed), device.name)
            mark = (device.dialect, device.via, tuple(told.items()))
            if mark not in known or dialect.carries.target_octets is not None:
                try:
                    values = {
                        setting: Secret(str(value))
                        if setting in SECRETS and not isinstance(value, SecretRef)
                        else self._resolve(value)
                        if isinstance(value, SecretRef)
                        else value
                        for setting, value in told.items()
                        if setting in dialect.settings
                    }
                except SecretTrouble:
                    return True
                faults = prove(dialect, device.via, values).faults(device)
                known[mark] = not any("octets long" in fault for fault in faults)
            if not known[mark]:
                return False
        return True

    def _leg(self, step: _Step, number: int, of: int) -> OneLeg:
        leg = Leg(
            number=number,
            of=of,
            what=step.what,
            argument=step.argument,
            owner=step.owner,
            together=step.together,
            after_flip=step.after_flip,
        )
        if of == 1 and step.parts == self._playbook.changed and step.slots == (Slots(), Slots()):
            playbook: Playbook = self._playbook
            if not step.together:
                return OneLeg(leg, self._fleet, playbook)
        names = set(self._names(step))
        return OneLeg(leg, _part_of_fleet(self._fleet, names, step), self._derived(step, names))

    def _derived(self, step: _Step, names: Collection[str]) -> LegPlaybook:
        """The playbook of one leg. What earlier legs have changed is its old side."""
        whole = self._playbook
        own = {field: getattr(whole, field) for field in Playbook.model_fields}
        old: dict[str, Any] = {}
        for part in step.done:
            if part in NETWORK or part in ("broker", "group"):
                old[part] = getattr(whole, part)
        moved = "wifi" in step.done
        if moved:
            old |= {
                "subnet": whole.new.subnet or whole.old.subnet,
                "leases": whole.new.leases or whole.old.leases,
                "reaches_new_broker": False,
            }
        gone = {device.name for device in self._fleet.device} - set(names)
        for key in ("no_way_back", "feeds_own_way_back"):
            old[key] = tuple(name for name in getattr(whole.old, key) if name not in gone)
        own["old"] = whole.old.model_copy(update=old)
        if "wifi" not in step.parts:
            # Without a move there is no new network yet; after it, it is the old side of this leg.
            own["new"] = NewSide()
        for part in PARTS:
            if part in own and part not in step.parts:
                own[part] = None
        table = own["addressing"]
        if table is not None:
            fixed = {name: ip for name, ip in table.fixed.items() if name not in gone}
            own["addressing"] = table.model_copy(update={"fixed": fixed})
        own["old_slots"], own["new_slots"] = step.slots
        return LegPlaybook.model_construct(**own)


def _part_of_fleet(fleet: Fleet, names: Collection[str], step: _Step) -> Fleet:
    """The devices that take part in a leg. What a device feeds and that does not take part stays
    where it is, so nothing waits for it; and an address of the network that was left says nothing.
    """
    gone = {device.name for device in fleet.device} - set(names)
    moved = "wifi" in step.done
    devices = tuple(
        device.model_copy(
            update={
                "feeds": tuple(fed for fed in device.feeds if fed not in gone),
                "address": None if moved else device.address,
            }
        )
        for device in fleet.device
        if device.name not in gone
    )
    return fleet.model_copy(update={"device": devices})


def _devices(number: int) -> str:
    return f"{number} device" + ("" if number == 1 else "s")
