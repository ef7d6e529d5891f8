"""What the first waves lose, whatever their order: a search of its own, with a proof in `bound.py`.

Until some group comes below a size `until`, shares are large and leave room in a wave that nothing
is small enough to fill. This looks for the cheapest way to get there, by what is lost in each
wave: 1 less the prices of the devices in it. It is A* (Hart, Nilsson and Raphael 1968): the state
with the least loss so far and the least that must follow comes first. If it is stopped, the state
that would have come next still tells how much is lost at least.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush

from migrate.planning.groups import FULL

Ahead = Sequence[Sequence[float]]


@dataclass(frozen=True)
class Curve:
    """Groups that cannot be told apart before one of them comes below the size.

    `shares` as in Group; `end`: how many have gone when they do (or all of them); `goal`: whether
    they ever do. `groups`: how many there are; `single`: whether the price of a batch is that of
    its devices one by one, each at its own share. `ahead`: for each phase and number of devices
    gone, what is lost at least if such a group is the first in that phase.
    """

    shares: tuple[float, ...]
    end: int
    goal: bool
    groups: int
    single: bool
    missed: float
    ahead: Ahead


At = tuple[int, int]
State = tuple[At, ...]
"""For each group its curve and how many have gone, sorted: groups of one curve are alike."""


def opening_loss(
    curves: Sequence[Curve], price: Callable[[float, int], float], widest: int, steps: int
) -> float:
    """Least loss until a group has come below the size, looking at no more than so many waves."""
    return _Opening(curves, price, widest).least(steps)


class _Opening:
    def __init__(
        self, curves: Sequence[Curve], price: Callable[[float, int], float], widest: int
    ) -> None:
        self.curves, self.price, self.widest = curves, price, widest
        self.gains: dict[tuple[int, int, int], float] = {}

    def least(self, steps: int) -> float:
        # A device whose price is 1 goes alone, as long as no device costs nothing: it may as well
        # go at once, since no other wave has a place for it and none is lost by it.
        self.alone = all(self.price(curve.shares[-1], 1) > 0 for curve in self.curves)
        start = [(n, 0) for n, curve in enumerate(self.curves) for _ in range(curve.groups)]
        known: dict[State, float] = {}
        queue: list[tuple[float, float, State]] = []

        def reach(state: State, loss: float) -> None:
            if loss < known.get(state, 1e9) - 1e-12:
                known[state] = loss
                heappush(queue, (loss + self._ahead(state), loss, state))

        for at in set(start):
            others = Counter(start)
            others[at] -= 1
            pilot = (*others.elements(), (at[0], self._gone(at, 1)))
            gain = self._gain(at, 1)
            missed = sum(self.curves[n].missed for n, _ in others.elements())
            if self.alone and gain == 1:
                missed = 0.0
            reach(self._settled(pilot), 1 - gain + missed)
        while queue:
            whole, loss, state = heappop(queue)
            ends = any(self.curves[n].goal and gone >= self.curves[n].end for n, gone in state)
            if ends:
                return whole
            if loss <= known[state]:
                for further, lost in self._waves(state):
                    steps -= 1
                    if steps < 0:
                        return whole
                    reach(self._settled(further), loss + lost)
        return 0.0

    def _settled(self, state: State) -> State:
        if not self.alone:
            return tuple(sorted(state))
        return tuple(sorted(self._past_alone(at) for at in state))

    def _past_alone(self, at: At) -> At:
        curve = self.curves[at[0]]
        while at[1] < curve.end and self.price(curve.shares[at[1]], 1) == 1:
            at = (at[0], self._gone(at, 1))
        return at

    def _ahead(self, state: State) -> float:
        tables = [(self.curves[n].ahead, gone) for n, gone in state]
        return sum(
            min(ahead[phase][gone] for ahead, gone in tables) for phase in range(len(tables[0][0]))
        )

    def _gone(self, at: At, count: int) -> int:
        return min(at[1] + count, self.curves[at[0]].end)

    def _gain(self, at: At, count: int) -> float:
        """The prices of a batch."""
        key = (*at, count)
        if key not in self.gains:
            curve = self.curves[at[0]]
            self.gains[key] = (
                sum(self.price(share, 1) for share in curve.shares[at[1] : at[1] + count])
                if curve.single
                else self.price(curve.shares[at[1]], count)
            )
        return self.gains[key]

    def _waves(self, state: State) -> Iterator[tuple[State, float]]:
        """Every wave to which nobody can be added: where it leads, and what is lost in it."""
        kinds = [(at, groups) for at, groups in Counter(state).items() if self._left(at)]
        sizes = [self.curves[n].shares[gone] for (n, gone), _ in kinds]
        done = [at for at in state if not self._left(at)]
        each = [size for size, (_, groups) in zip(sizes, kinds, strict=True) for _ in range(groups)]

        def fill(
            kind: int,
            groups: int,
            most: int,
            room: float,
            left: int,
            so_far: list[At],
            gain: float,
            missed: float,
        ) -> Iterator[tuple[State, float]]:
            if groups == 0:
                kind += 1
                if kind == len(kinds):
                    fit = zip(so_far, each, strict=True)
                    if not left or not any(size <= room and self._left(a) for a, size in fit):
                        yield (*done, *so_far), max(0.0, 1 - gain) + missed
                    return
                groups, most = kinds[kind][1], self.widest
            at, size = kinds[kind][0], sizes[kind]
            fits = min(most, left, self._left(at), int((room + 1e-12) / size))
            for count in range(fits, -1, -1):
                yield from fill(
                    kind,
                    groups - 1,
                    count,
                    room - count * size,
                    left - count,
                    [*so_far, (at[0], self._gone(at, count))],
                    gain + (self._gain(at, count) if count else 0.0),
                    missed + (0.0 if count else self.curves[at[0]].missed),
                )

        return fill(-1, 0, 0, FULL, self.widest, [], 0.0, 0.0) if kinds else iter(())

    def _left(self, at: At) -> int:
        return len(self.curves[at[0]].shares) - at[1]
