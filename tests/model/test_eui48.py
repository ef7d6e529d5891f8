"""MAC addresses: EUI-48 in the forms of IEEE Std 802, with addresses of RFC 7042 section 2.1.2."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.model.eui48 import is_local, parse_mac


@pytest.mark.parametrize(
    "text",
    [
        "00-00-5E-00-53-1F",
        "00-00-5e-00-53-1f",
        "00:00:5E:00:53:1F",
        "00:00:5e:00:53:1f",
        "0000.5e00.531f",
        "00005E00531F",
        "00005e00531f",
        "  00:00:5e:00:53:1f \n",
    ],
)
def test_every_usual_spelling_gives_one_form(text: str) -> None:
    assert parse_mac(text) == "00-00-5E-00-53-1F"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "00-00-5E-00-53",
        "00-00-5E-00-53-01-02",
        "00-00-5E-00-53-0G",
        "00-00:5E-00:53-01",  # mixed signs
        "00-00-5E-00-5301",
        "0-0-5E-0-53-1",
        "0000-5E00-5301",
        "00.00.5E.00.53.01",
        "00 00 5E 00 53 01",
        "192.0.2.11",
        "00-00-5E-00-53-0\u0661",  # a digit to Python, not to IEEE
        "00-00-5E-00-53-01\n00-00-5E-00-53-02",
        "-00-00-5E-00-53-01",
    ],
)
def test_what_is_not_a_mac(text: str) -> None:
    with pytest.raises(ValueError, match="is not a MAC address"):
        parse_mac(text)


def test_addresses_that_no_single_device_has() -> None:
    with pytest.raises(ValueError, match="empty"):
        parse_mac("00-00-00-00-00-00")
    # The group bit is the lowest of the first octet (IEEE Std 802); RFC 7042 keeps
    # 01-00-5E-90-10-xx for group addresses in documentation.
    for group in ("01-00-5E-90-10-01", "FF-FF-FF-FF-FF-FF"):
        with pytest.raises(ValueError, match="group"):
            parse_mac(group)


def test_locally_administered() -> None:
    # Bit 1 of the first octet (IEEE Std 802).
    assert is_local("02-00-5E-00-53-01")
    assert is_local("FE-00-5E-00-53-01")
    assert not is_local("00-00-5E-00-53-01")
    assert not is_local("FC-00-5E-00-53-01")


@given(st.binary(min_size=6, max_size=6), st.sampled_from(["-", ":", ""]), st.booleans())
def test_octets_survive(octets: bytes, sign: str, upper: bool) -> None:
    text = octets.hex(sign) if sign else octets.hex()
    text = text.upper() if upper else text
    if not any(octets) or octets[0] & 1:
        with pytest.raises(ValueError, match="address"):
            parse_mac(text)
    else:
        assert bytes.fromhex(parse_mac(text).replace("-", "")) == octets
