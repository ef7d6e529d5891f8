"""What is done with several devices at once, on the way there and on the way back."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine, Iterable

from migrate.engine.ground import Ground
from migrate.engine.journey import Journey, arrived_for_good
from migrate.engine.outputs import Outputs
from migrate.engine.switchover import reasons_of
from migrate.engine.tidings import Outcome
from migrate.journal.store import STOPPED
from migrate.model.lifecycle import FAULTS, UNRESOLVED, Direction, State
from migrate.model.problems import Exit, Problem, Refused, Trouble
from migrate.planning.bundles import resolved
from migrate.planning.refusals.carrying import carried

BROKEN_OFF = Problem(
    "the journey of a device was broken off, and nobody had asked for that",
    "this is a mistake in migrate; resume the run, which finds out about the device",
)


class Several:
    """Journeys side by side, on one ground."""

    def __init__(self, ground: Ground) -> None:
        self._on = ground

    async def follow_up(self, names: Iterable[str]) -> None:
        """Find out about devices whose fate is open, as after a crash."""
        open_ = [
            name
            for name in names
            if not self._on.journal.row(name).written_off
            and (
                self._on.journal.row(name).state in UNRESOLVED | FAULTS
                or self.may_have_left_unseen(name)
            )
        ]
        await together(self._journey(name).go() for name in open_)

    async def send(self, names: Iterable[str]) -> None:
        """Give these devices their bundles, and go along with them."""
        await together(self._journey(name).send() for name in names)

    async def see_to_outputs(self, names: Iterable[str]) -> None:
        """The outputs of devices that had arrived when an interruption came."""
        await together(
            Outputs(self._on, self._on.crew.members[name]).see_to()
            for name in names
            if arrived_for_good(self._on.journal.row(name))
        )

    def check_carried(self, names: Iterable[str], *, only_back: bool = False) -> None:
        """Last look, in every process: the bundles as they are now fit their dialects, secrets
        included. Those may have changed since the plan was made, or since the run was begun.
        Raises Refused."""
        problems: list[Problem] = []
        for name in names:
            member = self._on.crew.members[name]
            bundles = [(self._on.journal.way_back(name) or {}, "the way back: ")]
            if not only_back:
                bundles.append((member.planned.bundle, ""))
            for frozen, what in bundles:
                values = resolved(frozen, self._on.crew.resolve)
                problems += carried(member.device, member.dialect, values, what)
        if problems:
            raise Refused(problems)

    def may_have_left_unseen(self, name: str) -> bool:
        """Whether it was sent something and seemed to be none the worse for it: delivered twice, a
        message may have been declined once and taken once."""
        row = self._on.journal.row(name)
        if row.direction is not Direction.FORWARD:
            return False
        waits = row.state is State.WAITING and self._on.journal.seemed_unsent(name)
        return waits or row.state is State.DECLINED

    def reasons(self, names: Iterable[str]) -> tuple[str, ...]:
        """What is known of these devices, in words."""
        return reasons_of(self._on.journal.row(name) for name in names)

    def stopped(self) -> Outcome:
        """The run was stopped on the owner's word."""
        self._on.journal.remark(STOPPED, "on the owner's word")
        return Outcome(Exit.STOPPED, "stopped between devices, as you asked")

    def _journey(self, name: str) -> Journey:
        return Journey(self._on, self._on.crew.members[name])


async def together(journeys: Iterable[Coroutine[None, None, None]]) -> None:
    """All at once. A journal that fails ends all of them: nothing is sent without it."""
    tasks: list[asyncio.Task[None]] = []
    try:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(journey) for journey in journeys]
    except* Trouble as troubles:
        first: BaseException = troubles.exceptions[0]
        while isinstance(first, BaseExceptionGroup):
            first = first.exceptions[0]
        failed = first
    else:
        # A group says nothing of a task that ended so without being told to.
        if any(task.cancelled() for task in tasks):
            raise Trouble(BROKEN_OFF)
        return
    raise failed
