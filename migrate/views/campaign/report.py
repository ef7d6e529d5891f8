"""The report of a campaign: one HTML file, sites first, then the devices of each. No script.

Of what is well there is little to read: it is folded away, and what waits for the owner is open.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from statistics import median
from typing import Final

from migrate.engine.campaign import CampaignScene
from migrate.planning.campaign.errands import DeviceAccount
from migrate.planning.campaign.standing import SiteState
from migrate.views.campaign.status import campaign_advice, device_is_adrift, state_of
from migrate.views.campaign.times import SiteTimes, time_chart, times_of
from migrate.views.campaign.words import (
    STATES,
    SiteRow,
    device_is_ill,
    headline,
    rows_of,
    tally_in_words,
)
from migrate.views.look import file_policy, style, templates
from migrate.views.report.forms import definitions
from migrate.views.report.story import Pause
from migrate.views.report.tables import Clock
from migrate.views.words import CAUTION, count, lasting, span

PACKAGE: Final = "migrate.views.campaign"
MARK: Final = "<!-- a report of a campaign of migrate -->"
OVER: Final = frozenset({SiteState.MOVED, SiteState.BACK})
"""States of a site at which nothing is to be done."""
OPEN_UP_TO: Final = 20
"""Sites up to which their table of times is open, and that are open although they need somebody."""


@dataclass(frozen=True)
class SiteTold:
    """A site as the template has it. `devices`: names by what is said of them, faults first."""

    row: SiteRow
    tally: str
    devices: tuple[tuple[str, list[str], bool], ...]
    open: bool


@dataclass(frozen=True)
class TimesTold:
    """A row of the table of times."""

    name: str
    state: str
    asked: str
    taken: str
    ended: str
    took: str
    errands: int


def campaign_report(scene: CampaignScene, plan: str) -> str:
    """The whole report as HTML. `plan`: the campaign's file as typed."""
    own = (files(PACKAGE) / "campaign.css").read_text("utf-8")
    css = f"{style('migrate.views.report', 'report.css')}\n{own}"
    page = templates(PACKAGE).get_template("campaign.html")
    rows, times = rows_of(scene), times_of(scene)
    figures, key, axis = time_chart(scene, times)
    first, clock = times.moment(0.0), Clock.of(times.story)
    needing = [row for row in rows if row.needs_owner or row.silent]
    return page.render(
        mark=MARK,
        css=css,
        policy=file_policy(css),
        plan=scene.plan,
        digest=scene.plan.digest[:16],
        headline=headline(scene, rows),
        lost=scene.lost,
        at=_moment(datetime.fromtimestamp(scene.look.at, UTC)),
        created=scene.plan.created.replace("T", " ").replace("+00:00", " UTC"),
        advice=campaign_advice(scene, plan),
        done=all(one.state in OVER for one in scene.standings.values()),
        figures_of=_figures(scene, rows),
        needing=needing,
        begun=_moment(first) if times.stretches else "",
        took=_took(times),
        shared=definitions(),
        figures=figures,
        key=key,
        breaks=[(one.label, _pause(one.pause, clock)) for one in axis.breaks],
        untouched=len(rows) - len(times.stretches),
        times=_times(scene, times, clock),
        times_open=len(times.stretches) <= OPEN_UP_TO,
        sites=_sites(rows),
        adrift=any(device_is_adrift(device) for row in rows for device in row.devices),
        caution=CAUTION,
    )


def is_campaign_report(text: str) -> bool:
    """Whether a file is one, and may be written over by another."""
    return MARK in text[:200]


def _figures(scene: CampaignScene, rows: Iterable[SiteRow]) -> list[tuple[str, int, int]]:
    """For each state how many sites are in it, and how many devices they have."""
    numbers: Counter[str] = Counter()
    devices: Counter[str] = Counter()
    for row in rows:
        state = str(scene.standings[row.name].state)
        numbers[state] += 1
        devices[state] += row.total
    return [(state, numbers[state], devices[state]) for state in STATES if numbers[state]]


def _took(times: SiteTimes) -> str:
    """How long the sites took that are through, in a sentence; empty if none is."""
    came = [
        one.worked
        for mine in times.stretches.values()
        for one in mine
        if one.came in ("moved", "back") and one.worked is not None
    ]
    if not came:
        return ""
    if len(came) == 1:
        return f"The one that is through took {lasting(came[0])} from when its worker took it."
    return (
        f"From when its worker took it until it was through, a site took "
        f"{span(min(came), max(came))}, half of them at most {lasting(median(came))}."
    )


def _pause(one: Pause, clock: Clock) -> str:
    span = f"{clock(one.began)} to {clock(one.ended)}"
    return f"{lasting(one.seconds)}, {span}: no site was under way"


def _times(scene: CampaignScene, times: SiteTimes, clock: Clock) -> list[TimesTold]:
    """Sites in the order in which they were asked."""

    def at(seconds: float | None) -> str:
        moment = times.moment(seconds)
        return "" if moment is None else clock(moment)

    told = []
    for name, mine in times.stretches.items():
        first, last = mine[0], mine[-1]
        worked = [one.worked for one in mine if one.worked is not None]
        told.append(
            TimesTold(
                name=name,
                state=str(scene.standings[name].state),
                asked=at(first.asked),
                taken=at(first.taken),
                ended=at(last.ended),
                took=lasting(sum(worked)) if worked else "",
                errands=len(mine),
            )
        )
    return sorted(told, key=lambda one: times.stretches[one.name][0].asked)


def _sites(rows: Iterable[SiteRow]) -> list[SiteTold]:
    opened = 0
    told = []
    for row in rows:
        opens = row.needs_owner and opened < OPEN_UP_TO
        opened += opens
        told.append(SiteTold(row, tally_in_words(row.devices), _devices(row.devices), opens))
    return told


def _devices(devices: Iterable[DeviceAccount]) -> tuple[tuple[str, list[str], bool], ...]:
    """Devices of which the same is to be said, together."""
    found: dict[tuple[bool, str], list[str]] = {}
    for device in devices:
        found.setdefault((device_is_ill(device), state_of(device)), []).append(device.name)
    ordered = sorted(found.items(), key=lambda item: not item[0][0])
    return tuple((_with_number(state, names), names, ill) for (ill, state), names in ordered)


def _with_number(state: str, names: list[str]) -> str:
    return f"{count(len(names), 'device')} {state}"


def _moment(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M:%S}"
