"""Where the sites of a campaign stand, and what can be done next."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from migrate.engine.campaign import CampaignScene
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import DeviceAccount
from migrate.planning.campaign.standing import SiteState
from migrate.planning.campaign.turn import to_take_back
from migrate.views.campaign.words import (
    LOST,
    SiteRow,
    account_of,
    device_is_ill,
    headline,
    row_of,
    rows_of,
)
from migrate.views.ending import Advice
from migrate.views.lines import harmless, say, show
from migrate.views.words import CAUTION, count, some

FEW: Final = 20
"""Sites up to which all are listed, also those that are well or wait for their turn."""
CALM: Final = ("moved", "back", "waiting")
"""States that are counted, not listed, where there are many sites."""
MOST_LISTED: Final = 60
"""Rows of the table, unless all are asked for."""
MOST_ADVICE: Final = 3
"""Sites, and devices of a site, for which commands are told one by one."""


def show_campaign_status(
    scene: CampaignScene, console: Console, site: str | None = None, *, every: bool = False
) -> None:
    """The sites as a table, first those that wait for the owner; or every device of one site."""
    rows = rows_of(scene)
    say(console, f"{scene.plan.title}: {headline(scene, rows)}.", "bold", hang=2)
    if scene.lost:
        say(console, f"{LOST[0].upper()}{LOST[1:]}. This is as it was last seen.", hang=2)
    if site is not None:
        _show_site(row_of(scene, site), console)
        return
    console.print()
    listed = rows if every or len(rows) <= FEW else [row for row in rows if not _calm(row)]
    if not every:
        listed = listed[:MOST_LISTED]
    if listed:
        show(console, _table(listed))
    shown = {row.name for row in listed}
    if left := [row for row in rows if row.name not in shown]:
        for words in _counted(left):
            say(console, words, hang=2)
    if any(device_is_adrift(device) for row in rows for device in row.devices):
        console.print()
        say(console, CAUTION)


def _calm(row: SiteRow) -> bool:
    return row.state in CALM and not row.silent


def _counted(rows: Sequence[SiteRow]) -> Iterator[str]:
    """Sites that are not listed, by their state and why they are in it."""
    numbers = Counter(row.state for row in rows)
    told = ", ".join(f"{number} {state}" for state, number in numbers.items())
    yield f"Not listed: {told}. All of them: --all"
    reasons = Counter(row.words for row in rows if row.state == "waiting" and row.words)
    for words, number in reasons.most_common(MOST_ADVICE):
        yield f"  {number} waiting: {words}"


def _table(rows: Sequence[SiteRow]) -> Table:
    table = Table(box=None, pad_edge=False)
    for heading in ("site", "state", "devices", "worker", "what is known"):
        right = heading == "devices"
        table.add_column(heading, overflow="fold", justify="right" if right else "left")
    for row in rows:
        state = f"{row.state}, {row.leg}" if row.leg else row.state
        table.add_row(
            Text(row.name, "bold" if row.needs_owner else ""),
            Text(state),
            f"{row.there}/{row.total}",
            Text(row.worker),
            Text(row.words),
        )
    return table


def _show_site(row: SiteRow, console: Console) -> None:
    words = f"{row.name}: {row.state}{f', {row.leg}' if row.leg else ''}; worker {row.worker}"
    say(console, f"{words}{f'; {row.words}' if row.words else ''}", hang=2)
    if not row.devices:
        say(console, f"Nothing is known yet of its {count(row.total, 'device')}.")
        return
    console.print()
    table = Table(box=None, pad_edge=False)
    for heading in ("device", "state"):
        table.add_column(heading, overflow="fold")
    for device in sorted(row.devices, key=lambda one: not device_is_ill(one)):
        table.add_row(Text(harmless(device.name)), Text(state_of(device)))
    show(console, table)
    if any(map(device_is_adrift, row.devices)):
        console.print()
        say(console, CAUTION)


def device_is_adrift(device: DeviceAccount) -> bool:
    """Whether somebody may have to go and open it."""
    return device.state is State.ADRIFT


def state_of(device: DeviceAccount) -> str:
    """`settled`, `away, on its way back`, `adrift, written off`."""
    back = device.direction is Direction.BACK and device.state is not State.RESTORED
    words = f"{device.state}{', on its way back' if back else ''}"
    return f"{words}, written off" if device.written_off else words


def campaign_advice(scene: CampaignScene, plan: str) -> list[Advice]:
    """Commands that make sense now. `plan`: its file, as typed."""
    found = list(_for_sites(scene, plan)) + list(_at_sites(scene))
    at_work = scene.named(SiteState.ASKED, SiteState.UNDER_WAY)
    waiting = scene.named(SiteState.WAITING, SiteState.STOPPED)
    if not scene.back and (waiting or at_work):
        what = "looks on until the last site is through, and lets the others begin meanwhile"
        if scene.stopping:
            what = "goes on with the campaign"
        found.append(Advice(f"migrate campaign run {plan}", what))
    if at_work and not scene.stopping:
        found.append(Advice(f"migrate campaign stop {plan}", "stops it between two devices"))
    forward = any(one.at_work and not one.back for one in scene.standings.values())
    if not forward and any(map(to_take_back, scene.standings.values())):
        what = "takes every site back that has moved"
        if scene.back:
            what = "goes on with the way back, of every site that has moved"
        found.append(Advice(f"migrate campaign rollback {plan}", what))
    return found


def _for_sites(scene: CampaignScene, plan: str) -> Iterator[Advice]:
    """For sites that wait for a decision; for the first of them one by one."""
    needing = scene.named(SiteState.HELD, SiteState.REFUSED)
    for name in needing[:MOST_ADVICE]:
        status = f"migrate campaign status {plan} --site {name}"
        yield Advice(status, f"shows every device of {name}")
        standing = scene.standings[name]
        if standing.back:
            yield from _way_back(scene, plan, name)
        elif scene.back:  # the campaign does not go forward any more
            if to_take_back(standing):
                only = f"migrate campaign rollback {plan} --site {name}"
                yield Advice(only, f"takes {name} back as well")
        elif standing.waits_for_flip:
            yield Advice(
                f"migrate campaign run {plan} --flipped {name}",
                f"goes on at {name}, once its access point has been changed",
            )
        else:
            yield from _forward(scene, plan, name)
    if more := needing[MOST_ADVICE:]:
        yield Advice(
            f"migrate campaign status {plan} --site {more[0]}",
            f"and so for the others that wait for you: {some(more)}",
        )


def _forward(scene: CampaignScene, plan: str, name: str) -> Iterator[Advice]:
    what = f"lets {name} go on, when what is amiss there has been seen to"
    yield Advice(f"migrate campaign run {plan} --retry {name}", what)
    account = account_of(scene, name)
    ill = [device for device in account.devices if device_is_ill(device)] if account else []
    for device in ill[:MOST_ADVICE]:
        where = shlex.quote(f"{name}/{device.name}")
        said = device.state in (State.DECLINED, State.RETURNED)
        if said and device.direction is Direction.FORWARD:
            again = f"migrate campaign run {plan} --again {where}"
            yield Advice(again, f"sends {device.name} its bundle once more")
        off = f"migrate campaign run {plan} --write-off {where}"
        yield Advice(off, f"goes on at {name} without {device.name}")


def _way_back(scene: CampaignScene, plan: str, name: str) -> Iterator[Advice]:
    again = f"migrate campaign rollback {plan} --again {name}"
    yield Advice(again, f"goes on with the way back of {name}")
    standing = scene.standings[name]
    account = standing.errand.account if standing.errand else None
    if account is not None and account.exit is Exit.REFUSED:
        yield Advice(
            f"{again} --not-flipped {name}",
            f"the same, if the access point of {name} still has its old passphrase",
        )


def _at_sites(scene: CampaignScene) -> Iterator[Advice]:
    """What is typed at a site itself."""
    rows = rows_of(scene)
    if ill := [row.name for row in rows if row.needs_owner and row.state != "stopped"]:
        what = "every device with its last words, as the terminal or log of its worker has it"
        yield Advice("migrate status", f"typed at the site ({some(ill, 3)}): {what}")
    adrift = [row.name for row in rows if any(_is_missing(device) for device in row.devices)]
    if adrift:
        what = "what the missing look for, and how to get them back"
        yield Advice("migrate adrift", f"typed at the site ({some(adrift, 3)}): {what}")
    if silent := [row.name for row in rows if row.silent]:
        what = "starts its worker, if it is not running"
        more = f"; the same for {some(silent[1:], 3)}" if silent[1:] else ""
        yield Advice(f"migrate worker --site {silent[0]}", f"typed at {silent[0]}: {what}{more}")


def _is_missing(device: DeviceAccount) -> bool:
    return device_is_adrift(device) and not device.written_off
