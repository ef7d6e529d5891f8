"""`migrate campaign`: many sites, each moved by its own worker."""

from __future__ import annotations

import asyncio
import json
import shlex
import signal
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from migrate.cli.campaign_plan import asked_to_plan, frozen_campaign, is_campaign, without
from migrate.cli.campaigns import (
    CampaignFile,
    CampaignPlanFile,
    Coordinated,
    answers_of,
    check_order_of_sites,
    check_sites,
    coordinated,
    need_store,
    read_campaign,
    read_campaign_plan,
    secret_of,
    store_of,
)
from migrate.cli.common import StateDir, out, problems_in_words
from migrate.cli.conduct import quiet_loop
from migrate.engine.campaign import (
    CampaignEnding,
    CampaignScene,
    Coordinator,
    Show,
    patiently,
    scene_of,
)
from migrate.model.campaign import Campaign
from migrate.model.problems import Exit
from migrate.planning.campaign.plan import CampaignPlan
from migrate.ports.files import free_or_ours, write_private
from migrate.ports.protocols import StoreLost
from migrate.views.lines import say
from migrate.views.status import show_advice

campaign = typer.Typer(
    name="campaign",
    no_args_is_help=True,
    help=(
        "Move many sites, each by a worker beside it.\n\n"
        "Every site has its own fleet and playbook. The usual order: prepare (once, for a "
        "PostgreSQL store), a worker at every site, plan, run."
    ),
)
SiteNames = Annotated[
    list[str] | None,
    typer.Option("--site", metavar="SITE", help="Only this site. Can be repeated."),
]


@campaign.command()
def prepare(file: CampaignFile = Path("campaign.toml")) -> None:
    """Make the store ready, for these sites alone.

    Makes its tables, and lets each site's account touch its own rows only. Needed once for a
    PostgreSQL store, and again when sites are added. Prints what only an administrator of the
    server can do, as SQL. An SQLite file needs none of it.

    Example: migrate campaign prepare
    """
    with problems_in_words():
        need_store()
        asked = read_campaign(file)
        left = _prepared(asked)
        if not left:
            out.print(Text(f"The store is ready for {len(asked.site)} sites."))
            return
        out.print(Text("To be done by an administrator of the server first, for example in psql:"))
        for statement in left:
            out.print(Text(f"  {statement}"), soft_wrap=True)
        out.print(Text("Then, once more: migrate campaign prepare"))
        raise typer.Exit(Exit.HELD)


def _prepared(asked: Campaign) -> list[str]:
    from migrate.ports.durable.accounts import check_accounts, prepare
    from migrate.ports.durable.database import check_reached, engine_of, unreached

    place = asked.store
    accounts = {site.name: site.account for site in asked.site}
    if place.file is None:
        check_accounts(accounts, place.account)
    engine = engine_of(place, None, secret_of(place.password))
    check_reached(engine, place)
    try:
        return prepare(engine, accounts)
    except StoreLost as lost:
        raise unreached(lost, place, place.account) from None
    finally:
        engine.dispose()


@campaign.command()
def demo(state: StateDir = None) -> None:
    """See a whole campaign on this machine alone.

    Four simulated houses on loopback sockets, four workers in processes of their own, and an SQLite
    store. One device of one house misbehaves. No real device, no root, about a minute.

    Example: migrate campaign demo
    """
    with problems_in_words():
        need_store()
        from migrate.cli.campaign_demo import street

        raise typer.Exit(asyncio.run(street(state)).exit)


