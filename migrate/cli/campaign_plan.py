"""Making the plan of a campaign: every worker is asked, and what they answer is frozen."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from secrets import token_hex

from rich.text import Text

from migrate.cli.campaigns import store_of
from migrate.cli.common import TOOL, err
from migrate.cli.conduct import quiet_loop
from migrate.engine.campaign import patiently
from migrate.model.campaign import Campaign
from migrate.model.problems import BadFile, Changed, Exit, Problem, Refused, Unreachable
from migrate.planning.campaign.errands import Order, SitePlan
from migrate.planning.campaign.plan import (
    CampaignPlan,
    PlannedSite,
    campaign_from_json,
    freeze_campaign,
)
from migrate.planning.campaign.turn import expected_waves
from migrate.ports.files import read_text, source_of
from migrate.ports.sockets import now


def is_campaign(text: str) -> bool:
    """Whether this is a frozen campaign, of whatever digest."""
    try:
        campaign_from_json(text, "")
    except Changed:
        return True
    except BadFile:
        return False
    return True


def without(asked: Campaign, names: Sequence[str], file: Path) -> Campaign:
    """The campaign without these sites. Raises BadFile for a name that is not there, and where one
    of the others comes after it."""
    unknown = [name for name in names if asked.named(name) is None]
    if unknown:
        raise BadFile(
            [Problem(f"there is no site {n!r}", "see the file", str(file)) for n in unknown]
        )
    kept = [site for site in asked.site if site.name not in names]
    if not kept:
        raise BadFile(Problem("no site is left", "leave out fewer", str(file)))
    needed = [(site.name, name) for site in kept for name in site.after if name in names]
    if needed:
        raise BadFile(
            [
                Problem(
                    f"site {site} comes after {name}, which is left out",
                    f"leave out {site} as well, or correct after",
                    str(file),
                )
                for site, name in needed
            ]
        )
    return asked.model_copy(update={"site": tuple(kept)})


async def asked_to_plan(asked: Campaign, wait: float) -> dict[str, SitePlan]:
    """What every worker answers. Raises Unreachable for those that do not, and Refused for those
    that cannot plan."""
    quiet_loop()
    key = f"plan-{token_hex(6)}"
    names = [site.name for site in asked.site]
    async with store_of(asked) as store:
        await patiently(lambda: store.register(names))
        for name in names:
            order = Order(kind="plan", site=name, campaign=key)
            await patiently(partial(store.give, order))
        answers: dict[str, SitePlan | None] = {}
        told = 0
        try:
            async with asyncio.timeout(wait):
                while len(answers) < len(names):
                    await store.news(1.0)
                    answers = await patiently(lambda: store.answers(key))
                    if len(answers) > told:
                        told = len(answers)
                        err.print(Text(f"{told} of {len(names)} sites have answered"))
        except TimeoutError:
            pass
    _check_answers(names, answers, wait)
    return {name: answer for name, answer in answers.items() if answer is not None}


def _check_answers(
    names: Sequence[str], answers: Mapping[str, SitePlan | None], wait: float
) -> None:
    silent = [name for name in names if name not in answers]
    if silent:
        raise Unreachable(
            [
                Problem(
                    f"the worker of site {name} has not answered within {wait:g} s",
                    f"start it there: migrate worker --site {name}; or plan without that site: "
                    f"--leave-out {name}",
                )
                for name in silent
            ]
        )
    problems = []
    for name, answer in answers.items():
        if answer is None or answer.tool != TOOL:
            version = "another version" if answer is None else f"version {answer.tool}"
            problems.append(
                Problem(
                    f"the worker of site {name} is {version} of migrate, and this is {TOOL}",
                    "have the same version everywhere",
                )
            )
        elif answer.exit is not Exit.DONE:
            problems.append(
                Problem(
                    f"site {name} cannot be planned: its worker told {answer.problems} problems "
                    f"(exit code {int(answer.exit)}, {answer.exit.name})",
                    "see them at that site: in the terminal or log of its worker, or by migrate "
                    f"plan there; or plan without it: --leave-out {name}",
                )
            )
    if problems:
        raise Refused(problems)


def frozen_campaign(asked: Campaign, file: Path, answers: Mapping[str, SitePlan]) -> CampaignPlan:
    """The campaign with its waves, by what the workers answered."""
    sites = tuple(
        PlannedSite(
            name=site.name,
            after=site.after,
            travel_minutes=site.travel_minutes,
            legs=answers[site.name].legs,
            twins=answers[site.name].twins,
        )
        for site in asked.site
    )
    place = str(file.absolute())
    draft = CampaignPlan(
        tool=TOOL,
        title=asked.title,
        created=now().isoformat(timespec="seconds"),
        source=source_of(place, read_text(file)),
        pace=asked.pace,
        sites=sites,
    )
    return freeze_campaign(draft, *expected_waves(draft))
