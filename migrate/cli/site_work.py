"""What a worker does at its site: the runs of a single home, by orders instead of by commands."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from migrate.cli.common import (
    TOOL,
    fleet_lock,
    new_run,
    open_journal,
    run_words,
    runs_folder,
    show_problems,
)
from migrate.cli.conduct import (
    Work,
    conduct_in_loop,
    load_checked,
    resolve_all,
    show_ending,
)
from migrate.cli.legs import check_order, check_way_back, done_for_good
from migrate.cli.looking import LOOKING, watching
from migrate.cli.plan import plans_for
from migrate.engine.conductor import Conductor
from migrate.engine.crew import Crew, muster
from migrate.journal.rows import Row
from migrate.journal.store import ANSWERED, Journal
from migrate.model.problems import BadFile, Exit, JournalTrouble, Problem, Trouble
from migrate.planning.campaign.errands import (
    DeviceAccount,
    Order,
    SiteAccount,
    SiteLeg,
    SitePlan,
    SiteTwin,
)
from migrate.planning.plan import Plan
from migrate.ports.files import load, private_folder, read_plan, read_text, write_private
from migrate.ports.ledger import read_ledger
from migrate.ports.secret_reader import SecretReader
from migrate.ports.sockets import now

PLANS = "campaign/plans"
"""Below the state folder: the frozen plans of a site, by their digests."""
BEGUN = "campaign/begun"
"""Below the state folder: for each plan by which something was sent, the name of its run."""


@dataclass
class SiteHome:
    """A SiteWork with the files of a site. Words are for whoever looks at the worker there; what
    travels has none."""

    fleet: Path
    playbook: Path
    state: Path
    _conductor: Conductor | None = None
    _at: _At | None = None
    _stopped: bool = False

    async def plan(self) -> SitePlan:
        """Plan the change and freeze it beside the worker, by its digest."""
        try:
            plans = await asyncio.to_thread(self._planned)
        except Trouble as trouble:
            show_problems(trouble)
            return SitePlan(exit=trouble.exit, tool=TOOL, problems=len(trouble.problems))
        return SitePlan(
            exit=Exit.DONE, tool=TOOL, legs=tuple(map(_leg_of, plans)), twins=_twins_of(plans)
        )

    async def move(self, order: Order, leg: int) -> SiteAccount:
        """Move the fleet by that leg, or go on with it."""
        return await self._errand(order, leg, self._move)

    async def back(self, order: Order, leg: int) -> SiteAccount:
        """Take back what that leg has moved, or go on with it."""
        return await self._errand(order, leg, self._back)

    def stop(self) -> None:
        """Send nothing more; what is on its way is still followed."""
        self._stopped = True
        if self._conductor is not None:
            self._conductor.stop()

    @property
    def picture(self) -> SiteAccount | None:
        """How far the leg at work is; while it is at work alone."""
        if self._at is None:
            return None
        try:
            return self._at.account(Exit.DONE)
        except Trouble:
            return None

    def _planned(self) -> tuple[Plan, ...]:
        inputs = load(self.fleet, self.playbook)
        # Nobody sits at a worker who could be asked for a secret.
        plans = plans_for(inputs, SecretReader(), read_ledger(runs_folder(self.state)))
        private_folder(self.state / PLANS)
        for plan in plans:
            write_private(self._plan_place(plan.digest), plan.to_json())
        return plans

    async def _errand(self, order: Order, leg: int, do: _Do) -> SiteAccount:
        self._stopped = False
        at = _At(order, leg, {})
        try:
            at.unread = any(self._begun(digest) for digest in order.legs)
            at.others = self._others(order, leg)
            at.unread = self._begun(order.legs[leg - 1]) is not None
            plan = self._frozen(order.legs[leg - 1])
            return await do(plan, at)
        except Trouble as trouble:
            show_problems(trouble)
            return at.account(trouble.exit)
        finally:
            self._at = None

    async def _move(self, plan: Plan, at: _At) -> SiteAccount:
        order, answers = at.order, at.order.answers
        begun = self._begun(plan.digest)
        with fleet_lock(plan):
            if begun is None:
                check_order(self.state, plan)
                if plan.leg.after_flip and not (answers.flipped or self._flipped(order, at.leg)):
                    return at.account(Exit.HELD, flip=True)
                resolve_all(self._crew(plan))
                begun = self._begin(plan)
            with at.opened(begun) as journal:
                names = {row.name for row in journal.rows()}
                for name in names & set(answers.write_off):
                    journal.write_off(name)
                heeded = _first_time(journal, order)
                if heeded and answers.flipped and plan.leg.together and not journal.flipped:
                    journal.flip()
                if _over(journal):
                    return at.account(Exit.DONE)
                again = sorted(names & set(answers.again)) if heeded else []
                return await self._conduct(
                    plan, at, journal, lambda conductor: conductor.forward(again)
                )

    async def _back(self, plan: Plan, at: _At) -> SiteAccount:
        begun = self._begun(plan.digest)
        if begun is None:
            if not any(self._begun(digest) for digest in at.order.legs):
                # It would not be asked if nothing had been sent here: its journals are elsewhere.
                what = "this worker knows of no run by which something was sent in this campaign"
                remedy = (
                    "is it the state folder of this site's worker? put that back from its backup; "
                    "without one, see who is where: migrate survey"
                )
                raise JournalTrouble(Problem(what, remedy, str(self.state)))
            return at.account(Exit.DONE)  # nothing was sent by this leg
        with fleet_lock(plan), at.opened(begun) as journal:
            names = {row.name for row in journal.rows()}
            for name in names & set(at.order.answers.write_off):
                journal.write_off(name)
            if not any(row.standing.may_have_left for row in journal.rows()):
                return at.account(Exit.DONE)
            not_flipped = at.order.answers.not_flipped
            check_way_back(self.state, journal, None, not_flipped=not_flipped)
            return await self._conduct(plan, at, journal, lambda conductor: conductor.back(None))

    async def _conduct(self, plan: Plan, at: _At, journal: Journal, work: Work) -> SiteAccount:
        """A run as ever, seen in this worker's terminal, and stopped by orders alone."""
        secrets = SecretReader()
        crew = self._crew(plan)
        resolve_all(crew)
        self._at = at
        run = run_words(journal, self.state)
        async with watching(journal, run, LOOKING) as watch:
            ending = await conduct_in_loop(
                crew, journal, secrets, run, work, watch, self._stoppable
            )
            show_ending(journal, ending)
        return at.account(ending.outcome.exit, flip=ending.outcome.flip)

    @contextmanager
    def _stoppable(self, conductor: Conductor) -> Iterator[None]:
        self._conductor = conductor
        if self._stopped:
            conductor.stop()
        try:
            yield
        finally:
            self._conductor = None

    def _crew(self, plan: Plan) -> Crew:
        return muster(plan, load_checked(plan, self.fleet, self.playbook), SecretReader().resolve)

    def _frozen(self, digest: str) -> Plan:
        place = self._plan_place(digest)
        if not place.is_file():
            what = f"this worker has no plan with digest {digest[:16]}"
            remedy = "it is of another state folder, or was taken away; plan the campaign anew"
            raise BadFile(Problem(what, remedy, str(place)))
        return read_plan(place)

    def _begin(self, plan: Plan) -> Path:
        """A new run. Its name is kept before anything is sent, and after its journal is whole: if
        this ends between, another run is begun and nothing was sent by the first."""
        path = new_run(self.state, plan.title) / "journal.sqlite3"
        facts = {"fleet": str(self.fleet), "playbook": str(self.playbook)}
        Journal.create(path, plan, now, facts).close()
        private_folder(self.state / BEGUN)
        write_private(self.state / BEGUN / plan.digest, path.parent.name)
        return path

    def _begun(self, digest: str) -> Path | None:
        """The journal by which something may have been sent for a plan."""
        place = self.state / BEGUN / digest
        if not place.is_file():
            return None
        return runs_folder(self.state) / read_text(place) / "journal.sqlite3"

    def _plan_place(self, digest: str) -> Path:
        return self.state / PLANS / f"{digest}.plan.json"

    def _flipped(self, order: Order, leg: int) -> bool:
        """Whether somebody has said, at an earlier leg, that the access point has been changed."""
        for digest in order.legs[: leg - 1]:
            if path := self._begun(digest):
                with closing(open_journal(path)) as journal:
                    if journal.flipped:
                        return True
        return False

    def _others(self, order: Order, leg: int) -> dict[str, DeviceAccount]:
        """Every device as the legs have it that were worked on before this one."""
        before = order.legs[: leg - 1] if order.kind == "move" else order.legs[: leg - 1 : -1]
        found: dict[str, DeviceAccount] = {}
        for digest in before:
            if path := self._begun(digest):
                with closing(open_journal(path)) as journal:
                    found |= {row.name: _device(row) for row in journal.rows()}
        return found


