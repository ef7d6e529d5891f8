"""Fair prices of devices: sums of which no plan can go below. Why, is told in `bound.py`."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from functools import cached_property, lru_cache
from operator import truediv

from migrate.planning.groups import FULL, Group
from migrate.planning.opening import Curve, opening_loss

LARGE = 400
"""Devices beyond which few prices are tried, to stay quick."""
SLACK = 1e-6
"""Sums of binary fractions may be off by less than this; never enough for a wave too many."""
SIZES = (0.62, 0.52, 0.42, 0.35, 0.28, 0.2, 0.13)
"""Where sizes q are looked for: the first that there is below each of these."""
COMBINED = 1_000
"""How many combinations of sizes are looked at, for each phase."""
BATCH = (0.001, 0.002, 0.003, 0.005, 0.007, 0.01, 0.014, 0.02, 0.03, 0.04, 0.06, 0.09)
"""The m that are tried for a batch."""
_EDGE = 3e-9
_GRAIN = 1e-8


class Price:
    """One fair price: what every group costs from each of its devices on."""

    def __init__(self, groups: Sequence[Group], widest: int, small: float, part: float) -> None:
        self.groups, self.widest, self.small, self.part = groups, widest, small, part
        self.sums = [self._sums(group) for group in groups]
        self.total = sum(sums[0] for sums in self.sums)
        self._tables: dict[tuple[Group, float], list[float]] = {}
        self._known: dict[tuple[Group, bool], list[list[float]]] = {}
        self._openings: dict[tuple[float, ...], float] = {}

    def of(self, share: float, count: int = 1) -> float:
        """The price of `count` devices of this share in one wave."""
        size = share * count
        if size > 1 - self.small + _EDGE:
            return 1.0
        if share < self.small - _EDGE / 3:
            return 0.0
        return self.part * size + (1 - self.part) * count / self.widest

    def _sums(self, group: Group) -> list[float]:
        sums = [0.0]
        for share in reversed(group.shares):
            sums.append(sums[-1] + self.of(share))
        sums.reverse()
        return sums

    def waves(self, given: int, steps: int = 0) -> float:
        """What all cost at least if there are no more waves than `given`; if that is more than
        `given`, there are more. `steps`: how long the opening may be searched."""
        held = [
            self._held(group, sums, given - sum(self._alone) + alone)
            for group, sums, alone in zip(self.groups, self.sums, self._alone, strict=True)
        ]
        first = [group.shares[0] for group in self.groups]
        loss = min(1 - self.of(share) for share in first)
        if self._phases:
            single = tuple(each == 0 for _, each in held)
            tables = [self.losses(g, one) for g, one in zip(self.groups, single, strict=True)]
            led = sum(min(table[n][0] for table in tables) for n in range(len(self._phases)))
            charge = self._phases[0].charge
            loss = max(loss, led + min(1 - max(self.of(x), charge(x)) for x in first))
            if steps:
                added = tuple(each for _, each in held)
                if added not in self._openings:
                    curves = self._curves(added)
                    self._openings[added] = opening_loss(curves, self.of, self.widest, steps)
                loss = max(loss, self._openings[added])
        return sum(cost for cost, _ in held) + loss

    @cached_property
    def _alone(self) -> list[int]:
        """How many devices of each group go alone, since nothing is small enough to go with them:
        no other group has a batch in those waves."""
        if self.small > min(group.shares[-1] for group in self.groups):
            return [0 for _ in self.groups]
        return [sum(self.of(share) == 1 for share in group.shares) for group in self.groups]

    def _held(self, group: Group, sums: list[float], given: int) -> tuple[float, float]:
        """What a group costs with the dearest m for a batch, and that m (0 if it is best)."""
        best, found = sums[0], 0.0
        for each in BATCH:
            if (group, each) not in self._tables:
                self._tables[group, each] = self._batches(group, each)
            cost = self._tables[group, each][0] - each * given
            if cost > best + 1e-9:
                best, found = cost, each
            elif cost < best - 1e-9:
                break
        return best, found

    def _batches(self, group: Group, each: float) -> list[float]:
        """The cheapest way from each device to the last, `each` added for a batch."""
        costs = [0.0] * (len(group.shares) + 1)
        for gone in range(len(group.shares) - 1, -1, -1):
            share = group.shares[gone]
            costs[gone] = each + min(
                self.of(share, count) + costs[gone + count]
                for count in range(1, group.most(gone, FULL, self.widest) + 1)
            )
        return costs

    @cached_property
    def _phases(self) -> list[_Phase]:
        begins = min(group.shares[0] for group in self.groups)
        sizes = sorted({share for group in self.groups for share in group.shares})
        found: list[_Phase] = []
        for wanted in SIZES:
            place = bisect_right(sizes, wanted) - 1
            # Some group must come below it, and none begin there.
            highest = found[-1].size if found else begins
            if place > 0 and sizes[place] < highest - 1e-9:
                found.append(_Phase(sizes[place:], self.of, self.small))
        return found

    def losses(self, group: Group, single: bool) -> list[list[float]]:
        """For each phase and each number of its devices that have gone: what is lost at least
        from there on if this group is the first to come below the size of the phase. `single`:
        counted against the prices of its devices one by one, not of its batches."""
        if (group, single) not in self._known:
            self._known[group, single] = [
                self._loss(group, single, [phase]) for phase in self._phases
            ]
        return self._known[group, single]

    def _loss(self, group: Group, single: bool, charged: Sequence[_Phase]) -> list[float]:
        below = charged[-1].size - 1e-12
        if group.shares[-1] >= below:
            return [math.inf] * (len(group.shares) + 1)  # it is never the first
        sums = self.sums[self.groups.index(group)] if group in self.groups else self._sums(group)
        least = [0.0] * (len(group.shares) + 1)
        end = next(n for n, share in enumerate(group.shares) if share < below)
        for gone in range(end - 1, -1, -1):
            share = group.shares[gone]
            phase = next(one for one in self._phases if share >= one.size - 1e-12)
            ways = []
            for count in range(1, group.most(gone, FULL, self.widest) + 1):
                lost = 0.0
                if phase in charged:
                    batch = self.of(share, count)
                    counted = sums[gone] - sums[gone + count] if single else batch
                    lost = max(batch, phase.charge(share * count)) - counted
                ways.append(lost + least[gone + count])
            least[gone] = min(ways)
        return least

    @cached_property
    def ahead(self) -> list[list[float]]:
        """For each group and each number of its devices that have gone: what is lost yet if it is
        this group that gathers evidence for all. A guide, not a bound."""
        none = [[0.0] * (len(group.shares) + 1) for group in self.groups]
        tables = [self._loss(group, True, self._phases) for group in self.groups if self._phases]
        return tables if any(table[0] < math.inf for table in tables) else none

    def _curves(self, added: Sequence[float]) -> list[Curve]:
        """Groups that cannot be told apart in the opening, as one. `added`: each group's m."""
        until = self._phases[-1].size - 1e-12
        alike: dict[tuple[float, ...], list[int]] = {}
        for n, group in enumerate(self.groups):
            end = next((i for i, x in enumerate(group.shares) if x < until), None)
            # One that does not come below may run out of devices: it is like none but its equals.
            mark = (1.0, *group.shares[: end + 1]) if end is not None else (0.0, *group.shares)
            alike.setdefault(mark, []).append(n)
        curves = []
        for mark, members in alike.items():
            longest = max((self.groups[n] for n in members), key=lambda one: len(one.shares))
            missed = min(added[n] for n in members)
            one_by_one = not any(added[n] for n in members)
            end = len(mark) - 2 if mark[0] else len(mark) - 1
            ahead = self.losses(Group(longest.shares, len(longest.shares)), one_by_one)
            curves.append(
                Curve(longest.shares, end, bool(mark[0]), len(members), one_by_one, missed, ahead)
            )
        return curves


