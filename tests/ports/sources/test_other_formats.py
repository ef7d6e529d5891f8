"""Lease files of ISC dhcpd and Kea.

Sources: dhcpd.leases(5) of ISC DHCP 4.4 (the last declaration of an address counts; dates in UTC as
`weekday year/month/day hour:minute:second`, or `epoch` seconds, or `never`; binding states). Kea's
columns and states are from memory of its administrator reference (memfile backend, state 0 is
default); `calendar.timegm` is the reference for times.
"""

from __future__ import annotations

from calendar import timegm
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.model.parsing import MAX_OCTETS
from migrate.model.problems import BadFile
from migrate.ports.sources.lease_formats import parse_leases
from migrate.ports.sources.leases import lease_sights

A, B = "00-00-5E-00-53-01", "00-00-5E-00-53-02"
ISC = """# The format of this file is documented in the dhcpd.leases(5) manual page.
authoring-byte-order little-endian;

lease 192.0.2.11 {
  starts 4 2026/11/26 00:00:00;
  ends 4 2026/11/26 12:00:00;
  binding state active;
  next binding state free;
  hardware ethernet 00:00:5e:00:53:01;
  uid "\\001\\000\\000^\\000S\\001";
  client-hostname "desk-lamp";
}
lease 192.0.2.12 {
  ends never;
  binding state active;
  hardware ethernet 00:00:5e:00:53:02;
}
lease 192.0.2.13 {
  ends epoch 1795694400; # Thu Nov 26 12:00:00 2026
  binding state active;
  hardware ethernet 00:00:5e:00:53:03;
}
lease 192.0.2.14 {
  ends 4 2026/11/26 12:00:00;
  binding state active;
  hardware ethernet 00:00:5e:00:53:04;
}
lease 192.0.2.14 {
  ends 4 2026/11/26 06:00:00;
  binding state free;
  hardware ethernet 00:00:5e:00:53:04;
}
lease 192.0.2.15 {
  ends 4 2026/11/26 12:00:00;
  binding state active;
  hardware token-ring 00:00:5e:00:53:05;
}
lease 192.0.2.16 {
  ends 4 2026/11/26 12:00:00;
  binding state act"""
KEA_HEAD = "address,hwaddr,client_id,valid_lifetime,expire,subnet_id,fqdn_fwd,fqdn_rev,"
KEA = f"""{KEA_HEAD}hostname,state,user_context
192.0.2.11,00:00:5e:00:53:01,01:00:00:5e:00:53:01,3600,1795690000,1,0,0,old-name,0,
192.0.2.11,00:00:5e:00:53:01,01:00:00:5e:00:53:01,3600,1795694400,1,0,0,desk-lamp.example.net.,0,
192.0.2.12,00:00:5e:00:53:02,,4294967295,1795694400,1,0,0,,0,{{ "a": "b&#x2cc" }}
192.0.2.13,00:00:5e:00:53:03,,3600,1795694400,1,0,0,,1,
192.0.2.14,00:00:5e:00:53:04,,3600,1795694400,1,0,0,,0,
192.0.2.14,00:00:5e:00:53:04,,0,1795694400,1,0,0,,0,
192.0.2.15,00:00:5e:00:53:05,,3600,17956"""
END = float(timegm((2026, 11, 26, 12, 0, 0)))


@pytest.mark.parametrize(("text", "name"), [(ISC, "desk-lamp"), (KEA, "desk-lamp.example.net")])
def test_leases_in_force(text: str, name: str) -> None:
    found = parse_leases(text)
    (first,) = found[A]
    assert (str(first.address), first.ends, first.name) == ("192.0.2.11", END, name)
    assert found[B][0].ends == float("inf")
    # Free, declined, deleted, of another hardware, cut off: none of them is one.
    others = {"00-00-5E-00-53-03"} if text is ISC else set()
    assert found.keys() == {A, B, *others}
    assert all(found[mac][0].ends == END for mac in others)


@pytest.mark.parametrize("text", [ISC, KEA])
@given(cut=st.integers(0, 2000))
def test_a_file_that_is_just_being_written(text: str, cut: int) -> None:
    whole = {lease for leases in parse_leases(text).values() for lease in leases}
    for mac, leases in parse_leases(text[:cut]).items():
        assert mac.startswith("00-00-5E-00-53-")
        # What is cut off may hide that a lease has been given up; it invents none.
        for lease in leases:
            assert lease in whole or str(lease.address) in text[:cut]


@given(st.text(max_size=400))
def test_whatever_stands_in_it(text: str) -> None:
    for head in ("", "lease 192.0.2.1 {\n", "address,hwaddr,valid_lifetime,expire\n"):
        assert isinstance(parse_leases(head + text), dict)