@dataclass
class _At:
    """The leg that is worked on. `others`: the devices as other legs have them; `unread`: this leg
    was begun, and what it has sent has not been looked at."""

    order: Order
    leg: int
    others: Mapping[str, DeviceAccount]
    journal: Journal | None = None
    last: tuple[Row, ...] = ()
    unread: bool = False

    @contextmanager
    def opened(self, path: Path) -> Iterator[Journal]:
        """The journal of the leg. What it held last is known afterwards."""
        with closing(open_journal(path)) as journal:
            self.journal, self.unread = journal, False
            try:
                yield journal
            finally:
                self.journal, self.unread = None, True
                with suppress(JournalTrouble):
                    self.last, self.unread = tuple(journal.rows()), False

    def account(self, exit_: Exit, *, flip: bool = False) -> SiteAccount:
        """What has come of it so far. Raises JournalTrouble."""
        rows = self.journal.rows() if self.journal else self.last
        mine = {row.name: _device(row) for row in rows}
        devices = {**self.others, **mine}
        return SiteAccount(
            exit=exit_,
            leg=self.leg,
            of=len(self.order.legs),
            flip=flip,
            began=self.unread
            or any(device.sent for device in (*self.others.values(), *mine.values())),
            devices=tuple(devices.values()),
        )


