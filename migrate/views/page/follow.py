"""A scene brought up to date from the lines of a journal: for whoever looks on from another
process, or comes later. There is no I/O here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from migrate.engine.tidings import Outcome, Tidings
from migrate.journal.replay import STILL
from migrate.journal.rows import Entry, Row
from migrate.journal.store import (
    ADMITTED,
    ALL_TOLD,
    BACK,
    BACK_HELD,
    FINISHED,
    FLIPPED,
    GATE_OPEN,
    GATE_SHUT,
    HELD,
    NOT_FLIPPED,
    QUIET,
    ROLLED_BACK,
    STOPPED,
)
from migrate.model.lifecycle import Direction, Event
from migrate.model.problems import Exit
from migrate.views.ending import Ending
from migrate.views.scene import Scene
from migrate.views.words import count

NOTE: Final = "note"
JUDGED: Final = (GATE_OPEN, GATE_SHUT, HELD, BACK_HELD, STOPPED, FINISHED, ROLLED_BACK)


@dataclass(frozen=True)
class Lines:
    """New lines of a journal, and where every device stands after them."""

    entries: Sequence[Entry]
    rows: Sequence[Row]


def recall(scene: Scene, entries: Iterable[Entry], *, under_way: bool = False) -> None:
    """Take in what was before: how the gates were judged, and what was remarked; if work may be
    `under_way`, also which wave was. How long one took says nothing any more: a run may have lain
    still between."""
    for entry in entries:
        for news in _tidings(scene, entry):
            if news.kind == "wave" and news.wave is not None:
                if under_way:
                    scene.take(news, at_of(entry))
                scene.waves[news.wave].began = None
                scene.waves[news.wave].gate = ""
            elif news.kind in ("gate", "note"):
                scene.take(news, at_of(entry))


def follow(scene: Scene, lines: Lines) -> None:
    """Take in what another process has written since."""
    for entry in lines.entries:
        if _works_on(entry):
            scene.ending = None
        for news in _tidings(scene, entry):
            scene.take(news, at_of(entry))
    scene.refresh(lines.rows)


def ending_of(entries: Sequence[Entry], rows: Sequence[Row]) -> Ending | None:
    """How the work on a run ended, if its last lines tell; without advice yet."""
    told = [entry for entry in entries if entry.kind not in STILL]
    of_run = [number for number, entry in enumerate(told) if entry.name is None]
    if not of_run:
        return None
    last, after = told[of_run[-1]], told[of_run[-1] + 1 :]
    # Found not to be flipped, those that had been seen were seen by the old passphrase.
    if any((last.kind, entry.kind) != (NOT_FLIPPED, Event.LOSE) for entry in after):
        return None
    outcome = _outcome(told[: of_run[-1]], last, rows)
    return None if outcome is None else Ending(outcome)


def _works_on(entry: Entry) -> bool:
    """Whether a process is at work that wrote this after another had ended."""
    return entry.kind == FLIPPED or (entry.name is not None and entry.kind not in STILL)


def _outcome(before: Sequence[Entry], last: Entry, rows: Sequence[Row]) -> Outcome | None:
    wave = "" if last.wave is None else f" at wave {last.wave + 1}"
    if last.kind == HELD:
        return Outcome(Exit.HELD, f"held{wave}: nothing more is sent until you decide")
    if last.kind == BACK_HELD:
        return Outcome(Exit.HELD, f"the way back stopped{wave}", (last.detail,))
    if last.kind == STOPPED:
        return Outcome(Exit.STOPPED, "stopped, as you asked")
    if last.kind == ALL_TOLD:
        return Outcome(Exit.HELD, "all are told; the access point may be changed now", flip=True)
    if last.kind == NOT_FLIPPED:
        words = "held: do not change the access point before every device has been told"
        return Outcome(Exit.HELD, words, (last.detail,))
    if last.kind == BACK and _behind(last.detail):
        return Outcome(Exit.HELD, f"the way back stopped{wave}")
    if last.kind == ROLLED_BACK:
        missing = any(row.standing.may_have_left and not row.written_off for row in rows)
        held = missing or _by_the_playbook(before)
        return Outcome(Exit.HELD if held else Exit.DONE, f"{last.detail} back on the old side")
    if last.kind == FINISHED:
        return Outcome(Exit.DONE, f"done: {count(len(rows), 'device')} settled or written off")
    return None


def _tidings(scene: Scene, entry: Entry) -> Iterable[Tidings]:
    """What the engine told when it wrote this line, as far as it can be known."""
    way = Direction(entry.direction) if entry.direction else scene.direction
    if entry.name is not None:
        if way is Direction.BACK and entry.wave is not None:
            yield from _began(scene, entry.wave, way)
        if entry.kind == NOTE:
            yield Tidings("note", entry.detail, entry.name)
    elif entry.kind == ADMITTED and entry.wave is not None:
        yield from _began(scene, entry.wave, Direction.FORWARD)
    elif entry.kind == GATE_OPEN:
        yield Tidings("gate", "open", wave=entry.wave)
    elif entry.kind == GATE_SHUT:
        yield Tidings("gate", f"shut by {entry.detail}", wave=entry.wave)
    elif entry.kind == QUIET:
        # The way back does not wait for them; it only says so.
        waits = way is Direction.FORWARD or entry.detail.startswith("waiting")
        yield Tidings("waiting" if waits else "note", entry.detail)


def _began(scene: Scene, wave: int, way: Direction) -> Iterable[Tidings]:
    if (scene.wave, scene.direction) != (wave, way) or scene.waves[wave].gate:
        yield Tidings("wave", wave=wave, direction=way)
    elif scene.waiting:  # in the midst of the wave; now it goes on
        yield Tidings("waiting")


def _by_the_playbook(before: Sequence[Entry]) -> bool:
    """Whether it was a gate that sent the fleet back, and not its owner: then they must decide."""
    judged = [one.kind for one in before if one.name is None and one.kind in JUDGED]
    return bool(judged) and judged[-1] == GATE_SHUT


def _behind(detail: str) -> bool:
    came, _, of = detail.partition(" of ")
    return came != of


def at_of(entry: Entry) -> datetime:
    """When a line was written."""
    return datetime.fromisoformat(entry.at)
