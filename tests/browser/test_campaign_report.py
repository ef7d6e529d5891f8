"""The report of a campaign in a real browser: at two widths, in two themes, by link, on paper."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from migrate.views.campaign.report import campaign_report
from tests.views.campaign_scenes import PLAN, Scenes, campaign, large, mixed, site
from tests.views.test_campaign_words import hostile

from .conftest import DESK, PHONE, Opener, Theme, accessibility_faults, keep, wider_than_screen

pytestmark = pytest.mark.long

MADE: dict[str, Callable[[], Scenes]] = {
    "mixed": mixed,
    "hostile": hostile,
    "large": large,
    "begun": lambda: Scenes(campaign(site("a" * 40), site("birch"))),
}
THEMES: tuple[Theme, ...] = ("light", "dark")


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Reports of campaigns that never were, as files."""
    folder = tmp_path_factory.mktemp("reports")
    made = {}
    for name, make in MADE.items():
        made[name] = folder / f"{name}.html"
        made[name].write_text(campaign_report(make().scene, PLAN), encoding="utf-8")
    return made


@pytest.mark.parametrize(
    ("name", "size", "theme"),
    [
        ("mixed", PHONE, "light"),
        ("mixed", DESK, "dark"),
        ("begun", PHONE, "dark"),
        ("hostile", DESK, "light"),
    ],
)
def test_everybody_can_read_it(
    reports: dict[str, Path], open_page: Opener, name: str, size: tuple[int, int], theme: Theme
) -> None:
    page = open_page(size, theme)
    page.goto(reports[name].as_uri())
    page.locator("details").evaluate_all("all => all.forEach(one => { one.open = true })")
    assert accessibility_faults(page) == []


@pytest.mark.parametrize("name", list(MADE))
def test_nobody_has_to_scroll_sideways(
    reports: dict[str, Path], open_page: Opener, name: str
) -> None:
    page = open_page()
    page.goto(reports[name].as_uri())
    for width, height in (DESK, PHONE):
        page.set_viewport_size({"width": width, "height": height})
        for theme in THEMES if name == "mixed" else THEMES[:1]:
            page.emulate_media(color_scheme=theme)
            if name != "large":
                keep(page, f"campaign-{name}-{width}-{theme}")
        assert wider_than_screen(page) == 0
    page.locator("details").evaluate_all("all => all.forEach(one => { one.open = true })")
    assert wider_than_screen(page) == 0


def test_a_link_leads_to_the_devices_of_a_site(reports: dict[str, Path], open_page: Opener) -> None:
    page = open_page()
    page.goto(reports["mixed"].as_uri())
    page.get_by_role("link", name="cedar").click()
    assert page.locator("#site-cedar").evaluate("one => one.open")
    assert page.locator("#site-cedar strong").first.is_visible()


def test_a_thousand_sites_fit_a_few_sheets(reports: dict[str, Path], open_page: Opener) -> None:
    """What is folded away is not printed: a line for each site, and no more."""
    page = open_page()
    page.goto(reports["large"].as_uri())
    octets = page.pdf(format="A4")
    assert 10 < octets.count(b"/Type /Page\n") <= 60
