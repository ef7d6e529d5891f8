"""A real browser for the tests: Debian's chromium, headless, with a profile of its own.

Where chromium or axe-core is missing, tests that need it are skipped and say how to get it; with
MIGRATE_BROWSER=required, as in .ci/run, they fail instead.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Literal, NoReturn

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
PHONE, DESK = (360, 740), (1280, 900)
GONE = ("_CONNECTION_REFUSED", "_CONNECTION_RESET", "_INCOMPLETE_CHUNKED", "_DISCONNECTED")
"""What a browser writes to its console when nobody is there any more; some tests are about that."""
Theme = Literal["light", "dark"]
Opener = Callable[..., Page]


def missing(words: str) -> NoReturn:
    """Skip, or fail where a browser is required."""
    if os.environ.get("MIGRATE_BROWSER") == "required":
        pytest.fail(words)
    pytest.skip(words)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """One browser for the tests of a module."""
    path = os.environ.get("MIGRATE_CHROMIUM") or shutil.which("chromium")
    if path is None:
        missing("no chromium here: install your system's package, or name it in MIGRATE_CHROMIUM")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Opener]:
    """Opens a page of a size, (width, height) in CSS pixels, in a theme; what it writes to the
    console or stumbles over fails the test."""
    complaints: list[str] = []
    contexts = []

    def opened(size: tuple[int, int] = DESK, theme: Theme = "light", **how: Any) -> Page:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, color_scheme=theme, **how
        )
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on(
            "console",
            lambda message: (
                complaints.append(message.text)
                if message.type == "error" and not any(one in message.text for one in GONE)
                else None
            ),
        )
        return page

    yield opened
    for context in contexts:
        context.close()
    assert complaints == []


def accessibility_faults(page: Page) -> list[str]:
    """What axe-core finds that is serious or critical: rule, words, and where. The rules are those
    of WCAG 2.2, levels A and AA, and axe-core's own best practices."""
    if not AXE.is_file():
        missing(f"no axe-core here: npm install --prefix {AXE.parents[2].name}, in tests/")
    # As the page would have it in its own world, which its content security policy does not bind.
    page.evaluate(AXE.read_text("utf-8") + "; undefined")
    found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{one['id']}: {one['help']}: {node['target']}"
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


def wider_than_screen(page: Page) -> int:
    """By how many CSS pixels a reader would have to scroll sideways."""
    return int(
        page.evaluate(
            "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
    )


def keep(page: Page, name: str) -> None:
    """A screenshot for those who want to look, in the folder MIGRATE_SHOTS if that is set."""
    if folder := os.environ.get("MIGRATE_SHOTS"):
        page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)
