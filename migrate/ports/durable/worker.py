"""A worker at its site: takes errands from its own queue, and says how it is.

An errand is one durable workflow, of one step for each leg of the change. The step is the run of a
single site as ever, with its own journal: begun again after a kill, it goes on where the journal
is. The worker opens connections to the store and to its devices, and listens nowhere.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, Protocol, TypeVar

import sqlalchemy as sa
from dbos import DBOS, error

from migrate.model.problems import BadFile, Busy, Exit, Problem
from migrate.planning.campaign.errands import (
    Order,
    SiteAccount,
    SitePlan,
    from_json,
    to_json,
)
from migrate.planning.campaign.look import BEAT_SECONDS
from migrate.ports.durable.database import is_postgres, reached, reaching
from migrate.ports.durable.launch import launch, leave
from migrate.ports.durable.names import ERRAND, application_of, queue_of
from migrate.ports.durable.tables import SITE, clock
from migrate.ports.protocols import StoreLost

BUSY_BEAT_SECONDS: Final = 2.0
"""While an errand is under way, a worker says so often how far it is."""
Result = TypeVar("Result")


class SiteWork(Protocol):
    """What a worker does at its site."""

    async def plan(self) -> SitePlan:
        """Plan the site's change and freeze it beside the worker."""
        ...

    async def move(self, order: Order, leg: int) -> SiteAccount:
        """Move the fleet by that leg (from 1), or go on with it."""
        ...

    async def back(self, order: Order, leg: int) -> SiteAccount:
        """Take back what that leg has moved, or go on with it."""
        ...

    def stop(self) -> None:
        """Stop between two devices; what is under way comes to its account."""
        ...

    @property
    def picture(self) -> SiteAccount | None:
        """How far it is."""
        ...


