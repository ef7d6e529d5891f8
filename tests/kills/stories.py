"""Stories: commands one after the other, some of them killed, and what is checked in between."""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Protocol

from .checks import (
    Finding,
    as_before,
    at_any_time,
    at_the_end,
    in_what_was_said,
    lines_of,
    secrets_in_files,
)
from .house import FLEET, KilledHouse
from .processes import PYTHON, ROOT, Fork, Tool

KILLED = -9
HELD = 7
NO_RUN = {3, 10}
"""Exit codes of a command that finds no run, or one whose journal never came to be."""
LOOK_SECONDS = 0.001
"""Between two looks at the size of a file: it tells nobody when it grows."""

EARLY_SECONDS = 0.3
"""In which a command finds its run, and looks at the devices. So short that few of the moments
drawn from a whole run fall into it."""

PHASES = (
    "starting up",
    "surveying",
    "sending",
    "away",
    "soaking",
    "between waves",
    "finishing",
    "resuming",
    "rolling back",
)


class Moment(Protocol):
    """When to kill."""

    async def come(self, house: KilledHouse) -> None:
        """Return when it is there; it may never be."""


@dataclass(frozen=True)
class After:
    """So many seconds after the start."""

    seconds: float

    async def come(self, house: KilledHouse) -> None:
        await asyncio.sleep(self.seconds)

    def __str__(self) -> str:
        return f"after {self.seconds:.3f} s"


@dataclass(frozen=True)
class Grown:
    """Directly after the journal's write-ahead file was seen to grow for the `times`th time."""

    times: int

    async def come(self, house: KilledHouse) -> None:
        await _grown(house, self.times, [])

    def __str__(self) -> str:
        return f"as the journal grew, {self.times}"


@dataclass(frozen=True)
class Taken:
    """When devices took so many messages since the start, or so many seconds after that."""

    messages: int
    seconds: float

    async def come(self, house: KilledHouse) -> None:
        before = messages(house)
        await house.lab.wait_until(lambda: messages(house) - before >= self.messages, None)
        if self.seconds:
            await asyncio.sleep(self.seconds)

    def __str__(self) -> str:
        return f"{self.seconds:.3f} s after message {self.messages} was taken"


def messages(house: KilledHouse) -> int:
    """How many settings messages all devices took."""
    return sum(house.bundles(name) for name in house.lab.units)


async def _grown(house: KilledHouse, times: int | None, seen: list[int]) -> None:
    """Keeps the sizes that were seen; returns after so many, or never."""
    size = _octets(house)
    while times is None or len(seen) < times:
        await asyncio.sleep(LOOK_SECONDS)
        if (now := _octets(house)) != size:
            size = now
            seen.append(now)


def _octets(house: KilledHouse) -> int:
    total = 0
    for path in house.state.glob("runs/*/journal.sqlite3-wal"):
        try:
            total += path.stat().st_size
        except FileNotFoundError:
            continue
    return total


@dataclass(frozen=True)
class Whole:
    """How a command goes that nobody disturbs."""

    seconds: float
    growths: int

    def moment(self, dice: Random, part: float = 1.0) -> Moment:
        """Any moment of it, or one of those that matter most. `part` of it is left to be done."""
        which = dice.random()
        if which < 0.15:
            return After(dice.uniform(0, EARLY_SECONDS))
        if which < 0.5:
            return After(dice.uniform(0, self.seconds * part))
        if which < 0.75:
            return Grown(dice.randint(1, max(1, round(self.growths * part))))
        most = max(1, round(len(FLEET) * part))
        return Taken(dice.randint(1, most), dice.choice((0.0, dice.uniform(0, 0.03))))


@dataclass(frozen=True)
class Usual:
    """What was measured first: a run and a rollback; and a command that is started anew."""

    run: Whole
    back: Whole
    start_seconds: float


@dataclass(frozen=True)
class Kill:
    """One kill: the command it hit, its phase, and the moment that was aimed at."""

    command: str
    phase: str
    moment: Moment
    seconds: float


