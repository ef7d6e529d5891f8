"""One story from its first minute to its end: processes of the tool, and an owner who decides."""

from __future__ import annotations

import asyncio
import hashlib
import shutil
import tempfile
from collections.abc import Awaitable, Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import timedelta
from functools import lru_cache
from pathlib import Path
from random import Random
from typing import Any

from migrate.dialects.messages import Request
from migrate.engine.conductor import Conductor
from migrate.engine.crew import Crew, learn_secrets, muster
from migrate.engine.tidings import Outcome, Tidings
from migrate.journal.store import Journal
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit, Trouble
from migrate.model.secrets import Redactor, Secret, SecretRef
from migrate.planning.make import make_plan
from migrate.planning.plan import Plan
from migrate.ports.files import load
from migrate.ports.protocols import At, SideName
from migrate.virtual.chance import FAIR, Chance
from migrate.virtual.clock import run_virtual
from migrate.virtual.disk import connection_on
from migrate.virtual.house import House
from migrate.virtual.networks import VirtualBroker, VirtualNetwork
from migrate.virtual.unit import VirtualUnit
from migrate.virtual.world import VirtualWorld

from .gauge import Cut, Gauge
from .invariants import Broken, Invariants
from .scenario import FLAWS, NEW_NET, OLD_NET, SECRETS, Scenario, draw, quiet

ROUNDS = 15
"""Processes after the weather has cleared; a fleet not at rest by then never will be."""
QUICK = Path("/dev/shm")  # noqa: S108
"""A file system in memory, where there is one: to sync there takes no time."""
Work = Callable[[Conductor], Awaitable[Outcome]]


@dataclass
class Ending:
    """How a story ended, and what happened in it."""

    seed: int
    broken: str = ""
    moved: int = 0
    taken_back: int = 0
    others: int = 0
    devices: int = 0
    processes: int = 0
    steps: int = 0
    checks: int = 0
    seconds: float = 0.0
    mishaps: dict[str, int] = field(default_factory=dict)
    cuts: dict[str, int] = field(default_factory=dict)
    turns: dict[tuple[str, str, str], int] = field(default_factory=dict)
    digest: str = ""
    told: list[str] = field(default_factory=list)


def play(seed: int, scenario: Scenario | None = None, kind: type[Story] | None = None) -> Ending:
    """Play a seed to its end. What is wrong is in `broken`; an error of the tool is as well."""
    drawn = scenario or draw(seed)
    folder = Path(tempfile.mkdtemp(prefix="migrate-swarm-", dir=QUICK if QUICK.is_dir() else None))
    ending = Ending(seed, devices=len(drawn.devices))
    story = (kind or Story)(drawn, folder, ending)
    try:
        run_virtual(story.play())
    except Broken as broken:
        ending.broken = str(broken)
    except BaseExceptionGroup as group:
        ending.broken = _first_words(group)
    except Exception as error:  # noqa: BLE001
        ending.broken = f"{type(error).__name__}: {error}"
    finally:
        shutil.rmtree(folder)
    return ending


def everywhere(seed: int) -> Iterator[Ending]:
    """A quiet story, cut off at each of its steps in turn."""
    scenario = quiet(seed)
    for step in range(1, play(seed, scenario).steps + 1):
        ending = play(seed, replace(scenario, cuts={step: "cut"}))
        if ending.broken:
            ending.broken = f"cut off at step {step}: {ending.broken}"
        yield ending


def _first_words(error: BaseException) -> str:
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return f"{type(error).__name__}: {error}" if not isinstance(error, Broken) else str(error)


class Remembering(Redactor):
    """The tool's redactor, which is not taught twice nor asked twice: all stories have the same
    secrets, and this is what would take most of their time."""

    def __init__(self) -> None:
        self._taught: set[tuple[object, ...]] = set()
        super().__init__()
        self.holds = lru_cache(4096)(super().holds)  # type: ignore[method-assign]
        self.clean = lru_cache(4096)(super().clean)  # type: ignore[method-assign]

    def learn(self, secrets: Iterable[Secret], ssids: Iterable[str] = ()) -> None:
        """See Redactor."""
        lesson = (*sorted(map(hash, secrets := list(secrets))), *sorted(ssids := list(ssids)))
        if lesson not in self._taught:
            self._taught.add(lesson)
            super().learn(secrets, ssids)
            for known in ("holds", "clean"):
                if known in vars(self):
                    vars(self)[known].cache_clear()


SHARED = Remembering()


