"""A site in virtual time: a house of devices, and what the real worker does there by an order.

`SiteHome` is the worker's own; what is put in its place here is the world its conductor works in
(sockets), the time of day, the secrets' places, and its terminal.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from contextvars import ContextVar
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from unittest.mock import patch

from migrate.cli import common, site_work
from migrate.cli import plan as cli_plan
from migrate.cli.conduct import Work
from migrate.cli.site_work import SiteHome
from migrate.engine.conductor import Conductor
from migrate.engine.crew import Crew, learn_secrets
from migrate.journal.store import Journal
from migrate.model.problems import Busy, Exit, Problem, Trouble
from migrate.model.secrets import Redactor
from migrate.planning.campaign.errands import SiteAccount, SitePlan
from migrate.planning.plan import Plan
from migrate.virtual.chance import Chance
from migrate.virtual.disk import connection_on
from migrate.virtual.house import EPOCH, House
from migrate.virtual.networks import VirtualBroker, VirtualNetwork
from migrate.virtual.unit import Flaws, VirtualUnit
from migrate.virtual.world import VirtualWorld
from tests.swarm.gauge import Gauge
from tests.swarm.scenario import NEW_NET, OLD_NET, SECRETS, Scenario
from tests.swarm.story import SHARED, resolve

HERE: ContextVar[Home | None] = ContextVar("site", default=None)
"""At whose site the code at hand is being worked on."""


class Home:
    """A site: its house, its files, and the processes of its worker, one after another."""

    def __init__(self, name: str, scenario: Scenario, folder: Path, seed: str) -> None:
        self.name = name
        self.scenario = scenario
        self.folder = folder
        self.chance = Chance(f"{seed} {name}")
        self.gauge = Gauge({}, ())
        self.house = _house(scenario, self.chance)
        self.held: set[str] = set()
        """Devices that a process of this machine holds."""
        self.told: list[str] = []
        folder.mkdir()
        (folder / "fleet.toml").write_text(scenario.fleet())
        (folder / "playbook.toml").write_text(scenario.playbook())
        self.plan = self.work().freeze()

    def work(self) -> VirtualHome:
        """What a new process of its worker has to work with."""
        return VirtualHome(self)

    def journal(self, digest: str) -> Path | None:
        """Of the run by which something may have been sent for a plan."""
        name = self.folder / "state" / site_work.BEGUN / digest
        if not name.is_file():
            return None
        return self.folder / "state" / "runs" / name.read_text() / "journal.sqlite3"

    def says(self, words: str) -> bool:
        """Whether the journals say so of a device, as the last word about it."""
        for leg in self.plan.legs:
            if path := self.journal(leg.digest):
                with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
                    if any(words in note for (note,) in db.execute("SELECT note FROM device")):
                        return True
        return False

    def change_files(self) -> None:
        """Somebody edits a file after the plan was frozen."""
        with (self.folder / "fleet.toml").open("a") as file:
            file.write("# a word more\n")

    def mend(self) -> None:
        """The owner puts the files back and sees to every device."""
        (self.folder / "fleet.toml").write_text(self.scenario.fleet())
        for unit in self.house.units.values():
            wrong, unit.flaws = unit.flaws != Flaws(), Flaws()
            if wrong or unit.gone_for_good:
                unit.power_cut(1.0)


class VirtualHome(SiteHome):
    """A process of the worker at a site. It ends as if it were killed where the gauge says so."""

    def __init__(self, home: Home) -> None:
        files = home.folder / "fleet.toml", home.folder / "playbook.toml"
        super().__init__(*files, home.folder / "state")
        self.home = home

    def freeze(self) -> SitePlan:
        """As `plan`, without another thread: there is none in virtual time."""
        token = HERE.set(self.home)
        try:
            plans = self._planned()
        finally:
            HERE.reset(token)
        legs = tuple(map(site_work._leg_of, plans))
        twins = site_work._twins_of(plans)
        return SitePlan(exit=Exit.DONE, tool=common.TOOL, legs=legs, twins=twins)

    async def _conduct(
        self, plan: Plan, at: site_work._At, journal: Journal, work: Work
    ) -> SiteAccount:
        home = self.home
        crew = self._crew(plan)
        self._at = at
        number = 1 + home.chance.random.randrange(2**30)
        with VirtualWorld(home.house, home.gauge) as virtual:
            conductor = Conductor(crew, journal, virtual.world, SHARED, first_id=number)
            with self._stoppable(conductor):
                outcome = await work(conductor)
        home.told.append(f"{outcome.exit.name}: {outcome.headline} {outcome.reasons}")
        return at.account(outcome.exit, flip=outcome.flip)


@contextmanager
def in_virtual_time() -> Iterator[None]:
    """While this lasts, the worker's own code has the time of the house it works at, keeps its
    journal on a disk that is watched, and talks to nobody's terminal."""
    with ExitStack() as stack:
        for where, what, instead in (
            (common, "now", _now),
            (cli_plan, "now", _now),
            (site_work, "now", _now),
            (site_work, "open_journal", _open_journal),
            (site_work, "fleet_lock", _fleet_lock),
            (site_work, "show_problems", _show_problems),
            (site_work, "resolve_all", _resolve_all),
            (site_work, "SecretReader", _Secrets),
        ):
            stack.enter_context(patch.object(where, what, instead))
        yield


def _now() -> datetime:
    home = HERE.get()
    return home.house.now() if home else EPOCH


def _open_journal(path: Path) -> Journal:
    home = HERE.get()
    assert home is not None
    return Journal.open(path, home.house.now, connection=connection_on(home.gauge))


@contextmanager
def _fleet_lock(plan: Plan) -> Iterator[None]:
    """As the machine's: nobody else holds these devices, and whoever ends lets go of them."""
    home = HERE.get()
    assert home is not None
    names = {device.name for device in plan.devices}
    if names & home.held:
        raise Busy(Problem("another run holds devices of this fleet"))
    home.held |= names
    try:
        yield
    finally:
        home.held -= names


def _show_problems(trouble: Trouble) -> None:
    home = HERE.get()
    assert home is not None
    home.told.append(str(trouble))


def _resolve_all(crew: Crew) -> Redactor:
    learn_secrets(crew, SHARED)
    return SHARED


class _Secrets:
    """All places are this one. `resolve` gives what stands there."""

    resolve = staticmethod(resolve)


def _house(scenario: Scenario, chance: Chance) -> House:
    """The networks, brokers and devices of a scenario."""
    anywhere = frozenset({"old", "new"})
    old = VirtualNetwork("old", "quay-old", SECRETS["OLD_WIFI"], OLD_NET)
    wifi, broker = "wifi" in scenario.change, "broker" in scenario.change
    new = VirtualNetwork("new", "quay-new", SECRETS["NEW_WIFI"], NEW_NET) if wifi else old
    apart = wifi and broker
    here = VirtualBroker(
        "broker.old.test",
        1883,
        "house",
        SECRETS["OLD_BROKER"],
        frozenset({"old"}) if apart else anywhere,
    )
    there = here
    if broker:
        behind = frozenset({"new"}) if apart else anywhere
        there = VirtualBroker("broker.new.test", 1884, "house", SECRETS["NEW_BROKER"], behind)
    house = House({"old": old, "new": new}, {"old": here, "new": there}, chance)
    for number, one in enumerate(scenario.devices):
        unit = VirtualUnit(
            house, one.name, one.family, one.mac, f"t{number}", scenario.first_store, one.firmware
        )
        unit.power_on(one.age)
        unit.flaws = replace(one.flaws)
    chance.weather = scenario.weather
    return house
