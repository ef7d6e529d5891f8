"""`migrate worker`: beside the devices of one site of a campaign."""

from __future__ import annotations

import asyncio
import fcntl
import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from secrets import token_hex
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer
from rich.text import Text

from migrate.cli.campaigns import CampaignFile, need_store, read_campaign, secret_of
from migrate.cli.common import (
    TOOL,
    StateDir,
    err,
    out,
    problems_in_words,
    runs_folder,
    show_mistake,
    show_problems,
)
from migrate.cli.conduct import quiet_loop
from migrate.cli.site_work import SiteHome
from migrate.model.campaign import Campaign, Site
from migrate.model.problems import BadFile, Busy, Exit, Problem
from migrate.planning.campaign.errands import Order
from migrate.ports.files import load, private_folder, read_text, write_private
from migrate.ports.protocols import StoreLost
from migrate.views.lines import say

if TYPE_CHECKING:
    from migrate.ports.durable.worker import Worker

WHO = "campaign/worker"
"""Below the state folder: by which the store knows this worker again."""


def worker(
    site: Annotated[str, typer.Option("--site", metavar="SITE", help="The site it is at.")],
    file: CampaignFile = Path("campaign.toml"),
    take_over: Annotated[
        bool,
        typer.Option(
            "--take-over",
            help="Be the site's worker although another was, whose state folder is lost.",
        ),
    ] = False,
    state: StateDir = None,
) -> None:
    """Do what a campaign asks of this site, until it is stopped. It listens nowhere.

    Runs beside the devices, with the site's own fleet file, playbook, dialects and secrets, and
    keeps its journals. The first Ctrl-C (or SIGTERM) stops between two devices and follows what is
    on its way; the errand goes on when the worker is started again.

    Example: migrate worker --site alder
    """
    with problems_in_words():
        need_store()
        campaign = read_campaign(file)
        one = campaign.named(site)
        if one is None:
            names = ", ".join(each.name for each in campaign.site[:20])
            raise BadFile(Problem(f"there is no site {site!r}", f"known: {names}", str(file)))
        home = _home(one, file, runs_folder(state).parent)
        with _alone(home.state, one.name):
            asyncio.run(_at_work(campaign, one, home, take_over=take_over))


def _home(site: Site, file: Path, state: Path) -> SiteHome:
    """The site's own files, which must be sound before anything begins. Raises BadFile."""
    if site.playbook is None or site.fleet is None:
        what = f"site {site.name} has no playbook or no fleet, and its worker needs both"
        remedy = 'add playbook = "..." and fleet = "..." to its [[site]], beside this file'
        raise BadFile(Problem(what, remedy, str(file)))
    load(site.fleet, site.playbook)
    return SiteHome(site.fleet, site.playbook, state)


@contextmanager
def _alone(state: Path, site: str) -> Iterator[None]:
    """The one worker of this state folder. Raises Busy."""
    place = private_folder(state / "campaign") / "worker.lock"
    handle = os.open(place, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    try:
        fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        what = f"another worker is at work with this state folder, as for site {site}"
        raise Busy(Problem(what, "end that one first", str(state))) from None
    try:
        yield
    finally:
        os.close(handle)


def _who(state: Path) -> str:
    """By which the store knows this worker again: kept with its journals."""
    place = state / WHO
    if not place.is_file():
        write_private(place, token_hex(16))
    return read_text(place)


async def _at_work(campaign: Campaign, site: Site, home: SiteHome, *, take_over: bool) -> None:
    from migrate.ports.durable.database import engine_of, unreached
    from migrate.ports.durable.worker import Worker

    quiet_loop()
    said = _Said(site.name)
    one = Worker(
        engine_of(campaign.store, site.account, secret_of(site.password)),
        site.name,
        _who(home.state),
        TOOL,
        home,
        said.heard,
        lambda error: show_mistake(error, "made a mistake in an errand, which is held"),
        said.begins,
    )
    leave = asyncio.Event()
    _leave_by_signals(leave)
    gone = asyncio.create_task(leave.wait())
    claim = asyncio.create_task(one.claim(take_over=take_over))
    await asyncio.wait({gone, claim}, return_when=asyncio.FIRST_COMPLETED)
    if claim.done():
        try:
            claim.result()
        except StoreLost as lost:
            raise unreached(lost, campaign.store, site.account) from None
        out.print(Text(f"worker of site {site.name}: ready, and waiting for errands"))
        await one.go(leave)
    _end(one)


def _leave_by_signals(leave: asyncio.Event) -> None:
    def pressed() -> None:
        if leave.is_set():
            _gone(Exit.STOPPED)
        leave.set()
        say(
            out,
            "leaving: nothing more is sent; devices on their way are still followed (Ctrl-C again "
            "leaves at once)",
            whole=True,
        )

    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, pressed)


def _end(one: Worker) -> NoReturn:
    if one.taken_over:
        what = f"site {one.site} has another worker now, which has taken over"
        remedy = "use that one; the journals of this one are in its state folder"
        show_problems(Busy(Problem(what, remedy)))
        _gone(Exit.BUSY)
    words = "an errand is open, and goes on when it is started again" if one.left_open else "left"
    out.print(Text(f"worker of site {one.site}: {words}"))
    _gone(Exit.STOPPED if one.left_open else Exit.DONE)


def _gone(code: Exit) -> NoReturn:
    """End without unwinding what is in the loop: an errand that is open would be closed by that."""
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit(code)


class _Said:
    """Words about the store and errands, each once."""

    def __init__(self, site: str) -> None:
        self._site = site
        self._reached = True

    def heard(self, reached: bool) -> None:
        """The store is reached, or is not."""
        if reached != self._reached:
            self._reached = reached
            words = "is reached again" if reached else "is not reached; what is under way goes on"
            err.print(Text(f"worker of site {self._site}: the store {words}"))

    def begins(self, order: Order) -> None:
        """An errand begins, or is gone on with."""
        what = {"plan": "to plan", "move": "to move", "back": "to take back"}[order.kind]
        out.print(Text(f"worker of site {self._site}: an errand {what}"))
