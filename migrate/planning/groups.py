"""Twin groups as plain numbers: what the search for few waves and its lower bound work on.

A device's **share** is its group's upper bound of the fault rate divided by the exposure accepted
for a wave. A wave is narrow enough while the shares in it add up to no more than 1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from migrate.model.fleet import Device
from migrate.model.playbook import Pace
from migrate.planning.exposure import Evidence, Twin, rate
from migrate.planning.line import twin_of

FULL = 1 + 1.1e-9
"""Shares that fill a wave: a little more than `exposure.fits` accepts, which judges in the end, so
that a bound is never too high for the sake of a binary fraction."""


@dataclass(frozen=True)
class Group:
    """`shares[i]`: the share of each of its devices after i more of them have returned, largest
    first, one for each device. `first`: how many may go before any of them has returned."""

    shares: tuple[float, ...]
    first: int

    def most(self, gone: int, room: float, left: int) -> int:
        """How many may go next if `gone` have returned, into what is left of a wave: `room` of
        its exposure, `left` of its width."""
        waiting = len(self.shares) - gone
        if not waiting:
            return 0
        narrow = int((room + 1e-12) / self.shares[gone])
        return max(0, min(waiting, left, narrow, waiting if gone else self.first))


def groups_of(
    devices: Sequence[Device], pace: Pace, shown: Mapping[Twin, Evidence]
) -> dict[Twin, Group]:
    """The groups of devices that feed nothing, the same ones always in the same order."""
    ranks: dict[Twin, list[int]] = {}
    for device in devices:
        ranks.setdefault(twin_of(device), []).append(device.reach.rank)
    groups = {}
    for twin, reach in sorted(ranks.items()):
        had = shown.get(twin, Evidence())
        groups[twin] = Group(
            tuple(
                rate(had.plus(more), pace.confidence) / pace.stranded_at_most
                for more in range(len(reach))
            ),
            len(reach) if had.returns else reach.count(min(reach)),
        )
    return dict(sorted(groups.items(), key=lambda one: (one[1].shares, one[1].first, one[0])))
