"""Joining a network, reaching hosts, and the lease file."""

from __future__ import annotations

import asyncio
import socket
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path

import pytest

from migrate.lab import Air, DhcpServer, Network, free_ports, two_networks_possible
from migrate.lab.air import pairwise_key
from migrate.lab.dhcp import PoolExhaustedError
from migrate.lab.signals import Signal

from .helpers import OLD_KEY, a_network

# IEEE Std 802.11 passphrase-to-PSK test vectors (802.11i-2004, annex H.4).
VECTORS = [
    ("password", "IEEE", "f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e"),
    (
        "ThisIsAPassword",
        "ThisIsASSID",
        "0dc0d6eb90555ed6419756b9a15ec3e3209b63df707dd508d14581f8982721af",
    ),
    ("a" * 32, "Z" * 32, "becb93866bb8c3832cb777c2f559807c8c59afcb6eae734885001300a981cc62"),
]


@pytest.mark.parametrize(("passphrase", "ssid", "psk"), VECTORS)
def test_psk_vectors(passphrase: str, ssid: str, psk: str, tmp_path: Path) -> None:
    assert pairwise_key(ssid, passphrase).hex() == psk
    network = Network("n", ssid, passphrase, IPv4Network("192.0.2.0/24"), tmp_path / "l")
    assert network.admits(ssid, passphrase)
    assert network.admits(ssid, psk)
    assert network.admits(ssid, psk.upper())
    assert not network.admits(ssid, psk[:-1] + ("1" if psk[-1] != "1" else "2"))
    by_psk = Network("n", ssid, psk, IPv4Network("192.0.2.0/24"), tmp_path / "l")
    assert by_psk.admits(ssid, passphrase)


def test_joining_needs_name_key_and_air(tmp_path: Path) -> None:
    network = a_network(tmp_path)
    air = Air([network])
    assert air.join("old-net", OLD_KEY) is network
    assert air.join("old-net", OLD_KEY + "!") is None
    assert air.join("old-net", "") is None
    assert air.join("Old-net", OLD_KEY) is None
    network.on_air = False
    assert air.join("old-net", OLD_KEY) is None
    network.on_air = True
    assert air.join("old-net", OLD_KEY) is network


def test_two_access_points_of_one_name_are_told_apart_by_the_key(tmp_path: Path) -> None:
    before, after = a_network(tmp_path), a_network(tmp_path, "another passphrase")
    assert Air([before, after]).join("old-net", "another passphrase") is after


async def test_switching_off_is_an_event(tmp_path: Path) -> None:
    network = a_network(tmp_path)
    waiting = asyncio.create_task(network.until_off_air())
    await asyncio.sleep(0)
    assert not waiting.done()
    network.on_air = False
    async with asyncio.timeout(1):
        await waiting


def test_reach_is_explicit(tmp_path: Path) -> None:
    one = a_network(tmp_path)
    other = Network("new", "new-net", OLD_KEY, IPv4Network("192.0.2.16/28"), tmp_path / "n")
    air = Air([one, other])
    air.place_host("192.0.2.2", 1883, [one])
    assert air.can_reach(one, "192.0.2.2", 1883)
    assert not air.can_reach(other, "192.0.2.2", 1883)
    assert not air.can_reach(one, "192.0.2.2", 8883)
    routed = Air([one, other], routed=True)
    routed.place_host("192.0.2.2", 1883, [one])
    assert routed.can_reach(other, "192.0.2.2", 1883)
    assert not routed.can_reach(other, "192.0.2.3", 1883)


def test_lease_file_in_the_form_of_dnsmasq(tmp_path: Path) -> None:
    """Five fields a line: expiry, MAC, address, host name, client id (common practice:
    what dnsmasq writes; from memory)."""
    network = a_network(tmp_path)
    server = DhcpServer(network, pool_start=5, lease_seconds=600, now=lambda: 1_700_000_000.9)
    assert server.lease("00-00-5E-00-53-01", "lamp") == IPv4Address("192.0.2.5")
    assert server.lease("00-00-5E-00-53-02", "") == IPv4Address("192.0.2.6")
    assert network.lease_file.read_text() == (
        "1700000600 00:00:5e:00:53:01 192.0.2.5 lamp *\n"
        "1700000600 00:00:5e:00:53:02 192.0.2.6 * *\n"
    )
    server.release("00:00:5E:00:53:01")
    assert "192.0.2.5" not in network.lease_file.read_text()
    assert list(tmp_path.iterdir()) == [network.lease_file]


def test_an_address_is_kept_while_leased(tmp_path: Path) -> None:
    server = DhcpServer(a_network(tmp_path), pool_start=5)
    first = server.lease("00-00-5E-00-53-01", "lamp")
    server.lease("00-00-5E-00-53-02", "plug")
    assert server.lease("00:00:5e:00:53:01", "lamp") == first


def test_the_pool_wraps_and_ends(tmp_path: Path) -> None:
    """A /28 has 14 hosts (RFC 4632); one is reserved."""
    server = DhcpServer(a_network(tmp_path), pool_start=10, reserved=[IPv4Address("192.0.2.1")])
    leased = [server.lease(f"00-00-5E-00-53-{n:02X}", "u") for n in range(13)]
    assert len(set(leased)) == 13
    hosts = set(IPv4Network("192.0.2.0/28").hosts()) - {IPv4Address("192.0.2.1")}
    assert set(leased) == hosts
    with pytest.raises(PoolExhaustedError):
        server.lease("00-00-5E-00-53-FE", "u")


async def test_waiting_for_a_condition() -> None:
    signal, seen = Signal(), [False]
    waiting = asyncio.create_task(signal.until(lambda: seen[0], 5))
    await asyncio.sleep(0)
    signal.fire()
    await asyncio.sleep(0)
    assert not waiting.done()
    seen[0] = True
    signal.fire()
    await waiting
    with pytest.raises(TimeoutError):
        await signal.until(lambda: False, 0.01)


def test_free_ports_are_different_and_free() -> None:
    ports = free_ports(20)
    assert len(set(ports)) == 20
    for port in ports:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", port))


def test_second_loopback_network_is_found_by_trying() -> None:
    try:
        with socket.socket() as probe:
            probe.bind(("127.20.0.1", 0))
        possible = True
    except OSError:
        possible = False
    assert two_networks_possible() is possible
