"""Pools, fixed addresses and subnets, against Python's ipaddress."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv4Network
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.model.fleet import Device
from migrate.model.problems import Problem
from migrate.planning.refusals.addresses import hosts
from tests.planning.samples import OLD_BROKER, OLD_NET, OLD_WIFI, WIFI, device, plan_of, refused

SUBNET = 'subnet = "198.51.100.0/24"\n'


def change(new: str = SUBNET, before: str = "", old: str = OLD_NET) -> str:
    leases = 'leases = "new.leases"\n'
    return f"{WIFI}{before}[old]\n{old}{OLD_WIFI}{OLD_BROKER}[new]\n{leases}{new}"


def fixed(table: str, more: str = "") -> str:
    return f"[addressing]\nfixed = {{ {table} }}\n{more}\n"


def plugs(count: int, **more: Any) -> list[Device]:
    return [device(f"p{n}", n, dialect="rowan", **more) for n in range(count)]


def only(problems: tuple[Problem, ...]) -> Problem:
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def pool(first: int, last: int, taken: int = 0) -> str:
    ends = f'first = "198.51.100.{first}", last = "198.51.100.{last}", taken = {taken}'
    return f"{SUBNET}pool = {{ {ends} }}\n"


def test_a_pool_that_is_too_small() -> None:
    problem = only(refused(plugs(8), change(pool(100, 109, taken=3))))
    assert problem.what == (
        "the pool 198.51.100.100 to 198.51.100.109 has 10 addresses, 3 are taken, 7 are free; "
        "8 devices will ask for one"
    )
    assert "widen the pool by 1" in problem.remedy
    assert (problem.where, problem.key) == ("playbook.toml", "new.pool")
    plan_of(plugs(7), change(pool(100, 109, taken=3)))
    # A device with a fixed address asks for none.
    plan_of(plugs(8), change(pool(100, 109, taken=3), fixed('p3 = "198.51.100.20"')))


def test_only_those_who_ask_count() -> None:
    # The network stays, so everybody has an address there already.
    group = f'[group]\ntopic = "house"\n[old]\n{OLD_NET}[new]\n{pool(100, 100)}'
    plan_of(plugs(3), group)
    # One that gives its fixed address up asks.
    old = f'{OLD_NET}addressing = {{ fixed = {{ p0 = "192.0.2.1", p1 = "192.0.2.2" }} }}\n'
    gives = f"[addressing]\n[old]\n{old}[new]\n"
    pool_there = 'pool = { first = "192.0.2.100", last = "192.0.2.100" }\n'
    assert "2 devices will ask" in only(refused(plugs(3), gives + pool_there)).what


@given(st.integers(1, 40), st.integers(0, 40), st.integers(1, 20))
def test_pools_counted_one_by_one(size: int, taken: int, devices: int) -> None:
    first = IPv4Address("198.51.100.50")
    free = len([first + n for n in range(size)][taken:])
    book = change(pool(50, 49 + size, taken))
    if devices <= free:
        plan_of(plugs(devices), book)
    else:
        assert f"{free} are free; {devices} devices" in only(refused(plugs(devices), book)).what


@pytest.mark.parametrize(
    ("ends", "words"),
    [
        (("198.51.100.0", "198.51.100.200"), "holds 198.51.100.0, the network address"),
        (("198.51.100.9", "198.51.100.255"), "holds 198.51.100.255, the broadcast address"),
        (("192.0.2.9", "198.51.100.200"), "is not inside the new subnet 198.51.100.0/24"),
    ],
)
def test_a_pool_against_its_subnet(ends: tuple[str, str], words: str) -> None:
    book = change(f'{SUBNET}pool = {{ first = "{ends[0]}", last = "{ends[1]}" }}\n')
    assert words in only(refused(plugs(1), book)).what


@given(st.integers(0, 32))
def test_hosts_of_a_subnet(prefix: int) -> None:
    # RFC 950; the reference is Python's ipaddress, which lists hosts (from /30 on, where RFC 3021
    # does not speak).
    subnet = IPv4Network((0, prefix))
    if 20 <= prefix <= 30:
        assert hosts(subnet) == len(list(subnet.hosts()))
    assert hosts(subnet) == max(0, 2 ** (32 - prefix) - 2)


def test_a_subnet_that_is_too_small() -> None:
    # RFC 950: 2 hosts in a /30, 6 in a /29.
    book = change('subnet = "198.51.100.0/29"\n')
    plan_of(plugs(6), book)
    problem = only(refused(plugs(7), book))
    assert problem.what == (
        "the new subnet 198.51.100.0/29 has 6 addresses for hosts, 6 are free; "
        "7 devices will ask for one"
    )
    with_gateway = change('subnet = "198.51.100.0/29"\n', fixed("", 'gateway = "198.51.100.1"'))
    assert "5 are free; 6 devices" in only(refused(plugs(6), with_gateway)).what


@pytest.mark.parametrize(
    ("table", "more", "words"),
    [
        ('p0 = "203.0.113.9"', "", "which is outside the new subnet 198.51.100.0/24"),
        ('p0 = "198.51.100.0"', "", "which is the network address of"),
        ('p0 = "198.51.100.255"', "", "which is the broadcast address of"),
        ('p0 = "198.51.100.1"', 'gateway = "198.51.100.1"', "which is the gateway's"),
        ('p0 = "198.51.100.7"', 'resolver = "198.51.100.7"', "which is the resolver's"),
    ],
)
def test_a_fixed_address_that_is_none(table: str, more: str, words: str) -> None:
    problem = only(refused(plugs(2), change(before=fixed(table, more))))
    assert words in problem.what
    assert (problem.device, problem.key) == ("p0", "addressing.fixed.p0")


def test_a_fixed_address_of_the_broker() -> None:
    broker = '[broker]\nhost = "198.51.100.2"\n'
    problem = only(refused(plugs(1), change(before=broker + fixed('p0 = "198.51.100.2"'))))
    assert "which is the broker's" in problem.what


def test_a_fixed_address_inside_the_pool() -> None:
    problem = only(refused(plugs(2), change(pool(100, 110), fixed('p1 = "198.51.100.105"'))))
    assert problem.device == "p1"
    assert (
        "may give to another device: its pool is 198.51.100.100 to 198.51.100.110" in problem.what
    )
    # It also takes one away.
    problems = refused(plugs(3), change(pool(105, 106), fixed('p1 = "198.51.100.105"')))
    assert any("1 are fixed, 1 are free; 2 devices" in one.what for one in problems)


def test_addresses_given_twice_and_names_of_nobody() -> None:
    twice = fixed('p0 = "198.51.100.9", p1 = "198.51.100.9"')
    assert only(refused(plugs(2), change(before=twice))).what == "198.51.100.9 is given to p0, p1"
    problem = only(refused(plugs(1), change(before=fixed('px = "198.51.100.9"'))))
    assert (problem.what, problem.key) == ("'px' is not in the fleet", "addressing.fixed")


def test_an_address_that_another_device_has_today() -> None:
    table = fixed('p0 = "192.0.2.2"')
    book = f"{table}[old]\n{OLD_NET}"
    problem = only(refused(plugs(2), book))
    assert "is to have 192.0.2.2, which p1 has today in the same network" in problem.what


def test_gateways_elsewhere() -> None:
    for gateway, words in (
        ("203.0.113.1", "is outside the new subnet 198.51.100.0/24"),
        ("198.51.100.255", "is the broadcast address of"),
    ):
        book = change(before=fixed('p0 = "198.51.100.9"', f'gateway = "{gateway}"'))
        problem = only(refused(plugs(1), book))
        assert words in problem.what
        assert problem.key == "addressing.gateway"


def test_fixed_addresses_need_a_subnet_and_words() -> None:
    leases = 'leases = "old.leases"\n'
    book = change("", fixed('p0 = "198.51.100.9"'), old=leases)
    whats = [one.what for one in refused(plugs(1), book)]
    assert "fixed addresses without the subnet they are in: its mask goes with them" in whats
    lamp = device("lamp")
    problem = only(refused([lamp], change(before=fixed('lamp = "198.51.100.9"'))))
    assert problem.what == (
        "is to have 198.51.100.9, and dialect larch has no word for an address (addressing.address)"
    )
    plan_of([lamp, *plugs(1)[:0]], change(before=fixed("")))


@pytest.mark.parametrize(
    ("new", "refuses"),
    [
        ("192.0.2.0/24", False),  # the same on both sides: common, and told apart otherwise
        ("192.0.2.0/25", True),
        ("192.0.0.0/16", True),
        ("198.51.100.0/24", False),
    ],
)
def test_subnets_that_overlap(new: str, refuses: bool) -> None:
    book = change(f'subnet = "{new}"\n')
    # The reference is ipaddress.
    old = IPv4Network("192.0.2.0/24")
    assert refuses == (old.overlaps(IPv4Network(new)) and old != IPv4Network(new))
    if refuses:
        assert "overlap: both must be reachable" in only(refused(plugs(1), book)).what
    else:
        plan_of(plugs(1), book)
