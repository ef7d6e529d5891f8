"""What a lab is made of, as the caller writes it down."""

from __future__ import annotations

from dataclasses import dataclass, field
from ipaddress import IPv4Network
from pathlib import Path
from typing import Literal

from migrate.lab.faults import Fault

Family = Literal["larch", "rowan", "sedge"]


@dataclass(frozen=True)
class UnitSpec:
    """One unit. ``mac`` as in ``00-00-5E-00-53-01``; ``restart_seconds`` is how long it is
    on no network when it restarts; ``mqtt_keepalive`` in seconds; ``join_seconds`` is the
    pause between two attempts to join a network; ``fixed_address``: the address of its own
    that it has to begin with, for the families that know one; empty: it asks DHCP.

    ``wake_every_seconds``: it is built for batteries, and so far apart are its wakes; None
    for a unit that never sleeps. ``awake_seconds`` is how long it then stays awake.
    ``sleeps_cleanly``: it says on its broker that it is absent and disconnects before it
    sleeps; else it vanishes, and the broker sends its will. ``signal_dbm``: how strongly it
    hears its access point, on either side."""

    name: str
    family: Family
    mac: str
    topic: str
    place: str = ""
    restart_seconds: float = 0.4
    http_password: str | None = field(default=None, repr=False)
    firmware: str = "1.0.0"
    uses_broker: bool = True
    fault: Fault | None = None
    trusted_ca: Path | None = None
    mqtt_keepalive: int = 15
    join_seconds: float = 0.1
    group: str | None = None
    fixed_address: str = ""
    wake_every_seconds: float | None = None
    awake_seconds: float = 0.5
    sleeps_cleanly: bool = True
    signal_dbm: int = -58


@dataclass(frozen=True)
class SideSpec:
    """One side: a network and the broker that belongs to it.

    ``broker_tls``: certificate and key file (PEM) of the broker; the broker then speaks
    TLS only. ``broker_host`` empty: no broker. ``pool_start``: offset of the first
    address leased; by default 11 on the old side and 101 on the new one.
    """

    ssid: str
    secret: str = field(repr=False)
    subnet: IPv4Network
    lease_file: Path
    broker_host: str = ""
    broker_port: int = 1883
    broker_username: str | None = None
    broker_password: str | None = field(default=None, repr=False)
    broker_tls: tuple[Path, Path] | None = None
    pool_start: int | None = None
