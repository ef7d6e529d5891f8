"""A change in several legs at a site of a campaign: where the owner's access point is waited for,
the errand is held, and goes on by the next one."""

from __future__ import annotations

import shutil
from itertools import count
from pathlib import Path

from migrate.cli.site_work import SiteHome
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import Answers, Kind, Order, SiteAccount, SitePlan
from tests.engine.harness import Dev
from tests.engine.legged import LegHouse

NONE = Answers()
NUMBERS = count(1)
"""Each errand has its own: what the owner answers is heeded once."""


async def _errand(
    home: SiteHome, plan: SitePlan, kind: Kind, answers: Answers = NONE
) -> SiteAccount:
    """As the durable workflow does it: leg after leg, until one does not come to its end."""
    legs = tuple(leg.digest for leg in plan.legs)
    number = next(NUMBERS)
    order = Order(
        kind=kind, site="alder", campaign="one", attempt=number, legs=legs, answers=answers
    )
    do = home.move if kind == "move" else home.back
    numbers = list(range(1, len(legs) + 1))
    account = SiteAccount(exit=Exit.BUG)
    for leg in numbers if kind == "move" else reversed(numbers):
        account = await do(order, leg)
        if account.exit is not Exit.DONE:
            break
    return account


def _home(house: LegHouse, folder: Path) -> SiteHome:
    return SiteHome(house.fleet, house.playbook, folder / "site-state")


async def test_the_access_point_is_waited_for_between_errands(tmp_path: Path) -> None:
    devices = [Dev("lamp", "larch"), Dev("plug", "rowan")]
    async with LegHouse(tmp_path, devices, switchover=True, accept=1) as house:
        home = _home(house, tmp_path)
        plan = await home.plan()
        assert plan.exit is Exit.DONE
        assert [leg.together for leg in plan.legs].count(True) == 1
        waits = await _errand(home, plan, "move")
        assert (waits.exit, waits.flip, waits.began) == (Exit.HELD, True, True)
        # Asked once more without a word, it waits on, and nobody is sent anything.
        taken = {name: len(unit.messages_that_changed) for name, unit in house.lab.units.items()}
        again = await _errand(home, plan, "move")
        assert (again.exit, again.flip) == (Exit.HELD, True)
        assert taken == {
            name: len(unit.messages_that_changed) for name, unit in house.lab.units.items()
        }
        house.lab.flip()
        account = await _errand(home, plan, "move", Answers(flipped=True))
        assert account.exit is Exit.DONE
        assert account.there == len(account.devices) == 2
        assert all(house.moved(name) for name in house.lab.units)
        # All of it is over: to be asked again is harmless.
        assert (await _errand(home, plan, "move")).exit is Exit.DONE


async def test_every_leg_goes_back_the_last_one_first(tmp_path: Path) -> None:
    # A new group topic: those with a spare topic are told it first, then everybody.
    devices = [Dev("http", "rowan"), Dev("mqtt", "rowan", "mqtt"), Dev("lamp", "larch", "mqtt")]
    async with LegHouse(tmp_path, devices, change=("group",)) as house:
        home = _home(house, tmp_path)
        plan = await home.plan()
        assert [leg.devices for leg in plan.legs] == [2, 3]
        moved = await _errand(home, plan, "move")
        assert (moved.exit, moved.there, moved.leg, moved.of) == (Exit.DONE, 3, 2, 2)
        back = await _errand(home, plan, "back")
        assert back.exit is Exit.DONE
        # The account has also the device with which the last leg had nothing to do.
        assert {device.name: str(device.state) for device in back.devices} == dict.fromkeys(
            ("http", "mqtt", "lamp"), "restored"
        )
        assert all(house.as_before(name) for name in house.lab.units)


async def test_a_worker_without_its_journals_takes_nothing_back(tmp_path: Path) -> None:
    """Its disk was lost: that there is nothing to be taken back must not be said."""
    async with LegHouse(tmp_path, [Dev("lamp", "larch")]) as house:
        home = _home(house, tmp_path)
        plan = await home.plan()
        assert (await _errand(home, plan, "move")).exit is Exit.DONE
        taken = len(house.unit("lamp").messages_that_changed)
        shutil.rmtree(home.state / "runs")
        shutil.rmtree(home.state / "campaign" / "begun")
        assert (await _errand(home, plan, "back")).exit is Exit.JOURNAL
        assert len(house.unit("lamp").messages_that_changed) == taken
