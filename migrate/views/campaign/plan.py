"""A campaign as its owner reviews it: which sites go when, and why."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from migrate.planning.campaign.plan import CampaignPlan, PlannedSite, SiteWave
from migrate.views.bars import bar
from migrate.views.lines import say, show
from migrate.views.words import CAUTION, count, some

ROWS = 40
"""With more waves than this, equal waves that follow each other share a row, as in waves.py."""
SITES = 40
"""Sites up to which each is told by itself."""
BARS = 24
"""Longest bar, in characters."""


def show_campaign_plan(plan: CampaignPlan, console: Console) -> None:
    """Print it. Holds no secret, so it masks none."""
    devices = sum(site.devices for site in plan.sites)
    title = f"{count(len(plan.sites), 'site')} with {count(devices, 'device')}"
    say(console, f"{plan.title}: {title} in {count(len(plan.waves), 'wave')}", "bold")
    console.print()
    show(console, _waves(plan, console))
    for sentence in _sentences(plan):
        say(console, sentence, hang=2)
    if len(plan.sites) <= SITES:
        console.print()
        for wave in plan.waves:
            for name in wave.sites:
                say(console, _site(plan.by_name[name]), hang=4)
    console.print()
    say(console, CAUTION)


def _waves(plan: CampaignPlan, console: Console) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="")
    table.add_column("wave", justify="right", no_wrap=True)
    table.add_column("sites", overflow="fold")
    for heading in ("devices", "exposure"):
        table.add_column(heading, justify="right", no_wrap=True)
    widest = max((len(wave.sites) for wave in plan.waves), default=1)
    for first, last in _rows(plan.waves):
        waves = plan.waves[first : last + 1]
        sites = len(waves[0].sites)
        length = min(BARS, widest)
        label = f"{sites} each" if last > first else str(sites)
        if first == last and sites == 1:
            label = waves[0].sites[0]
        table.add_row(
            f"{first + 1}" if first == last else f"{first + 1} to {last + 1}",
            Text(f"{bar(sites / widest, length, console)} {label}"),
            str(sum(plan.by_name[name].devices for wave in waves for name in wave.sites)),
            _between([wave.exposure for wave in waves]),
        )
    return table


def _rows(waves: Sequence[SiteWave]) -> list[tuple[int, int]]:
    """First and last wave of each row, from 0."""
    rows = [(number, number) for number in range(len(waves))]
    if len(rows) <= ROWS:
        return rows
    told: list[tuple[int, int]] = []
    for number, wave in enumerate(waves):
        if told and len(waves[told[-1][0]].sites) == len(wave.sites):
            told[-1] = (told[-1][0], number)
        else:
            told.append((number, number))
    return told


def _between(numbers: Sequence[float]) -> str:
    low, high = f"{min(numbers):.2f}", f"{max(numbers):.2f}"
    return low if low == high else f"{low} to {high}"


def _sentences(plan: CampaignPlan) -> list[str]:
    pace = plan.pace
    told = [
        f"exposure: at most so many of the wave are held, {pace.confidence:.0%} sure; you accept "
        f"{pace.held_at_most} at one time, and {pace.most_at_once} sites under way at once",
        "The waves are those of sites that all take equally long. A site begins as soon as it "
        "fits: one that is slow keeps back those that come after it, and of the others only as "
        "many as it counts for.",
    ]
    if pace.wait_when_held is not None:
        sites = count(pace.wait_when_held, "site is", "sites are")
        told.append(f"As soon as {sites} held, no other begins: you asked for that.")
    flips = [
        site.name for site in plan.sites if any(leg.together or leg.after_flip for leg in site.legs)
    ]
    if flips:
        told.append(
            "These wait for somebody to change their access point, and keep back only those that "
            f"come after them: {some(flips)}."
        )
    after = [site.name for site in plan.sites if site.after]
    if after and len(plan.sites) > SITES:
        told.append(f"These come after others: {some(after)}.")
    return told


def _site(site: PlannedSite) -> Text:
    legs = f" in {len(site.legs)} legs" if len(site.legs) > 1 else ""
    words = f": {count(site.devices, 'device')}{legs}; {site.why}"
    after = f"; after {', '.join(site.after)}" if site.after else ""
    return Text.assemble((site.name, "bold"), words + after)
