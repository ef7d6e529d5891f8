"""Sentences and numbers about sites, shared by all views of a campaign."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from migrate.engine.campaign import CampaignScene
from migrate.model.lifecycle import FAULTS, State
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import DeviceAccount, SiteAccount
from migrate.planning.campaign.look import SiteSign
from migrate.planning.campaign.standing import AT_WORK, SiteStanding, SiteState
from migrate.planning.campaign.turn import SILENT
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
EITHER_WAY: Final = AT_WORK | {SiteState.HELD, SiteState.STOPPED}
"""States that a site may be in on its way back as well."""
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
    Exit.MISSING: "a package is missing there",
}
"""Why an errand ended, by its exit code. The site's own terminal or log has it in full."""
RUN_ENDS: Final = frozenset({Exit.DONE, Exit.HELD, Exit.STOPPED})
"""How a leg ends that has begun."""
MOST_ILL: Final = 3
"""Devices that are named where a site is told in one line."""


@dataclass(frozen=True)
class SiteRow:
    """A site as every view tells it. `there` of `total` devices are where this leg wants them;
    `last_leg`: no leg comes after it, so that they are there for good. `silent`: it needs its
    worker now, and that has not been heard of lately. `words`: why it does not go on, or what is
    to be known of it."""

    name: str
    state: str
    there: int
    total: int
    leg: str
    last_leg: bool
    worker: str
    silent: bool
    words: str
    needs_owner: bool
    devices: tuple[DeviceAccount, ...]


def rows_of(scene: CampaignScene) -> list[SiteRow]:
    """Every site: first those that wait for the owner, then those whose worker is silent."""
    rows = [row_of(scene, site.name) for site in scene.plan.sites]
    order = {state: number for number, state in enumerate(FIRST)}

    def rank(row: SiteRow) -> tuple[bool, bool, int]:
        return not row.needs_owner, not row.silent, order[scene.standings[row.name].state]

    return sorted(rows, key=rank)


def row_of(scene: CampaignScene, name: str) -> SiteRow:
    """One site."""
    standing = scene.standings[name]
    account = account_of(scene, name)
    devices = account.devices if account else ()
    total = max(scene.plan.by_name[name].devices, len(devices))
    back = standing.back or scene.back
    there = sum(device.there(back=back) for device in devices)
    if back and not devices and not standing.began:
        there = total  # nothing was sent there
    way = ", on its way back" if standing.back and standing.state in EITHER_WAY else ""
    return SiteRow(
        name=name,
        state=f"{standing.state}{way}",
        there=there,
        total=total,
        leg=_leg(account) if standing.state is not SiteState.BACK else "",
        last_leg=account is None or _in_last_leg(account, back=back),
        worker=worker_in_words(scene, name),
        silent=is_silent(scene, name),
        words=why_in_words(scene, name),
        needs_owner=standing.state in NEEDS,
        devices=devices,
    )


def account_of(scene: CampaignScene, name: str) -> SiteAccount | None:
    """The latest that is known of a site's devices: while it is at work what its worker tells, if
    that is about this very errand. An errand that was turned away at once knows of none, so that
    what an earlier one told still holds."""
    standing = scene.standings[name]
    sign = scene.look.signs.get(name, SiteSign())
    errand = standing.errand
    if standing.at_work and errand and sign.picture and sign.doing == errand.key:
        return sign.picture
    if standing.account is None or standing.account.devices:
        return standing.account
    errands = sorted(
        scene.look.errands.get(name, ()), key=lambda one: (one.kind == "back", one.attempt)
    )
    told = [one.account for one in errands if one.account is not None and one.account.devices]
    return told[-1] if told else standing.account


def _leg(account: SiteAccount | None) -> str:
    if account is None or account.of == 1:
        return ""
    before = "before " if account.flip and not _gone(account) else ""
    return f"{before}leg {account.leg} of {account.of}"


def _gone(account: SiteAccount) -> bool:
    """Whether all have been told to leave, and the access point is changed in the midst of it."""
    return any(device.state is State.AWAY for device in account.devices)