@campaign.command()
def plan(
    file: CampaignFile = Path("campaign.toml"),
    out_file: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FILE",
            help="Where to freeze the campaign; without it, beside the campaign file.",
            show_default=False,
        ),
    ] = None,
    leave_out: Annotated[
        list[str] | None,
        typer.Option("--leave-out", metavar="SITE", help="Plan without this site."),
    ] = None,
    wait: Annotated[
        float,
        typer.Option("--wait", metavar="SECONDS", help="How long to wait for the workers.", min=1),
    ] = 120,
) -> None:
    """Have every worker plan its site, and freeze what they answer. Nothing is sent to any device.

    Each plan stays at its site; its digest is what is frozen here. The sites go in waves: a pilot,
    then more, as more of them have shown that it works.

    Example: migrate campaign plan campaign.toml
    """
    with problems_in_words():
        need_store()
        asked = read_campaign(file)
        check_order_of_sites(asked, file)
        asked = without(asked, leave_out or [], file)
        place = free_or_ours(out_file or file.with_suffix(".plan.json"), is_campaign, "campaign")
        from migrate.views.campaign.plan import show_campaign_plan

        answers = asyncio.run(asked_to_plan(asked, wait))
        frozen = frozen_campaign(asked, file, answers)
        write_private(place, frozen.to_json())
        show_campaign_plan(frozen, out)
        out.print()
        out.print(Text(f"Frozen to {place}, digest {frozen.digest[:16]}."), soft_wrap=True)
        out.print("Next, to let the first site go, and then the others:")
        out.print(Text(f"  migrate campaign run {shlex.quote(str(place))}"), soft_wrap=True)


@campaign.command()
def run(
    plan: CampaignPlanFile = Path("campaign.plan.json"),
    retry: Annotated[
        list[str] | None,
        typer.Option(
            "--retry", metavar="SITE", help="Let a site that is held, refused or stopped go on."
        ),
    ] = None,
    again: Annotated[
        list[str] | None,
        typer.Option(
            "--again", metavar="SITE/DEVICE", help="There, send this device its bundle once more."
        ),
    ] = None,
    write_off: Annotated[
        list[str] | None,
        typer.Option(
            "--write-off", metavar="SITE/DEVICE", help="There, go on without this device."
        ),
    ] = None,
    flipped: Annotated[
        list[str] | None,
        typer.Option("--flipped", metavar="SITE", help="There, the access point has been changed."),
    ] = None,
) -> None:
    """Let the sites go, one first, then more, and look on.

    Each begins as soon as the rule admits it; this ends when the last is through.

    May be ended and started again at any moment: the sites finish what they have begun. A site that
    is held keeps back only those that come after it.

    Example: migrate campaign run campaign.plan.json --write-off alder/cellar-pump
    """
    with problems_in_words():
        need_store()
        frozen, asked = read_campaign_plan(plan, unchanged=True)
        answers = answers_of(frozen, retry, again, write_off, flipped)
        ending = _coordinated(frozen, asked, lambda one: one.forward(answers))
        _show_ending(ending, plan)
        raise typer.Exit(ending.exit)


@campaign.command()
def status(
    plan: CampaignPlanFile = Path("campaign.plan.json"),
    site: Annotated[
        str | None,
        typer.Option(
            "--site", metavar="SITE", help="Every device of this site.", show_default=False
        ),
    ] = None,
    every: Annotated[
        bool, typer.Option("--all", help="List also the sites that are well.")
    ] = False,
    events: Annotated[bool, typer.Option("--json", help="As JSON, for programs.")] = False,
) -> None:
    """Where every site stands, and what can be done next. Asks the store alone.

    Example: migrate campaign status --site alder
    """
    with problems_in_words():
        need_store()
        frozen, asked = read_campaign_plan(plan)
        check_sites(frozen, [site] if site else [])
        scene = asyncio.run(_seen(frozen, asked))
        from migrate.views.campaign.events import scene_json
        from migrate.views.campaign.status import campaign_advice, show_campaign_status

        if events:
            out.document(json.dumps(scene_json(scene, site)) + "\n")
            return
        show_campaign_status(scene, out, site, every=every)
        show_advice(campaign_advice(scene, shlex.quote(str(plan))), out)


@campaign.command()
def stop(plan: CampaignPlanFile = Path("campaign.plan.json")) -> None:
    """Have all sites stop between two devices.

    No further site begins, either. A site whose line is cut hears of it when it is back. 'migrate
    campaign run' goes on.

    Example: migrate campaign stop
    """
    with problems_in_words():
        need_store()
        frozen, asked = read_campaign_plan(plan)
        scene = asyncio.run(_stopped(frozen, asked))
        at_work = [name for name, one in scene.standings.items() if one.at_work]
        words = f"{len(at_work)} sites are told to stop" if at_work else "no site is under way"
        say(out, f"The campaign is stopped: no site begins any more, and {words}.")


