"""Kill whoever takes part in a campaign, at any moment, many times: the coordinator, a worker, the
database server, or the line between a worker and the store. Whoever is killed is started again, as
by a service manager; a line is mended after a while.

    python -m tests.campaign.kills 100 [--seed N] [--at-once 2]
    python -m tests.campaign.kills 1 --seed N --story I        one story again: the same draws
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import logging
import secrets
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from random import Random

from tests.kills.checks import KINDS, Finding

from .checks import everything
from .line import How
from .trio import SITES, Process, Trio

EACH = 6
"""Blows in one story."""
WITHIN_SECONDS = 9.0
"""In which they fall, from the start of the coordinator: about as long as it takes undisturbed."""
AWAY_SECONDS = (0.1, 4.0)
"""How long a server or a line stays away."""
LONGEST_SECONDS = 150.0


@dataclass(frozen=True)
class Blow:
    """Who is hit, when, and for how long it stays away."""

    at: float
    whom: str
    how: str
    away: float

    def __str__(self) -> str:
        return f"{self.whom} {self.how} at {self.at:.2f} s for {self.away:.2f} s"


@dataclass
class Told:
    """What came of one story."""

    index: int
    hit: list[Blow] = field(default_factory=list)
    missed: int = 0
    found: list[Finding] = field(default_factory=list)
    seconds: float = 0.0
    devices: int = 0
    said: str = ""


def draw(seed: int, index: int) -> list[Blow]:
    """The blows of a story, in their order."""
    dice = Random(f"{seed}/{index}")  # noqa: S311 - not for secrets
    blows = []
    for _ in range(EACH):
        whom = dice.choice(["coordinator", "server", "line", "worker", "worker"])
        how = "killed"
        if whom == "line":
            kinds: list[How] = ["broken", "silent"]
            how = dice.choice(kinds)
        if whom in ("line", "worker"):
            whom = f"{whom} of {dice.choice(SITES)}"
        away = dice.uniform(*AWAY_SECONDS)
        blows.append(Blow(dice.uniform(0.0, WITHIN_SECONDS), whom, how, away))
    return sorted(blows, key=lambda blow: blow.at)


async def tell(seed: int, index: int) -> Told:
    """One story: three homes, moved by a campaign with blows falling on it."""
    told = Told(index)
    folder = Path(tempfile.mkdtemp(prefix="campaign-kills-"))
    begun = time.monotonic()
    try:
        async with Trio(folder) as trio:
            one = trio.coordinator("run")
            blows = asyncio.create_task(_fall(trio, one, draw(seed, index), told))
            try:
                async with asyncio.timeout(LONGEST_SECONDS):
                    code = await asyncio.shield(one.over)
            except TimeoutError:
                code = -1
                told.found.append(Finding("outcome", "the campaign did not come to an end"))
            one.send(signal.SIGKILL)
            await blows
            told.missed = EACH - len(told.hit)
            for line in trio.lines.values():
                line.mend()
            for worker in trio.workers.values():
                ended = await worker.end()
                if ended != 0:
                    told.found.append(Finding("outcome", f"{worker.name} left with {ended}"))
            told.found += await asyncio.to_thread(lambda: list(everything(trio, code)))
            told.devices = sum(
                home.moved(name) for home in trio.homes.values() for name in home.lab.units
            )
            if told.found:
                told.said = "\n".join(
                    f"--- {name}\n" + "\n".join(trio.said(name).splitlines()[-12:])
                    for name in ("coordinator", *SITES)
                )
    except Exception as error:  # noqa: BLE001 - told with its story
        told.found.append(Finding("outcome", f"{type(error).__name__}: {error}"))
    finally:
        told.seconds = time.monotonic() - begun
        shutil.rmtree(folder, ignore_errors=True)
    return told


async def _fall(trio: Trio, coordinator: Process, blows: list[Blow], told: Told) -> None:
    """Let the blows fall; each goes on for as long as it stays away, beside the others."""
    loop = asyncio.get_running_loop()
    begun = loop.time()
    async with asyncio.TaskGroup() as group:
        for blow in blows:
            await asyncio.wait({coordinator.over}, timeout=begun + blow.at - loop.time())
            if coordinator.over.done():
                break
            told.hit.append(blow)
            group.create_task(_strike(trio, coordinator, blow))


async def _strike(trio: Trio, coordinator: Process, blow: Blow) -> None:
    if blow.whom == "coordinator":
        coordinator.send(signal.SIGKILL)
    elif blow.whom.startswith("worker of "):
        trio.workers[blow.whom.removeprefix("worker of ")].send(signal.SIGKILL)
    elif blow.whom.startswith("line of "):
        line = trio.lines[blow.whom.removeprefix("line of ")]
        line.cut("broken" if blow.how == "broken" else "silent")
        await asyncio.sleep(blow.away)
        line.mend()
    else:
        await trio.server_away(blow.away)


@dataclass
class Campaign:
    """What came of all stories so far."""

    seed: int
    told: list[Told] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def blows(self) -> int:
        """How many have fallen."""
        return sum(len(one.hit) for one in self.told)

    def table(self) -> list[str]:
        """In lines."""
        hit = Counter(
            f"{blow.whom.partition(' of ')[0]} {blow.how}" for one in self.told for blow in one.hit
        )
        found = Counter(finding.kind for one in self.told for finding in one.found)
        lines = [
            f"{self.blows} blows in {len(self.told)} campaigns of {len(SITES)} sites, "
            f"{self.seconds:.0f} s; {sum(one.missed for one in self.told)} more came too late"
        ]
        lines += [f"  {words:<52}{number:>6}" for words, number in sorted(hit.items())]
        devices = sum(one.devices for one in self.told)
        lines.append(f"  {'devices moved at the end':<52}{devices:>6}")
        lines += [f"  {words:<52}{found[kind]:>6}" for kind, words in KINDS.items()]
        return lines


async def campaign(
    blows: int, seed: int, at_once: int, first: int, say: Callable[[str], object]
) -> Campaign:
    """Tell stories until so many blows have fallen."""
    going = Campaign(seed)
    begun = time.monotonic()
    numbers = count(first)

    async def one_after_the_other() -> None:
        while going.blows < blows:
            one = await tell(seed, next(numbers))
            going.told.append(one)
            words = ", ".join(map(str, one.hit))
            say(f"story {one.index}: {one.seconds:.0f} s, {len(one.found)} found; {words}")
            for finding in one.found:
                say(f"    {finding.kind}: {finding.words}")
            if one.found:
                say("\n".join(f"    | {line}" for line in one.said.splitlines()))
                say(
                    f"    again: python -m tests.campaign.kills 1 --seed {seed} --story {one.index}"
                )

    async with asyncio.TaskGroup() as group:
        for _ in range(at_once):
            group.create_task(one_after_the_other())
    going.seconds = time.monotonic() - begun
    return going


def main() -> int:
    """Exit code 1 if something was found."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaign.kills", description=__doc__)
    parser.add_argument("blows", type=int, help="how many")
    parser.add_argument("--seed", type=int, default=secrets.randbelow(10**6))
    parser.add_argument("--at-once", type=int, default=2, help="campaigns at a time")
    parser.add_argument("--story", type=int, help="this story alone")
    asked = parser.parse_args()
    # Whoever is killed leaves half a request behind; the lab's servers would tell of each.
    logging.getLogger().addHandler(logging.NullHandler())

    def say(line: str) -> None:
        print(line, flush=True)

    say(f"seed {asked.seed}")
    alone = asked.story is not None
    found = asyncio.run(
        campaign(
            1 if alone else asked.blows,
            asked.seed,
            1 if alone else asked.at_once,
            asked.story or 0,
            say,
        )
    )
    say("")
    for line in found.table():
        say(line)
    return 1 if any(one.found for one in found.told) else 0


if __name__ == "__main__":
    code = main()
    gc.collect()  # The embedded broker leaves closed sockets behind.
    sys.exit(code)
