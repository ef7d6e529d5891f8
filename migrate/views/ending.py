"""How the tool's work on a run ended, and what the owner can do next: for every view alike."""

from __future__ import annotations

from dataclasses import dataclass

from migrate.engine.tidings import Outcome
from migrate.model.problems import Problem


@dataclass(frozen=True)
class Advice:
    """A command that makes sense now, as it is typed, and what it does."""

    command: str
    what: str


@dataclass(frozen=True)
class Ending:
    """How it ended. `problems` are what broke it off, if something did; `amiss` says in sentences
    which outputs are not as they were; `journal` and `report` are paths, empty if there is none."""

    outcome: Outcome
    problems: tuple[Problem, ...] = ()
    advice: tuple[Advice, ...] = ()
    amiss: tuple[str, ...] = ()
    journal: str = ""
    report: str = ""
