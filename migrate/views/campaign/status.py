"""Where the sites of a campaign stand, and what can be done next."""

from __future__ import annotations

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
from migrate.views.campaign.words import SiteRow, device_is_ill, headline, row_of, rows_of
from migrate.views.ending import Advice
from migrate.views.lines import harmless, say, show
from migrate.views.words import CAUTION, count

FEW: Final = 20
"""Sites up to which all are listed, also those that are well or wait for their turn."""
CALM: Final = ("moved", "back", "waiting")
"""States that are counted, not listed, where there are many sites."""
MOST_ADVICE: Final = 6
"""Sites for which commands are told one by one."""


def show_campaign_status(
    scene: CampaignScene, console: Console, site: str | None = None, *, every: bool = False
) -> None:
    """The sites as a table, first those that wait for the owner; or every device of one site."""
    say(console, f"{scene.plan.title}: {headline(scene)}", "bold", hang=2)
    if site is not None:
        _show_site(row_of(scene, site), console)
        return
    rows = rows_of(scene)
    listed = rows if every or len(rows) <= FEW else [row for row in rows if row.state not in CALM]
    if listed:
        show(console, _table(listed))
    if left := len(rows) - len(listed):
        say(console, f"{count(left, 'site')} more, of which there is nothing to tell: see --all")
    if any(device.state is State.ADRIFT for row in rows for device in row.devices):
        console.print()
        say(console, CAUTION)


def _table(rows: Sequence[SiteRow]) -> Table:
    table = Table(box=None, pad_edge=False)
    for heading in ("site", "state", "devices", "worker", "last words"):
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
    table = Table(box=None, pad_edge=False)
    for heading in ("device", "state"):
        table.add_column(heading, overflow="fold")
    for device in sorted(row.devices, key=lambda one: not device_is_ill(one)):
        table.add_row(Text(harmless(device.name)), Text(state_of(device)))
    show(console, table)
    if any(device.state is State.ADRIFT for device in row.devices):
        say(console, CAUTION)


def state_of(device: DeviceAccount) -> str:
    """`settled`, `away, on its way back`, `adrift, written off`."""
    back = device.direction is Direction.BACK and device.state is not State.RESTORED
    words = f"{device.state}{', on its way back' if back else ''}"
    return f"{words}, written off" if device.written_off else words


def campaign_advice(scene: CampaignScene, plan: str) -> list[Advice]:
    """Commands that make sense now. `plan`: its file, as typed."""
    found = list(_for_sites(scene, plan))
    at_work = scene.named(SiteState.ASKED, SiteState.UNDER_WAY)
    waiting = scene.named(SiteState.WAITING, SiteState.STOPPED)
    if not scene.back and (waiting or at_work):
        what = "looks on until the last site is through, and lets the others begin meanwhile"
        if scene.stopping:
            what = "goes on with the campaign"
        found.append(Advice(f"migrate campaign run {plan}", what))
    if at_work and not scene.stopping:
        found.append(Advice(f"migrate campaign stop {plan}", "stops it between two devices"))
    if not at_work and any(map(to_take_back, scene.standings.values())):
        found.append(
            Advice(f"migrate campaign rollback {plan}", "takes every site back that has moved")
        )
    return found


def _for_sites(scene: CampaignScene, plan: str) -> Iterator[Advice]:
    needing = scene.named(SiteState.HELD, SiteState.REFUSED)
    for name in needing[:MOST_ADVICE]:
        standing = scene.standings[name]
        account = standing.account
        yield Advice(
            f"migrate campaign status {plan} --site {name}", f"shows every device of {name}"
        )
        if standing.back:
            again = f"migrate campaign rollback {plan} --again {name}"
            yield Advice(again, f"goes on with the way back of {name}")
            continue
        if standing.waits_for_flip:
            yield Advice(
                f"migrate campaign run {plan} --flipped {name}",
                f"goes on at {name} when its access point has been changed",
            )
            continue
        what = f"lets {name} go on, when what is amiss there has been seen to"
        yield Advice(f"migrate campaign run {plan} --retry {name}", what)
        if account is None or account.exit is not Exit.HELD:
            continue
        ill = [device for device in account.devices if device_is_ill(device)]
        for device in ill[:2]:
            where = f"{name}/{device.name}"
            quoted = harmless(where if where.replace("/", "").isalnum() else f"'{where}'")
            if device.state in (State.DECLINED, State.RETURNED):
                again = f"migrate campaign run {plan} --again {quoted}"
                yield Advice(again, f"sends {harmless(device.name)} its bundle once more")
            off = f"migrate campaign run {plan} --write-off {quoted}"
            yield Advice(off, f"goes on at {name} without it")
    if len(needing) > MOST_ADVICE:
        more = len(needing) - MOST_ADVICE
        yield Advice(f"migrate campaign status {plan}", f"lists {more} more that wait for you")
