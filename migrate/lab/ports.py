"""What this machine's loopback can do."""

from __future__ import annotations

import contextlib
import secrets
import socket

# Outgoing connections take their own ports from 32768 (Linux) or 49152 (macOS) upwards,
# also on a unit's address; a port from there may be taken, or linger, at any moment.
_FIRST, _LAST = 20000, 32000


def free_port() -> int:
    """A TCP port that nobody uses now, on any address of this machine."""
    return free_ports(1)[0]


def free_ports(count: int) -> list[int]:
    """``count`` different free TCP ports. Raises OSError when there are not that many."""
    size = _LAST - _FIRST
    start = secrets.randbelow(size)
    found: list[int] = []
    for step in range(size):
        if len(found) == count:
            break
        port = _FIRST + (start + step) % size
        # Bound to every address, never listened on: fails if any address has it in use.
        with contextlib.suppress(OSError), socket.socket() as probe:
            probe.bind(("", port))
            found.append(port)
    if len(found) < count:
        raise OSError(f"no {count} free TCP ports between {_FIRST} and {_LAST}")
    return found


def two_networks_possible() -> bool:
    """Whether every address of 127.0.0.0/8 can be listened on (Linux: yes, macOS: no)."""
    try:
        for host in ("127.20.0.1", "127.30.0.1"):
            with socket.socket() as probe:
                probe.bind((host, 0))
    except OSError:
        return False
    return True
