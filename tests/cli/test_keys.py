"""The person at the terminal, a pseudo-terminal here (pty(7)), while pages stay up."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections.abc import Iterator
from typing import Any

import pytest

from migrate.cli import conduct as module
from migrate.cli.conduct import conduct_forward
from migrate.cli.keys import entered
from migrate.cli.looking import Looking, Watch
from migrate.engine.tidings import Outcome
from migrate.journal.store import Journal
from migrate.model.problems import Exit
from migrate.ports.files import read_plan
from migrate.ports.secret_reader import SecretReader
from migrate.ports.sockets import now
from migrate.views.ending import Ending

from .paper import Paper


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """What is written to it is typed."""
    ours, theirs = os.openpty()
    with os.fdopen(theirs) as keys:
        monkeypatch.setattr(sys, "stdin", keys)
        yield ours
    os.close(ours)


async def asked() -> asyncio.Task[bool]:
    task = asyncio.create_task(entered())
    await asyncio.sleep(0)
    assert not task.done()
    return task


async def test_enter(terminal: int) -> None:
    task = await asked()
    os.write(terminal, b"\n")
    assert await task


async def test_ctrl_c_and_ctrl_d_put_it_off(terminal: int) -> None:
    task = await asked()
    os.kill(os.getpid(), signal.SIGINT)
    assert not await task
    task = await asked()
    os.write(terminal, b"\x04")
    assert not await task


async def test_without_a_terminal_nobody_presses(monkeypatch: pytest.MonkeyPatch) -> None:
    with os.fdopen(os.open(os.devnull, os.O_RDONLY)) as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        task = await asked()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task


@pytest.mark.parametrize("typed", [b"\n", b"\x04"])
def test_the_page_stays_up_while_the_access_point_is_changed(
    typed: bytes, terminal: int, paper: Paper, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in paper.env.items():
        monkeypatch.setenv(name, str(value))
    paper.plan()
    plan = read_plan(next(paper.folder.glob("*.plan.json")))
    facts = {"fleet": str(paper.fleet), "playbook": str(paper.playbook)}
    journal = Journal.create(paper.state / "runs" / "one" / "journal.sqlite3", plan, now, facts)
    seen: list[tuple[object, bool]] = []

    async def played(*given: Any) -> Ending:
        """All are told; once the access point is changed, all is done."""
        watch: Watch = given[-1]
        seen.append((watch.page, journal.flipped))
        outcome = Outcome(Exit.HELD, "all are told", flip=True)
        if journal.flipped:
            outcome = Outcome(Exit.DONE, "all are there")
        ending = Ending(outcome, journal=str(journal.path))
        watch.audience.end(ending, journal.rows())
        return ending

    monkeypatch.setattr(module, "conduct_in_loop", played)
    os.write(terminal, typed)
    outcome = conduct_forward(journal, SecretReader(), "one", looking=Looking(page=True))
    journal.close()
    pages = {page for page, _ in seen}
    assert len(pages) == 1
    assert None not in pages
    if typed == b"\n":
        assert [flipped for _, flipped in seen] == [False, True]
        assert outcome.done
    else:
        assert [flipped for _, flipped in seen] == [False]
        assert outcome.flip
