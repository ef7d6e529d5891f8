"""Sentences and numbers about sites, shared by all views of a campaign."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from migrate.engine.campaign import CampaignScene
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import DeviceAccount, SiteAccount
from migrate.planning.campaign.look import SiteSign
from migrate.planning.campaign.standing import SiteStanding, SiteState
from migrate.views.lines import harmless
from migrate.views.words import count, lasting

STATES: Final = tuple(SiteState)
NEEDS: Final = frozenset({SiteState.HELD, SiteState.REFUSED, SiteState.STOPPED})
"""States in which a site waits for the owner."""
FIRST: Final = (
    SiteState.HELD,
    SiteState.REFUSED,
    SiteState.STOPPED,
    SiteState.UNDER_WAY,
    SiteState.ASKED,
    SiteState.WAITING,
    SiteState.MOVED,
    SiteState.BACK,
)
"""The order in which sites are listed: first those that wait for the owner."""
REFUSALS: Final = {
    Exit.BAD_FILE: "a file there cannot be read, or its plan is gone",
    Exit.REFUSED: "its planner refuses: going on could strand a device",
    Exit.SECRET: "a secret is missing there, or open to others",
    Exit.CHANGED: "a file there was changed since the campaign was planned",
    Exit.BUSY: "another run is at work there",
    Exit.JOURNAL: "its journal cannot be used",
    Exit.UNREACHABLE: "a device or broker that must answer first does not",
    Exit.BUG: "its worker made a mistake",
    Exit.STOPPED: "stopped between two devices",
}
"""Why an errand ended, by its exit code. The site's own terminal or log has it in full."""


@dataclass(frozen=True)
class SiteRow:
    """A site as every view tells it. `there` of `total` devices are where they are wanted."""

    name: str
    state: str
    there: int
    total: int
    leg: str
    worker: str
    words: str
    needs_owner: bool
    devices: tuple[DeviceAccount, ...]


def rows_of(scene: CampaignScene) -> list[SiteRow]:
    """Every site, first those that wait for the owner."""
    order = {state: number for number, state in enumerate(FIRST)}
    sites = sorted(scene.plan.sites, key=lambda site: order[scene.standings[site.name].state])
    return [row_of(scene, site.name) for site in sites]


def row_of(scene: CampaignScene, name: str) -> SiteRow:
    """One site."""
    standing, site = scene.standings[name], scene.plan.by_name[name]
    account = account_of(scene, name)
    devices = account.devices if account else ()
    back = standing.back or scene.back
    leg = f"leg {account.leg} of {account.of}" if account and account.of > 1 else ""
    state = (
        f"{standing.state}, on its way back"
        if standing.back and standing.at_work
        else (str(standing.state))
    )
    return SiteRow(
        name,
        state,
        sum(_there(device, back=back) for device in devices),
        max(site.devices, len(devices)),
        leg,
        worker_in_words(scene, name),
        why_in_words(scene, name),
        standing.state in NEEDS,
        devices,
    )


def account_of(scene: CampaignScene, name: str) -> SiteAccount | None:
    """The latest that is known of a site's devices: while it is at work what its worker tells, if
    that is about this very errand."""
    standing = scene.standings[name]
    sign = scene.look.signs.get(name, SiteSign())
    errand = standing.errand
    if standing.at_work and errand and sign.picture and sign.doing == errand.key:
        return sign.picture
    return standing.account


def _there(device: DeviceAccount, *, back: bool) -> bool:
    if back:
        untouched = device.state is State.WAITING and device.direction is Direction.FORWARD
        return device.state is State.RESTORED or untouched
    return device.state is State.SETTLED and device.direction is Direction.FORWARD


def headline(scene: CampaignScene) -> str:
    """All of it in one sentence."""
    numbers = Counter(standing.state for standing in scene.standings.values())
    told = ", ".join(f"{numbers[state]} {state}" for state in STATES if numbers[state])
    rows = [row_of(scene, site.name) for site in scene.plan.sites]
    there, total = sum(row.there for row in rows), sum(row.total for row in rows)
    side = "old" if scene.back else "new"
    words = f"{count(len(rows), 'site')}: {told}; {there} of {total} devices on the {side} side"
    return f"{words}; the campaign is stopped" if scene.stopping else words


def worker_in_words(scene: CampaignScene, name: str) -> str:
    """When its worker was heard of."""
    seconds = scene.look.silent_for(name)
    if seconds is None:
        return "never heard of"
    return "there" if scene.look.heard(name) else f"silent for {lasting(seconds)}"


def why_in_words(scene: CampaignScene, name: str) -> str:
    """Why a site is not under way, or waits for the owner; empty if there is nothing to say."""
    standing = scene.standings[name]
    if standing.state is SiteState.WAITING or (standing.state is SiteState.MOVED and scene.back):
        return scene.kept.get(name, "")
    if standing.at_work:
        if scene.look.heard(name):
            return ""
        return "goes on by itself; what has become of it is told when its line is back"
    if standing.state not in NEEDS:
        return ""
    return _needs(standing)


def _needs(standing: SiteStanding) -> str:
    account = standing.account
    if standing.errand is not None and standing.errand.phase == "failed":
        return "its worker made a mistake, or told what nobody understands"
    if account is None:
        return "nothing is known of its devices"
    if account.flip:
        return "waits for its access point to be changed"
    if account.exit is not Exit.HELD:
        return REFUSALS.get(account.exit, account.exit.name)
    ill = [device for device in account.devices if device_is_ill(device)]
    return ", ".join(f"{harmless(one.name)} {one.state.told}" for one in ill[:3]) + (
        f" and {len(ill) - 3} more" if len(ill) > 3 else ""
    )


def device_is_ill(device: DeviceAccount) -> bool:
    """Whether it keeps its site held: it is neither where it is wanted nor as it was."""
    well = (State.SETTLED, State.RESTORED, State.WAITING)
    return device.state not in well and not device.written_off


def tally_in_words(devices: Sequence[DeviceAccount]) -> str:
    """`1 away, 3 settled`."""
    numbers = Counter(device.state for device in devices)
    return ", ".join(f"{numbers[state]} {state}" for state in State if numbers[state])