@dataclass
class Told:
    """What became of a story."""

    index: int
    name: str
    anew: bool
    kills: list[Kill] = field(default_factory=list)
    missed: int = 0
    moved: int = 0
    restored: int = 0
    found: list[Finding] = field(default_factory=list)
    seconds: float = 0.0
    said: str = ""


STORIES = {
    "run killed, gone on with": 9,
    "run killed, rolled back": 4,
    "run killed, rollback killed": 4,
    "run whole, rollback killed": 3,
}
"""Each with how often it is told, of twenty."""
ANEW = 0.1
"""Share of the stories in which each command is `python -m migrate` from the very start."""


async def tell(fork: Fork, usual: Usual, seed: int, index: int) -> Told:
    """Story number `index` of a seed. The dice are the same each time; processes and devices are
    as quick as the machine lets them be."""
    dice = Random(f"{seed} {index}")  # noqa: S311 - to be told again, not to be secret
    name = dice.choices(list(STORIES), list(STORIES.values()))[0]
    told = Told(index, name, dice.random() < ANEW)
    begun = time.monotonic()
    folder = Path(tempfile.mkdtemp(prefix="kills-"))
    try:
        async with KilledHouse(folder, fork, anew=told.anew) as house:
            try:
                await _Story(house, usual, dice, told).go()
            except (TimeoutError, sqlite3.Error) as error:
                told.found.append(Finding("outcome", f"{type(error).__name__}: {error}"))
            told.found += await asyncio.to_thread(lambda: list(secrets_in_files(house)))
            told.said = house.said.read_text(encoding="utf-8") if told.found else ""
    finally:
        shutil.rmtree(folder)
    told.seconds = time.monotonic() - begun
    return told


@dataclass
class _Story:
    house: KilledHouse
    usual: Usual
    dice: Random
    told: Told

    async def go(self) -> None:
        """Every command of the story, and the last one to its end."""
        more = self.dice.choices((0, 1, 2, 3), (12, 5, 2, 1))[0]
        match self.told.name:
            case "run killed, gone on with":
                await self._killed("run", *["resume"] * more)
                await self._last("resume")
            case "run killed, rolled back":
                await self._killed("run", *["resume"] * min(more, 1))
                await self._last("rollback")
            case "run killed, rollback killed":
                await self._killed("run", "rollback", *["rollback"] * min(more, 1))
                await self._last("rollback")
            case _:
                tool = await self.house.begin("run")
                if await tool.ended() != 0:
                    self._found([Finding("outcome", "the run that nobody disturbed")])
                await self._killed("rollback", *["rollback"] * more)
                await self._last("rollback")

    async def _killed(self, *commands: str) -> None:
        for turn, command in enumerate(commands):
            whole = self.usual.back if command == "rollback" else self.usual.run
            # Less and less is left to be done.
            moment = whole.moment(self.dice, 0.5 if command == "resume" else 0.9**turn)
            if self.told.anew and isinstance(moment, After):
                moment = After(moment.seconds + self.dice.uniform(0, self.usual.start_seconds))
            await self._kill(command, moment)

    async def _kill(self, command: str, moment: Moment) -> None:
        before = self._newest_line()
        begun = time.monotonic()
        code = await killed(self.house, await self.house.begin(command), moment)
        seconds = time.monotonic() - begun
        with self._journal() as journal:
            if code == KILLED:
                phase = journal.phase(command, before)
                self.told.kills.append(Kill(command, phase, moment, seconds))
            else:
                self.told.missed += 1
                if code != 0 and not (code in NO_RUN and journal.db is None):
                    self._found([Finding("outcome", f"{command} ended with {code}")])
            self._found(at_any_time(self.house, journal.db))

    async def _last(self, command: str) -> None:
        back = command == "rollback"
        code = await (await self.house.begin(command)).ended()
        with self._journal() as journal:
            never_began = code in NO_RUN and journal.db is None
        if never_began:
            # Killed before there was a run: nothing was sent, and the owner begins it again.
            code = 0 if back else await (await self.house.begin("run")).ended()
        if code == HELD:
            # Not as it should be; whether it is merely late, or stuck, is worth knowing.
            code = await (await self.house.begin(command)).ended()
            if code == 0:
                self._found([Finding("again", f"{command} was held, and had to be told again")])
        with self._journal() as journal:
            self._found(at_any_time(self.house, journal.db))
            self._found(at_the_end(self.house, journal.db, code, back=back))
            self._found(in_what_was_said(self.house))
        names = list(self.house.lab.units)
        self.told.moved += sum(self.house.moved(name) for name in names)
        self.told.restored += sum(as_before(self.house, name) for name in names)

    def _newest_line(self) -> int:
        with self._journal() as journal:
            return journal.newest_line

    @contextmanager
    def _journal(self) -> Iterator[_Journal]:
        with self.house.copied() as db:
            yield _Journal(db)

    def _found(self, findings: Iterable[Finding]) -> None:
        self.told.found += findings