class Story:
    """A house, a journal and an owner. A family of stories is made of this one by its hooks."""

    watched_by: type[Invariants] = Invariants

    def __init__(self, scenario: Scenario, folder: Path, ending: Ending) -> None:
        self.scenario = scenario
        self.folder = folder
        self.ending = ending
        self.random = Random(f"owner {scenario.seed}")  # noqa: S311
        self.going_back = False
        self.only: list[str] | None = None
        self.crew: Crew | None = None
        self.failed: BaseException | None = None

    async def play(self) -> None:
        """The whole story. Raises Broken."""
        asyncio.get_running_loop().set_exception_handler(self._failed_between)
        self._build()
        try:
            await self._live()
        finally:
            self._sum_up()
            self.invariants.close()

    async def _live(self) -> None:
        house = self.house
        Journal.create(self.path, self.plan, house.now, {}).close()
        self.invariants.open(self.path)
        outcome, calm_rounds = None, 0
        while calm_rounds < ROUNDS:
            calm = house.loop.time() >= self.scenario.calm_at
            calm_rounds += calm
            if calm and self._calm():
                await asyncio.sleep(20)  # so that whoever looks next does not come too soon
            elif not calm and self.scenario.more_flaws:
                self._more_trouble()
            work = self._decide(outcome, calm=calm)
            if work is None:
                break
            outcome = await self._process(work)
            if self.failed is not None:
                raise self.failed
            await asyncio.sleep(self.random.choice([0.5, 5.0, 60.0]))
        else:
            raise Broken(f"no end after {ROUNDS} processes in fair weather: {outcome}")
        await asyncio.sleep(30)  # whatever is still on its way arrives
        if self.failed is not None:
            raise self.failed
        self.invariants.committed()
        self.invariants.accounted_for()
        self._no_secret()

    def _failed_between(self, loop: asyncio.AbstractEventLoop, what: dict[str, Any]) -> None:
        """Something failed in what units do, where nobody waits for it."""
        error = what.get("exception")
        if self.failed is None and not isinstance(error, Cut | asyncio.CancelledError):
            self.failed = error or RuntimeError(what["message"])

    # The house

    def _networks(self) -> tuple[VirtualNetwork, VirtualNetwork]:
        """Old and new; the same one if the network does not change."""
        old = VirtualNetwork("old", "quay-old", SECRETS["OLD_WIFI"], OLD_NET)
        if "wifi" not in self.scenario.change:
            return old, old
        return old, VirtualNetwork("new", "quay-new", SECRETS["NEW_WIFI"], NEW_NET)

    def _brokers(self, *, both: bool) -> tuple[VirtualBroker, VirtualBroker]:
        """Old and new, each behind its own network if `both` change."""
        anywhere = frozenset({"old", "new"})
        here = VirtualBroker(
            "broker.old.test",
            1883,
            "house",
            SECRETS["OLD_BROKER"],
            frozenset({"old"}) if both else anywhere,
        )
        if "broker" not in self.scenario.change:
            return here, here
        behind = frozenset({"new"}) if both else anywhere
        password = SECRETS["NEW_BROKER"]
        return here, VirtualBroker("broker.new.test", 1884, "house", password, behind)

    def _build(self) -> None:
        scenario = self.scenario
        old, new = self._networks()
        here, there = self._brokers(both="broker" in scenario.change and new is not old)
        self.chance = Chance(f"house {scenario.seed}")
        self.house = House({"old": old, "new": new}, {"old": here, "new": there}, self.chance)
        for number, one in enumerate(scenario.devices):
            unit = VirtualUnit(
                self.house,
                one.name,
                one.family,
                one.mac,
                f"t{number}",
                scenario.first_store,
                one.firmware,
                flaws=replace(one.flaws, moves=0, swaps=0, flaps=0, stale=0, impostor=0),
                wakes_seconds=one.wakes,
                awake_seconds=one.awake,
                sleeps_cleanly=one.cleanly,
            )
            unit.power_on(one.age)
            unit.flaws = replace(one.flaws)
        self.chance.weather = scenario.weather
        for when, what, much in scenario.events:
            self.house.later(when, lambda what=what, much=much: self._befall(what, much))  # type: ignore[misc]
        (self.folder / "fleet.toml").write_text(scenario.fleet())
        (self.folder / "playbook.toml").write_text(scenario.playbook())
        self.path = self.folder / "run" / "journal.sqlite3"
        self.inputs = load(self.folder / "fleet.toml", self.folder / "playbook.toml")
        self.plan = self._plan()
        self.invariants = self.watched_by(
            scenario, self.house, [list(wave.devices) for wave in self.plan.waves]
        )
        self.gauge = Gauge(scenario.cuts, scenario.disk)
        self.gauge.on_committed = self.invariants.committed

    def _plan(self) -> Plan:
        inputs = self.inputs
        return make_plan(
            inputs.fleet,
            inputs.playbook,
            inputs.dialects,
            resolve,
            inputs.sources,
            created=self.house.now().isoformat(timespec="seconds"),
            tool="swarm",
        )

    def _befall(self, what: str, much: float) -> None:
        if self.house.loop.time() > self.scenario.calm_at:
            return
        self.chance.count(what.split()[0])
        kind, _, who = what.partition(" ")
        if kind == "blackout":
            self._blackout("old" if who == "old" else "new", much)
        elif kind == "broker":
            self.house.brokers["old" if who == "old" else "new"].restart(self.house, much)
        elif kind == "power":
            self.house.units[who].power_cut(much)
        elif kind == "hand":
            self._by_hand(self.house.units[who])
        else:
            self.house.offset += timedelta(seconds=much)

    def _blackout(self, side: SideName, seconds: float) -> None:
        self.house.blackout(side, seconds)

    def _by_hand(self, unit: VirtualUnit) -> None:
        """Somebody of the household moves a device there or back without telling anybody."""
        self.invariants.touched.add(unit.name)
        new = self.invariants.target(unit.name)
        unit.store = new if unit.store != new else self.scenario.first_store
        unit.power_cut(1.0)

    def _more_trouble(self) -> None:
        """What goes wrong can begin at any time, on the way back as well."""
        random, units = self.random, list(self.house.units.values())
        if random.random() < 0.3:
            setattr(random.choice(units).flaws, random.choice(FLAWS), 1)
        if random.random() < 0.25:
            at = self.gauge.steps + random.randrange(1, 60)
            self.gauge.cuts[at] = random.choice(["cut", "cut", "stop", "interrupt"])
        for unit in units:
            if self.invariants.seen[unit.name].state == "sending" and random.random() < 0.5:
                unit.flaws.stale = 1  # it lies when it is asked what became of it
        at_rest = [
            unit
            for unit in units
            if self.invariants.seen[unit.name].state in ("declined", "returned")
        ]
        if at_rest and random.random() < 0.2:
            self._by_hand(random.choice(at_rest))

    def _fiddle(self, unit: VirtualUnit) -> None:
        """Somebody changes a setting of a device that has just arrived."""
        self.invariants.touched.add(unit.name)
        group = "new-group" if unit.store.group != "new-group" else "old-group"
        unit.store = replace(unit.store, group=group)

    def _calm(self) -> bool:
        """The weather clears, and the owner has been at every device that was lost. Whether there
        was any."""
        self.chance.weather = FAIR
        self.gauge.cuts.clear()
        self.gauge.disk = ()
        seen_to = False
        for unit in self.house.units.values():
            unit.flaws = type(unit.flaws)()
            # Which helps as well where the new settings are stored and wait for a restart.
            row = self.invariants.seen[unit.name]
            lost = row.state == "adrift" or "not in force" in row.note or "not found" in row.note
            if unit.gone_for_good or lost:
                unit.power_cut(1.0)
                seen_to = True
        return seen_to

    # The owner

    def _decide(self, outcome: Outcome | None, *, calm: bool) -> Work | None:
        """What to do next; None: all is as it should be."""
        if self.scenario.forward_only:
            if outcome is not None and outcome.done:
                return None
            return lambda conductor: conductor.forward(self._again())
        random, begun = self.random, self.ending.processes > 0
        rows = self.invariants.rows()
        behind = [
            name
            for name, row in rows.items()
            if row.direction == "back" and row.state != "restored" and not row.written_off
        ]
        if behind and not self.going_back and (calm or random.random() < 0.5):
            # Only the way back ends what it began; with those of one cover, so with all at last.
            self.going_back, self.only = True, None if calm else behind
        elif calm and any(row.state == "restored" for row in rows.values()):
            if self.going_back and self.only is None and outcome is not None and outcome.done:
                return None
            self.going_back, self.only = True, None  # this plan moves forward no more
        elif outcome is not None and outcome.done:
            if not self.going_back and random.random() < 0.4:
                self.going_back, self.only = True, self._some()
            elif not self.going_back or self.only is None or calm:
                return None
            else:
                self.going_back = False
        elif not calm and random.random() < (0.4 if outcome is None and begun else 0.15):
            self.going_back, self.only = not self.going_back, self._some()
        if self.going_back:
            only = None if calm and behind else self.only
            return lambda conductor: conductor.back(only)
        again = self._again() if calm or random.random() < 0.6 else []
        return lambda conductor: conductor.forward(again)

    def _some(self) -> list[str] | None:
        names = list(self.house.units)
        return None if self.random.random() < 0.6 else self.random.sample(names, 1)

    def _again(self) -> list[str]:
        return [
            name
            for name, row in self.invariants.rows().items()
            if row.state in ("declined", "returned")
        ]

    # A process

    async def _process(self, work: Work) -> Outcome | None:
        """One process of the tool, until it ends or is cut off. None: it was cut off."""
        self.ending.processes += 1
        gauge, house = self.gauge, self.house
        gauge.dead = False
        before = asyncio.all_tasks()
        with VirtualWorld(house, gauge) as virtual:
            task = asyncio.create_task(self._work(work, virtual))
            gauge.interrupt = lambda: (task.cancel(), None)[1]
            try:
                return await task
            except Trouble as trouble:
                self._hear(f"{trouble.exit.name}: {trouble}")
                if trouble.exit is Exit.BUG:
                    raise Broken(f"the tool's own mistake: {trouble}") from None
                return Outcome(trouble.exit, "broken off")
            except asyncio.CancelledError:
                self._hear("interrupted")
                return Outcome(Exit.STOPPED, "stopped at once")
            except BaseException as error:
                if not gauge.dead or _first_broken(error):
                    raise
                self._hear("cut off")
                return None
            finally:
                gauge.dead = True
                rest = asyncio.all_tasks() - before
                for one in rest:
                    one.cancel()
                await asyncio.gather(*rest, return_exceptions=True)

    async def _work(self, work: Work, virtual: VirtualWorld) -> Outcome:
        journal = Journal.open(self.path, self.house.now, connection=connection_on(self.gauge))
        try:
            redactor = SHARED
            crew = self._crew(journal)
            learn_secrets(crew, redactor)
            number = 1 + self.random.randrange(2**30)
            conductor = Conductor(crew, journal, virtual.world, redactor, self._tell, number)
            self.gauge.stop = conductor.stop
            self._owner_says(journal)
            outcome = await work(conductor)
            self._heard_out(outcome)
            self._hear(f"{outcome.exit.name}: {outcome.headline} {outcome.reasons}")
            return outcome
        finally:
            journal.close()

    def _owner_says(self, journal: Journal) -> None:
        """What the owner has to say before the work begins."""

    def _heard_out(self, outcome: Outcome) -> None:
        """The work has come to this, and the owner is about to be told."""

    def _crew(self, journal: Journal) -> Crew:
        """As each process musters it; the files are the same for all, so once is enough."""
        if self.crew is None:
            self.crew = muster(journal.plan, self.inputs, resolve)
        return self.crew

    def _tell(self, tidings: Tidings) -> None:
        words = f"{tidings.kind} {tidings.name} {tidings.state or ''} {tidings.words}"
        self._hear(words)
        storm = self.house.loop.time() < self.scenario.calm_at and self.scenario.more_flaws
        storm = storm and "group" in self.scenario.change  # what no bundle holds nobody can mend
        if tidings.state is State.SEEN and storm and self.random.random() < 0.06:
            self._fiddle(self.house.units[tidings.name])

    def _hear(self, words: str) -> None:
        words = words.replace(str(self.folder), "...")  # another name in every process
        self.ending.told.append(f"{self.house.loop.time():9.2f} {words}")

    # At the end

    def _sum_up(self) -> None:
        ending, house = self.ending, self.house
        ending.steps, ending.checks = self.gauge.steps, self.invariants.checks
        ending.seconds = house.loop.time()
        ending.mishaps, ending.cuts = dict(self.chance.counts), dict(self.gauge.counts)
        ending.turns = dict(self.invariants.turns)
        for row in self.invariants.seen.values():
            ending.moved += row.state == State.SETTLED
            ending.taken_back += row.state == State.RESTORED
            ending.others += row.state not in (State.SETTLED, State.RESTORED)
        text = "\n".join([*ending.told, *(f"{t:.6f} {what} {who}" for t, what, who in house.story)])
        ending.digest = hashlib.sha256(text.encode()).hexdigest()[:16]

    def _no_secret(self) -> None:
        text = "\n".join(self.ending.told).encode()
        files = [path.read_bytes() for path in self.path.parent.iterdir()]
        for octets in [text, *files]:
            for name, secret in SECRETS.items():
                if secret.encode() in octets:
                    raise Broken(f"10: {name} was told or written")


def _first_broken(error: BaseException) -> bool:
    if isinstance(error, BaseExceptionGroup):
        return any(_first_broken(one) for one in error.exceptions)
    return not isinstance(error, Cut | asyncio.CancelledError)


def resolve(ref: SecretRef) -> Secret:
    """The secret behind a reference."""
    return Secret(SECRETS[str(ref.env)])


__all__ = ["At", "Direction", "Ending", "Request", "Story", "play"]
