"""What befell each device that did not just move, as a short story; and what the run did about it.

No markup, no I/O.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from migrate.journal.intents import TURN
from migrate.journal.rows import Entry, Row
from migrate.journal.store import (
    BACK_HELD,
    FINISHED,
    FLIPPED,
    GATE_SHUT,
    HELD,
    NOT_FLIPPED,
    QUIET,
    ROLLED_BACK,
    STOPPED,
)
from migrate.model.lifecycle import FAULTS, GOAL, Direction, Event, State
from migrate.planning.plan import Plan
from migrate.views.report.story import WRITTEN_OFF, Story

TOLD: Final = 12
"""Chapters of one story, at most; of a longer one the beginning and the end are told."""


@dataclass(frozen=True)
class Chapter:
    """One thing that happened, and when by the clock."""

    at: datetime
    head: str
    words: str = ""


@dataclass(frozen=True)
class Fault:
    """All that befell one device from its first fault on. `left_out`: so many chapters from its
    midst are not told."""

    name: str
    place: str
    wave: int
    ended: str
    over: bool
    chapters: tuple[Chapter, ...]
    left_out: int


def faults_of(
    plan: Plan, entries: Sequence[Entry], rows: Mapping[str, Row], story: Story
) -> list[Fault]:
    """Every device that had a fault, in the order in which they began."""
    found: dict[str, list[Chapter]] = {}
    for entry, at in zip(entries, story.walls, strict=True):
        if entry.name is None or entry.name not in rows:
            continue  # about the run, or a line of a damaged journal
        begins = entry.after in FAULTS and entry.before != entry.after
        if entry.name not in found and not begins and entry.kind not in (WRITTEN_OFF, Event.LOSE):
            continue
        told = found.setdefault(entry.name, [])
        chapter = _chapter(entry, at)
        if chapter is None:
            continue
        if told and told[-1].head == chapter.head == STILL:
            told[-1] = chapter
        else:
            told.append(chapter)
    return [_fault(plan, rows[name], told) for name, told in found.items()]


def _fault(plan: Plan, row: Row, told: list[Chapter]) -> Fault:
    left_out = max(0, len(told) - TOLD)
    if left_out:
        half = TOLD // 2
        told = [*told[:half], *told[-half:]]
    return Fault(
        row.name,
        plan.device(row.name).place,
        row.wave,
        ended_as(row),
        row.written_off or row.state is GOAL[row.direction],
        tuple(told),
        left_out,
    )


def ended_as(row: Row) -> str:
    """Where a device stands at the end, in a few words."""
    off = ", written off" if row.written_off else ""
    way = ", on its way back" if row.direction is Direction.BACK else ""
    return f"{row.state}{'' if row.state is State.RESTORED else way}{off}"


STILL: Final = "looked for again"
SAID: Final = {
    State.DECLINED: "it said no",
    State.RETURNED: "it came back",
    State.ADRIFT: "on neither side when its time was up",
}
LATE: Final = {
    State.ADRIFT: "it came after all",
    State.RETURNED: "it went after all",
    State.DECLINED: "it went after all",
}


def _chapter(entry: Entry, at: datetime) -> Chapter | None:
    """A line of the journal as part of a story; None if it is no news."""
    after, before, back = entry.after, entry.before, entry.direction == Direction.BACK
    if entry.kind == WRITTEN_OFF:
        return Chapter(at, "you wrote it off", "")
    if entry.kind == TURN:
        return Chapter(at, "it was to be taken back", "")
    if entry.kind == "note":
        return Chapter(at, STILL, entry.detail)
    if entry.kind == Event.INTEND:
        return Chapter(at, "it was sent its way back" if back else "it was sent its bundle", "")
    if entry.kind == Event.LOSE:
        return Chapter(at, "it was lost", entry.detail)
    if after == before:
        return None
    if after in FAULTS:
        return Chapter(at, SAID[State(after)], entry.detail)
    if entry.kind == Event.UNSENT:
        return Chapter(at, "nothing had reached it", entry.detail)
    if entry.kind == Event.ARRIVE:
        head = LATE.get(State(before)) if before in FAULTS else None
        return Chapter(at, head or "it was found where it was sent to", entry.detail)
    if entry.kind == Event.SOAK:
        head = "it is back for good" if back else "it has settled"
        return Chapter(at, head, entry.detail)
    return None


RUN: Final = {
    GATE_SHUT: ("gate shut", True),
    HELD: ("held", True),
    BACK_HELD: ("the way back stopped", True),
    STOPPED: ("stopped", False),
    ROLLED_BACK: ("taken back", False),
    FINISHED: ("finished", False),
    QUIET: ("quiet hours", False),
    "mended": ("the journal was mended", False),
    FLIPPED: ("the access point was changed, as you said", False),
    NOT_FLIPPED: ("the access point was not changed", False),
}


def run_of(entries: Iterable[Entry], story: Story) -> Iterator[Chapter]:
    """What happened to the run as a whole: gates that shut, holds, ends."""
    last: Entry | None = None
    for entry, at in zip(entries, story.walls, strict=True):
        if entry.name is not None or entry.kind not in RUN:
            continue
        before, last = last, entry
        if before and before.kind == "gate shut" and before.detail == entry.detail:
            continue  # a gate that shuts holds the run, as its words say
        head, with_wave = RUN[entry.kind]
        if with_wave and entry.wave is not None:
            head += f" at wave {entry.wave + 1}"
        words = "" if entry.kind == FLIPPED else entry.detail  # its words say the same
        yield Chapter(at, head, words)