def test_of_a_huge_file_the_end_is_read(tmp_path: Path) -> None:
    """Servers write what is new at the end: that must not be what is left out."""
    path = tmp_path / "kea.csv"
    header, _, rest = KEA.partition("\n")
    filler = "192.0.2.99,00:00:5e:00:53:99,,3600,1795694400,1,0,0,,0,\n"
    path.write_text(header + "\n" + filler * (MAX_OCTETS // len(filler) + 2000) + rest)
    assert path.stat().st_size > MAX_OCTETS
    now = datetime(2026, 11, 26, tzinfo=UTC)
    assert {sight.mac for sight in lease_sights(path, now)} >= {A, B}


def test_ended_ones_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "dhcpd.leases"
    path.write_text(ISC)
    later = datetime(2026, 11, 26, 12, 0, 1, tzinfo=UTC)
    assert {sight.mac for sight in lease_sights(path, later)} == {B}
    with pytest.raises(BadFile, match="cannot be read"):
        lease_sights(tmp_path / "none", later)


def test_what_a_client_calls_itself_is_no_statement() -> None:
    """A host name is a client's choice (RFC 2132, section 3.14); dhcpd.leases(5) quotes it."""
    name = 'a; hardware ethernet 00:00:5e:00:53:02; ends never; }{ \\" b'
    text = ISC.split("}\n", 1)[0].replace("desk-lamp", name) + "}\n"
    assert [(mac, one.ends) for mac, some in parse_leases(text).items() for one in some] == [
        (A, END)
    ]


@pytest.mark.parametrize("char", ["\r", "\u2028", "\x1c", "\x85", '"', "x" * 200_000])
def test_a_host_name_ends_no_row(char: str) -> None:
    """Each row of Kea is one line; what else Python takes for the end of one is a letter."""
    own = KEA.replace("old-name", char).replace("desk-lamp.example.net.", char)
    forged = f"{char}192.0.2.99,00:00:5e:00:53:09,,3600,1795694400,1,0,0,x,0,"
    found = parse_leases(own.replace("a&#x2cc", forged.replace(",", "&#x2c")))
    assert found.keys() == parse_leases(KEA).keys()


def test_a_row_that_is_cut_off_in_its_address_takes_nobody_elses() -> None:
    head = KEA.split("\n", 1)[0]
    row = "192.0.2.1,00:00:5e:00:53:01,,3600,1795694400,1,0,0,lamp,0,"
    assert A in parse_leases(f"{head}\n{row}\n192.0.2.1")  # the beginning of 192.0.2.15


@pytest.mark.parametrize("junk", ["a b ", "starts ", "lease 192.0.2.1 {", '"', "\\"])
def test_a_spoilt_file_is_read_in_time_that_grows_with_its_length(junk: str) -> None:
    """Two million characters; by the square of them it would take hours."""
    text = "lease 192.0.2.99 {\n" + junk * (2_000_000 // len(junk)) + "\n}\n"
    assert parse_leases(ISC + "\n}\n" + text).keys() >= {A, B}


@pytest.mark.parametrize(
    ("text", "old"),
    [(ISC, "4 2026/11/26 12:00:00"), (KEA, "3600,1795694400")],
)
def test_a_date_before_1970_is_none(text: str, old: str) -> None:
    long_ago = "4 1013/11/26 12:00:00" if text is ISC else "3600,-5"
    assert A not in parse_leases(text.replace(old, long_ago))


def test_what_a_server_is_to_do_at_the_end_of_a_lease_hides_none() -> None:
    """dhcpd.leases(5), the `on` statement: it has braces of its own."""
    event = '  on expiry or release {\n    set ddns-rev-name = "x";\n  }\n}\nlease 192.0.2.12'
    text = ISC.replace("}\nlease 192.0.2.12", event, 1)
    assert text != ISC
    assert parse_leases(text) == parse_leases(ISC)


def test_a_comma_in_a_name_is_read_as_one() -> None:
    """Kea writes it as &#x2c (its administrator reference, memfile)."""
    text = KEA.replace("desk-lamp.example.net.", "desk&#x2clamp &#x41")
    assert "desk,lamp A" in {one.name for some in parse_leases(text).values() for one in some}


def test_of_a_huge_file_the_first_lines_are_no_leases(tmp_path: Path) -> None:
    """They tell the format; what stands there may be over for years."""
    path = tmp_path / "dnsmasq.leases"
    filler = "1795694400 00:00:5e:00:53:99 192.0.2.99 * *\n"
    first = "1795694400 00:00:5e:00:53:01 192.0.2.11 * *\n"
    path.write_text(first + filler * (MAX_OCTETS // len(filler) + 2000))
    now = datetime(2026, 11, 26, tzinfo=UTC)
    assert {sight.mac for sight in lease_sights(path, now)} == {"00-00-5E-00-53-99"}
