"""What a worker's account says when an errand goes otherwise than it began."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from pathlib import Path

import pytest

from migrate.model.problems import Exit
from migrate.planning.campaign.errands import Order, SiteAccount
from migrate.virtual.clock import run_virtual
from tests.swarm.gauge import Cut
from tests.swarm.scenario import Change

from .homes import HERE, Home, in_virtual_time
from .scenario import device, setting


def at_a_site(
    folder: Path,
    change: tuple[Change, ...],
    script: Callable[[Home, Order], Coroutine[None, None, SiteAccount]],
) -> SiteAccount:
    async def main() -> SiteAccount:
        devices = [device(number, "larch", "http") for number in range(4)]
        scenario = setting(devices, change, stranded=1, confidence=0.95)
        home = Home("alder", scenario, folder / "alder", "test")
        HERE.set(home)
        legs = tuple(leg.digest for leg in home.plan.legs)
        return await script(home, Order(kind="move", site="alder", campaign="one", legs=legs))

    with in_virtual_time():
        return run_virtual(main())


def another_run(home: Home) -> None:
    home.held = {"device-0"}


def no_journal(home: Home) -> None:
    path = home.journal(home.plan.legs[0].digest)
    assert path is not None
    for part in path.parent.glob("journal.sqlite3-*"):
        part.unlink()
    path.write_bytes(b"x" * 5000)


def no_plan(home: Home) -> None:
    for path in (home.folder / "state" / "campaign" / "plans").iterdir():
        path.unlink()


@pytest.mark.parametrize(
    ("mishap", "ends"),
    [(another_run, Exit.BUSY), (no_journal, Exit.JOURNAL), (no_plan, Exit.BAD_FILE)],
)
def test_what_was_sent_before_a_kill_is_not_forgotten(
    mishap: Callable[[Home], None], ends: Exit, tmp_path: Path
) -> None:
    """A device was told, the worker was killed, and whoever goes on is turned away."""

    async def script(home: Home, order: Order) -> SiteAccount:
        home.gauge.cuts = {70: "cut"}
        with pytest.raises((Cut, BaseExceptionGroup)):
            await home.work().move(order, 1)
        assert any(unit.taken for unit in home.house.units.values())
        home.gauge.dead = False
        mishap(home)
        return await home.work().move(order, 1)

    account = at_a_site(tmp_path, ("wifi",), script)
    assert (account.exit, account.began) == (ends, True)


def test_what_the_leg_before_has_sent_is_not_forgotten(tmp_path: Path) -> None:
    """The second leg is stopped before it has sent anything."""

    async def script(home: Home, order: Order) -> SiteAccount:
        assert len(order.legs) == 2
        first = await home.work().move(order, 1)
        assert first.exit is Exit.DONE
        work = home.work()
        asyncio.get_running_loop().call_later(0.05, work.stop)
        return await work.move(order, 2)

    account = at_a_site(tmp_path, ("wifi", "group"), script)
    assert not any(one.sent for one in account.devices)
    assert (account.exit, account.began) == (Exit.STOPPED, True)
