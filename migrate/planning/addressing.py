"""Fixed addresses: who has one on a side, and what becomes of it on another network."""

from __future__ import annotations

from ipaddress import AddressValueError, IPv4Address

from migrate.model.playbook import Search, Side

GIVE_ADDRESSES = (
    "add [addressing] to the playbook: a device that it does not name under fixed asks DHCP; or "
    "set the device to DHCP first"
)
"""What to do about an address that is left behind."""


def fixed_address(side: Side, name: str) -> IPv4Address | None:
    """The fixed address that the owner declared on this side for the device of this name."""
    return side.addressing.fixed.get(name) if side.addressing else None


def declared_addresses(old: Side, new: Side, name: str) -> list[IPv4Address]:
    """Fixed addresses of the device of this name, new side first, each once."""
    both = (fixed_address(new, name), fixed_address(old, name))
    return list(dict.fromkeys(address for address in both if address is not None))


def untold(new: Side, name: str, search: Search) -> list[str]:
    """What is missing to tell at which address the device of this name comes back; empty if
    nothing is. A fixed address is known without a lease file, and a sweep, or a service that tells
    its MAC, finds one that DHCP gave. The kernel's neighbours alone do not: they are those who have
    spoken with this machine."""
    missing = ["subnet"] if new.subnet is None else []
    leased = new.leases is not None and "leases" in search.ways
    told = "sweep" in search.ways or ("dns-sd" in search.ways and search.service_mac)
    return missing if fixed_address(new, name) or leased or told else [*missing, "leases"]


def own_address(reading: object) -> IPv4Address | None:
    """A reading of `addressing.address` as an address; None for a device that asks DHCP.

    0.0.0.0 is no address but the sign for "none yet" (RFC 1122, section 3.2.1.3).
    """
    try:
        address = IPv4Address(str(reading or ""))
    except AddressValueError:
        return None
    return None if address.is_unspecified else address


def left_behind(old: Side, new: Side, address: IPv4Address) -> str:
    """Why a device that keeps this address is lost on the new network; empty if it is not.

    Only a move to another network does it: within one, an address stays what it was.
    """
    if old.wifi == new.wifi or new.subnet is None or address in new.subnet:
        return ""
    of = f"of the old network {old.subnet}" if old.subnet and address in old.subnet else "elsewhere"
    return (
        f"has the fixed address {address}, which is {of}: on the new one, {new.subnet}, "
        "nobody could reach it"
    )
