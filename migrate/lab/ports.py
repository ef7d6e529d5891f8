"""What this machine's loopback can do."""

from __future__ import annotations

import socket


def free_port(host: str = "127.0.0.1") -> int:
    """A TCP port that nobody listens on at ``host`` now."""
    with socket.socket() as probe:
        probe.bind((host, 0))
        port: int = probe.getsockname()[1]
        return port


def free_ports(count: int, host: str = "127.0.0.1") -> list[int]:
    """``count`` different free TCP ports."""
    probes = [socket.socket() for _ in range(count)]
    try:
        for probe in probes:
            probe.bind((host, 0))
        return [probe.getsockname()[1] for probe in probes]
    finally:
        for probe in probes:
            probe.close()


def two_networks_possible() -> bool:
    """Whether every address of 127.0.0.0/8 can be listened on (Linux: yes, macOS: no)."""
    try:
        for host in ("127.20.0.1", "127.30.0.1"):
            with socket.socket() as probe:
                probe.bind((host, 0))
    except OSError:
        return False
    return True
