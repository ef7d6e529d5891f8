"""One access point that keeps its name and changes its passphrase: two networks, never both on air.

Units on it when it changes lose it and look for it again. One DHCP server serves both, so an
address outlives the change.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from migrate.ports.protocols import SideName
from migrate.virtual.networks import VirtualNetwork

if TYPE_CHECKING:
    from migrate.virtual.house import House


class AccessPoint:
    """`now`: whose passphrase it has. `old` and `new` must be of one name and one subnet."""

    def __init__(self, old: VirtualNetwork, new: VirtualNetwork) -> None:
        self._sides: dict[SideName, VirtualNetwork] = {"old": old, "new": new}
        self.now: SideName = "old"
        self._dark = 0
        new.on_air = False
        new.leases, new.next_host = old.leases, old.next_host + 100

    def change(self, house: House, to: SideName) -> None:
        """Give it the passphrase of this side; who is on it by the other is off it at once."""
        if to == self.now:
            return
        self._off(house)
        self.now = to
        house.note("access point changed", to)
        self._on()

    def blackout(self, house: House, seconds: float) -> None:
        """Without power for these seconds. It comes back with the passphrase it has by then."""
        self._dark += 1
        self._off(house)
        house.note("off air", "access point")

        def again() -> None:
            self._dark -= 1
            self._on()
            house.note("on air", "access point")

        house.later(seconds, again)

    def _off(self, house: House) -> None:
        network = self._sides[self.now]
        network.on_air = False
        for unit in house.units.values():
            if unit.network is network:
                unit.leave()
                unit.look_for_network(house.chance.random.uniform(1, 5))

    def _on(self) -> None:
        self._sides[self.now].on_air = self._dark == 0
