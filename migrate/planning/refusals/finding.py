"""How a device will be found, on both sides; one that cannot be found is not moved."""

from __future__ import annotations

from collections.abc import Iterator

from migrate.model.fleet import Device
from migrate.model.playbook import MOST_SWEPT
from migrate.model.problems import Problem
from migrate.planning.addressing import GIVE_ADDRESSES, fixed_address, left_behind, untold
from migrate.planning.refusals.case import Alike, Case


def refusals(case: Case) -> Iterator[Problem]:
    """Devices that nobody could find, before or after."""
    for alike in case.moved:
        shared = [*_left_behind(case, alike), *_shared(case, alike)]
        for device in alike.devices:
            own = (
                (*_today(case, device), *_unswept(case, alike, device))
                if alike.via == "http"
                else ()
            )
            for what, remedy in (*shared, *own):
                yield Problem(what, remedy, device=device.name)


def _left_behind(case: Case, alike: Alike) -> Iterator[tuple[str, str]]:
    kept = fixed_address(case.old, alike.name) if case.playbook.addressing is None else None
    if kept is not None and (what := left_behind(case.old, case.new, kept)):
        yield what, GIVE_ADDRESSES


def _shared(case: Case, alike: Alike) -> Iterator[tuple[str, str]]:
    playbook, new, fixed = case.playbook, case.new, fixed_address(case.new, alike.name)
    if alike.via == "mqtt":
        for side in (case.old, new):
            if side.broker is None:
                yield (
                    f"is moved over MQTT, but the {side.name} broker is not declared",
                    "add [old.broker] with host and port",
                )
        # Of a device with a fixed address a lease proves nothing: it may be left over.
        leased = new.leases is not None and fixed is None
        proves = alike.dialect.readings.address is not None or leased
        if playbook.wifi and playbook.proof.address and new.subnet and not proves:
            yield (
                "nothing can prove its new address: the dialect has no address reading and "
                "the new side no lease file in which it is",
                "add new.leases for a device that asks DHCP, or set address = false under [proof]",
            )
        return
    # Within one network only a device that gives up its fixed address comes back elsewhere.
    loses = playbook.addressing is not None and fixed_address(case.old, alike.name) is not None
    missing = untold(new, alike.name, playbook.finding) if playbook.wifi or loses else []
    if missing:
        yield (
            "comes back at an address that nobody can tell: the new side needs "
            + ("both subnet and leases" if len(missing) > 1 else missing[0]),
            "add [new] subnet and leases (the lease file of the new network's DHCP server); "
            "for a device with a fixed address there, the subnet is enough; or have it looked for: "
            'finding.ways = ["sweep", "neighbours"]',
        )
    if "sweep" in playbook.finding.ways and new.subnet and new.subnet.num_addresses > MOST_SWEPT:
        yield (
            f"would be looked for by a sweep of {new.subnet.num_addresses:,} addresses; at most "
            f"{MOST_SWEPT:,} are asked",
            "state as [new] subnet the part in which the DHCP server gives out addresses, or take "
            "sweep out of finding.ways",
        )


def _unswept(case: Case, alike: Alike, device: Device) -> Iterator[tuple[str, str]]:
    """A device that a sweep would not meet, or whose password would have to go to whoever
    answers."""
    new, ways = case.new, case.playbook.finding.ways
    leased = new.leases is not None and "leases" in ways
    known = fixed_address(new, device.name) or leased or not case.playbook.wifi
    if device.login and "sweep" in ways and not known:
        yield (
            "asks for a login, and would be found by a sweep alone: a password is not sent to "
            "whoever answers",
            "add new.leases, or give it a fixed address there",
        )
    told = "dns-sd" in ways and case.playbook.finding.service_mac
    if "sweep" not in ways or known or told:
        return
    place = alike.dialect.read.http
    if device.port not in (None, alike.dialect.http.port):
        yield (
            f"would be found by a sweep alone, which asks at port {alike.dialect.http.port}, and "
            f"it answers at {device.port}",
            "add new.leases, or give it a fixed address there",
        )
    elif place is not None and "{" in place.path:
        yield (
            "would be found by a sweep alone, and its dialect asks each device at a path of its "
            "own, which nobody knows of a stranger",
            "add new.leases, or give it a fixed address there",
        )


def _today(case: Case, device: Device) -> Iterator[tuple[str, str]]:
    old, address = case.old, device.address
    if address is None and old.leases is None and not fixed_address(old, device.name):
        yield (
            "has no address, and the old side has no lease file to find it in",
            "add address, or old.leases",
        )
    if old.subnet and address and address not in old.subnet:
        yield (
            f"address {address} is outside the old subnet {old.subnet}",
            "correct the one or the other",
        )
