"""What stands in a journal: devices, lines, bundles, and how they are written there."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

from migrate.model.lifecycle import Direction, State
from migrate.model.secrets import SecretRef
from migrate.model.settings import FrozenBundle, FrozenValue, Setting
from migrate.planning.gates import Standing

COLUMNS: Final = (
    "name, wave, direction, state, written_off, sent_at, given, note, changed_at, faults, intents"
)
"""The columns that row_of reads, in its order."""

RETURN: Final = "return"
"""Kind of the line that keeps how many seconds a device took from sending to arrival."""
UPTIME: Final = "uptime"
"""Kind of the line that keeps how long a device had been up, in seconds, when it was sent its
bundle; without a number where it does not tell."""
SEEMED_UNSENT: Final = "seemed unsent"
"""Kind of the line that says of an intent that its message seemed not to have arrived when an
interruption was over. It may have been on its way still, or the device may have told wrongly."""
FAULT: Final = (Direction.FORWARD, State.RETURNED)
"""Sent once more from there, a device leaves a fault behind as evidence."""
TURN_FAULTS: Final = frozenset({State.AWAY, State.SEEN, State.ADRIFT, State.RETURNED})
"""Taken back from these, a device leaves a fault behind as evidence."""


@dataclass(frozen=True)
class Row:
    """One device as the journal has it. Times are ISO 8601 in UTC. `intents`: how often it was
    about to be sent something."""

    name: str
    wave: int
    direction: Direction
    state: State
    written_off: bool
    sent_at: str | None
    given: Mapping[Setting, FrozenValue] | None
    note: str
    changed_at: str | None
    faults: int = 0
    intents: int = 0

    @property
    def standing(self) -> Standing:
        """What the gates look at."""
        sent = self.sent_at is not None
        return Standing(self.state, self.direction, self.written_off, self.faults, sent)


@dataclass(frozen=True)
class Entry:
    """One line of the journal: a step of a device, or (without a name) something about the run."""

    seq: int
    at: str
    name: str | None
    wave: int | None
    direction: str | None
    kind: str
    before: str | None
    after: str | None
    detail: str


def freeze_json(bundle: FrozenBundle) -> str:
    """A bundle as JSON, secrets as references."""
    return json.dumps(
        {
            str(setting): value.model_dump(exclude_none=True)
            if isinstance(value, SecretRef)
            else value
            for setting, value in bundle.items()
        }
    )


def thaw_json(text: str) -> dict[Setting, FrozenValue]:
    """The inverse of freeze_json. Raises ValueError for any other text."""
    return dict(_thawed(text))


@lru_cache(maxsize=1024)  # a row is read many times for each time it is written
def _thawed(text: str) -> tuple[tuple[Setting, FrozenValue], ...]:
    return tuple(
        (Setting(name), SecretRef.model_validate(value) if isinstance(value, dict) else value)
        for name, value in table_of(text).items()
    )


def row_of(columns: tuple[Any, ...]) -> Row:
    """A device from its COLUMNS. Raises ValueError for words that no journal has."""
    name, wave, direction, state, written_off, sent_at, given, note, changed_at, *numbers = columns
    return Row(
        name,
        wave,
        Direction(direction),
        State(state),
        bool(written_off),
        sent_at,
        None if given is None else thaw_json(given),
        note,
        changed_at,
        *numbers,
    )


def table_of(text: str) -> dict[str, Any]:
    """A JSON object. Raises ValueError for any other text."""
    found = json.loads(text)
    if not isinstance(found, dict):
        raise ValueError("is no table")
    return found


def tellable(text: str) -> str:
    """Words for the database, which holds no halves of character pairs; a device may say them."""
    return text.encode("utf-8", "backslashreplace").decode()
