"""A campaign as its owner reviews it: which sites go when, and why."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from migrate.planning.campaign.plan import CampaignPlan, PlannedSite
from migrate.views.bars import bar
from migrate.views.lines import say, show
from migrate.views.words import CAUTION, count, some

ROWS = 40
"""Waves that are listed; of more, the first and the last."""
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
    for heading in ("wave", "sites", "devices", "exposure"):
        table.add_column(heading, justify="left" if heading == "sites" else "right", no_wrap=True)
    widest = max(len(wave.sites) for wave in plan.waves)
    numbers = list(range(len(plan.waves)))
    if len(numbers) > ROWS:
        numbers = [*numbers[: ROWS // 2], -1, *numbers[-ROWS // 2 :]]
    for number in numbers:
        if number < 0:
            table.add_row("...", "", "", "")
            continue
        wave = plan.waves[number]
        devices = sum(plan.by_name[name].devices for name in wave.sites)
        drawn = bar(len(wave.sites) / widest, BARS, console)
        label = wave.sites[0] if len(wave.sites) == 1 else str(len(wave.sites))
        table.add_row(
            str(number + 1), Text(f"{drawn} {label}"), str(devices), f"{wave.exposure:.2f}"
        )
    return table


def _sentences(plan: CampaignPlan) -> list[str]:
    pace = plan.pace
    told = [
        f"exposure: sites that could be held at one time, {pace.confidence:.0%} sure; you accept "
        f"{pace.held_at_most}",
        "The waves are those of sites that all take equally long. A site begins as soon as it "
        "fits: one that is slow keeps back nobody but those that come after it.",
    ]
    if pace.wait_when_held is not None:
        sites = count(pace.wait_when_held, "site is", "sites are")
        told.append(f"As soon as {sites} held, no other begins: you asked for that.")
    flips = [site.name for site in plan.sites if any(leg.together for leg in site.legs)]
    if flips:
        told.append(f"At these sites somebody has to change the access point: {some(flips)}.")
    return told


def _site(site: PlannedSite) -> Text:
    legs = f" in {len(site.legs)} legs" if len(site.legs) > 1 else ""
    words = f": {count(site.devices, 'device')}{legs}; {site.why}"
    after = f"; after {', '.join(site.after)}" if site.after else ""
    return Text.assemble((site.name, "bold"), words + after)
