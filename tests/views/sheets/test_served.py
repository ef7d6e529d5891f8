"""The sheet with the passphrase, served from memory: to one browser, and then no more."""

from __future__ import annotations

import os
import re
import signal
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest

from migrate.model.problems import Exit
from tests.cli.conftest import paper, starter
from tests.cli.house import Command
from tests.cli.paper import SECRETS, Paper
from tests.cli.starter import Starter

__all__ = ["paper", "starter"]
LINK = re.compile(r"http://127\.0\.0\.1:\d+/enter/[\w-]+")


@asynccontextmanager
async def served(paper: Paper, starter: Starter) -> AsyncIterator[tuple[Command, str]]:
    """The command at work, and the link it has printed."""
    env = {
        "PATH": os.environ["PATH"],
        "HOME": str(paper.folder),
        "TMPDIR": str(paper.folder),
        "XDG_STATE_HOME": str(paper.folder / "xdg"),
        **{name: value for name, value in paper.env.items() if value is not None},
    }
    command = Command(starter)
    args = ["sheet", "phones", str(paper.playbook), "--show-passphrase"]
    await command.begin(args, env, str(paper.folder))
    try:
        await command.until_it_says("Ctrl-C here ends it.", "out")
        yield command, links(command)[0]
    finally:
        await command.kill()


def links(command: Command) -> list[str]:
    return LINK.findall(command.said)


def in_folder(folder: Path) -> bytes:
    return b"\n".join(path.read_bytes() for path in folder.rglob("*") if path.is_file())


async def test_one_browser_until_ctrl_c(paper: Paper, starter: Starter) -> None:
    words = SECRETS["NEW_WIFI"]
    shown = "c4na</span>"
    async with served(paper, starter) as (command, link), httpx.AsyncClient() as browser:
        root = link[: link.index("/enter/")]
        assert words not in link
        # Without the link: nothing.
        async with httpx.AsyncClient() as stranger:
            answer = await stranger.get(f"{root}/")
            assert (answer.status_code, shown in answer.text) == (403, False)
            answer = await stranger.get(f"{root}/enter/{'x' * 43}")
            assert answer.status_code == 403
        # To look at the link spends nothing, and shows nothing.
        looked = await browser.get(link)
        assert (looked.status_code, shown in looked.text) == (200, False)
        entered = await browser.post(link, headers={"Origin": root})
        assert entered.status_code == 303
        answer = await browser.get(f"{root}/")
        assert (answer.status_code, shown in answer.text) == (200, True)
        # Not kept by a browser, nor by anything between (RFC 9111, 5.2.2.5).
        assert answer.headers["Cache-Control"] == "no-store"
        assert "It is kept nowhere" in answer.text
        # The style is allowed by the policy of the answer as well.
        style = re.findall(r"style-src '(sha256-[^']*)'", answer.text.replace("&#39;", "'"))
        assert style[0].replace("&#43;", "+") in answer.headers["Content-Security-Policy"]
        # The link is used up.
        async with httpx.AsyncClient() as second:
            again = await second.post(link, headers={"Origin": root})
            assert (again.status_code, shown in again.text) == (403, False)
            assert (await second.get(f"{root}/")).status_code == 403
        await command.until_it_says("For another browser:", "out")
        command.press(signal.SIGINT)
        ended = await command.ended()  # checked: no secret in its words
        assert ended.code == Exit.DONE, ended.all
        assert "c4na" not in ended.all
        with pytest.raises(httpx.ConnectError):
            await browser.get(f"{root}/")
    assert words.encode() not in in_folder(paper.folder)
    assert not list(paper.folder.rglob("*.html"))
