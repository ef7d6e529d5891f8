"""The waves of a plan as a picture: one row for each, or for a run of equal ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Console
from rich.table import Table
from rich.text import Text

from migrate.planning.plan import Plan, PlannedWave, Seconds
from migrate.planning.times import run_seconds
from migrate.views.bars import bar, mark
from migrate.views.lines import say, show

ROWS = 40
"""With more waves than this, equal waves that follow each other share a row."""
MOST, LEAST = 50, 6
"""Longest and shortest room for bars, in characters."""


@dataclass(frozen=True)
class _Row:
    """Waves `first` to `last` (from 0), all with so many devices and the same remark."""

    first: int
    last: int
    devices: int
    remark: str

    @property
    def number(self) -> str:
        one = self.first == self.last
        return f"{self.first + 1}" if one else f"{self.first + 1} to {self.last + 1}"

    @property
    def label(self) -> str:
        each = " each" if self.last > self.first else ""
        return f"{self.devices}{each} {self.remark}".rstrip()


def show_waves(plan: Plan, console: Console) -> None:
    """Print the picture: number, bar, exposure, minutes of the wave, minutes since the start."""
    rows = _rows(plan)
    cells = [_numbers(plan, row) for row in rows]
    heads = ("wave", "exposure", "minutes", "so far")
    columns = [[row.number for row in rows], *map(list, zip(*cells, strict=True))]
    taken = sum(
        max(len(head), *map(len, column)) + 2 for head, column in zip(heads, columns, strict=True)
    )
    room = console.width - taken - max(len(row.label) for row in rows) - 1
    room = min(MOST, max(LEAST, room))
    widest = max(row.devices for row in rows)
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="")
    table.add_column("wave", justify="right", no_wrap=True)
    scale = "" if widest <= room else f" (longest bar: {widest})"
    table.add_column(f"devices{scale}", no_wrap=True, overflow="ellipsis")
    for head in heads[1:]:
        table.add_column(head, justify="right", no_wrap=True)
    for row, told in zip(rows, cells, strict=True):
        if widest <= room:
            drawn = mark(console) * row.devices
        else:
            drawn = bar(row.devices / widest, room, console)
        table.add_row(row.number, Text(f"{drawn} {row.label}"), *told)
    show(console, table)
    marks = {word for row in rows for word in row.remark.split(", ")}
    told_of = [words for word, words in MARKS.items() if word in marks]
    for words in (_exposure(plan), *told_of):
        say(console, words, hang=2)


def _exposure(plan: Plan) -> str:
    if plan.leg.together:
        return f"exposure: devices that could be stranded; you accepted {len(plan.devices)}"
    return (
        f"exposure: devices that the wave could strand, {plan.pace.confidence:.0%} sure; you "
        f"accept {plan.pace.stranded_at_most}"
    )


MARKS = {
    "pilot": "pilot: the one device that goes before all others",
    "carrier": "carrier: feeds a part of the network, so it goes alone and late",
    "sleeper": "sleeper: has devices that sleep, and lasts until they have woken",
    "quiet": "quiet: has devices with hours in which nothing is sent to them",
}


def _rows(plan: Plan) -> list[_Row]:
    rows = [
        _Row(number, number, len(wave.devices), _remark(plan, number, wave))
        for number, wave in enumerate(plan.waves)
    ]
    if len(rows) <= ROWS:
        return rows
    told: list[_Row] = []
    for row in rows:
        last = told[-1] if told else None
        if last and (last.devices, last.remark) == (row.devices, row.remark):
            told[-1] = _Row(last.first, row.last, row.devices, row.remark)
        else:
            told.append(row)
    return told


def _remark(plan: Plan, number: int, wave: PlannedWave) -> str:
    """What a reader has to know of a wave, in words of MARKS."""
    devices = [plan.device(name) for name in wave.devices]
    words = []
    alone = len(devices) == 1 and not plan.leg.together
    if number == 0 and alone and not devices[0].feeds:
        words.append("pilot")
    if any(one.feeds for one in devices) and not plan.leg.together:
        words.append("carrier")
    if any(one.wakes_seconds for one in devices):
        words.append("sleeper")
    if any(one.quiet for one in devices):
        words.append("quiet")
    return ", ".join(words)


def _numbers(plan: Plan, row: _Row) -> tuple[str, str, str]:
    waves = plan.waves[row.first : row.last + 1]
    so_far = run_seconds(wave.seconds for wave in plan.waves[: row.last + 1])
    exposures = [wave.exposure for wave in waves]
    return (
        _between(f"{min(exposures):.2f}", f"{max(exposures):.2f}"),
        _minutes(_range([wave.seconds for wave in waves])),
        _minutes(so_far),
    )


def _range(times: Sequence[Seconds]) -> Seconds:
    return Seconds(least=min(t.least for t in times), most=max(t.most for t in times))


def _minutes(seconds: Seconds) -> str:
    least, most = seconds.least / 60, seconds.most / 60
    digits = 1 if most < 100 else 0
    return _between(f"{least:.{digits}f}", f"{most:.{digits}f}")


def _between(low: str, high: str) -> str:
    return low if low == high else f"{low} to {high}"
