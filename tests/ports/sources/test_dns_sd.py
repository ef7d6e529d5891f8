"""Services on loopback alone, announced by zeroconf itself (RFC 6762, RFC 6763)."""

from __future__ import annotations

import socket

import pytest
from zeroconf import ServiceInfo
from zeroconf.asyncio import AsyncZeroconf

from migrate.model.problems import BadFile
from migrate.ports.sources.dns_sd import browse, service_type

MAC = "00-00-5E-00-53-01"


async def test_a_service_tells_name_address_and_perhaps_a_mac() -> None:
    teller = AsyncZeroconf(interfaces=["127.0.0.1"])
    try:
        await (
            await teller.async_register_service(
                ServiceInfo(
                    "_mg-lab._tcp.local.",
                    "Desk Lamp._mg-lab._tcp.local.",
                    port=80,
                    addresses=[socket.inet_aton("127.20.0.11")],
                    properties={"hw": "00:00:5e:00:53:01", "odd": b"\xff"},
                    server="lamp.local.",
                )
            )
        )
        (one,) = await browse(["_mg-lab._tcp"], 3.0, "hw", ["127.0.0.1"])
        assert (one.mac, one.address, one.name) == (MAC, "127.20.0.11", "Desk Lamp")
        assert not one.proven
        (one,) = await browse(["_mg-lab._tcp.local."], 3.0, "odd", ["127.0.0.1"])
        assert one.mac is None
    finally:
        await teller.async_close()


@pytest.mark.parametrize("text", ["", "http", "_http", "_http._sctp", "_" + 16 * "a" + "._tcp"])
def test_what_is_no_service_type(text: str) -> None:
    """RFC 6763 section 7, RFC 6335 section 5.1."""
    with pytest.raises(BadFile, match="no type of service"):
        service_type(text)
