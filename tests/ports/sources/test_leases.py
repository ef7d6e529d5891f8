"""The lease file of dnsmasq, in the format of lease_update_file() in its src/lease.c.

Sources: dnsmasq(8), options --dhcp-leasefile and --leasefile-ro and variable DNSMASQ_LEASE_LENGTH;
the format as its users' list tells it (dnsmasq-discuss, 9 June 2016): five fields to a line,
expiry or (HAVE_BROKEN_RTC) duration, 0 for infinite; `XX-` before a MAC for the hardware type;
`*` for no name or identifier; IPv6 leases after a line `duid`.
"""

from __future__ import annotations

import asyncio
import os
import time
from datetime import UTC, datetime
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.model.parsing import MAX_OCTETS
from migrate.model.problems import BadFile
from migrate.ports.protocols import SideName
from migrate.ports.sources.lease_formats import parse_leases
from migrate.ports.sources.leases import LeaseFinder, lease_sights, unreadable

NOW = 1_800_000_000
MAC = "00-00-5E-00-53-01"
FILE = f"""{NOW + 600} 00:00:5e:00:53:01 192.0.2.11 desk-lamp 01:00:00:5e:00:53:01
{NOW + 300} 00:00:5e:00:53:02 192.0.2.12 * *
0 00:00:5e:00:53:03 192.0.2.13 hall-lamp *
{NOW - 1} 00:00:5e:00:53:04 192.0.2.14 gone *
{NOW + 9} 06-00:00:5e:00:53:05 192.0.2.15 other-hardware *
{NOW + 9} 01-00:00:5e:00:53:06 192.0.2.16 ethernet-by-number *
{NOW + 9} 00:00:5e:00:53:01 198.51.100.11 desk-lamp *
duid 00:01:00:01:2a:2b:2c:2d:00:00:5e:00:53:ff
{NOW + 600} 6176001 2001:db8::11 desk-lamp 00:01:00:01:2a:2b:2c:2e:00:00:5e:00:53:01
{NOW + 600} T6176001 2001:db8::12 * *
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "dnsmasq.leases"
    path.write_text(FILE)
    return path


def finder(
    path: Path, subnet: str | None = None, side: SideName = "new", now: float = NOW
) -> LeaseFinder:
    subnets = {side: IPv4Network(subnet)} if subnet else {}
    return LeaseFinder({side: path}, subnets, lambda: datetime.fromtimestamp(now, UTC))


def addresses(one: LeaseFinder, mac: str = MAC, side: SideName = "new") -> list[str]:
    return list(asyncio.run(one.addresses(mac, side)))


@pytest.mark.parametrize(
    ("last", "found"),
    [
        ("01", ["192.0.2.11", "198.51.100.11"]),
        ("02", ["192.0.2.12"]),
        ("03", ["192.0.2.13"]),
        ("04", []),
        ("05", []),
        ("06", ["192.0.2.16"]),
        ("FF", []),
    ],
    ids=["two leases", "no name", "never ends", "ended", "not Ethernet", "01-", "unknown"],
)
def test_addresses(file: Path, last: str, found: list[str]) -> None:
    assert addresses(finder(file), f"00-00-5E-00-53-{last}") == found


def test_only_addresses_inside_the_subnet(file: Path) -> None:
    assert addresses(finder(file, "192.0.2.0/24")) == ["192.0.2.11"]
    assert addresses(finder(file, "203.0.113.0/24")) == []


def test_the_other_side_has_no_file(file: Path) -> None:
    assert addresses(finder(file), side="old") == []


def test_a_lease_ends_although_the_file_stays(file: Path) -> None:
    clock = [float(NOW)]
    late = LeaseFinder({"new": file}, {}, lambda: datetime.fromtimestamp(clock[0], UTC))
    assert "192.0.2.11" in addresses(late)
    clock[0] = NOW + 601
    assert addresses(late) == []


def test_lengths_in_place_of_times_are_no_times(tmp_path: Path) -> None:
    """dnsmasq built with HAVE_BROKEN_RTC, as for routers without a clock."""
    path = tmp_path / "leases"
    path.write_text("43200 00:00:5e:00:53:01 192.0.2.11 desk-lamp *\n")
    assert addresses(finder(path)) == ["192.0.2.11"]


@pytest.mark.parametrize(
    "line",
    [
        "",
        "x",
        f"{NOW + 9} {MAC}",
        f"{NOW + 9} 00:00:5e:00:53 192.0.2.1 * *",
        f"{NOW + 9} 01:00:5e:00:53:01 192.0.2.1 * *",
        f"{NOW + 9} {MAC} 192.0.2.256 * *",
        f"{NOW + 9} {MAC} 192.0.2 * *",
        f"{NOW + 9} {MAC} ::ffff:192.0.2.1 * *",
        f"later {MAC} 192.0.2.1 * *",
        f"-5 {MAC} 192.0.2.1 * *",
        f"{'9' * 400} {MAC} 192.0.2.1 * *",
        f"{'9' * 5000} {MAC} 192.0.2.1 * *",
        "\x00\x01\x02 \ufffd",
    ],
)
def test_lines_that_are_no_lease_are_passed_over(line: str) -> None:
    good = f"{NOW} 00:00:5e:00:53:02 192.0.2.12 * *"
    found = parse_leases(f"{line}\n{good}\n")
    assert list(found) == ["00-00-5E-00-53-02"]


@given(cut=st.integers(0, len(FILE)))
def test_a_file_seen_while_it_is_written_shows_no_wrong_address(cut: int) -> None:
    """dnsmasq rewrites its file in place: what is read is a first part of it, cut anywhere."""
    whole = {(mac, one.address) for mac, leases in parse_leases(FILE).items() for one in leases}
    part = {
        (mac, one.address) for mac, leases in parse_leases(FILE[:cut]).items() for one in leases
    }
    assert part <= whole


@given(st.binary(max_size=200))
def test_no_file_breaks_it(octets: bytes) -> None:
    for leases in parse_leases(octets.decode("utf-8", "replace")).values():
        assert all(isinstance(one.address, IPv4Address) for one in leases)


def test_a_file_is_read_again_when_it_was_replaced(file: Path) -> None:
    """Replaced by another of the same length and time: only its inode tells."""
    one = finder(file)
    assert "192.0.2.11" in addresses(one)
    about = file.stat()
    other = file.with_name("other")
    other.write_text(FILE.replace("192.0.2.11", "192.0.2.77"))
    os.utime(other, ns=(about.st_atime_ns, about.st_mtime_ns))
    other.replace(file)
    assert "192.0.2.77" in addresses(one)


def test_a_file_is_read_again_when_it_was_written_in_place(file: Path) -> None:
    one = finder(file)
    assert "192.0.2.11" in addresses(one)
    with file.open("r+") as handle:
        handle.write(FILE.replace("192.0.2.11", "192.0.2.78"))
    os.utime(file, ns=(1, file.stat().st_mtime_ns + 1))
    assert "192.0.2.78" in addresses(one)


def test_a_file_that_vanishes_and_comes_back(file: Path) -> None:
    one, text = finder(file), file.read_text()
    file.unlink()
    assert addresses(one) == []
    file.write_text(text)
    assert "192.0.2.11" in addresses(one)


@pytest.mark.parametrize("path", ["folder", "missing/leases", "a\0b"])
def test_a_path_that_is_no_file_knows_nothing(tmp_path: Path, path: str) -> None:
    (tmp_path / "folder").mkdir()
    assert addresses(finder(tmp_path / path)) == []


def test_a_huge_file_is_bounded(tmp_path: Path) -> None:
    """About 110,000 leases; what lies behind the limit is not read, and nothing is cut in two."""
    line = "{} 00:00:5e:00:{:02x}:{:02x} 192.0.2.{} some-device-of-the-house *\n"
    path = tmp_path / "leases"
    some = "".join(line.format(NOW + 9, n // 256, n % 256, n % 200) for n in range(10_000))
    path.write_text(some * (MAX_OCTETS // len(some) + 1))
    assert path.stat().st_size > MAX_OCTETS
    began = time.monotonic()
    one = finder(path)
    assert "192.0.2.1" in addresses(one, "00-00-5E-00-00-01")
    assert time.monotonic() - began < 10
    again = time.monotonic()
    for _ in range(100):
        addresses(one, "00-00-5E-00-00-01")
    assert time.monotonic() - again < 5  # not read again


def test_a_lease_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    there = tmp_path / "leases-old"
    there.write_text("")
    files: dict[SideName, Path] = {"old": there, "new": tmp_path / "leases-mew"}
    (told,) = unreadable(files)
    assert "new side" in told
    assert "leases-mew" in told
    assert "No such file" in told
    (tmp_path / "leases-mew").mkdir()
    assert "Is a directory" in unreadable(files)[0]


def test_a_pipe_is_no_lease_file_and_is_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "leases"
    os.mkfifo(pipe)
    assert "no plain file" in unreadable({"new": pipe})[0]
    with pytest.raises(BadFile, match="no plain file"):
        lease_sights(pipe, datetime.fromtimestamp(NOW, UTC))
    assert addresses(finder(pipe)) == []