def _in_last_leg(account: SiteAccount, *, back: bool) -> bool:
    """Whether its devices stand where the last leg has brought them. One that was turned away
    before it began has them as the leg before it left them."""
    if account.of > 1 and (account.flip or account.exit not in RUN_ENDS):
        return False
    return account.leg == (1 if back else account.of)


def headline(scene: CampaignScene, rows: Sequence[SiteRow] | None = None) -> str:
    """All of it in one sentence, without its end. `rows`: all of them, if they are known."""
    numbers = Counter(standing.state for standing in scene.standings.values())
    told = ", ".join(f"{numbers[state]} {state}" for state in STATES if numbers[state])
    rows = rows_of(scene) if rows is None else rows
    there = sum(row.there for row in rows if row.last_leg)
    total = sum(row.total for row in rows)
    side = "old" if scene.back else "new"
    devices = count(total, "device")
    words = f"{count(len(rows), 'site')}: {told}; {there} of {devices} on the {side} side"
    return f"{words}; the campaign is stopped" if scene.stopping else words


LOST: Final = "the store is not reached; sites that are under way go on by themselves"


def worker_in_words(scene: CampaignScene, name: str) -> str:
    """When its worker was heard of."""
    seconds = scene.look.silent_for(name)
    if seconds is None:
        return "never heard of"
    so_long = lasting(seconds)
    return f"heard {so_long} ago" if scene.look.heard(name) else f"silent for {so_long}"


def is_silent(scene: CampaignScene, name: str) -> bool:
    """Whether a worker that has, or could have, something to do has not been heard of lately."""
    wanted = scene.standings[name].at_work or scene.kept.get(name) == SILENT
    return wanted and not scene.look.heard(name)


def why_in_words(scene: CampaignScene, name: str) -> str:
    """Why a site is not under way, or waits for the owner; empty if there is nothing to say."""
    standing = scene.standings[name]
    if standing.state in (SiteState.HELD, SiteState.REFUSED):
        return _needs(standing)
    if standing.state is SiteState.UNDER_WAY:
        ill = _ill_in_words(account_of(scene, name))
        if scene.look.heard(name):
            return ill
        return "goes on by itself; what has become of it is told when its line is back"
    if standing.state is SiteState.ASKED:
        return "" if scene.look.heard(name) else "its worker has not taken it; see that it runs"
    kept = scene.kept.get(name, "")
    if standing.state is SiteState.STOPPED:
        return f"{REFUSALS[Exit.STOPPED]}; {kept}" if kept else REFUSALS[Exit.STOPPED]
    if kept or standing.account is None:
        return kept
    off = [device.name for device in standing.account.devices if device.written_off]
    return f"{len(off)} written off ({_named(off)})" if off else ""


def _needs(standing: SiteStanding) -> str:
    errand = standing.errand
    account = errand.account if errand is not None else None
    if errand is None or errand.phase == "failed" or account is None:
        return "its worker made a mistake, or told what nobody understands"
    if account.flip:
        return "waits for its access point to be changed"
    if account.exit is not Exit.HELD:
        why = REFUSALS.get(account.exit, "it ended otherwise than it should")
        return f"{why} (exit code {int(account.exit)}, {account.exit.name})"
    return _ill_in_words(account) or "its run is held there, and none of its devices has a fault"


def _ill_in_words(account: SiteAccount | None) -> str:
    ill = [device for device in account.devices if device_is_ill(device)] if account else []
    told = [f"{harmless(one.name)} {one.state.told}" for one in ill]
    return _named(told)


def _named(told: Sequence[str]) -> str:
    more = len(told) - MOST_ILL
    words = ", ".join(harmless(one) for one in told[:MOST_ILL])
    return f"{words} and {more} more" if more > 0 else words


def device_is_ill(device: DeviceAccount) -> bool:
    """Whether it waits for the owner: it keeps its site held."""
    return device.state in FAULTS and not device.written_off


def tally_in_words(devices: Sequence[DeviceAccount]) -> str:
    """`1 away, 3 settled`."""
    numbers = Counter(device.state for device in devices)
    return ", ".join(f"{numbers[state]} {state}" for state in State if numbers[state])
