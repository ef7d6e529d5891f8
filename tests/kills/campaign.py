"""Many stories side by side, until there were enough kills; and the table of what came of them."""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import count

from .checks import KINDS
from .house import FLEET
from .processes import Fork
from .stories import PHASES, STORIES, Told, Usual, measured, tell


@dataclass
class Campaign:
    """What came of all stories so far."""

    seed: int
    usual: Usual
    told: list[Told] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def kills(self) -> int:
        """Processes that were killed."""
        return sum(len(one.kills) for one in self.told)

    @property
    def failed(self) -> list[Told]:
        """Stories in which something was found."""
        return [one for one in self.told if one.found]

    def table(self) -> Iterator[str]:
        """The campaign in lines."""
        run, back = self.usual.run, self.usual.back
        yield (
            f"undisturbed: a run takes {run.seconds:.1f} s, a rollback {back.seconds:.1f} s; "
            f"the journal is seen to grow {run.growths} and {back.growths} times; "
            f"{len(FLEET)} devices"
        )
        kills = [kill for one in self.told for kill in one.kills]
        aimed = Counter(type(kill.moment).__name__ for kill in kills)
        yield (
            f"{len(kills)} kills in {len(self.told)} stories, {self.seconds:.0f} s: "
            f"{aimed['After']} at any moment, {aimed['Grown']} as the journal grew, "
            f"{aimed['Taken']} as a device took its message"
        )
        anew = sum(len(one.kills) for one in self.told if one.anew)
        missed = sum(one.missed for one in self.told)
        yield f"{anew} of them of a process started anew; {missed} more came too late"
        yield ""
        for phase in PHASES:
            yield _row(f"killed while {phase}", sum(kill.phase == phase for kill in kills))
        yield ""
        for name in STORIES:
            here = [one for one in self.told if one.name == name]
            number = sum(len(one.kills) for one in here)
            yield _row(f"{name} ({len(here)} stories)", number)
        yield ""
        yield _row("devices moved at the end", sum(one.moved for one in self.told))
        yield _row("devices as before at the end", sum(one.restored for one in self.told))
        for kind, words in KINDS.items():
            yield _row(words, sum(f.kind == kind for one in self.told for f in one.found))

    def failure(self, one: Told) -> Iterator[str]:
        """A story in which something was found, and how it is told again."""
        yield ""
        yield f"story {one.index}, {one.name}{', started anew' if one.anew else ''}:"
        for kill in one.kills:
            yield f"  {kill.command} killed {kill.moment} ({kill.seconds:.3f} s), {kill.phase}"
        for finding in one.found:
            yield f"  {finding.kind}: {finding.words}"
        yield from (f"    | {line}" for line in one.said.splitlines()[-25:])
        yield f"  again: python -m tests.kills 1 --seed {self.seed} --story {one.index}"


def _row(words: str, number: int) -> str:
    return f"  {words:<52}{number:>6}"


async def campaign(
    kills: int,
    seed: int,
    at_once: int,
    first: int = 0,
    usual: Usual | None = None,
    say: Callable[[str], object] = lambda words: None,
) -> Campaign:
    """Tell stories from number `first` on until so many processes have been killed. `usual`: how
    long commands take; measured first if it is not known. `say` is told of failures at once."""
    fork = Fork()
    try:
        going = Campaign(seed, usual or await measured(fork, at_once))
        begun = time.monotonic()
        numbers = count(first)

        async def one_after_the_other() -> None:
            while going.kills < kills:
                one = await tell(fork, going.usual, seed, next(numbers))
                going.told.append(one)
                for line in going.failure(one) if one.found else ():
                    say(line)

        async with asyncio.TaskGroup() as group:
            for _ in range(at_once):
                group.create_task(one_after_the_other())
        going.seconds = time.monotonic() - begun
        return going
    finally:
        fork.close()
