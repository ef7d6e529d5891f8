"""What the engine tells whoever looks on. Words only; no secret is ever in them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit

Kind = Literal["survey", "wave", "device", "note", "gate", "waiting"]


@dataclass(frozen=True)
class Tidings:
    """One thing that happened. `wave` counts from 0; `name` is a device's, if it is about one."""

    kind: Kind
    words: str = ""
    name: str = ""
    wave: int | None = None
    state: State | None = None
    direction: Direction = Direction.FORWARD


Tell = Callable[[Tidings], None]


def silent(_: Tidings) -> None:
    """Nobody looks on."""


@dataclass(frozen=True)
class Outcome:
    """How a run, or a part of it, ended. `reasons` are for the person who must decide now. `flip`:
    it waits for the owner to change the access point, and for nothing else."""

    exit: Exit
    headline: str
    reasons: tuple[str, ...] = ()
    flip: bool = False

    @property
    def done(self) -> bool:
        """Whether there is nothing left to do."""
        return self.exit is Exit.DONE
