"""Address ranges that an owner states for a sweep, and which of them may be swept."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from ipaddress import IPv4Address, IPv4Network

from migrate.model.problems import Problem

MOST = 4096
"""Addresses that are asked in one go; a home or a site has no larger network (common practice, no
source)."""
OWN = tuple(
    IPv4Network(text)
    # RFC 1918, loopback (RFC 1122), link-local (RFC 3927), shared (RFC 6598), documentation (5737).
    for text in (
        "10.0.0.0/8",
        "172.16.0.0/12",
        "192.168.0.0/16",
        "127.0.0.0/8",
        "169.254.0.0/16",
        "100.64.0.0/10",
        "192.0.2.0/24",
        "198.51.100.0/24",
        "203.0.113.0/24",
    )
)
"""Networks that are nobody else's on the Internet."""


def parse_range(text: str) -> IPv4Network | None:
    """A network as the owner states it; one address is a network of one. None if it is none."""
    try:
        return IPv4Network(text)
    except ValueError:
        return None


def range_problems(texts: Sequence[str], *, insist: bool) -> list[Problem]:
    """Why these ranges are not swept, in words; empty if they may be."""
    problems = []
    networks = []
    for text in texts:
        network = parse_range(text)
        if network is None:
            problems.append(
                Problem(
                    f"{text!r} is no range of IPv4 addresses",
                    "write a network such as 192.0.2.0/26, or one address",
                    key="--range",
                )
            )
            continue
        networks.append(network)
        if not insist and not any(network.subnet_of(own) for own in OWN):
            problems.append(
                Problem(
                    f"{network} is not a private network (RFC 1918): its addresses may be those "
                    "of strangers",
                    "state a range of your own; or add --insist if it is yours",
                    key="--range",
                )
            )
    count = sum(network.num_addresses for network in networks)
    if count > MOST:
        problems.append(
            Problem(
                f"the ranges hold {count:,} addresses; at most {MOST:,} are asked in one go",
                "state the part in which your devices are, as your router's DHCP pool says",
                key="--range",
            )
        )
    return problems


def addresses_in(networks: Iterable[IPv4Network]) -> list[IPv4Address]:
    """Every address that a host may have, each once, in order (RFC 950 as `ipaddress` reads it)."""
    return list(dict.fromkeys(address for network in networks for address in network.hosts()))
