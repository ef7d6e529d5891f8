"""Problems, told to the person at the keyboard: what is wrong, where, what to do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum


class Exit(IntEnum):
    """Exit codes of the command line. Documented in docs/exit-codes.md; never renumbered."""

    DONE = 0
    BUG = 1
    USAGE = 2
    BAD_FILE = 3
    REFUSED = 4
    SECRET = 5
    CHANGED = 6
    HELD = 7
    STOPPED = 8
    BUSY = 9
    JOURNAL = 10
    UNREACHABLE = 11
    PAGE = 12
    MISSING = 13


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong.

    `where` is a file, `key` a place in it such as `device[3].mac`, `device` a device's name.
    """

    what: str
    remedy: str = ""
    where: str = ""
    key: str = ""
    device: str = ""

    def __str__(self) -> str:
        place = ", ".join(
            part
            for part in (
                self.where,
                f"key {self.key}" if self.key else "",
                f"device {self.device}" if self.device else "",
            )
            if part
        )
        text = f"{place}: {self.what}" if place else self.what
        return f"{text} -> {self.remedy}" if self.remedy else text


class Trouble(Exception):
    """Something the owner can mend. Carries every problem found in one pass, and an exit code."""

    exit = Exit.BUG

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("; ".join(str(problem) for problem in self.problems))


class BadFile(Trouble):
    """A file that cannot be read or does not say what it must."""

    exit = Exit.BAD_FILE


class Refused(Trouble):
    """The planner refuses: going on could strand a device."""

    exit = Exit.REFUSED


class SecretTrouble(Trouble):
    """A secret that is missing, unreadable, or lies open for others to read."""

    exit = Exit.SECRET


class Changed(Trouble):
    """What would run is not what was reviewed."""

    exit = Exit.CHANGED


class Busy(Trouble):
    """Another run holds this fleet."""

    exit = Exit.BUSY


class JournalTrouble(Trouble):
    """The journal cannot be read or written; nothing is sent without it."""

    exit = Exit.JOURNAL


class Unreachable(Trouble):
    """A device or broker that must answer before the start does not."""

    exit = Exit.UNREACHABLE


class Missing(Trouble):
    """A part of migrate is not installed."""

    exit = Exit.MISSING


class PageTrouble(Trouble):
    """A page cannot be served there."""

    exit = Exit.PAGE
