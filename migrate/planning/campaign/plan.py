"""The frozen campaign: the sites, the plans that lie at them by their digests, and the waves in
which the sites would go if all took equally long. What runs is what was reviewed."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationError, model_validator

from migrate.model.campaign import SiteName, SitePace
from migrate.model.fleet import Strict, Text
from migrate.model.problems import BadFile, Changed, Problem
from migrate.planning.campaign.errands import (
    MOST_LEGS,
    MOST_TWINS,
    Printable,
    SiteLeg,
    SiteTwin,
)
from migrate.planning.plan import Source, as_lines, as_tuples

CAMPAIGN_ANEW = "make it anew: migrate campaign plan"
Group = tuple[str, str]
"""A twin group across sites: a dialect by its digest, and a firmware version."""
KEY_CHARACTERS = 12
"""Of the digest, in the key by which the store knows a campaign: 48 bits."""


class PlannedSite(Strict):
    """A site: what it comes after, the plans of its change, its twin groups, and why it is in its
    wave."""

    name: SiteName
    after: tuple[SiteName, ...] = ()
    travel_minutes: Annotated[int, Field(ge=0)] = 0
    legs: Annotated[tuple[SiteLeg, ...], Field(min_length=1, max_length=MOST_LEGS)]
    twins: Annotated[tuple[SiteTwin, ...], Field(max_length=MOST_TWINS)] = ()
    why: Printable = ""

    @cached_property
    def groups(self) -> frozenset[Group]:
        """Its twin groups: what can be expected to act alike at every site."""
        return frozenset((twin.digest, twin.firmware) for twin in self.twins)

    @property
    def devices(self) -> int:
        """How many devices it has: of the leg with most of them."""
        return max(leg.devices for leg in self.legs)


class SiteWave(Strict):
    """Sites that would go together, and how many of them may be held, at the owner's confidence."""

    sites: Annotated[tuple[SiteName, ...], Field(min_length=1)]
    exposure: Annotated[float, Field(ge=0)]


class CampaignPlan(Strict):
    """A frozen campaign. `digest` covers everything else in it."""

    format: Literal[1] = 1
    tool: Printable
    title: Text
    created: Printable
    source: Source
    pace: SitePace
    sites: Annotated[tuple[PlannedSite, ...], Field(min_length=1)]
    waves: tuple[SiteWave, ...] = ()
    digest: str = ""

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        names = sorted(site.name for site in self.sites)
        placed = sorted(name for wave in self.waves for name in wave.sites)
        if len(set(names)) < len(names) or (self.waves and names != placed):
            raise ValueError("a site stands in no wave, or in two")
        if any(name not in self.by_name for site in self.sites for name in site.after):
            raise ValueError("a site comes after one that is not there")
        return self

    @cached_property
    def by_name(self) -> Mapping[str, PlannedSite]:
        """The sites by name."""
        return {site.name: site for site in self.sites}

    @cached_property
    def sites_with(self) -> Mapping[Group, int]:
        """At how many sites each twin group is."""
        return Counter(group for site in self.sites for group in site.groups)

    @property
    def key(self) -> str:
        """By which the store knows the campaign."""
        return self.digest[:KEY_CHARACTERS]

    def to_json(self) -> str:
        """As it is written to disk: JSON, a line for each site and wave."""
        body: dict[str, Any] = {"format": self.format}
        body |= self.model_dump(mode="json", exclude_defaults=True) | {"digest": self.digest}
        parts = (f"{json.dumps(key)}: {as_lines(value)}" for key, value in body.items())
        return "{\n" + ",\n".join(parts) + "\n}\n"


def freeze_campaign(
    draft: CampaignPlan, waves: Sequence[SiteWave], why: Mapping[str, str]
) -> CampaignPlan:
    """The campaign with its waves and its digest."""
    sites = tuple(site.model_copy(update={"why": why[site.name]}) for site in draft.sites)
    # Made anew and not copied: a copy would keep the sites by name as they were without a reason.
    fields = {name: getattr(draft, name) for name in CampaignPlan.model_fields}
    whole = CampaignPlan(**fields | {"sites": sites, "waves": tuple(waves), "digest": ""})
    return whole.model_copy(update={"digest": _digest(whole)})


def campaign_from_json(text: str, where: str) -> CampaignPlan:
    """Read a frozen campaign. Raises BadFile, or Changed if its digest does not hold."""
    try:
        plan = CampaignPlan.model_validate(as_tuples(json.loads(text)))
    except (ValueError, ValidationError, RecursionError):
        what = "is not a campaign that migrate planned"
        raise BadFile(Problem(what, CAMPAIGN_ANEW, where)) from None
    if _digest(plan) != plan.digest:
        raise Changed(Problem("was edited after it was frozen", CAMPAIGN_ANEW, where))
    return plan


def _digest(plan: CampaignPlan) -> str:
    body = plan.model_dump(mode="json", exclude={"digest"})
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()
