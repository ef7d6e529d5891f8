"""How a device will be found, on both sides; one that cannot be found is not moved."""

from __future__ import annotations

from collections.abc import Iterator

from migrate.model.fleet import Device
from migrate.model.problems import Problem
from migrate.planning.addressing import untold
from migrate.planning.refusals.case import Alike, Case


def refusals(case: Case) -> Iterator[Problem]:
    """Devices that nobody could find, before or after."""
    for alike in case.moved:
        if alike.via == "mqtt":
            for what, remedy in _by_broker(case, alike):
                for device in alike.devices:
                    yield Problem(what, remedy, device=device.name)
        else:
            for device in alike.devices:
                for what, remedy in _by_address(case, device):
                    yield Problem(what, remedy, device=device.name)


def _by_broker(case: Case, alike: Alike) -> Iterator[tuple[str, str]]:
    for side in (case.old, case.new):
        if side.broker is None:
            yield (
                f"is moved over MQTT, but the {side.name} broker is not declared",
                "add [old.broker] with host and port",
            )
    proves = alike.dialect.readings.address is not None or case.new.leases is not None
    playbook = case.playbook
    if playbook.wifi and playbook.proof.address and case.new.subnet and not proves:
        yield (
            "nothing can prove its new address: the dialect has no address reading and "
            "the new side no lease file",
            "add new.leases, or set address = false under [proof]",
        )


def _by_address(case: Case, device: Device) -> Iterator[tuple[str, str]]:
    old, new = case.old, case.new
    if device.address is None and old.leases is None:
        yield (
            "has no address, and the old side has no lease file to find it in",
            "add address, or old.leases",
        )
    if old.subnet and device.address and device.address not in old.subnet:
        yield (
            f"address {device.address} is outside the old subnet {old.subnet}",
            "correct the one or the other",
        )
    if case.playbook.wifi and (missing := untold(new, device.name)):
        # The subnet is asked for with the leases wherever the address is not a fixed one.
        needs = "both subnet and leases" if "leases" in missing else "its subnet"
        if not (fixed := new.addressing and device.name in new.addressing.fixed):
            needs = "both subnet and leases"
        yield (
            f"comes back at an address that nobody can tell: the new side needs {needs}",
            "add [new] subnet"
            if fixed
            else "add [new] subnet and leases (the lease file of the new network's DHCP server)",
        )
