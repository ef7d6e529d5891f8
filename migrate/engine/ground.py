"""What all journeys of a run stand on: the crew, the journal, the world, and what was learned."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from datetime import datetime

from migrate.engine.crew import Crew, Member
from migrate.engine.seek import Seeker
from migrate.engine.talk import Talker
from migrate.engine.tidings import Tell
from migrate.journal.store import Journal
from migrate.model.deadline import Estimate
from migrate.planning.hours import is_quiet
from migrate.ports.protocols import World


@dataclass
class Ground:
    """What all journeys of a run stand on. `put_off`: devices whose quiet hours began before they
    were sent anything. `outputs_read`: when this process read the outputs of a device last, by the
    loop's time and by the time of day."""

    crew: Crew
    journal: Journal
    world: World
    talker: Talker
    seeker: Seeker
    tell: Tell
    sends: asyncio.Semaphore
    stopping: asyncio.Event
    returns: Estimate | None = None
    put_off: set[str] = field(default_factory=set)
    outputs_read: dict[str, tuple[float, datetime]] = field(default_factory=dict)

    def quiet(self, member: Member) -> bool:
        """Whether it is in its quiet hours now."""
        return is_quiet(member.planned.quiet, self.world.now(), self.world.zone)

    def learn(self, seconds: float) -> None:
        """A device came back after this time."""
        known = self.returns
        self.returns = Estimate.first(seconds) if known is None else known.after(seconds)
