"""The demo of campaigns, as somebody sees it who has just installed it."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

import pytest

from migrate.model.problems import Exit
from tests.commands import migrate

pytestmark = [pytest.mark.long, pytest.mark.timeout(180)]


def test_a_street_of_four_houses(tmp_path: Path) -> None:
    environment = {"PATH": "", "HOME": str(tmp_path)}
    words = ("campaign", "demo", "--state", tmp_path)
    ended = asyncio.run(migrate(words, tmp_path, environment, 150))
    assert ended.code == Exit.DONE, ended.all
    assert "elder: held, 4 of 6 devices: greenhouse-fan has returned" in ended.out
    assert "4 of 4 sites are moved" in ended.out
    assert re.search(r"24 of 24 devices\s+are\s+on\s+their new networks", ended.out)
    report = next(tmp_path.glob("demo-houses/*/campaign.html")).read_text(encoding="utf-8")
    assert "greenhouse-fan" in report
    # The workers have left, and none of them made a mistake.
    logs = list(tmp_path.glob("demo-houses/*/*/worker.log"))
    assert len(logs) == 4
    for log in logs:
        text = log.read_text(encoding="utf-8")
        assert text.rstrip().endswith("left")
        assert "mistake" not in text
