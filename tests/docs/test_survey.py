"""docs/survey.md: its commands are run, and show what it says."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from migrate.lab import two_networks_possible
from migrate.planning.snapshots import WEAK_DBM

from .calling import call, says
from .house import house
from .markdown import ROOT, commands, excerpts, read

PAGE = read(ROOT / "docs" / "survey.md")
SURVEY = commands(PAGE)
SHOWN = excerpts(PAGE)


@pytest.mark.skipif(not two_networks_possible(), reason="this machine has one loopback address")
def test_survey(owner: Path) -> None:
    before, after = SURVEY
    with house(owner) as here:
        says(call(before), SHOWN[before.text])
        says(call(after), SHOWN[after.text])
        lamp = here.lab.units["desk-lamp"]
        lamp.store = replace(lamp.store, group="attic")
        said = call(after, 6)
        assert "desk-lamp  group.topic" in said
        assert set(here.told().values()) == {0}


def test_the_threshold_is_the_one_of_the_page() -> None:
    assert re.findall(r"Below (-\d+) dBm", PAGE) == [str(WEAK_DBM)]