class _Phase:
    """The waves before the first group comes below `size`. `sizes`: all that there are until
    then, smallest first."""

    def __init__(
        self, sizes: Sequence[float], price: Callable[[float], float], small: float
    ) -> None:
        self.size = sizes[0]
        self._sizes, self._small = sizes, small
        self._prices = [price(size) for size in sizes]
        self._dense = max(map(truediv, self._prices, sizes))
        self._known: dict[float, float] = {}
        self._charged: dict[float, float] = {}

    def charge(self, size: float) -> float:
        """What a batch of this size takes from its wave, whatever goes with it."""
        if size not in self._charged:
            self._charged[size] = max(0.0, 1 - self._fill(1 - size))
        return self._charged[size]

    def _fill(self, room: float) -> float:
        room = round(room, 9) + _GRAIN
        if room < self.size:
            return 0.0
        if room > 1 - self._small:
            return 1.0
        if room in self._known:
            return self._known[room]
        if len(self._known) > COMBINED:
            return min(1.0, float(self._dense * room))  # no less than any combination
        best = 0.0
        for number in range(bisect_right(self._sizes, room)):
            best = max(best, self._prices[number] + self._fill(room - self._sizes[number]))
        self._known[room] = best
        return best


@lru_cache(maxsize=16)
def best_prices(groups: tuple[Group, ...], widest: int, keep: int = 4) -> list[Price]:
    """The prices that come to most, dearest first, and the dearest that looks more at the width."""
    count = sum(len(group.shares) for group in groups)
    parts = (1.0, 0.0) if count > LARGE else (1.0, 0.8, 0.6, 0.4, 0.2, 0.0)
    found = [
        Price(groups, widest, small, part)
        for small in _smalls(groups, 6 if count > LARGE else 16)
        for part in parts
    ]
    found.sort(key=lambda one: -one.total)
    wide = [one for one in found if one.part < found[0].part - 0.3][:1]
    return found[:1] if count > LARGE else found[: keep - len(wide)] + wide


def _smalls(groups: Iterable[Group], most: int) -> list[float]:
    """The s worth trying: the smallest share there is, then some where a size changes its price."""
    shares = {share for group in groups for share in group.shares}
    least = min(min(shares), 0.5)
    turns = sorted({share if share <= 0.5 else 1 - share for share in shares})
    found = [least]
    for turn in turns:
        if turn > found[-1] + 0.015 and len(found) < most:
            found.append(turn)
    return found
