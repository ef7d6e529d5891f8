"""The legs of a change while old and new side are both there: group topic, broker, network."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from migrate.model.playbook import Part, Slots
from migrate.planning.bundles import spare_group, spare_wifi
from migrate.planning.steps import NETWORK, Change, Step, devices

Parts = tuple[Part, ...]
WHOLE = "everything at once"


def group_first(change: Change, rest: Callable[[Change, Parts, Parts], list[Step]]) -> list[Step]:
    """The legs of the group topic, if it changes, then those of the rest."""
    playbook, changed = change.playbook, change.playbook.changed
    # Declared as it was, it is only written anew, with the rest.
    if "group" not in changed or playbook.group == playbook.old.group:
        return rest(change, changed, ())
    others = tuple(part for part in changed if part != "group")
    return [*_group(change), *(rest(change, others, ("group",)) if others else [])]


def _group(change: Change) -> list[Step]:
    word = change.playbook.group.topic if change.playbook.group else ""
    stays = (
        "A device keeps its network, its broker and its own topic while its group topic changes: "
        "it is reached before, between and after."
    )
    slotted = change.with_slot(spare_group)
    if not slotted:
        return [Step("the group topic", ("group",), (), (stays,))]
    both = (
        f"{devices(len(slotted))} can listen to a second group topic. First the new word ({word}) "
        "is put beside the old one; when everything that sends to the group uses the new word, "
        "the old one is dropped."
    )
    others = len(change.told("group")) - len(slotted)
    more = (f"{devices(others)} without such a slot: the word changes in this leg.",)
    return [
        Step(
            "the new group topic beside the old one",
            (),
            (),
            (stays, both),
            (Slots(topic=""), Slots(topic=word)),
        ),
        Step(
            "the old group topic retired",
            ("group",),
            (),
            (stays, both, *(more if others else ())),
            (Slots(topic=word), Slots(topic="")),
            owner=f"let everything that sends to the group use the new topic word, {word}",
        ),
    ]


def cross(change: Change, parts: Parts, done: Parts) -> list[Step]:
    """Network and broker: in one bundle, or apart."""
    order, why = _apart(change, parts)
    if not order:
        return [_move(change, WHOLE, parts, done, why)]
    steps = []
    for what, some in order:
        steps.append(_move(change, what, some, done, why))
        done = (*done, *some)
    return steps


def reaches_new_broker(change: Change) -> str:
    """Why a device on the old network reaches the new broker; empty if it does not, as far as the
    owner declared."""
    if change.playbook.switches_over and change.same_subnet:
        return (
            "the network stays as it is but for its passphrase, so what reaches the new broker "
            "afterwards reaches it now."
        )
    if change.playbook.old.reaches_new_broker:
        return (
            "a device on the old network reaches the new broker, as the playbook says "
            "(old.reaches_new_broker)."
        )
    return ""


def _apart(change: Change, parts: Parts) -> tuple[list[tuple[str, Parts]], tuple[str, ...]]:
    """In which order broker and network go, and why. In one bundle if the order is empty."""
    playbook = change.playbook
    network = tuple(part for part in parts if part in NETWORK)
    others = tuple(part for part in parts if part not in NETWORK)
    if not network or "broker" not in parts or playbook.broker == playbook.old.broker:
        return [], _alone(parts)
    to_new, to_old = reaches_new_broker(change), playbook.new.reaches_old_broker
    if to_new and all(device.via == "http" for device in change.told("broker")):
        return [("the broker", others), ("the network", network)], (
            f"The broker goes first, as a leg of its own: {to_new}",
            "No device that is told of it is moved over MQTT: whatever becomes of the broker, each "
            "is reached over HTTP on the old network.",
        )
    if not change.fits(parts) and change.fits(others) and change.fits(network):
        long = "One message does not hold network and broker together."
        if to_new:
            return [("the broker", others), ("the network", network)], (
                f"{long} The broker goes first: {to_new}",
                "Between the legs a device is on the old network and at the new broker, and is "
                "moved on over the one or the other.",
            )
        if to_old:
            return [("the network", network), ("the broker", others)], (
                f"{long} The network goes first: a device on the new network reaches the old "
                "broker, as the playbook says (new.reaches_old_broker).",
                "Between the legs a device is on the new network and at the old broker, and is "
                "moved on over the one or the other.",
            )
    return [], _joined(declared=bool(to_new or to_old))


def _joined(*, declared: bool) -> tuple[str, ...]:
    if declared:
        return (
            "Network and broker go in one bundle: one restart and one exposure instead of two. "
            "The broker alone would not be the safer half: there are devices that are moved over "
            "MQTT, or it is not declared that the old network reaches the new broker.",
        )
    return (
        "Network and broker go in one bundle. With the broker first, a device on the old network "
        "would look in vain for the new broker; with the network first, one on the new network "
        "would look in vain for the old broker. That it would not is not declared "
        "(old.reaches_new_broker, new.reaches_old_broker), so it is not counted on.",
    )


def _alone(parts: Parts) -> tuple[str, ...]:
    if any(part in NETWORK for part in parts):
        return (
            "The network changes, with what travels with it. Before, a device is reached on the "
            "old network, afterwards on the new one; there is nothing between.",
        )
    if "broker" in parts:
        return (
            "The broker changes and the network stays: a device that is moved over HTTP is reached "
            "all the time, one that is moved over MQTT at the one broker or at the other.",
        )
    return ()


def _move(change: Change, what: str, parts: Parts, done: Parts, argument: tuple[str, ...]) -> Step:
    """A leg over to the new side, with the old network in the spare slot where that helps."""
    step = Step(what, parts, done, argument)
    slotted = change.with_slot(spare_wifi)
    old = change.playbook.old.wifi
    if "wifi" not in parts or not slotted or old is None or change.playbook.wifi == old:
        return step
    slots = (Slots(wifi=""), Slots(wifi=old))
    if old.secret is None:
        why_not = "the passphrase of the old network is not declared"
    elif not change.subnets_tell:
        why_not = (
            "on the old network again by its spare slot, a device could be taken for one that has "
            "moved, unless the two subnets are declared, lie apart, and are looked at"
        )
    elif not change.fits(parts, slots[1]):
        why_not = "one message does not hold that as well"
    else:
        keeps = (
            f"{devices(len(slotted))} with a spare slot: the same message puts the old network "
            "there. Should the new one not let a device in, it comes back by itself. The old "
            "network stays in the slot until you empty it."
        )
        return replace(step, slots=slots, argument=(*argument, keeps))
    return replace(step, argument=(*argument, f"Spare slots are not used: {why_not}."))