@campaign.command()
def rollback(
    plan: CampaignPlanFile = Path("campaign.plan.json"),
    site: SiteNames = None,
    again: Annotated[
        list[str] | None,
        typer.Option("--again", metavar="SITE", help="Go on with the way back of this site."),
    ] = None,
    not_flipped: Annotated[
        list[str] | None,
        typer.Option(
            "--not-flipped",
            metavar="SITE",
            help="There, the access point still has its old passphrase.",
        ),
    ] = None,
) -> None:
    """Take the sites back to the old side.

    One first, then more, each by its own journal. The old networks must still be on air. Sites that
    are under way have to stop first. Once a site was taken back, its campaign does not go forward
    any more: plan what is left as another one.

    Example: migrate campaign rollback --site alder
    """
    with problems_in_words():
        need_store()
        frozen, asked = read_campaign_plan(plan)
        check_sites(frozen, [*(site or []), *(again or []), *(not_flipped or [])])
        ending = _coordinated(
            frozen,
            asked,
            lambda one: one.back(site or (), again or (), frozenset(not_flipped or ())),
        )
        _show_ending(ending, plan)
        raise typer.Exit(ending.exit)


@campaign.command()
def report(
    plan: CampaignPlanFile = Path("campaign.plan.json"),
    out_file: Annotated[
        Path | None,
        typer.Option("--to", metavar="FILE", help="Where to write it.", show_default=False),
    ] = None,
) -> None:
    """One HTML file of the whole campaign: sites, then devices.

    Example: migrate campaign report --to campaign.html
    """
    with problems_in_words():
        need_store()
        frozen, asked = read_campaign_plan(plan)
        from migrate.views.campaign.report import campaign_report, is_campaign_report

        place = free_or_ours(out_file or plan.with_suffix(".html"), is_campaign_report, "report")
        scene = asyncio.run(_seen(frozen, asked))
        write_private(place, campaign_report(scene, shlex.quote(str(plan))))
        out.print(Text(f"report  {place}"), soft_wrap=True)


async def _seen(plan: CampaignPlan, asked: Campaign) -> CampaignScene:
    quiet_loop()
    async with store_of(asked) as store:
        names = [site.name for site in plan.sites]
        return scene_of(plan, await patiently(lambda: store.look(plan.key, names)))


async def _stopped(plan: CampaignPlan, asked: Campaign) -> CampaignScene:
    quiet_loop()
    async with store_of(asked) as store:
        return await Coordinator(plan, store).stop()


def _coordinated(
    plan: CampaignPlan,
    asked: Campaign,
    do: Coordinated,
) -> CampaignEnding:
    """Coordinate while the owner looks on. Ctrl-C ends this process, and no site."""
    from migrate.views.campaign.live import CampaignProgress

    with CampaignProgress(out) as view:
        try:
            return asyncio.run(_ended_by_signals(plan, asked, do, view.show))
        except KeyboardInterrupt:
            pass
    say(
        out,
        "This process has ended, as you asked. Sites that are under way go on by themselves; to "
        "stop them: migrate campaign stop",
        whole=True,
    )
    raise typer.Exit(Exit.STOPPED)


async def _ended_by_signals(
    plan: CampaignPlan,
    asked: Campaign,
    do: Coordinated,
    show: Show,
) -> CampaignEnding:
    quiet_loop()
    task = asyncio.current_task()
    if task is not None:
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, task.cancel)
    try:
        return await coordinated(plan, asked, do, show)
    except asyncio.CancelledError:
        raise KeyboardInterrupt from None


def _show_ending(ending: CampaignEnding, plan: Path) -> None:
    from migrate.views.campaign.status import campaign_advice, show_campaign_status

    say(out, ending.headline, "bold", hang=2, whole=True)
    if ending.exit is not Exit.DONE:
        out.print()
        show_campaign_status(ending.scene, out)
        show_advice(campaign_advice(ending.scene, shlex.quote(str(plan))), out)
