"""What the file tests share."""

from __future__ import annotations

from pathlib import Path

import pytest

from migrate.model.fleet import Fleet
from migrate.model.parsing import parse_fleet, parse_toml
from migrate.model.playbook import Playbook
from migrate.model.problems import BadFile, Exit, Problem

BASE = Path("home")


def fleet_of(text: str, where: str = "fleet.toml") -> Fleet:
    return parse_fleet(text, where, BASE)


def playbook_of(text: str) -> Playbook:
    return parse_toml(text, Playbook, "playbook.toml", BASE)


def fleet_problems(text: str, where: str = "fleet.toml") -> tuple[Problem, ...]:
    with pytest.raises(BadFile) as trouble:
        fleet_of(text, where)
    return _sound(trouble.value, where)


def playbook_problems(text: str) -> tuple[Problem, ...]:
    with pytest.raises(BadFile) as trouble:
        playbook_of(text)
    return _sound(trouble.value, "playbook.toml")


def _sound(trouble: BadFile, where: str) -> tuple[Problem, ...]:
    """Whatever is wrong: the file is named, there is a remedy, and the text says both."""
    assert trouble.exit is Exit.BAD_FILE
    assert trouble.problems
    for problem in trouble.problems:
        assert problem.where == where
        assert problem.what
        assert problem.remedy
        assert str(problem) in str(trouble)
        for part in (where, problem.key, problem.device, problem.what, problem.remedy):
            assert part in str(problem)
    return trouble.problems
