"""Addresses on the new side: enough of them, and those that are fixed without collision."""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import AddressValueError, IPv4Address, IPv4Network

from migrate.model.playbook import Addressing, LegPlaybook, Pool
from migrate.model.problems import Problem
from migrate.model.settings import Setting
from migrate.planning.addressing import fixed_address
from migrate.planning.refusals.case import Case


def refusals(case: Case) -> Iterator[Problem]:
    """Subnets, the DHCP pool, and fixed addresses."""
    yield from _overlap(case)
    yield from _room(case)
    yield from _pool(case)
    table = case.new.addressing
    if table is not None:
        yield from _gateway(case, table)
        yield from _fixed(case, table)
    yield from _words(case)


def hosts(subnet: IPv4Network) -> int:
    """How many hosts a subnet has: all its addresses but the first, which is the network's, and
    the last, which is for broadcasts (RFC 950)."""
    return max(0, subnet.num_addresses - 2)


def _overlap(case: Case) -> Iterator[Problem]:
    old, new = case.playbook.old.subnet, case.playbook.new.subnet
    two = case.playbook.wifi is not None and not case.playbook.switches_over
    if two and old and new and old != new and old.overlaps(new):
        yield case.about_change(
            f"old subnet {old} and new subnet {new} overlap: both must be reachable while the run "
            "lasts, and an address in both would tell nothing",
            "give the new network a subnet of its own",
            "new.subnet",
        )


def _asking(case: Case) -> int:
    """Devices that will ask the new side's DHCP server for an address they have not today."""
    count = 0
    for alike in case.moved:
        loses = "addressing" in alike.parts and fixed_address(case.old, alike.name) is not None
        if fixed_address(case.new, alike.name) is None and ("wifi" in alike.parts or loses):
            count += len(alike.devices)
    return count


def _room(case: Case) -> Iterator[Problem]:
    """Enough addresses in the pool, or where none is declared, in the subnet."""
    pool, subnet, asking = case.playbook.new.pool, case.playbook.new.subnet, _asking(case)
    fixed = set(case.new.addressing.fixed.values()) if case.new.addressing else set()
    if pool is not None:
        inside = sum(1 for address in fixed if _in_pool(pool, address))
        free = max(0, pool.size - pool.taken - inside)
        if asking > free:
            held = f", {inside} are fixed" if inside else ""
            yield case.about_change(
                f"the pool {pool.first} to {pool.last} has {pool.size} addresses, {pool.taken} are "
                f"taken{held}, {free} are free; {asking} devices will ask for one",
                f"widen the pool by {asking - free}, or give devices fixed addresses outside it",
                "new.pool",
            )
    elif subnet is not None and case.playbook.wifi is not None:
        there = {a for a in _taken(case) if a in subnet}
        free = max(0, hosts(subnet) - len(there | {a for a in fixed if a in subnet}))
        if asking > free:
            yield case.about_change(
                f"the new subnet {subnet} has {hosts(subnet)} addresses for hosts, {free} are "
                f"free; {asking} devices will ask for one",
                "take a larger subnet (a shorter prefix), or leave devices out",
                "new.subnet",
            )


def _pool(case: Case) -> Iterator[Problem]:
    pool, subnet = case.playbook.new.pool, case.new.subnet
    if pool is None or subnet is None:
        return
    if pool.first not in subnet or pool.last not in subnet:
        yield case.about_change(
            f"the pool {pool.first} to {pool.last} is not inside the new subnet {subnet}",
            "correct the one or the other",
            "new.pool",
        )
        return
    for address, what in _ends(subnet).items():
        if _in_pool(pool, address):
            yield case.about_change(
                f"the pool {pool.first} to {pool.last} holds {address}, the {what} address of "
                f"{subnet}",
                f"leave it out: the hosts are {subnet[1]} to {subnet[-2]}",
                "new.pool",
            )


def _gateway(case: Case, table: Addressing) -> Iterator[Problem]:
    subnet, key = case.new.subnet, _key(case)
    if table.fixed and subnet is None:
        yield case.about_change(
            "fixed addresses without the subnet they are in: its mask goes with them",
            "add subnet under [new]",
            key,
        )
    if table.gateway is None or subnet is None:
        return
    if table.gateway not in subnet:
        yield case.about_change(
            f"the gateway {table.gateway} is outside the new subnet {subnet}: no device there "
            "could reach it",
            "correct the one or the other",
            f"{key}.gateway",
        )
    elif what := _ends(subnet).get(table.gateway):
        yield case.about_change(
            f"the gateway {table.gateway} is the {what} address of {subnet}",
            f"name a host: {subnet[1]} to {subnet[-2]}",
            f"{key}.gateway",
        )