_Do = Callable[[Plan, _At], Awaitable[SiteAccount]]


def _device(row: Row) -> DeviceAccount:
    return DeviceAccount(
        name=row.name,
        state=row.state,
        direction=row.direction,
        written_off=row.written_off,
        sent=row.sent_at is not None,
    )


def _over(journal: Journal) -> bool:
    """Whether a run has come to its end: there is nothing to be looked for, and the old side may be
    gone by now."""
    settled = all(map(done_for_good, journal.rows()))
    return settled and (journal.flipped or not journal.plan.leg.together)


def _first_time(journal: Journal, order: Order) -> bool:
    """Whether the answers of an errand are heeded now. Begun again after a kill, it must not send
    once more what it has sent once more, nor take for changed what devices have shown not to be."""
    key = f"{order.campaign}/{order.kind}/{order.attempt}"
    if any(entry.kind == ANSWERED and entry.detail == key for entry in journal.entries()):
        return False
    journal.remark(ANSWERED, key)
    return True


def _leg_of(plan: Plan) -> SiteLeg:
    return SiteLeg(
        digest=plan.digest,
        devices=len(plan.devices),
        waves=len(plan.waves),
        after_flip=plan.leg.after_flip,
        together=plan.leg.together,
    )


def _twins_of(plans: Sequence[Plan]) -> tuple[SiteTwin, ...]:
    """The twin groups of a fleet, each with its number of devices."""
    devices = {device.name: device for plan in plans for device in plan.devices}
    counts = Counter(device.twin for device in devices.values())
    sources = {name: source for plan in plans for name, source in plan.sources.dialects.items()}
    return tuple(
        SiteTwin(dialect=dialect, digest=sources[dialect].sha256, firmware=firmware, devices=number)
        for (dialect, firmware), number in sorted(counts.items())
    )
