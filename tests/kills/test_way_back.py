"""What kills have brought to light about the way back, told again so that it happens each time."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import pytest

from migrate.journal.store import Journal
from migrate.lab import BrokerKind, two_networks_possible
from migrate.model.lifecycle import Direction, State
from migrate.ports.protocols import World
from tests.engine.harness import Dev, House, Pace
from tests.engine.test_crash import Fuse, FusedJournal, FusedLine
from tests.engine.watch import Passed, Watch

pytestmark = pytest.mark.skipif(
    not two_networks_possible(), reason="this machine has one loopback address"
)
PACE = Pace(soak_seconds=0.1, least=1, most=3, reply_seconds=1)


@dataclass
class FuseAt(Fuse):
    """Blows at the first thing of this name."""

    what: str = ""

    def burn(self, what: str) -> None:
        self.blown = self.blown or what == self.what
        self.check()


async def ends_at(house: House, what: str, *, back: bool) -> None:
    """A process that ends at the first thing of this name."""
    fuse = FuseAt(0, what=what)
    journal = cast(Journal, FusedJournal(house.journal, fuse))

    def bend(world: World) -> World:
        return replace(world, line=FusedLine(world.line, fuse))

    try:
        await house.run(lambda c: c.back() if back else c.forward(), journal, bend)
    except BaseException as error:
        if not fuse.blown or isinstance(error, asyncio.CancelledError):
            raise
    assert fuse.blown
    house.reopen()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of the owner's."""
    tmp_path.chmod(0o700)
    return tmp_path


async def test_killed_before_a_device_that_never_left_is_sent_its_way_back(folder: Path) -> None:
    """A sedge holds the new settings, but was never told to restart. The rollback finds that out
    and is killed; the next one must give it its way back."""
    async with House(folder, [Dev("vent", "sedge")], brokers=BrokerKind.NONE, pace=PACE) as house:
        await ends_at(house, "write answered", back=False)
        assert house.unit("vent").store != house.before["vent"]
        await ends_at(house, "intend", back=True)
        row = house.journal.row("vent")
        assert (row.direction, row.state) == (Direction.BACK, State.RETURNED)
        outcome = await house.back()
        assert outcome.done, outcome
        assert house.bundles("vent") == 2


async def test_rolled_back_while_a_restart_is_about_to_come(folder: Path) -> None:
    """A rowan took its bundle and restarts by itself a moment later (docs/manuals/rowan.md). A
    rollback that begins in between must not send the way back to where the device is about to
    leave; here it leaves just then."""
    async with House(folder, [Dev("plug", "rowan")], brokers=BrokerKind.NONE, pace=PACE) as house:
        await ends_at(house, "write answered", back=False)
        watch = Watch(house)

        async def leaves(one: Passed) -> None:
            if one.kind == "write":
                await house.lab.wait_until(lambda: house.lab.where("plug") == "new")

        watch.before.append(leaves)
        outcome = await house.run(lambda c: c.back(), bend=watch)
        assert outcome.done, outcome
        assert house.as_before("plug")