@dataclass
class _Journal:
    db: sqlite3.Connection | None

    @property
    def newest_line(self) -> int:
        if self.db is None:
            return 0
        return int(self.db.execute("SELECT coalesce(max(seq), 0) FROM event").fetchone()[0])

    def phase(self, command: str, before: int) -> str:
        """What a command was about when it was killed, by the journal it left. `before`: the
        journal's newest line when it began."""
        if command == "rollback":
            return "rolling back"
        if command == "resume" and self.newest_line == before:
            return "resuming"
        if self.db is None:
            return "starting up"
        (surveyed,) = self.db.execute("SELECT count(*) FROM way_back").fetchone()
        lines = lines_of(self.db).values()
        if surveyed < len(lines):
            return "surveying"
        states = {line.state for line in lines}
        for state, phase in (("sending", "sending"), ("away", "away"), ("seen", "soaking")):
            if state in states:
                return phase
        return "finishing" if states == {"settled"} else "between waves"


async def killed(house: KilledHouse, tool: Tool, moment: Moment) -> int:
    """Kill a command at its moment; its exit code, KILLED unless it had ended before."""
    coming = asyncio.create_task(moment.come(house))
    try:
        await asyncio.wait({coming, tool.end}, return_when=asyncio.FIRST_COMPLETED)
        tool.kill()
        return await tool.ended()
    finally:
        coming.cancel()
        await asyncio.gather(coming, return_exceptions=True)


async def measured(fork: Fork, at_once: int) -> Usual:
    """A run and a rollback that nobody disturbs, as many at once as there will be."""
    found = await asyncio.gather(*(_measure(fork) for _ in range(at_once)))
    runs, backs = zip(*found, strict=True)
    begun = time.monotonic()
    process = await asyncio.create_subprocess_exec(
        *PYTHON, "--help", stdout=asyncio.subprocess.DEVNULL, cwd=ROOT
    )
    await process.wait()
    return Usual(_mean(runs), _mean(backs), time.monotonic() - begun)


def _mean(wholes: Sequence[Whole]) -> Whole:
    seconds = sum(one.seconds for one in wholes) / len(wholes)
    return Whole(seconds, sum(one.growths for one in wholes) // len(wholes))


async def _measure(fork: Fork) -> tuple[Whole, Whole]:
    folder = Path(tempfile.mkdtemp(prefix="kills-"))
    try:
        async with KilledHouse(folder, fork) as house:
            there = await _undisturbed(house, "run")
            assert all(house.moved(name) for name in house.lab.units)
            back = await _undisturbed(house, "rollback")
            assert all(house.as_before(name) for name in house.lab.units)
            return there, back
    finally:
        shutil.rmtree(folder)


async def _undisturbed(house: KilledHouse, command: str) -> Whole:
    seen: list[int] = []
    begun = time.monotonic()
    tool = await house.begin(command)
    watching = asyncio.create_task(_grown(house, None, seen))
    code = await tool.ended()
    seconds = time.monotonic() - begun
    watching.cancel()
    await asyncio.gather(watching, return_exceptions=True)
    assert code == 0, house.said.read_text(encoding="utf-8")
    return Whole(seconds, len(seen))
