"""Fixed addresses: what a device is given, what takes it back, and where it would be lost."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv4Network
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.dialects.carrying import bundle_faults
from migrate.model.playbook import Search, new_side, old_side
from migrate.model.secrets import SecretRef
from migrate.model.settings import ADDRESSING, Setting
from migrate.planning.addressing import left_behind, own_address, untold
from migrate.planning.bundles import bundle, parts_for, resolved, restarts, staying, way_back
from tests.dialects.samples import shipped
from tests.model.helpers import playbook_of
from tests.planning.samples import (
    NEW_NET,
    OLD_NET,
    OLD_WIFI,
    WIFI,
    device,
    own_dialect,
    plan_of,
    refused,
    resolver,
)

S = Setting
ROWAN, LARCH = shipped("rowan"), shipped("larch")
FIXED = (
    "[addressing]\nfixed = { plug = '198.51.100.9' }\n"
    "gateway = '198.51.100.1'\nresolver = '198.51.100.2'\n"
)
MOVE = f"{WIFI}[old]\n{OLD_NET}{OLD_WIFI}{NEW_NET}"
WITH = FIXED + MOVE
OLD_FIXED = "[old.addressing]\nfixed = { plug = '192.0.2.9' }\ngateway = '192.0.2.1'\n"
NONE_OF_ITS_OWN = dict.fromkeys(ADDRESSING, "")


def given_to(name: str, dialect: Any = ROWAN, playbook: str = WITH) -> dict[Setting, Any]:
    changed = playbook_of(playbook)
    return bundle(dialect, new_side(changed), parts_for(dialect, changed.changed), name)


def back_of(name: str, dialect: Any = ROWAN, playbook: str = WITH) -> Any:
    told = given_to(name, dialect, playbook)
    return way_back(dialect, old_side(playbook_of(playbook)), told, name)


def unreadable(data: dict[str, Any]) -> None:
    for name in ADDRESSING:
        del data["settings"][name]["read"]


def test_a_device_that_is_named_is_given_its_address_with_its_network() -> None:
    told = given_to("plug")
    assert told == {
        S.WIFI_SSID: "loft",
        S.WIFI_SECRET: SecretRef(env="NEW_WIFI"),
        S.ADDRESS: "198.51.100.9",
        # RFC 4632: /24 is 255.255.255.0; the standard library says so too.
        S.MASK: "255.255.255.0",
        S.GATEWAY: "198.51.100.1",
        S.RESOLVER: "198.51.100.2",
    }
    assert str(IPv4Network("198.51.100.0/24").netmask) == told[S.MASK]
    assert restarts(ROWAN, ADDRESSING)


def test_every_other_device_is_told_to_ask_dhcp() -> None:
    told = given_to("lamp")
    assert {setting: told[setting] for setting in ADDRESSING} == NONE_OF_ITS_OWN


def test_gateway_and_resolver_are_empty_where_there_is_none() -> None:
    told = given_to("plug", playbook=f"[addressing.fixed]\nplug = '198.51.100.9'\n{MOVE}")
    assert (told[S.GATEWAY], told[S.RESOLVER]) == ("", "")


def test_a_family_without_words_is_left_alone() -> None:
    assert ADDRESSING[0] not in LARCH.settings
    assert set(given_to("lamp", LARCH)) == {S.WIFI_SSID, S.WIFI_SECRET}


def test_without_a_word_for_the_mask_an_address_cannot_be_carried() -> None:
    def no_mask(data: dict[str, Any]) -> None:
        del data["settings"]["addressing.mask"]

    (dialect,) = own_dialect("moss", "rowan", no_mask).values()
    values = resolved(given_to("plug", dialect), resolver())
    faults = bundle_faults(dialect, device("plug", dialect="moss"), "http", values)
    assert faults == ["moss has no word for addressing.mask"]
    assert S.MASK not in given_to("lamp", dialect)


def test_what_may_not_be_empty_is_left_out_only_with_the_address() -> None:
    def never_empty(data: dict[str, Any]) -> None:
        for name in ADDRESSING[1:]:
            data["settings"][name]["empty"] = False

    (dialect,) = own_dialect("moss", "rowan", never_empty).values()
    assert set(given_to("lamp", dialect)) == {S.WIFI_SSID, S.WIFI_SECRET, S.ADDRESS}
    bare = f"[addressing.fixed]\nplug = '198.51.100.9'\n{MOVE}"
    # A gateway of the old network would stay: so it must be refused, not left out.
    assert given_to("plug", dialect, bare)[S.GATEWAY] == ""


def test_what_can_be_read_is_the_way_back() -> None:
    back = back_of("plug")
    assert set(back.read) == {S.WIFI_SSID, *ADDRESSING}
    assert back.lost == ()


def test_what_cannot_be_read_comes_back_as_declared() -> None:
    (dialect,) = own_dialect("moss", "rowan", unreadable).values()
    back = back_of("plug", dialect, WITH + OLD_FIXED)
    declared = {
        S.ADDRESS: "192.0.2.9",
        S.MASK: "255.255.255.0",
        S.GATEWAY: "192.0.2.1",
        S.RESOLVER: "",
    }
    assert back.known == {S.WIFI_SECRET: SecretRef(env="OLD_WIFI"), **declared}
    other = back_of("lamp", dialect, WITH + OLD_FIXED)
    assert {setting: other.known[setting] for setting in ADDRESSING} == NONE_OF_ITS_OWN


def test_a_lost_address_keeps_everything_where_it_is() -> None:
    """The old network alone, with an address of the new one, would strand it."""
    own = own_dialect("moss", "rowan", unreadable)
    back = back_of("plug", own["moss"])
    assert back.lost == ADDRESSING
    assert (back.known, back.read) == ({}, ())
    problem = next(
        one
        for one in refused([device("plug", dialect="moss")], WITH, own=own)
        if one.what.startswith("no way back")
    )
    assert "addressing.address" in problem.what
    assert "[old.addressing]" in problem.remedy


def test_an_address_that_stays_on_its_network_holds_up_nothing_else() -> None:
    told = [S.BROKER_HOST, S.BROKER_PASSWORD, *ADDRESSING]
    assert staying(told, [S.ADDRESS]) == set(ADDRESSING)
    assert staying([*told, S.WIFI_SSID], [S.ADDRESS]) == {*told, S.WIFI_SSID}
    assert staying(told, [S.BROKER_PASSWORD]) >= {S.BROKER_HOST}
    assert staying(told, [S.BROKER_PASSWORD]).isdisjoint(ADDRESSING)


def test_the_plan_holds_each_device_to_its_own() -> None:
    devices = [device("plug", 1, dialect="rowan"), device("lamp", 2, dialect="rowan")]
    plan = plan_of([*devices, device("desk", 3)], WITH)
    assert plan.device("plug").bundle[S.ADDRESS] == "198.51.100.9"
    assert plan.device("lamp").bundle[S.ADDRESS] == ""
    assert S.ADDRESS not in plan.device("desk").bundle
    assert set(plan.device("plug").read_back) == {S.WIFI_SSID, *ADDRESSING}


def test_a_fixed_address_needs_no_lease_file() -> None:
    """Where it comes back is known without one; of a device that asks DHCP it is not."""
    nets = '[new]\nsubnet = "198.51.100.0/24"\n'
    playbook = f"{FIXED}{WIFI}[old]\nsubnet = '192.0.2.0/24'\n{OLD_WIFI}{nets}"
    plan = plan_of([device("plug", dialect="rowan")], playbook)
    assert plan.device("plug").bundle[S.ADDRESS] == "198.51.100.9"
    asks = playbook.replace(FIXED, "[addressing]\n")
    (problem,) = refused([device("plug", dialect="rowan")], asks)
    assert problem.what.startswith("comes back at an address that nobody can tell")


def test_what_is_missing_to_find_it_again() -> None:
    side = new_side(playbook_of(WITH))
    assert untold(side, "plug", Search()) == []
    assert untold(side, "lamp", Search()) == []
    bare = new_side(playbook_of(f"{FIXED}{WIFI}[old]\n{OLD_WIFI}"))
    assert untold(bare, "plug", Search()) == ["subnet"]
    assert untold(bare, "lamp", Search()) == ["subnet", "leases"]
    for search, lacks in (
        (Search(ways=("sweep",)), []),
        (Search(ways=("neighbours",)), ["leases"]),
        (Search(ways=("dns-sd",), services=("_http._tcp",)), ["leases"]),
        (Search(ways=("dns-sd",), services=("_http._tcp",), service_mac="mac"), []),
    ):
        assert untold(bare, "lamp", search) == ["subnet", *lacks]
        assert untold(side, "lamp", search) == lacks  # a lease file that is not looked into


def test_a_declared_address_that_is_kept_over_a_move_is_refused() -> None:
    problem = next(
        one
        for one in refused([device("plug", 8, dialect="rowan")], MOVE + OLD_FIXED)
        if "nobody could reach it" in one.what
    )
    assert problem.device == "plug"
    assert "192.0.2.9" in problem.what
    assert "198.51.100.0/24" in problem.what
    assert "[addressing]" in problem.remedy


def test_it_is_left_behind_only_by_a_move() -> None:
    moves, stays = playbook_of(MOVE), playbook_of(f"[group]\ntopic = 'g'\n[old]\n{OLD_NET}")
    inside, outside = IPv4Address("192.0.2.9"), IPv4Address("203.0.113.9")
    for address, words in ((inside, "of the old network 192.0.2.0/24"), (outside, "elsewhere")):
        assert words in left_behind(old_side(moves), new_side(moves), address)
        assert left_behind(old_side(stays), new_side(stays), address) == ""
    there = IPv4Address("198.51.100.9")
    assert left_behind(old_side(moves), new_side(moves), there) == ""


@given(st.ip_addresses(v=4), st.ip_addresses(v=4), st.integers(0, 32))
def test_left_behind_agrees_with_ipaddress(
    address: IPv4Address, network: IPv4Address, bits: int
) -> None:
    subnet = IPv4Network((network, bits), strict=False)
    playbook = playbook_of(f"{WIFI}[old]\n{OLD_NET}{OLD_WIFI}[new]\nsubnet = '{subnet}'\n")
    lost = bool(left_behind(old_side(playbook), new_side(playbook), address))
    # RFC 4632: the first `bits` bits are those of the network.
    assert lost == (int(address) >> (32 - bits) != int(network) >> (32 - bits))


@pytest.mark.parametrize(
    ("reading", "address"),
    [
        ("192.0.2.9", "192.0.2.9"),
        ("", None),
        (None, None),
        ("0.0.0.0", None),
        ("dhcp", None),
        ("192.0.2.9/24", None),
    ],
)
def test_what_counts_as_a_fixed_address(reading: object, address: str | None) -> None:
    found = own_address(reading)
    assert (str(found) if found else None) == address
