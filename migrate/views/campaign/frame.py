"""The picture of a campaign on a terminal: the whole, sites under way, sites that need somebody.

Sites stand in the order of the plan, so that nothing jumps. There is no I/O here, and no clock.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from rich.text import Text

from migrate.engine.campaign import CampaignScene
from migrate.model.lifecycle import GOAL, Direction
from migrate.planning.campaign.standing import AT_WORK, SiteState
from migrate.views.campaign.words import LOST, SiteRow, headline, rows_of, tally_in_words
from migrate.views.terminal.cells import column, counted, cut, line, strip, widest, wrapped
from migrate.views.words import count

WHOLE: Final = 60
"""Cells of the strip of all sites, at the most."""
CELLS: Final = 16
"""Cells of the strip of a site's devices."""
WITH_STRIPS: Final = 60
"""Columns from which on there is room for the latter."""
LONGEST: Final = 24
"""Cells of a site's name, at the most."""
ROOMY: Final = 20
"""Rows from which on parts are set apart by an empty row."""


def frame(
    scene: CampaignScene, width: int, height: int, *, plain: bool = False, last: bool = False
) -> list[Text]:
    """Lines for a terminal of so many columns and rows: one row less than it has at the most, and
    each a cell shorter than it is. `plain`: the character set has no blocks. `last`: what stays
    when the work has ended, without that which is told below it."""
    room, free = max(1, width - 1), max(1, height - 1)
    rows = rows_of(scene)
    head = _head(scene, rows, room, free, plain=plain)
    if last:
        return _fitted(head, room)
    space = 1 if height >= ROOMY else 0
    foot = [line(cut(words, room), "bold") for words in _foot(scene)]
    free -= len(head) + len(foot) + space * bool(foot)
    ill = [row for row in rows if row.needs_owner or row.silent]
    names = {row.name for row in ill}
    going = [row for row in rows if scene.standings[row.name].state in AT_WORK]
    going = [row for row in going if row.name not in names]
    told = _amiss(ill, room, min(free - space, max(3, free // 2)))
    free -= len(told) + space * bool(told)
    way = _under_way(going, scene, room, free - space, plain=plain)
    parts = (head, way, told, foot)
    lines: list[Text] = []
    for part in parts:
        if part:
            lines += [Text()] * (space if lines else 0) + part
    return _fitted(lines, room)[: max(1, height - 1)]


def _fitted(lines: list[Text], room: int) -> list[Text]:
    for one in lines:
        one.truncate(room)
    return lines


def _head(
    scene: CampaignScene, rows: Sequence[SiteRow], room: int, free: int, *, plain: bool
) -> list[Text]:
    words = wrapped(headline(scene, rows), room, 2 if free >= 8 else 1)
    drawn = [line(cut(scene.plan.title, room), "bold")] if free >= 3 else []
    drawn += [Text(one) for one in words]
    if free >= 4:
        states = Counter(one.state for one in scene.standings.values())
        goal = SiteState.BACK if scene.back else SiteState.MOVED
        need = sum(row.needs_owner for row in rows)
        way = sum(states[state] for state in AT_WORK)
        rest = len(rows) - states[goal] - need - way
        numbers = (states[goal], way, need, rest)
        drawn.append(strip(numbers, min(room, WHOLE, len(rows)), plain=plain, back=scene.back))
    return drawn


def _foot(scene: CampaignScene) -> list[str]:
    if scene.lost:
        return [LOST]
    if scene.stopping:
        return ["stopping, as you asked: no site begins any more"]
    return []


def _under_way(
    rows: Sequence[SiteRow], scene: CampaignScene, room: int, most: int, *, plain: bool
) -> list[Text]:
    if not rows or most < 2:
        return []
    shown = rows[: most - 1] if len(rows) < most else rows[: most - 2]
    longest = widest((row.name for row in shown), LONGEST)
    lines = [line("under way:")]
    for row in shown:
        drawn = Text(f"  {column(row.name, longest)}  ")
        if room >= WITH_STRIPS:
            back = scene.standings[row.name].back
            goal = GOAL[Direction.BACK if back else Direction.FORWARD]
            numbers = counted(Counter(device.state for device in row.devices), goal)
            unknown = row.total - sum(numbers)
            numbers = (*numbers[:3], numbers[3] + unknown)
            cells = min(CELLS, row.total)
            drawn.append_text(strip(numbers, cells, plain=plain, back=back))
            drawn.append("  ")
        parts = (f"{row.there}/{row.total}", row.leg, tally_in_words(row.devices) or row.state)
        drawn.append(cut(", ".join(part for part in parts if part), room - drawn.cell_len))
        lines.append(drawn)
    return lines + _others(len(rows) - len(shown), room)


def _amiss(rows: Sequence[SiteRow], room: int, most: int) -> list[Text]:
    if not rows or most < 2:
        return []
    shown = rows[: most - 1] if len(rows) < most else rows[: most - 2]
    longest = widest((row.name for row in shown), LONGEST)
    lines = [line(cut("to be looked at:", room), "bold")]
    for row in shown:
        state = f"{row.state}, {row.leg}" if row.leg else row.state
        worker = f"worker {row.worker}" if row.silent else ""
        words = "; ".join(part for part in (state, worker, row.words) if part)
        lines.append(Text(cut(f"  {column(row.name, longest)}  {words}", room)))
    return lines + _others(len(rows) - len(shown), room)


def _others(number: int, room: int) -> list[Text]:
    return [Text(cut(f"  and {count(number, 'other')}", room))] if number else []
