"""The kernel's table. Sources: proc(5), /proc/net/arp; arp(8) of the BSDs, from memory. The latter
was not run on such a machine."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from migrate.ports.sources.neighbours import neighbours, parse_arp, parse_table

TABLE = """IP address       HW type     Flags       HW address            Mask     Device
192.0.2.11       0x1         0x2         00:00:5e:00:53:01     *        eth0
192.0.2.12       0x1         0x0         00:00:00:00:00:00     *        eth0
192.0.2.13       0x1         0x6         00:00:5e:00:53:03     *        wlan0
192.0.2.14       0x1         0x0         00:00:5e:00:53:04     *        wlan0
"""
ARP = """? (192.0.2.11) at 0:0:5e:0:53:1 on en0 ifscope [ethernet]
? (192.0.2.12) at (incomplete) on en0 ifscope [ethernet]
? (224.0.0.251) at 1:0:5e:0:0:fb on en0 ifscope permanent [ethernet]
? (192.0.2.13) at 0:0:5e:0:53:3 on en0 ifscope [ethernet]
"""


def test_entries_that_were_answered() -> None:
    pairs = {("00-00-5E-00-53-01", "192.0.2.11"), ("00-00-5E-00-53-03", "192.0.2.13")}
    assert {(one.mac, one.address) for one in parse_table(TABLE)} == pairs
    assert {(one.mac, one.address) for one in parse_arp(ARP)} == pairs
    assert not any(one.proven for one in (*parse_table(TABLE), *parse_arp(ARP)))


@given(st.text(max_size=300))
def test_whatever_stands_in_it(text: str) -> None:
    assert isinstance(parse_table("head\n" + text), list)
    assert isinstance(parse_arp("? (192.0.2.1) at " + text), list)


async def test_of_this_machine() -> None:
    assert isinstance(await neighbours(), list)
