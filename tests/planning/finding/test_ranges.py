"""What may be swept. Sources: RFC 1918, RFC 4632; Python's ipaddress as reference."""

from __future__ import annotations

from ipaddress import IPv4Network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.planning.finding.ranges import MOST, addresses_in, range_problems


@pytest.mark.parametrize(
    ("text", "hosts"), [("192.0.2.0/24", 254), ("10.1.2.0/26", 62), ("172.16.0.0/30", 2)]
)
def test_hosts_of_a_network(text: str, hosts: int) -> None:
    """RFC 950 / RFC 4632: all but the first and the last."""
    assert range_problems([text], insist=False) == []
    assert len(addresses_in([IPv4Network(text)])) == hosts


def test_a_whole_slash_8_is_refused_with_its_count() -> None:
    (problem,) = range_problems(["10.0.0.0/8"], insist=True)
    assert "16,777,216" in problem.what


def test_many_small_ones_count_together() -> None:
    assert range_problems([f"10.0.{n}.0/24" for n in range(MOST // 256)], insist=False) == []
    assert range_problems([f"10.0.{n}.0/24" for n in range(MOST // 256 + 1)], insist=False)


@given(st.integers(0, 2**32 - 1), st.integers(20, 32))
def test_only_private_ones_unless_insisted(number: int, length: int) -> None:
    """`is_private` of Python's ipaddress is the reference where it and RFC 1918 speak of the same:
    whatever is swept without --insist is not global."""
    network = IPv4Network((number, length), strict=False)
    if not range_problems([str(network)], insist=False):
        assert not network.is_global
    assert range_problems([str(network)], insist=True) == []
