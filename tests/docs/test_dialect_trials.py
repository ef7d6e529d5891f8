"""docs/dialects.md, step 11: with each mistake, the tool says what the page says it does."""

from __future__ import annotations

from pathlib import Path

import pytest

from migrate.lab import two_networks_possible

from .calling import call, typed
from .house import house
from .markdown import ROOT, read, table

TOLD = [words for row in table(read(ROOT / "docs" / "dialects.md"), "it says") for words in row[:1]]
PLAN, DRY_RUN = (
    typed("migrate plan playbook.toml"),
    typed("migrate run playbook.plan.json --dry-run"),
)
RUN = typed("migrate run playbook.plan.json --write-off desk-lamp --write-off porch-light")
DIALECT = "dialects/little-sedge.toml"
MISTAKES = (
    # the row, the file, what is right, what is wrong, the exit codes of plan and dry run
    (0, DIALECT, "trims = true", "trimz = true", 3, None),
    (1, DIALECT, "message_octets = 255", "message_octets = 40", 4, None),
    (2, DIALECT, 'path = "/do"', 'path = "/dont"', 0, 11),
    (3, DIALECT, r"^unit\.mac: ", r"^unit\.mak: ", 0, 11),
    (4, "fleet.toml", "53-23", "53-24", 0, 11),
    (5, DIALECT, r"^station\.name: ", r"^station\.nane: ", 0, 11),
    (6, DIALECT, r"\Aok \d+$", r"\Ayes \d+$", 0, 0),
)


@pytest.mark.skipif(not two_networks_possible(), reason="this machine has one loopback address")
def test_mistakes_are_told_as_the_page_says(owner: Path) -> None:
    assert len(TOLD) == len(MISTAKES)
    with house(owner) as here:
        for row, name, right, wrong, planned, looked in MISTAKES:
            path = owner / name
            whole = path.read_text("utf-8")
            assert right in whole
            path.write_text(whole.replace(right, wrong), encoding="utf-8")
            said = call(PLAN, planned)
            if looked is not None:
                said += call(DRY_RUN, looked)
            assert set(here.told().values()) == {0}
            if row == 6:
                said += call(RUN)  # the last: a write is proved by writing
            path.write_text(whole, encoding="utf-8")
            assert TOLD[row].partition("`")[0] in " ".join(said.split())
        assert (
            here.where()["cellar-pump"] == "new"
        )  # nobody could tell by its answer; it was looked for
