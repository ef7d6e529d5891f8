"""The intents once more, beside the journal: a line for each, synced before its message leaves.

A journal whose end is lost, as after a power cut with a disk that does not keep its word, falls
back to an earlier state without a word: SQLite takes the rest of its write-ahead log for one that
was never finished. A device would then be taken for `waiting` that was sent its bundle. This file
is only ever added to, so what one of the two has lost the other one has. It holds names and
numbers; no setting, no secret.

A line is a JSON array (the how-manieth intent of the device, its name, the direction, the time), a
space, and the CRC-32 of that array in hexadecimal. Half a line, or a damaged one, is passed over.
"""

from __future__ import annotations

import json
import os
from collections import deque
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal
from zlib import crc32

from migrate.journal.file import sync, sync_folders
from migrate.model.lifecycle import TRANSITIONS, TURNS, Direction, Event, State


@dataclass(frozen=True)
class Intent:
    """One line. `number` counts the intents of this device from 1; `at`: ISO 8601 in UTC."""

    number: int
    name: str
    direction: Direction
    at: str


def place_of(journal: Path) -> Path:
    """Where the intents of a journal are."""
    return journal.with_suffix(".intents")


def begin(journal: Path) -> None:
    """Make the file, for its folder to be synced with the journal's. Raises OSError."""
    os.close(os.open(place_of(journal), os.O_CREAT | os.O_EXCL | os.O_RDWR | os.O_CLOEXEC, 0o600))


def add(journal: Path, intent: Intent) -> None:
    """One more line, on the disk when this returns. Raises OSError."""
    place = place_of(journal)
    new = not place.exists()
    handle = os.open(place, os.O_CREAT | os.O_APPEND | os.O_RDWR | os.O_CLOEXEC, 0o600)
    try:
        words = [intent.number, intent.name, intent.direction, intent.at]
        line = json.dumps(words).encode("ascii")
        octets = line + b" %08x\n" % crc32(line)
        # What an interrupted write has left must not spoil this one.
        end = os.fstat(handle).st_size
        if end and os.pread(handle, 1, end - 1) != b"\n":
            octets = b"\n" + octets
        while octets:
            octets = octets[os.write(handle, octets) :]
        sync(handle)
    finally:
        os.close(handle)
    if new:
        sync_folders([place.parent])


def read(journal: Path) -> list[Intent]:
    """All whole lines, in order; none if there is no such file. Raises OSError."""
    try:
        octets = place_of(journal).read_bytes()
    except FileNotFoundError:
        return []
    return [found for line in octets.split(b"\n") if (found := _intent(line)) is not None]


def none(journal: Path) -> bool:
    """Whether it is sure that there never was an intent: the file is there, and empty. Raises
    OSError."""
    place = place_of(journal)
    return place.exists() and place.stat().st_size == 0


def _intent(line: bytes) -> Intent | None:
    words, _, check = line.rpartition(b" ")
    if check != b"%08x" % crc32(words):
        return None
    try:
        number, name, direction, at = json.loads(words)
        if type(number) is not int or not (isinstance(name, str) and isinstance(at, str)):
            return None
        return Intent(number, name, Direction(direction), at)
    except (ValueError, TypeError, RecursionError):
        return None


TURN: Final[Literal["turn"]] = "turn"
"""The step between the two directions; it is no event of the table."""


def way_to_intent(
    direction: Direction, state: State, goal: Direction
) -> list[Event | Literal["turn"]] | None:
    """The fewest lawful steps from a state to an intent in a direction, that one included; None if
    there are none."""
    start = (direction, state)
    ways: dict[tuple[Direction, State], list[Event | Literal["turn"]]] = {start: []}
    queue = deque([start])
    while queue:
        here = queue.popleft()
        way = ways[here]
        if here[0] is goal and (*here, Event.INTEND) in TRANSITIONS:
            return [*way, Event.INTEND]
        steps: list[tuple[Event | Literal["turn"], tuple[Direction, State]]] = [
            (event, (side, after))
            for (side, before, event), after in TRANSITIONS.items()
            # Only one that was sent something can be found to hold it.
            if (side, before) == here and (before, event) != (State.WAITING, Event.SENT)
        ]
        if here[0] is Direction.FORWARD and here[1] in TURNS:
            steps.append((TURN, (Direction.BACK, TURNS[here[1]])))
        for step, there in steps:
            if there not in ways:
                ways[there] = [*way, step]
                queue.append(there)
    return None


def beyond_help(
    kept: Iterable[Intent],
    devices: Mapping[str, tuple[Direction, State, int]],
    ways_back: Collection[str],
) -> str | None:
    """The first device whose intents cannot be put back, if there is one: it has no way back any
    more, or no lawful steps lead there. `devices`: where each stands, and how many intents of it
    are known."""
    stand = dict(devices)
    for intent in kept:
        if intent.name not in stand:
            return intent.name
        direction, state, known = stand[intent.name]
        if intent.number <= known:
            continue
        if intent.name not in ways_back or not way_to_intent(direction, state, intent.direction):
            return intent.name
        stand[intent.name] = (intent.direction, State.SENDING, intent.number)
    return None
