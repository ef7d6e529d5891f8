"""One look at the store: all that whoever runs a campaign knows at that moment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from migrate.planning.campaign.errands import SiteAccount
from migrate.planning.campaign.plan import CampaignPlan
from migrate.planning.campaign.standing import Errand, SiteStanding, standing_of

BEAT_SECONDS: Final = 10.0
"""A worker says so often that it is there."""
SILENT_SECONDS: Final = 45.0
"""A worker that has not been heard of for so long is told as silent: four beats and a half."""

Wanted = Literal["run", "stop"]
"""The owner's last word about a campaign: it goes on, or no site begins and those under way stop
between two devices."""


@dataclass(frozen=True)
class SiteSign:
    """What a worker last said of itself: when, by the store's clock; its version; the key of the
    errand it is at; and how far that is."""

    heard_at: float | None = None
    tool: str = ""
    doing: str = ""
    picture: SiteAccount | None = None


@dataclass(frozen=True)
class Look:
    """`at`: seconds since 1970 by the store's clock. `errands` and `signs`: by site; whoever has
    none is not in them."""

    at: float
    wanted: Wanted = "run"
    errands: Mapping[str, Sequence[Errand]] = field(default_factory=dict)
    signs: Mapping[str, SiteSign] = field(default_factory=dict)

    def standings(self, plan: CampaignPlan) -> dict[str, SiteStanding]:
        """Where each site of the campaign stands."""
        return {site.name: standing_of(self.errands.get(site.name, ())) for site in plan.sites}

    def heard(self, site: str) -> bool:
        """Whether its worker has been heard of lately."""
        silent = self.silent_for(site)
        return silent is not None and silent <= SILENT_SECONDS

    def silent_for(self, site: str) -> float | None:
        """Seconds since its worker was heard of; None if it never was."""
        at = self.signs.get(site, SiteSign()).heard_at
        return None if at is None else max(self.at - at, 0.0)
