"""The report of a campaign: one HTML file, sites first, then the devices of each. No script."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from statistics import median
from typing import Any, Final

import svg

from migrate.engine.campaign import CampaignScene
from migrate.model.lifecycle import State
from migrate.planning.campaign.errands import DeviceAccount
from migrate.planning.campaign.standing import Errand, SiteState
from migrate.views.campaign.status import campaign_advice, state_of
from migrate.views.campaign.words import SiteRow, device_is_ill, headline, rows_of, tally_in_words
from migrate.views.look import file_policy, style, templates
from migrate.views.report.forms import percent, picture, rounded
from migrate.views.words import CAUTION, lasting

PACKAGE: Final = "migrate.views.campaign"
MARK: Final = "<!-- a report of a campaign of migrate -->"
HEAD, FOOT = 30, 6
"""Pixels above and below the lines of the chart."""
MOST_PIXELS: Final = 1400
"""Of the chart; the more sites there are, the thinner is a line."""
LATE: Final = 0.7
"""Part of the time after which a site's name ends where its line begins."""
NAMED: Final = 60
"""Sites up to which each is named in the chart."""


@dataclass(frozen=True)
class SiteTold:
    """A site as the template has it."""

    row: SiteRow
    tally: str
    taken: str
    devices: tuple[tuple[str, str, bool], ...]


@dataclass(frozen=True)
class Stretch:
    """When a site was asked, taken by its worker, and through; in seconds since the first was."""

    name: str
    state: SiteState
    asked: float
    taken: float | None
    ended: float | None


def campaign_report(scene: CampaignScene, plan: str) -> str:
    """The whole report as HTML. `plan`: the campaign's file as typed."""
    own = (files(PACKAGE) / "campaign.css").read_text("utf-8")
    css = f"{style('migrate.views.report', 'report.css')}\n{own}"
    page = templates(PACKAGE).get_template("campaign.html")
    rows = rows_of(scene)
    stretches, first = _stretches(scene)
    seconds = [s.ended - s.taken for s in stretches if s.taken is not None and s.ended is not None]
    return page.render(
        mark=MARK,
        css=css,
        policy=file_policy(css),
        plan=scene.plan,
        digest=scene.plan.digest[:16],
        headline=headline(scene),
        at=_moment(scene.look.at),
        created=scene.plan.created.replace("T", " ").replace("+00:00", " UTC"),
        advice=campaign_advice(scene, plan),
        sites=[_told(row, stretches) for row in rows],
        begun=_moment(first) if first is not None else "",
        quickest=lasting(min(seconds)) if seconds else "",
        middle=lasting(median(seconds)) if seconds else "",
        slowest=lasting(max(seconds)) if seconds else "",
        chart=_chart(stretches) if stretches else None,
        adrift=any(device.state is State.ADRIFT for row in rows for device in row.devices),
        caution=CAUTION,
    )


def is_campaign_report(text: str) -> bool:
    """Whether a file is one, and may be written over by another."""
    return MARK in text[:200]


def _told(row: SiteRow, stretches: Sequence[Stretch]) -> SiteTold:
    mine = next((one for one in stretches if one.name == row.name), None)
    taken = ""
    if mine and mine.taken is not None and mine.ended is not None:
        taken = lasting(mine.ended - mine.taken)
    ordered = sorted(row.devices, key=lambda device: not device_is_ill(device))
    return SiteTold(row, tally_in_words(row.devices), taken, tuple(map(_device, ordered)))


def _device(device: DeviceAccount) -> tuple[str, str, bool]:
    return device.name, state_of(device), device_is_ill(device)


def _stretches(scene: CampaignScene) -> tuple[list[Stretch], float | None]:
    """Of every site that was asked, in the order in which they were; and when the first was."""
    found: dict[str, list[Errand]] = {
        name: [e for e in errands if e.asked_at is not None]
        for name, errands in scene.look.errands.items()
        if name in scene.plan.by_name
    }
    times = [e.asked_at for errands in found.values() for e in errands if e.asked_at is not None]
    if not times:
        return [], None
    first = min(times)
    told = []
    for name, errands in found.items():
        if not errands:
            continue
        asked = min(e.asked_at or first for e in errands)
        taken = [e.taken_at for e in errands if e.taken_at is not None]
        ended = [e.ended_at for e in errands]
        over = None if None in ended else max(e for e in ended if e is not None)
        told.append(
            Stretch(
                name,
                scene.standings[name].state,
                asked - first,
                min(taken) - first if taken else None,
                over - first if over is not None else None,
            )
        )
    return sorted(told, key=lambda one: (one.asked, one.name)), first


def _chart(stretches: Sequence[Stretch]) -> Any:
    """A line for each site from when it was asked until it was through. Through and well: solid;
    under way: open at its end; waiting for the owner: with a mark."""
    last = max([one.ended or one.taken or one.asked for one in stretches] + [1.0])
    pitch = min(20.0, max(MOST_PIXELS / len(stretches), 1.2))
    height = HEAD + pitch * len(stretches) + FOOT

    def x(seconds: float) -> svg.Length:
        return percent(2 + 95 * seconds / last)

    forms: list[svg.Element] = list(_ticks(last, x, height))
    for number, one in enumerate(stretches):
        y = rounded(HEAD + pitch * (number + 0.5))
        thick = rounded(max(min(pitch * 0.45, 8.0), 1.0))
        begin = one.taken if one.taken is not None else one.asked
        end = one.ended if one.ended is not None else last
        look = "fault" if one.state in (SiteState.HELD, SiteState.REFUSED) else "site"
        look = "open" if one.ended is None else look
        forms.append(svg.Line(class_=["asked"], x1=x(one.asked), x2=x(begin), y1=y, y2=y))
        forms.append(
            svg.Line(class_=[look], x1=x(begin), x2=x(end), y1=y, y2=y, stroke_width=thick)
        )
        if len(stretches) <= NAMED:
            late = ["late"] if one.asked > last * LATE else []
            above = rounded(y - pitch * 0.3)
            forms.append(svg.Text(class_=["name", *late], x=x(one.asked), y=above, text=one.name))
    words = "The table below has the same in words."
    return picture("sites", ["campaign"], height, "Each site over time", words, *forms)


def _ticks(last: float, x: Any, height: float) -> Iterator[svg.Element]:
    for part in range(5):
        seconds = last * part / 4
        side = ("starts", "middle", "middle", "middle", "ends")[part]
        yield svg.Line(class_=["rule"], x1=x(seconds), x2=x(seconds), y1=18, y2=rounded(height))
        yield svg.Text(class_=["tick", side], x=x(seconds), y=13, text=lasting(seconds))


def _moment(at: float) -> str:
    return f"{datetime.fromtimestamp(at, UTC):%Y-%m-%d %H:%M:%S} UTC"
