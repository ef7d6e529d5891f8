"""Three homes, moved by three workers in processes of their own, over real stores."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from .trio import SITES, Trio, no_traceback

pytestmark = [pytest.mark.long, pytest.mark.timeout(180)]


@pytest.mark.parametrize("postgres", [True, False], ids=["PostgreSQL", "SQLite"])
async def test_there_and_back(tmp_path: Path, postgres: bool) -> None:
    async with Trio(tmp_path, postgres=postgres) as trio:
        assert await trio.command("campaign", "run") == 0, trio.said()
        for home in trio.homes.values():
            assert all(home.moved(name) for name in home.lab.units)
        assert await trio.command("campaign", "status", "--json") == 0
        seen = json.loads(trio.said().splitlines()[-1])
        assert {site["site"]: site["state"] for site in seen["sites"]} == dict.fromkeys(
            SITES, "moved"
        )
        assert await trio.command("campaign", "rollback") == 0, trio.said()
        for home in trio.homes.values():
            assert all(home.as_before(name) for name in home.lab.units)
        assert await trio.command("campaign", "report", "--to", "report.html") == 0
    for name in (*SITES, "command"):
        assert not no_traceback(trio.said(name))
