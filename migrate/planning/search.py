"""A search for few waves, on twin groups as plain numbers.

A state says how many of each group have gone. Layer by layer, a state for each number of waves,
the most promising states are kept: those whose waiting devices cost least by fair prices
(`bound.py`), what the first group to gather evidence will lose included. A state in which no group
is further than in another one is left out: whoever has gone further can do whatever the other does.

With up to `FEW` groups all ways to fill a wave are gone through, and as long as no promising state
had to be left aside, the number of waves that is found is proved to be the fewest.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from migrate.planning.groups import FULL, Group
from migrate.planning.prices import SLACK, best_prices

State = tuple[int, ...]
FEW = 3
"""Groups up to which all ways to fill a wave are looked at."""
WIDTH = {1: 10, 2: 150, 3: 40}
"""How many states are kept for each number of waves, by the number of groups."""
LEADS = 8
"""How many groups are looked at as the first or second of a wave."""
WIDEST_LAYER, WIDER_LAYER = 12, 60
EFFORT, MORE_EFFORT = 40_000, 300_000
"""About how many waves a guide looks at where there are more groups: some tenths of a second, and a
few seconds if it is to be thorough."""


class Guide(NamedTuple):
    """What makes a state promising beside what its devices cost by the price that comes to most:
    weights for what gathering evidence will lose, for the costs by all prices, and for the waves
    that the group that needs most would need alone."""

    ahead: float
    both: float
    longest: float


GUIDES = (
    Guide(1, 0.05, 0.02),
    Guide(1, 0.05, 0.1),
    Guide(2, 0.3, 0.05),
    Guide(1, 0, 0.3),
    Guide(2, 0.05, 0),
)
"""Tried in this order: none of them is the best for every fleet."""


@dataclass(frozen=True)
class Found:
    """`states`: how many of each group have gone after each wave; empty if nothing better than
    the limit was found. `least`: no way has fewer waves than this, counted from the start."""

    states: tuple[State, ...]
    least: int


def search(
    groups: tuple[Group, ...],
    widest: int,
    pilots: Collection[int],
    limit: int,
    enough: int = 0,
    *,
    thorough: bool = False,
) -> Found:
    """The fewest waves found below `limit`. The first wave is one device of one of the groups
    `pilots`, by number. No more guides are tried once there are no more waves than `enough`;
    `thorough`: after the quick ones, those that keep more states."""
    states: tuple[State, ...] = ()
    quick = [(guide, WIDEST_LAYER, EFFORT) for guide in GUIDES[: 5 if len(groups) <= LEADS else 2]]
    slow = [(guide, WIDER_LAYER, MORE_EFFORT) for guide in GUIDES[:2] if thorough]
    for guide, layer, effort in quick + slow:
        found = _Search(groups, widest, limit, guide, layer, effort).run(pilots)
        if found.states:
            states, limit = found.states, len(found.states)
        if limit <= enough or len(groups) <= FEW:
            break
    if len(groups) > FEW:
        return Found(states, 0)
    exact = _Search(groups, widest, limit, None).run(pilots)
    return Found(exact.states or states, exact.least)


class _Search:
    def __init__(
        self,
        groups: tuple[Group, ...],
        widest: int,
        limit: int,
        guide: Guide | None,
        layer: int = WIDEST_LAYER,
        effort: int = EFFORT,
    ) -> None:
        """Without a guide all ways to fill a wave are gone through."""
        self.groups, self.widest, self.limit = groups, widest, limit
        self.whole, self.guide = guide is None, guide or GUIDES[0]
        self.layer, self.effort = layer, effort
        self.alone = [alone(group, widest) for group in groups]
        prices = best_prices(groups, widest)
        # The dearest price, and the dearest that looks more at the width of a wave.
        other = [price for price in prices if price.part < prices[0].part - 0.3]
        chosen = [prices[0], *other[:1], *prices[1:]][:2]
        self.rows = [price.sums for price in chosen]
        self.ahead = [price.ahead for price in chosen]
        self.shares = [(*group.shares, math.inf) for group in groups]
        self.all = tuple(len(group.shares) for group in groups)

    def run(self, pilots: Collection[int]) -> Found:
        layer: dict[State, State | None] = {
            tuple(int(group == start) for group in range(len(self.groups))): None
            for start in sorted(pilots)
        }
        least, waves = self.limit, 1
        layers = [layer]
        while layer and self.all not in layer:
            after: dict[State, State | None] = {}
            for state in layer:
                for further in self._all_moves(state) if self.whole else self._moves(state):
                    after.setdefault(further, state)
            waves += 1
            if waves >= self.limit:
                return Found((), least if self.whole else 0)
            layer, aside = self._best(after, waves, self._width())
            least = min(least, aside)
            layers.append(layer)
        if not layer:
            return Found((), least if self.whole else 0)
        states = [self.all]
        for earlier in layers[:0:-1]:
            if (before := earlier[states[-1]]) is not None:
                states.append(before)
        return Found(tuple(reversed(states)), min(least, waves) if self.whole else 0)

    def _width(self) -> int:
        if self.whole:
            return WIDTH[len(self.groups)]
        waves = 1 + sum(sums[0] for sums in self.rows[0])
        leads = min(len(self.groups), LEADS)
        return max(3, min(self.layer, int(self.effort / (waves * (leads + 2 * leads**2)))))

    def _best(
        self, after: dict[State, State | None], waves: int, width: int
    ) -> tuple[dict[State, State | None], int]:
        """The most promising states, and when those left aside could end at the earliest."""
        if self.all in after:
            return {self.all: after[self.all]}, self.limit
        room = self.limit - waves - 1 + SLACK
        ranked = []
        for state in after:
            costs = [self._cost(row, state) for row in self.rows]
            if max(costs) <= room:
                ranked.append((self._rank(state, costs), state, max(costs)))
        ranked.sort()
        kept: dict[State, State | None] = {}
        aside = self.limit
        for _, state, cost in ranked:
            if len(kept) >= width and not self.whole:
                break
            if any(all(map(int.__ge__, other, state)) for other in kept):
                continue
            if len(kept) >= width:
                aside = min(aside, waves + math.ceil(cost - SLACK))
            else:
                kept[state] = after[state]
        return kept, aside

    def _cost(self, row: list[list[float]], state: State) -> float:
        return sum([sums[gone] for sums, gone in zip(row, state, strict=True)])

    def _rank(self, state: State, costs: list[float]) -> float:
        guide = self.guide
        lost = [
            cost
            + guide.ahead * min([table[gone] for table, gone in zip(tables, state, strict=True)])
            for cost, tables in zip(costs, self.ahead, strict=True)
        ]
        longest = max([table[gone] for table, gone in zip(self.alone, state, strict=True)])
        return max(lost) + guide.both * sum(lost) + guide.longest * longest

    def _all_moves(self, state: State) -> Iterator[State]:
        """Every way to fill the next wave to which nobody can be added."""

        def fill(number: int, room: float, left: int, so_far: State) -> Iterator[State]:
            gone = state[number]
            most = self.groups[number].most(gone, room, left)
            if number == len(state) - 1:
                yield (*so_far, gone + most)
                return
            share = self.shares[number][gone]
            for count in range(most, -1, -1):
                rest = room - count * share if count else room
                yield from fill(number + 1, rest, left - count, (*so_far, gone + count))

        return fill(0, FULL, self.widest, ())

    def _moves(self, state: State) -> set[State]:
        """Some ways: one group first, then perhaps a second one, then what fits, in three orders
        (large shares, small shares, most waiting)."""
        waiting = [n for n, gone in enumerate(state) if gone < self.all[n]]
        size = [self.shares[n][gone] for n, gone in enumerate(state)]
        large = sorted(waiting, key=lambda n: -size[n])
        many = sorted(waiting, key=lambda n: state[n] - self.all[n])
        orders = (large, large[::-1], many)
        found: set[State] = set()

        def rest(taken: list[int], room: float, left: int) -> None:
            for order in orders:
                then, space, width = list(taken), room, left
                for n in order:
                    if size[n] <= space and width and not then[n]:
                        count = self.groups[n].most(state[n], space, width)
                        then[n] = count
                        space -= count * size[n]
                        width -= count
                found.add(tuple(map(int.__add__, state, then)))

        # Of groups that are alike now it does not matter which one goes.
        leads = list({(size[n], self.all[n] - state[n]): n for n in many[::-1]}.values())[::-1]
        for n in leads[:LEADS]:
            most = self.groups[n].most(state[n], FULL, self.widest)
            for count in {1, most}:
                taken = [0] * len(state)
                taken[n] = count
                room, left = FULL - count * size[n], self.widest - count
                rest(taken, room, left)
                for other in leads[:LEADS]:
                    if other != n and size[other] <= room and left:
                        for more in {1, self.groups[other].most(state[other], room, left)}:
                            both = list(taken)
                            both[other] = more
                            rest(both, room - more * size[other], left - more)
        return found


def alone(group: Group, widest: int) -> list[int]:
    """Waves that a group needs if it has them for itself, from each number of its devices that
    have gone. The widest batch each time is the best: whoever has more returns can do whatever
    the others do."""
    waves = [0] * (len(group.shares) + 1)
    for gone in range(len(group.shares) - 1, -1, -1):
        waves[gone] = 1 + waves[gone + max(1, group.most(gone, FULL, widest))]
    return waves
