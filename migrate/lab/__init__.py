"""The loopback lab: simulated units with real sockets, written from the manuals.

``Lab`` is the way in; ``UnitSpec`` and ``SideSpec`` describe what it holds.
"""

from __future__ import annotations

from migrate.lab.air import Air, Network
from migrate.lab.brokers import EmbeddedBroker, MosquittoBroker
from migrate.lab.dhcp import DhcpServer
from migrate.lab.faults import Fault, FaultKind
from migrate.lab.lab import BrokerKind, Lab
from migrate.lab.ports import free_port, free_ports, two_networks_possible
from migrate.lab.specs import SideSpec, UnitSpec
from migrate.lab.unit import Unit

__all__ = [
    "Air",
    "BrokerKind",
    "DhcpServer",
    "EmbeddedBroker",
    "Fault",
    "FaultKind",
    "Lab",
    "MosquittoBroker",
    "Network",
    "SideSpec",
    "Unit",
    "UnitSpec",
    "free_port",
    "free_ports",
    "two_networks_possible",
]
