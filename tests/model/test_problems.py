"""Problems say where, what, and what to do; exit codes stay what they are."""

from __future__ import annotations

import pytest

from migrate.model.problems import (
    BadFile,
    Busy,
    Changed,
    Exit,
    JournalTrouble,
    Problem,
    Refused,
    SecretTrouble,
    Trouble,
    Unreachable,
)


def test_a_problem_in_words() -> None:
    whole = Problem("is no MAC", "write six octets", "fleet.toml", "device[0].mac", "plug")
    assert str(whole) == "fleet.toml, key device[0].mac, device plug: is no MAC -> write six octets"
    assert str(Problem("is no MAC")) == "is no MAC"
    assert str(Problem("is no MAC", device="plug")) == "device plug: is no MAC"


def test_trouble_carries_every_problem() -> None:
    trouble = BadFile([Problem("one"), Problem("two")])
    assert [problem.what for problem in trouble.problems] == ["one", "two"]
    assert str(trouble) == "one; two"
    assert BadFile(Problem("one")).problems == (Problem("one"),)


@pytest.mark.parametrize(
    ("trouble", "code"),
    [
        (Trouble, 1),
        (BadFile, 3),
        (Refused, 4),
        (SecretTrouble, 5),
        (Changed, 6),
        (Busy, 9),
        (JournalTrouble, 10),
        (Unreachable, 11),
    ],
)
def test_exit_codes_are_never_renumbered(trouble: type[Trouble], code: int) -> None:
    assert trouble(Problem("x")).exit == code


def test_exit_codes_are_distinct_and_below_126() -> None:
    # POSIX.1 XCU 2.8.2: 126 and above are the shell's own.
    assert len({int(code) for code in Exit}) == len(Exit)
    assert all(0 <= code < 126 for code in Exit)
