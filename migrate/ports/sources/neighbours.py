"""The kernel's neighbour table: which MAC was last heard at which address of a network that this
machine is on itself (ARP, RFC 826).

Linux: /proc/net/arp (proc(5)). macOS and the BSDs: the output of `arp -an`. Both are claims of the
past: an entry may be left over.
"""

from __future__ import annotations

import asyncio
import re
from ipaddress import IPv4Address
from pathlib import Path

from migrate.model.eui48 import parse_mac
from migrate.model.sights import Sight, Source

TABLE = Path("/proc/net/arp")
COMPLETE = 0x2
"""Flag of an entry that was answered (ATF_COM of Linux's if_arp.h)."""
SECONDS = 5.0
_ARP = re.compile(r"\((?P<address>[0-9.]+)\) at (?P<mac>[0-9a-fA-F:]+) on (?P<on>\S+)")


def parse_table(text: str) -> list[Sight]:
    """The lines of /proc/net/arp that were answered."""
    found = []
    for line in text.splitlines()[1:]:
        fields = line.split()
        try:
            address, flags, mac = fields[0], int(fields[2], 16), parse_mac(fields[3])
            IPv4Address(address)
        except (IndexError, ValueError):
            continue
        if flags & COMPLETE:
            found.append(Sight(Source.NEIGHBOURS, mac, address, where=fields[-1]))
    return found


def parse_arp(text: str) -> list[Sight]:
    """The lines of `arp -an`; it leaves out leading zeros of octets."""
    found = []
    for line in text.splitlines():
        entry = _ARP.search(line)
        if not entry:
            continue
        try:
            mac = parse_mac(":".join(f"{int(part, 16):02x}" for part in entry["mac"].split(":")))
            IPv4Address(entry["address"])
        except ValueError:
            continue
        found.append(Sight(Source.NEIGHBOURS, mac, entry["address"], where=entry["on"]))
    return found


async def neighbours() -> list[Sight]:
    """What the kernel knows now; empty where it cannot be asked."""
    table = _table()
    return parse_arp(await _arp()) if table is None else parse_table(table)


def _table() -> str | None:
    try:
        return TABLE.read_text("ascii", "replace")
    except OSError:
        return None


async def _arp() -> str:
    try:
        arp = await asyncio.create_subprocess_exec(
            "arp", "-an", stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL
        )
    except OSError:
        return ""
    try:
        async with asyncio.timeout(SECONDS):
            out, _ = await arp.communicate()
    except TimeoutError:
        arp.kill()
        await arp.wait()
        return ""
    return out.decode("utf-8", "replace")
