"""Devices for a plan that was made in numbers alone.

The numbers know nothing of covers, nor of where one device is easier to reach than its twin.
Here a wave gets its devices: those that the numbers ask for first, in order, then whoever else
fits. Every rule is judged on the devices themselves; a wave may hold fewer than was asked for, and
the next ones make up for it. No more waves come out of it than it takes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from migrate.model.fleet import Device
from migrate.model.playbook import Pace
from migrate.planning.exposure import Evidence, Twin, fits, rate
from migrate.planning.line import twin_of


def follow(
    devices: Sequence[Device],
    pilot: Device,
    pace: Pace,
    shown: Mapping[Twin, Evidence],
    asked: Sequence[Mapping[Twin, int]],
    *,
    covers_first: bool,
) -> list[list[Device]]:
    """The waves after the pilot's. `devices`: those that feed nothing, in the order in which they
    are to go; `asked`: how many of each group are to have gone after each wave, from the first
    one. With `covers_first` a device goes sooner, the more of its cover there are."""
    mates = Counter(device.cover for device in devices if device.cover)
    order = list(devices)
    if covers_first:
        order.sort(key=lambda one: -mates[one.cover] if one.cover else 0)
    hall = _Hall(order, pilot, pace, shown)
    waves: list[list[Device]] = []
    while hall.waiting:
        after = asked[min(len(waves) + 1, len(asked) - 1)]
        waves.append(hall.take({twin: count - hall.gone[twin] for twin, count in after.items()}))
    return waves


class _Hall:
    """The devices that wait, by group; how many of each have `gone`."""

    def __init__(
        self,
        order: Sequence[Device],
        pilot: Device,
        pace: Pace,
        shown: Mapping[Twin, Evidence],
    ) -> None:
        self._pace, self._shown, self._confidence = pace, shown, pace.confidence
        self.waiting = [device for device in order if device is not pilot]
        self.gone = Counter([twin_of(pilot)])
        self._easiest: dict[Twin, int] = {}
        for device in order:
            twin, rank = twin_of(device), device.reach.rank
            self._easiest[twin] = min(rank, self._easiest.get(twin, rank))

    def take(self, asked: Mapping[Twin, int]) -> list[Device]:
        """The next wave. `asked`: how many more of each group the numbers want."""
        risks = {
            twin: rate(self._shown.get(twin, Evidence()).plus(self.gone[twin]), self._confidence)
            for twin in self._easiest
        }
        wanted = Counter({twin: count for twin, count in asked.items() if count > 0})
        taken: dict[str, Device] = {}
        covers: set[str] = set()
        total = 0.0
        # Large shares first, while there is room for them; then whoever still fits.
        first = [one for one in self.waiting if wanted[twin_of(one)]]
        first.sort(key=lambda one: -risks[twin_of(one)])
        for number, device in enumerate((*first, *self.waiting)):
            if len(taken) == self._pace.widest_wave:
                break
            twin = twin_of(device)
            if (
                (wanted[twin] > 0 or number >= len(first))
                and device.name not in taken
                and device.cover not in covers
                and (not taken or fits(total + risks[twin], self._pace.stranded_at_most))
                and self._proved(twin, device.reach.rank)
            ):
                taken[device.name] = device
                total += risks[twin]
                wanted[twin] -= 1
                if device.cover:
                    covers.add(device.cover)
        self.waiting = [device for device in self.waiting if device.name not in taken]
        self.gone.update(twin_of(device) for device in taken.values())
        return list(taken.values())

    def _proved(self, twin: Twin, rank: int) -> bool:
        proofs = self.gone[twin] + self._shown.get(twin, Evidence()).returns
        return proofs > 0 or rank == self._easiest[twin]
