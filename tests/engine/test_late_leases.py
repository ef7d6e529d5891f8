"""A look that has begun hears of a new lease: the old address, at which nobody is any more, does
not hold it up."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from ipaddress import IPv4Address

from migrate.cli.conduct import world_for
from migrate.dialects.messages import Reply, Request
from migrate.engine.seek import Seeker
from migrate.engine.talk import Talker
from migrate.model.secrets import Redactor
from migrate.ports.protocols import At, Line, SideName

from .harness import HouseMaker, six
from .test_roll_call import PACE, whole

LONG = 60.0


async def test_a_lease_that_comes_in_the_midst_of_a_look(make_house: HouseMaker) -> None:
    async with make_house(*six(), pace=PACE) as house:
        crew = whole(house)
        name = next(n for n, m in crew.members.items() if m.device.via == "http")
        member, home = crew.members[name], str(house.unit(name).address)
        silent = str(IPv4Address(home) + 100)
        asked: list[str] = []
        silence = asyncio.Event()

        class Finds:
            async def addresses(self, mac: str, side: SideName) -> Sequence[str]:
                # Only once somebody waits at the silent one does the lease appear.
                return [silent, home] if silence.is_set() else [silent]

        class Hangs:
            def __init__(self, line: Line) -> None:
                self._line = line

            async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
                asked.append(at.address)
                if at.address == silent:
                    silence.set()
                    await asyncio.Event().wait()
                return await self._line.exchange(request, at, seconds)

        device = member.device.model_copy(update={"address": None})
        member = replace(member, device=device)
        async with world_for(crew) as world:
            world = replace(world, finder=Finds(), line=Hangs(world.line))
            seeker = Seeker(crew, world, Talker(world.line, Redactor()))
            async with asyncio.timeout(10):
                look = await seeker.look(member, LONG)
        assert look.found["old"].readings.mac == device.mac
        assert asked == [silent, home]
