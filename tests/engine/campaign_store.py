"""A store of a campaign in memory, in virtual time, and what comes of its errands by a script."""

from __future__ import annotations

import asyncio
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Literal, TypeVar

from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import DeviceAccount, Order, SiteAccount
from migrate.planning.campaign.look import Look, SiteSign, Wanted
from migrate.planning.campaign.standing import Errand, Phase
from migrate.ports.protocols import StoreLost

T = TypeVar("T")
TAKEN, WORK = 1.0, 60.0
"""Seconds until a worker takes what is on its queue, and until it has done it."""
EVER = math.inf
DONE = SiteAccount(exit=Exit.DONE, began=True)
LAMP = DeviceAccount(name="lamp", state=State.DECLINED, direction=Direction.FORWARD, sent=True)
HELD = SiteAccount(exit=Exit.HELD, began=True, devices=(LAMP,))
NOTHING_SENT = SiteAccount(exit=Exit.UNREACHABLE)
STOPPED = SiteAccount(exit=Exit.STOPPED, began=True)


class Store:
    """What stands in it is worked out from the time. `ends`: what the errands of a site come to,
    one after the other, DONE where nothing is said. `silent`: until when a worker is not heard of.
    `lost`: spans in which the store cannot be reached; `deaf`: in them it is reached, and only its
    reply is not."""

    def __init__(
        self,
        ends: Mapping[str, Sequence[SiteAccount]] | None = None,
        silent: Mapping[str, float] | None = None,
        lost: Sequence[tuple[float, float]] = (),
        *,
        deaf: bool = False,
    ) -> None:
        self.ends = {name: list(line) for name, line in (ends or {}).items()}
        self.silent = dict(silent or {})
        self.lost, self.deaf = lost, deaf
        self.wanted: Wanted = "run"
        self.orders: dict[str, Order] = {}
        self.given: Counter[str] = Counter()
        self.tries = 0
        self.waited: dict[str, asyncio.Event] = {}
        self._asked: dict[str, tuple[float, SiteAccount]] = {}
        self._stops: dict[str, float] = {}

    @property
    def now(self) -> float:
        return asyncio.get_running_loop().time()

    async def look(self, campaign: str, sites: Sequence[str]) -> Look:
        return await self._reach(lambda: self._look(sites))

    async def give(self, order: Order) -> None:
        await self._reach(lambda: self._give(order))

    async def want(self, campaign: str, wanted: Wanted) -> None:
        def keep() -> None:
            self.wanted = wanted

        await self._reach(keep)

    async def stop_errands(self, keys: Mapping[str, str]) -> None:
        def keep() -> None:
            for key in keys.values():
                self._stops.setdefault(key, self.now)

        await self._reach(keep)

    async def news(self, seconds: float) -> None:
        await asyncio.sleep(seconds)

    async def _reach(self, do: Callable[[], T]) -> T:
        self.tries += 1
        if any(begin <= self.now < end for begin, end in self.lost):
            if self.deaf:
                do()
            raise StoreLost
        return do()

    def _look(self, sites: Sequence[str]) -> Look:
        errands: dict[str, list[Errand]] = {}
        for key, order in self.orders.items():
            errands.setdefault(order.site, []).append(self._errand(key, order))
        signs = {
            name: SiteSign(heard_at=self.now)
            for name in sites
            if self.now >= self.silent.get(name, 0.0)
        }
        return Look(self.now, self.wanted, errands, signs)

    def _give(self, order: Order) -> None:
        key = f"{order.site}/{order.kind}/{order.attempt}"
        self.given[key] += 1
        if key not in self.orders:
            self.orders[key] = order
            line = self.ends.get(order.site, [])
            self._asked[key] = (self.now, line.pop(0) if line else DONE)
            if key in self.waited:
                self.waited[key].set()
        assert self.orders[key] == order, "the same key, and another order"

    def _errand(self, key: str, order: Order) -> Errand:
        asked, account = self._asked[key]
        taken = max(asked, self.silent.get(order.site, 0.0)) + TAKEN
        ended = taken + WORK
        if key in self._stops and max(self._stops[key], taken) < ended:
            ended, account = max(self._stops[key], taken) + 5, STOPPED
        kind: Literal["move", "back"] = "back" if order.kind == "back" else "move"
        if self.now >= ended:
            return Errand(key, kind, order.attempt, "done", account, asked, taken, ended)
        phase: Phase = "taken" if self.now >= taken else "asked"
        return Errand(key, kind, order.attempt, phase, None, asked)
