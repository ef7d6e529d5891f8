"""Switchover: one access point changes its passphrase and keeps its name.

No device can be on both sides, and none can be seen on the new one before the access point has
been changed. A spare slot takes the risk out of it: the new passphrase is put beside the old one,
in waves, and is proved by reading the slot back. Devices without a spare slot are given it all
together, just before the access point is changed: one step that nothing can stop half-way, so the
owner accepts it in numbers.
"""

from __future__ import annotations

from migrate.model.playbook import Part, Slots
from migrate.model.problems import Problem, SecretTrouble
from migrate.model.secrets import SecretRef
from migrate.planning.bundles import spare_wifi
from migrate.planning.crossing import reaches_new_broker
from migrate.planning.steps import Change, Step, devices

NAMED = 5
"""Devices that a refusal names; of the others it tells the number."""
SAME = (
    "One access point changes its passphrase and keeps its name: no device can be on both sides, "
    "and none can be seen on the new one before the access point is changed."
)
FLIP = (
    "change the passphrase at the access point; a device that listens for it by its spare slot "
    "then comes back by itself"
)


def switch_over(change: Change, parts: tuple[Part, ...], done: tuple[Part, ...]) -> list[Step]:
    """The broker first, where it can go first; then the spare slots, then those without one
    together with the access point, then the first slots."""
    steps: list[Step] = []
    playbook = change.playbook
    apart = "broker" in parts and playbook.legs == "auto" and playbook.broker != playbook.old.broker
    if apart and (why := reaches_new_broker(change)):
        steps.append(Step("the broker", ("broker",), done, (f"The broker goes first: {why}",)))
        parts, done = tuple(p for p in parts if p != "broker"), (*done, "broker")
    bare = change.bare
    slotted = [name for name in change.with_slot(spare_wifi) if name not in set(bare)]
    empty, filled = Slots(wifi=""), Slots(wifi=playbook.wifi)
    if slotted:
        beside = (
            f"{devices(len(slotted))} with a spare slot: the new passphrase is put there while "
            "they stay where they are. Nobody can be stranded by it, and it is read back.",
        )
        steps.append(
            Step(
                "the new passphrase in the spare slot",
                (),
                done,
                (SAME, *beside),
                (empty, filled),
                devices=slotted,
            )
        )
    if bare:
        unused = change.lost_by_spare_slot if change.with_slot(spare_wifi) else ""
        words = (
            *([f"Spare slots are not used: on the new network, {unused}."] if unused else []),
            f"{devices(len(bare))} without a spare slot: all are given the new passphrase "
            "together, and are gone until the access point has it. It is one step, with no pilot "
            "before it and no gate in it: covers and carriers go with all others. You accepted "
            f"that {len(bare)} may have to be opened by hand.",
            "Its way back is the same step the other way: a switchover to the old passphrase.",
        )
        steps.append(
            Step(
                "the new passphrase for all without a spare slot, and the access point",
                parts,
                done,
                (SAME, *words),
                together=True,
                devices=bare,
            )
        )
    if slotted:
        then = (
            "By now these devices are on the network by their spare slot. Whoever did not come "
            "across is found out before anything is sent.",
            "The same passphrase goes into the first slot and the spare slot is emptied: a device "
            "that is back after its restart has proved its first slot.",
        )
        steps.append(
            Step(
                "the new passphrase in the first slot",
                parts,
                done,
                then,
                (filled, empty),
                owner=None if bare else FLIP,
                after_flip=not bare,
                devices=slotted,
                crossed=not change.same_subnet,
            )
        )
    return steps


def switchover_refusals(change: Change, where: str) -> list[Problem]:
    """Why a change of the passphrase alone is not planned: nothing changes, or what it may cost is
    not accepted in numbers."""
    playbook = change.playbook
    if not playbook.switches_over or playbook.wifi is None or playbook.old.wifi is None:
        return []
    if _equal(change, playbook.wifi.secret, playbook.old.wifi.secret):
        what = "old and new network have the same name and the same passphrase"
        return [Problem(what, "declare what changes, or leave [wifi] out", where, "wifi")]
    bare, accepted = change.bare, playbook.switchover.accept_stranded
    if accepted == (len(bare) or None):
        return []
    key = "switchover.accept_stranded"
    if not bare:
        what = (
            f"{accepted} stranded devices are accepted, but none can be: every device has a spare "
            "slot for the new passphrase"
        )
        return [Problem(what, "leave accept_stranded out", where, key)]
    some = ", ".join(bare[:NAMED])
    some += f" and {len(bare) - NAMED} more" if len(bare) > NAMED else ""
    said = "this is not accepted" if accepted is None else f"{accepted} are accepted"
    return [
        Problem(
            f"old and new network have the same name, and of {devices(len(change.fleet.device))} "
            f"{len(bare)} cannot be given the new passphrase beside the old one ({some}): they "
            "would have to be given it all together before the access point has it, and if it is "
            f"wrong each must be opened by hand; {said}",
            "give the new network another SSID while both are on air; or accept it in numbers: "
            f"[switchover] accept_stranded = {len(bare)}",
            where,
            key,
        )
    ]


def _equal(change: Change, one: SecretRef | None, other: SecretRef | None) -> bool:
    if one is None or other is None:
        return False
    try:
        return one == other or change.resolve(one) == change.resolve(other)
    except SecretTrouble:
        return False