@dataclass
class Worker:
    """A worker in this process; there is one. `heard` is told whether the store is reached."""

    engine: sa.Engine
    site: str
    me: str
    tool: str
    work: SiteWork
    heard: Callable[[bool], None] = lambda reached: None
    mistaken: Callable[[Exception], None] = lambda error: None
    begins: Callable[[Order], None] = lambda order: None
    doing: str = ""
    reached: bool = False
    taken_over: bool = False
    left_open: bool = False
    leaving: bool = False

    async def go(self, leave: asyncio.Event) -> None:
        """Take errands until told to leave, or until another worker has taken over the site; then
        nothing more is sent, and what is on its way is still followed. The errand stays open, and
        goes on when the site's worker is started again.

        The process must end without cancelling what is left in the loop: an errand would come to
        an end in the store by that.
        """
        global _here
        _here = self
        await self._launched()
        beats = asyncio.create_task(self._beats())
        ends = [asyncio.create_task(one.wait()) for one in (leave, self._gone)]
        await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        self.leaving = True
        self.work.stop()
        while self.doing:
            await self._idle.wait()
        beats.cancel()

    def __post_init__(self) -> None:
        self._one = asyncio.Lock()
        self._gone = asyncio.Event()
        self._idle = asyncio.Event()
        self._news = asyncio.Event()
        self._told = asyncio.Event()

    async def claim(self, *, take_over: bool = False) -> None:
        """Be this site's worker. Raises Busy if another one is, BadFile if the store knows no such
        site, and StoreLost if the store turns this account away. Waits while it is not reached."""
        row = await self._patiently(self._row)
        if row is None and not is_postgres(self.engine):
            # A file for a trial has no accounts: whoever comes first makes the row.
            await self._patiently(self._make_row)
            row = await self._patiently(self._row)
        if row is None:
            raise BadFile(
                Problem(
                    f"the store knows no site {self.site!r}, or this account is not that site's",
                    "have the campaign prepared again: migrate campaign prepare",
                )
            )
        if row.worker not in (None, self.me) and not take_over:
            raise Busy(
                Problem(
                    f"site {self.site} has another worker, with other journals",
                    "start that one, or name its folder with --state; if that folder is lost, say "
                    "so with --take-over: devices that were on their way are then not known",
                )
            )
        await self._patiently(lambda: self._say({"worker": self.me}))

    async def _launched(self) -> None:
        """DBOS at work. The store may be away just now."""
        # The executor is the site: what it had not finished is its own when it is back. Its account
        # may make no tables.
        more = {"executor_id": self.site, "run_migrations": not is_postgres(self.engine)}
        while True:
            try:
                with reaching():
                    launch(self.engine, application_of(self.site), [queue_of(self.site)], **more)
            except error.DBOSException:
                raise BadFile(
                    Problem(
                        "the store was prepared by another version of DBOS",
                        "have the same version at every site and here, then: migrate campaign "
                        "prepare",
                    )
                ) from None
            except StoreLost:
                leave()
                self.heard(False)
                await asyncio.sleep(BUSY_BEAT_SECONDS)
            else:
                return

    async def _beats(self) -> None:
        """Say how it is, over and over, and hear whether to stop."""
        while True:
            account = self.work.picture if self.doing else None
            picture = None if account is None else to_json(account)
            with suppress(Exception):  # whatever befalls the store, the work here goes on
                values = {"doing": self.doing, "picture": picture}
                row = await self._reach(partial(self._say, values))
                self._told.set()
                if row and row.stopping and row.stopping == self.doing:
                    self.work.stop()
                if row and row.worker != self.me:
                    self.taken_over = True
                    self._gone.set()
            self._news.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout(BUSY_BEAT_SECONDS if self.doing else BEAT_SECONDS):
                    await self._news.wait()

    async def told(self) -> None:
        """Return when the store has been told anew how far it is."""
        self._told.clear()
        self._news.set()
        await self._told.wait()

    def _row(self) -> Any:
        with self.engine.begin() as db:
            return db.execute(sa.select(SITE.c.worker).where(SITE.c.site == self.site)).first()

    def _make_row(self) -> None:
        with suppress(sa.exc.IntegrityError), self.engine.begin() as db:
            db.execute(sa.insert(SITE).values(site=self.site))

    def _say(self, values: dict[str, Any]) -> Any:
        """Write how it is, unless another is the site's worker by now; the row: who is, and what
        the owner wants stopped."""
        at = clock(self.engine)
        with self.engine.begin() as db:
            mine = SITE.c.site == self.site
            update = sa.update(SITE).where(mine).values(tool=self.tool, heard_at=at, **values)
            if "worker" not in values:
                update = update.where(SITE.c.worker == self.me)
            db.execute(update)
            return db.execute(sa.select(SITE.c.stopping, SITE.c.worker).where(mine)).first()

    async def _reach(self, do: Callable[[], Result]) -> Result:
        try:
            result = await reached(do)
        except StoreLost:
            self.heard(False)
            raise
        self.reached = True
        self.heard(True)
        return result

    async def _patiently(self, do: Callable[[], Result]) -> Result:
        while True:
            try:
                return await self._reach(do)
            except StoreLost as lost:
                if lost.why and not self.reached:
                    raise
                await asyncio.sleep(BUSY_BEAT_SECONDS)

    async def at_work(self, key: str, do: Callable[[], Awaitable[str]]) -> str:
        """Do a step of an errand. If the worker leaves meanwhile, this never returns: the errand
        stays open."""
        # One after the other, also where the store says otherwise: an errand that somebody has
        # cancelled in the database is done to its end here all the same.
        async with self._one:
            if not self.leaving:
                self.doing = key
                self._idle.clear()
                self._news.set()
                try:
                    result = await do()
                finally:
                    # Before anybody who waits for this is told.
                    self.left_open = self.leaving
                    self.doing = ""
                    self._idle.set()
                    self._news.set()
                if not self.leaving:
                    return result
        self.left_open = True
        await asyncio.Event().wait()
        raise AssertionError

    async def step(self, order: Order, leg: int) -> str:
        """One step, as it stands in the store. Nothing is raised: what an exception says would be
        written down there."""
        if order.site != self.site:
            return to_json(SiteAccount(exit=Exit.BAD_FILE))
        self.begins(order)
        try:
            if order.kind == "plan":
                return to_json(await self.work.plan())
            if order.kind == "back":
                return to_json(await self.work.back(order, leg))
            return to_json(await self.work.move(order, leg))
        except Exception as mistake:  # noqa: BLE001 - told here, and as an account there
            self.mistaken(mistake)
            if order.kind == "plan":
                return to_json(SitePlan(exit=Exit.BUG, tool=self.tool))
            return to_json(SiteAccount(exit=Exit.BUG, leg=leg, of=len(order.legs), began=True))


_here: Worker | None = None


@DBOS.workflow(name=ERRAND, max_recovery_attempts=None)
async def errand(text: str) -> str:
    """What an order comes to. Leg after leg, each one step; back from the last to the first."""
    try:
        order = from_json(text, Order, "order")
    except BadFile:
        return to_json(SiteAccount(exit=Exit.BAD_FILE))
    legs = list(range(1, len(order.legs) + 1)) if order.kind != "plan" else [1]
    result = to_json(SiteAccount(exit=Exit.BAD_FILE))
    for leg in reversed(legs) if order.kind == "back" else legs:
        result = await _step(text, leg)
        if order.kind != "plan" and from_json(result, SiteAccount, "account").exit is not Exit.DONE:
            break
    return result


@DBOS.step(name="leg")
async def _step(text: str, leg: int) -> str:
    here, key = _here, DBOS.workflow_id
    if here is None or key is None:
        raise RuntimeError("an errand is done by a worker")
    order = from_json(text, Order, "order")
    return await here.at_work(key, lambda: here.step(order, leg))
