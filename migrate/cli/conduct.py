"""Opening a world for a plan and letting the conductor work in it; Ctrl-C included."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Sequence
from contextlib import AbstractContextManager, asynccontextmanager, contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from secrets import randbelow

from rich.console import Console
from rich.text import Text

from migrate.cli.common import TOOL, err, out, show_mistake, show_outcome, show_problems
from migrate.cli.legs import changed_now
from migrate.cli.looking import LOOKING, Looking, Watch, broken_off, watching
from migrate.cli.pages import show_page_later
from migrate.engine.conductor import Conductor
from migrate.engine.crew import Crew, learn_secrets, muster
from migrate.engine.roll_call import snapshot_of_run
from migrate.engine.tidings import Outcome, Tidings
from migrate.journal.store import Journal
from migrate.model.problems import JournalTrouble, Trouble
from migrate.model.secrets import Redactor
from migrate.planning.ledger import findings_of
from migrate.planning.plan import PLAN_ANEW, Plan, check_sources
from migrate.ports.files import Inputs, load, write_private
from migrate.ports.ledger import write_findings
from migrate.ports.protocols import World
from migrate.ports.secret_reader import SecretReader
from migrate.ports.snapshots import BESIDE_JOURNAL, write_snapshot
from migrate.ports.sockets import now, real_world
from migrate.ports.sources.leases import lease_files, unreadable
from migrate.views.adrift import search_of, show_networks
from migrate.views.ending import Ending
from migrate.views.outputs import outputs_of, show_outputs
from migrate.views.status import advice_of, show_advice

AS_IT_WAS = (
    "a run, and its way back, hold by what it was begun with: put that back as it was, then go on "
    "or roll back; or leave what has moved where it is and plan the rest by the new files: "
    "migrate replan"
)
Work = Callable[[Conductor], Awaitable[Outcome]]
Stops = Callable[[Conductor], AbstractContextManager[None]]
"""Whoever may stop a conductor while the block lasts."""


def load_checked(plan: Plan, fleet: Path, playbook: Path, remedy: str = PLAN_ANEW) -> Inputs:
    """The plan's files, unchanged since it was frozen. Raises BadFile or Changed."""
    inputs = load(fleet, playbook)
    check_sources(plan, inputs.sources, TOOL, str(playbook), remedy)
    return inputs


@asynccontextmanager
async def world_for(crew: Crew) -> AsyncIterator[World]:
    """Sockets for everything the crew needs."""
    topics = [topic for member in crew.members.values() for topic in member.mqtt_topics]
    must = [m.presence_topic for m in crew.members.values() if m.presence_topic]
    must_hear = must if crew.playbook.proof.presence else ()
    members = crew.members.values()
    async with real_world(
        crew.sides,
        crew.listened,
        topics,
        crew.resolve,
        must_hear,
        crew.playbook.finding,
        {member.dialect.name: member.dialect for member in members},
        {member.device.mac for member in members if member.device.login},
    ) as world:
        yield world


def resolve_all(crew: Crew) -> Redactor:
    """Have every secret of a run before anything is opened: one that is missing is told now, and
    a person is asked now. The redactor knows all of them. Raises SecretTrouble."""
    redactor = Redactor()
    learn_secrets(crew, redactor)
    return redactor


def conduct(
    journal: Journal, secret_reader: SecretReader, run: str, work: Work, looking: Looking = LOOKING
) -> Outcome:
    """Let the conductor work on a run, show it, write the report, say how to go on. `run` is the
    run as it is named on the command line."""
    plan = journal.plan
    fleet, playbook = Path(journal.fact("fleet")), Path(journal.fact("playbook"))
    inputs = load_checked(plan, fleet, playbook, AS_IT_WAS)
    crew = muster(plan, inputs, secret_reader.resolve)
    resolve_all(crew)
    try:
        with _as_interrupts():
            ending = asyncio.run(_watched(crew, journal, secret_reader, run, work, looking))
    except KeyboardInterrupt as error:  # before the conductor was at work, or after
        ending = _told(journal, run, broken_off(error, journal))
        show_ending(journal, ending, looking)
    if looking.page and not looking.events:
        show_page_later(run)
    return ending.outcome


def conduct_forward(
    journal: Journal,
    secret_reader: SecretReader,
    run: str,
    again: Sequence[str] = (),
    looking: Looking = LOOKING,
) -> Outcome:
    """Move the fleet on. Where the run then waits for the access point to be changed, the person at
    the terminal is asked to do it, and the run goes on; without one, it is held."""
    return conduct(journal, secret_reader, run, lambda conductor: conductor.forward(again), looking)


def show_ending(journal: Journal, ending: Ending, looking: Looking = LOOKING) -> None:
    """What there is to tell when a run has ended, and how to go on."""
    if ending.problems:
        show_problems(Trouble(ending.problems))
    if looking.events:
        return
    show_outcome(ending.outcome)
    try:
        _show_rest(journal, ending)
    except JournalTrouble:
        out.print(Text(f"journal {ending.journal}"), soft_wrap=True)


def _show_rest(journal: Journal, ending: Ending) -> None:
    if not any(row.sent_at for row in journal.rows()):
        out.print(Text("no device was sent anything"))
    show_outputs(journal, out)
    show_networks(search_of(journal), out)
    show_advice(ending.advice, out)
    out.print(Text(f"journal {ending.journal}"), soft_wrap=True)
    if ending.report:
        out.print(Text(f"report  {ending.report}"), soft_wrap=True)


def simulated_in(journal: Journal) -> Path | None:
    """The folder of a run of simulated devices; None for a run of real ones."""
    return journal.path.parent if journal.simulated else None


