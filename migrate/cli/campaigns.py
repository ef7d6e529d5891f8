"""What the commands of campaigns share: the file, the store, and words if something is missing."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from contextlib import asynccontextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from migrate.cli.common import TOOL, secret_reader
from migrate.engine.campaign import CampaignEnding, Coordinator, Show, patiently
from migrate.model.campaign import Campaign
from migrate.model.parsing import MOST_TOLD, parse_toml
from migrate.model.problems import BadFile, Changed, Missing, Problem
from migrate.model.secrets import Secret, SecretRef
from migrate.planning.campaign.errands import Answers
from migrate.planning.campaign.plan import CAMPAIGN_ANEW, CampaignPlan, campaign_from_json
from migrate.ports.files import PLAN_OCTETS, read_text, source_of
from migrate.ports.protocols import StoreLost

if TYPE_CHECKING:
    from migrate.ports.durable.store import DurableStore

CampaignFile = Annotated[
    Path,
    typer.Argument(metavar="CAMPAIGN", help="The campaign file: the sites, and the store."),
]
CampaignPlanFile = Annotated[
    Path,
    typer.Argument(metavar="PLAN", help="A frozen campaign, made by: migrate campaign plan"),
]
MOST_NAMED = 20
"""Sites of a circle that are named."""
Coordinated = Callable[[Coordinator], Awaitable[CampaignEnding]]
NEEDED = ("dbos", "sqlalchemy", "psycopg")


def need_store() -> None:
    """Raises Missing, in words, if the packages for the store of a campaign are not installed."""
    missing = [name for name in NEEDED if find_spec(name) is None]
    if missing:
        raise Missing(
            Problem(
                f"campaigns need packages that are not installed: {', '.join(missing)}",
                "install them: pip install 'migrate[campaign]'; moving a single home needs none "
                "of them",
            )
        )


def read_campaign(path: Path) -> Campaign:
    """A campaign file. Raises BadFile."""
    return parse_toml(read_text(path), Campaign, str(path), path.absolute().parent)


def check_order_of_sites(campaign: Campaign, path: Path) -> None:
    """Raises BadFile for sites that come after none that is named, or after each other. A worker's
    copy of the file names its own site alone, and is not held to it."""
    places = {site.name: f"site[{number}].after" for number, site in enumerate(campaign.site)}
    problems = [
        Problem(
            f"site {site} comes after {name}, of which there is none",
            "correct after",
            str(path),
            places[site],
        )
        for site, name in campaign.unknown[:MOST_TOLD]
    ]
    if circle := campaign.circle:
        names = ", ".join(circle[:MOST_NAMED])
        more = f" and {len(circle) - MOST_NAMED} more" if len(circle) > MOST_NAMED else ""
        problems.append(
            Problem(
                f"sites come after each other in a circle: {names}{more}",
                "correct after",
                str(path),
                places[circle[0]],
            )
        )
    if problems:
        raise BadFile(problems)


def read_campaign_plan(path: Path, *, unchanged: bool = False) -> tuple[CampaignPlan, Campaign]:
    """A frozen campaign and the file that it was made from. `unchanged`: sites are to begin by it,
    so that the file and the tool must be those that were reviewed. Raises BadFile, Changed."""
    plan = campaign_from_json(read_text(path, PLAN_OCTETS), str(path))
    place = Path(plan.source.path)
    text = read_text(place)
    problems = []
    if source_of(str(place), text).sha256 != plan.source.sha256:
        problems.append(f"{place} was changed since the campaign was frozen")
    if plan.tool != TOOL:
        problems.append(f"migrate itself was {plan.tool} and is {TOOL}")
    if unchanged and problems:
        raise Changed([Problem(words, CAMPAIGN_ANEW, str(path)) for words in problems])
    return plan, parse_toml(text, Campaign, str(place), place.absolute().parent)


def answers_of(
    plan: CampaignPlan,
    retry: Iterable[str] | None,
    again: Iterable[str] | None,
    write_off: Iterable[str] | None,
    flipped: Iterable[str] | None,
) -> dict[str, Answers]:
    """What the owner has decided, by site. Raises BadFile for a site that is not in the plan."""
    found: dict[str, Answers] = defaultdict(Answers)
    for name in retry or ():
        found[name] = found[name]
    for name in flipped or ():
        found[name] = found[name].model_copy(update={"flipped": True})
    for pairs, field in ((again, "again"), (write_off, "write_off")):
        for pair in pairs or ():
            site, slash, device = pair.partition("/")
            if not (slash and device):
                what = f"{pair!r} names no device of a site"
                raise BadFile(Problem(what, "write it as SITE/DEVICE"))
            names = (*getattr(found[site], field), device)
            found[site] = found[site].model_copy(update={field: names})
    check_sites(plan, found)
    return dict(found)


def check_sites(plan: CampaignPlan, names: Iterable[str]) -> None:
    """Raises BadFile for a name that is no site of the campaign."""
    unknown = [name for name in names if name not in plan.by_name]
    if unknown:
        raise BadFile(
            [
                Problem(
                    f"there is no site {name!r} in this campaign",
                    "see them: migrate campaign status",
                )
                for name in unknown
            ]
        )


def secret_of(ref: SecretRef | None) -> Secret | None:
    """The password of an account, if one is named. Raises SecretTrouble."""
    return secret_reader().resolve(ref) if ref else None


@asynccontextmanager
async def store_of(campaign: Campaign, *, coordinates: bool = False) -> AsyncIterator[DurableStore]:
    """The store of a campaign, reached; let go of at the end.

    Raises Unreachable; BadFile if it has not been prepared; SecretTrouble.
    """
    from migrate.ports.durable.database import unreached
    from migrate.ports.durable.store import open_store

    place = campaign.store
    password = secret_of(place.password)
    try:
        store = await asyncio.to_thread(open_store, place, password, coordinates=coordinates)
    except StoreLost as lost:  # between two questions at the start
        raise unreached(lost, place, place.account) from None
    try:
        yield store
    finally:
        await asyncio.to_thread(store.close)


async def coordinated(
    plan: CampaignPlan,
    asked: Campaign,
    do: Coordinated,
    show: Show,
) -> CampaignEnding:
    """Let a coordinator work on the store, the only one of its campaign. Raises Busy."""
    async with store_of(asked, coordinates=True) as store:
        await patiently(lambda: store.take(plan.key))
        await patiently(lambda: store.register([site.name for site in plan.sites]))
        return await do(Coordinator(plan, store, show))