def _fixed(case: Case, table: Addressing) -> Iterator[Problem]:
    key = f"{_key(case)}.fixed"
    if not (isinstance(case.playbook, LegPlaybook) and case.playbook.addressing is None):
        # A leg may leave devices out whose old addresses the owner's table still holds.
        yield from case.strangers(tuple(table.fixed), key)
    if case.playbook.addressing is None and case.playbook.wifi is None:
        return  # Nothing moves them: they are where they are.
    owners: dict[IPv4Address, list[str]] = {}
    for name, address in table.fixed.items():
        owners.setdefault(address, []).append(name)
    today = _today(case)
    for address, names in owners.items():
        for name in names:
            for what, remedy in _address_faults(case, address):
                yield Problem(what, remedy, case.playbook_file, f"{key}.{name}", name)
        if len(names) > 1:
            yield case.about_change(
                f"{address} is given to {', '.join(names)}", "give each device its own", key
            )
        other = today.get(address)
        if other is not None and other not in names:
            yield Problem(
                f"is to have {address}, which {other} has today in the same network",
                "give it a free one, or move the other one first",
                case.playbook_file,
                f"{key}.{names[0]}",
                names[0],
            )


def _address_faults(case: Case, address: IPv4Address) -> Iterator[tuple[str, str]]:
    subnet, pool = case.new.subnet, case.playbook.new.pool
    if subnet is not None and address not in subnet:
        # One that is kept from the old side is told by `finding`, for the device it strands.
        if case.playbook.addressing is not None:
            yield (
                f"is to have {address}, which is outside the new subnet {subnet}",
                f"give it one of {subnet}, or none: it then asks DHCP",
            )
        return
    if subnet is not None and (what := _ends(subnet).get(address)):
        yield (
            f"is to have {address}, which is the {what} address of {subnet}",
            f"give it a host's: {subnet[1]} to {subnet[-2]}",
        )
    if what := _taken(case).get(address):
        yield f"is to have {address}, which is {what}", "give it a free one"
    if pool is not None and _in_pool(pool, address):
        yield (
            f"is to have {address}, which the DHCP server may give to another device: its pool is "
            f"{pool.first} to {pool.last}",
            "give it one outside the pool, or take it out of the pool",
        )


def _words(case: Case) -> Iterator[Problem]:
    """Devices that are to be given, or to give up, an address that their family has no word for."""
    if case.playbook.addressing is None:
        return
    for alike in case.moved:
        new, old = fixed_address(case.new, alike.name), fixed_address(case.old, alike.name)
        if Setting.ADDRESS in alike.dialect.settings or (new is None and old is None):
            continue
        what = f"is to have {new}" if new else f"is to give up {old}"
        for device in alike.devices:
            yield Problem(
                f"{what}, and dialect {alike.dialect.name} has no word for an address "
                "(addressing.address)",
                "take it out of addressing, or describe addressing.address and the rest in the "
                "dialect",
                device=device.name,
            )


def _taken(case: Case) -> dict[IPv4Address, str]:
    """Addresses that the playbook says belong to something else."""
    found: dict[IPv4Address, str] = {}
    table, broker = case.new.addressing, case.new.broker
    if broker is not None:
        try:
            found[IPv4Address(broker.host)] = "the broker's"
        except AddressValueError:
            pass  # A name: where it leads is not known here.
    if table is not None and table.resolver is not None:
        found[table.resolver] = "the resolver's"
    if table is not None and table.gateway is not None:
        found[table.gateway] = "the gateway's"
    return found


def _today(case: Case) -> dict[IPv4Address, str]:
    """Who has which address today, if the network stays the same."""
    if case.playbook.wifi is not None and not case.playbook.switches_over:
        return {}
    return {device.address: device.name for device in case.fleet.device if device.address}


def _ends(subnet: IPv4Network) -> dict[IPv4Address, str]:
    return {subnet.network_address: "network", subnet.broadcast_address: "broadcast"}


def _in_pool(pool: Pool, address: IPv4Address) -> bool:
    return pool.first <= address <= pool.last


def _key(case: Case) -> str:
    return "addressing" if case.playbook.addressing is not None else "old.addressing"
