"""What every unit of a lab shares."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass, field

from migrate.lab.air import Air
from migrate.lab.dhcp import DhcpServer
from migrate.lab.signals import Signal

_LOG = logging.getLogger("migrate.lab")


@dataclass(frozen=True)
class World:
    """The air, the DHCP server of each network by name, and the signal of every change."""

    air: Air
    dhcp: Mapping[str, DhcpServer]
    changed: Signal = field(default_factory=Signal)
    seed: int = 0
    broken: list[tuple[str, BaseException]] = field(default_factory=list)

    def report(self, unit: str, error: BaseException) -> None:
        """A unit's own program failed: a mistake in the lab, not a fault of the unit."""
        _LOG.error("unit %s stopped: %s", unit, type(error).__name__)
        self.broken.append((unit, error))
        self.changed.fire()
