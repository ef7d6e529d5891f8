"""DNS-based service discovery (RFC 6763) over multicast DNS (RFC 6762), by zeroconf.

A service tells a name and an address. It tells a MAC only if its TXT record carries one, under a
key that the owner names.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Sequence
from contextlib import suppress
from ipaddress import IPv4Address

from zeroconf import BadTypeInNameException, InterfaceChoice, ServiceStateChange, Zeroconf
from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo, AsyncZeroconf

from migrate.model.eui48 import parse_mac
from migrate.model.problems import BadFile, Problem
from migrate.model.sights import Sight, Source

SERVICE = re.compile(r"_[A-Za-z0-9](?:[A-Za-z0-9-]{0,13}[A-Za-z0-9])?\._(?:tcp|udp)")
"""RFC 6763, section 7: a name of at most fifteen characters, and the protocol."""
USUAL = ("_http._tcp", "_mqtt._tcp")
"""Registered service names (RFC 6335) under which things with a web page or MQTT are listed."""


def service_type(text: str) -> str:
    """`_http._tcp` as it is asked for. Raises BadFile."""
    plain = text.removesuffix(".").removesuffix(".local")
    if not SERVICE.fullmatch(plain):
        what = f"{text!r} is no type of service"
        raise BadFile(Problem(what, "write it as _http._tcp (RFC 6763, section 7)"))
    return f"{plain}.local."


async def browse(
    types: Sequence[str],
    seconds: float,
    mac_key: str = "",
    interfaces: Sequence[str] | None = None,
) -> list[Sight]:
    """Services that answer within these seconds. `interfaces`: addresses of this machine; all of
    them without. Raises BadFile for what is no service type, OSError where nothing can be sent."""
    names = [service_type(one) for one in types]
    heard: set[tuple[str, str]] = set()
    zeroconf = AsyncZeroconf(interfaces=list(interfaces) if interfaces else InterfaceChoice.All)

    def changed(
        zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange
    ) -> None:
        if state_change is not ServiceStateChange.Removed:
            heard.add((service_type, name))

    try:
        browser = AsyncServiceBrowser(zeroconf.zeroconf, names, handlers=[changed])
        await asyncio.sleep(seconds / 2)  # what is asked by multicast is answered when it is
        asked = [_about(zeroconf, *one, seconds / 2, mac_key) for one in sorted(heard)]
        found = [sight for sights in await asyncio.gather(*asked) for sight in sights]
        await browser.async_cancel()
    finally:
        await zeroconf.async_close()
    return found


async def _about(
    zeroconf: AsyncZeroconf, kind: str, name: str, seconds: float, mac_key: str
) -> list[Sight]:
    try:
        info = AsyncServiceInfo(kind, name)
    except BadTypeInNameException:
        return []
    if not await info.async_request(zeroconf.zeroconf, int(seconds * 1000)):
        return []
    mac = None
    if mac_key:
        value = info.properties.get(mac_key.encode())
        with suppress(ValueError):
            mac = parse_mac((value or b"").decode("ascii", "replace"))
    plain = name.removesuffix(f".{kind}")
    return [
        Sight(Source.DNS_SD, mac, address, plain if plain.isprintable() else "", where=kind)
        for address in info.parsed_addresses()
        if _is_ipv4(address)
    ]


def _is_ipv4(text: str) -> bool:
    with suppress(ValueError):
        IPv4Address(text)
        return True
    return False