def write_report(journal: Journal, run: str) -> Path:
    """The report beside the journal. `run`: the run as it is named on the command line."""
    # Pictures take a while to load; most commands draw none.
    from migrate.views.report import report

    place = journal.path.with_name("report.html")
    write_private(place, report(journal, run))
    return place


async def _watched(
    crew: Crew,
    journal: Journal,
    secret_reader: SecretReader,
    run: str,
    work: Work,
    looking: Looking,
) -> Ending:
    async with watching(journal, run, looking) as watch:
        ending = await conduct_in_loop(crew, journal, secret_reader, run, work, watch)
        show_ending(journal, ending, looking)
        if ending.outcome.flip and not looking.events and await changed_now():
            journal.flip()
            ending = await conduct_in_loop(
                crew, journal, secret_reader, run, lambda conductor: conductor.forward(), watch
            )
            show_ending(journal, ending, looking)
        for error in watch.audience.failed:
            show_mistake(error, "made a mistake in showing the run, which went on all the same")
        return ending


async def conduct_in_loop(
    crew: Crew,
    journal: Journal,
    secret_reader: SecretReader,
    run: str,
    work: Work,
    watch: Watch,
    stops: Stops | None = None,
) -> Ending:
    """Open the world, let the conductor work while others watch, and end in words. `stops`: by what
    it is stopped while it works; by the signals of this process, without."""
    quiet_loop()
    for words in unreadable(lease_files(crew.sides)):
        watch.audience.tell(Tidings("note", words))
    try:
        by = stops or (lambda conductor: _gentle_stop(conductor, watch.words))
        outcome = await _work(crew, journal, secret_reader, work, watch, by)
        ending = Ending(outcome, journal=str(journal.path))
    except (KeyboardInterrupt, Trouble) as error:
        ending = broken_off(error, journal)
    ending = _told(journal, run, ending)
    try:
        rows = journal.rows()
    except JournalTrouble:
        rows = []  # what was seen last stays in the picture
    watch.audience.end(ending, rows)
    return ending


async def _work(
    crew: Crew,
    journal: Journal,
    secret_reader: SecretReader,
    work: Work,
    watch: Watch,
    stops: Stops,
) -> Outcome:
    async with world_for(crew) as world:
        with watch.terminal:
            conductor = Conductor(
                crew,
                journal,
                world,
                secret_reader.redactor(),
                watch.audience.tell,
                first_id=1 + randbelow(2**30),
                surveyed=partial(_keep_survey, journal),
            )
            with stops(conductor):
                return await work(conductor)


def _keep_survey(journal: Journal) -> None:
    """What was read, as a snapshot beside the journal: what a rollback restores. Raises BadFile."""
    write_snapshot(journal.path.with_name(BESIDE_JOURNAL), snapshot_of_run(journal))


def _told(journal: Journal, run: str, ending: Ending) -> Ending:
    """What else there is to tell of how it ended. The report and what was learned are on disk when
    this returns; that they could not be written does not change how the run ended."""
    try:
        advice = tuple(advice_of(journal, run))
        amiss = tuple(str(one) for one in outputs_of(journal) if not one.well)
        ending = replace(ending, advice=advice, amiss=amiss)
        ending = replace(ending, report=str(write_report(journal, run)))
        if not journal.simulated:
            # What the lab's devices do says nothing about those of a house.
            at = now().isoformat(timespec="seconds")
            write_findings(journal.path.parent, findings_of(journal.plan, journal.standings(), at))
    except Trouble as trouble:
        ending = replace(ending, problems=(*ending.problems, *trouble.problems))
    return ending


def quiet_loop() -> None:
    """What befalls a task that nobody waits for is not printed: it could hold a secret, and what
    matters of it is in the journal."""
    asyncio.get_running_loop().set_exception_handler(lambda loop, context: None)


@contextmanager
def _gentle_stop(conductor: Conductor, words: Console) -> Iterator[None]:
    """First Ctrl-C (or SIGTERM): send nothing more, follow what is on its way. Second: stop at
    once. A terminal that is gone counts as a first."""
    loop, task = asyncio.get_running_loop(), asyncio.current_task()
    presses = 0

    def pressed() -> None:
        nonlocal presses
        presses += 1
        if presses == 1:
            conductor.stop()
            (err if words.quiet else words).print(
                Text(
                    "stopping: nothing more is sent; devices on their way are still followed "
                    "(Ctrl-C again stops at once)"
                )
            )
        elif task is not None:
            task.cancel()

    def hung_up() -> None:
        out.quiet = err.quiet = True
        conductor.stop()

    hooks = {signal.SIGINT: pressed, signal.SIGTERM: pressed}
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGHUP)}
    if signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:  # nohup(1) has its say
        hooks[signal.SIGHUP] = hung_up
    for number, hook in hooks.items():
        loop.add_signal_handler(number, hook)
    try:
        yield
    except asyncio.CancelledError:
        if presses < 2 or task is None:
            raise
        task.uncancel()
        raise KeyboardInterrupt from None
    finally:
        for number in hooks:
            loop.remove_signal_handler(number)
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _as_interrupts() -> Iterator[None]:
    """SIGTERM, and SIGHUP where it is heeded, end the work as Ctrl-C does at that moment: with what
    there is to tell at the end."""

    def interrupt(number: int, frame: object) -> None:
        if number == signal.SIGHUP:
            out.quiet = err.quiet = True
        signal.raise_signal(signal.SIGINT)

    numbers = [signal.SIGTERM]
    if signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:  # nohup(1) has its say
        numbers.append(signal.SIGHUP)
    before = [(number, signal.signal(number, interrupt)) for number in numbers]
    try:
        yield
    finally:
        for number, handler in before:
            signal.signal(number, handler)
