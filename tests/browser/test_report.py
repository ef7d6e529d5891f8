"""The report in a real browser: at two widths, in two themes, by keyboard, and on paper."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

from migrate.model.lifecycle import State
from migrate.views.report import report
from tests.secrecy.test_hostile_text import HOSTILE, OWN
from tests.views.report.journals import Run, plan_for

from .conftest import DESK, PHONE, Opener, Theme, accessibility_faults, keep, wider_than_screen

pytestmark = pytest.mark.long

A4, LETTER = (210, 297), (215.9, 279.4)
"""Millimetres: ISO 216, and ANSI/ASME Y14.1 size A."""
MARGIN = 14
"""Millimetres, as the report's own style asks."""


@dataclass
class Reports:
    """Reports of runs that never were, as files."""

    folder: Path
    made: dict[str, Path]

    def of(self, name: str) -> Path:
        if name not in self.made:
            run = getattr(self, f"_{name}")()
            path = self.folder / f"{name}.html"
            path.write_text(report(run.journal, "one"), encoding="utf-8")
            run.journal.close()
            self.made[name] = path
        return self.made[name]

    def _fault(self) -> Run:
        """One came back and one said no; both went the next morning."""
        faults = {"lamp-3": State.RETURNED, "lamp-8": State.DECLINED}
        run = Run(self.folder / "fault", plan_for(12), faults)
        while not run.forward(again=run.in_states(*faults.values())):
            run.wait(9 * 3600)
        return run

    def _back(self) -> Run:
        """All that moved was taken back."""
        run = Run(self.folder / "back", plan_for(9), {"lamp-7": State.RETURNED})
        run.forward()
        run.wait(2400)
        run.back()
        return run

    def _adrift(self) -> Run:
        """One is on neither side, with something delicate on it."""
        run = Run(self.folder / "adrift", plan_for(9, load="freezer"), {"lamp-5": State.ADRIFT})
        run.forward()
        return run

    def _many(self) -> Run:
        """So many that each is but a line."""
        run = Run(self.folder / "many", plan_for(84), {"lamp-40": State.ADRIFT})
        run.forward()
        run.journal.write_off("lamp-40")
        run.wait(7200)
        run.forward()
        return run

    def _hostile(self) -> Run:
        """Names, places and loads of the owner's files, and the words of devices, mean no good."""
        texts = [text for text in HOSTILE.values() if text.isprintable() and len(text) <= 100]
        plan = plan_for(len(texts))
        devices = tuple(
            one.model_copy(update={"name": f"{text} {n}", "place": text, "load": text})
            for n, (one, text) in enumerate(zip(plan.devices, texts, strict=True))
        )
        names = {was.name: now.name for was, now in zip(plan.devices, devices, strict=True)}
        waves = tuple(
            wave.model_copy(update={"devices": tuple(names[name] for name in wave.devices)})
            for wave in plan.waves
        )
        title = HOSTILE["HTML"]
        hostile = plan.model_copy(update={"devices": devices, "waves": waves, "title": title})
        run = Run(self.folder / "hostile", hostile)
        run.forward()
        for name, words in zip(names.values(), HOSTILE.values(), strict=False):
            run.journal.note(name, words)
        run.journal.remark("mended", HOSTILE["HTML"])
        return run


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> Reports:
    """Made when they are asked for."""
    return Reports(tmp_path_factory.mktemp("reports"), {})


THEMES: tuple[Theme, ...] = ("light", "dark")
LOOKED_AT: list[tuple[str, tuple[int, int], Theme]] = [
    ("fault", PHONE, "light"),
    ("fault", DESK, "dark"),
    ("back", DESK, "light"),
    ("adrift", PHONE, "dark"),
    ("many", PHONE, "light"),
]
"""Each kind of report, and each colour and width with what stands in most of them."""


@pytest.mark.parametrize(("name", "size", "theme"), LOOKED_AT)
def test_everybody_can_read_it(
    reports: Reports, open_page: Opener, name: str, size: tuple[int, int], theme: Theme
) -> None:
    page = open_page(size, theme)
    page.goto(reports.of(name).as_uri())
    page.locator("details").evaluate_all("all => all.forEach(one => { one.open = true })")
    assert accessibility_faults(page) == []


@pytest.mark.parametrize("name", ["fault", "back", "adrift", "many"])
def test_nobody_has_to_scroll_sideways(reports: Reports, open_page: Opener, name: str) -> None:
    page = open_page()
    page.goto(reports.of(name).as_uri())
    for width, height in (DESK, PHONE):
        page.set_viewport_size({"width": width, "height": height})
        for theme in THEMES:
            page.emulate_media(color_scheme=theme)
            keep(page, f"report-{name}-{width}-{theme}")
        assert wider_than_screen(page) == 0
    page.locator("details").evaluate_all("all => all.forEach(one => { one.open = true })")
    assert wider_than_screen(page) == 0


def test_words_in_its_pictures_do_not_lie_on_each_other(
    reports: Reports, open_page: Opener
) -> None:
    """On the axis, where labels are as large on a telephone as they are on a desk."""
    for size in (PHONE, DESK):
        page = open_page(size)
        page.goto(reports.of("fault").as_uri())
        for kind in (".tick", ".break", ".name", ".wave"):
            boxes = page.locator(f".chart:not(.sides) {kind}").evaluate_all(
                "all => all.map(one => { const b = one.getBoundingClientRect();"
                " return [b.left, b.top, b.right, b.bottom] })"
            )
            assert boxes
            for left, top, right, bottom in boxes:
                assert left >= -0.5, kind
                assert right <= size[0] + 0.5, kind
                others = [b for b in boxes if b != [left, top, right, bottom]]
                for a, b, c, d in others:
                    apart = c <= left + 1 or right <= a + 1 or d <= top + 3 or bottom <= b + 3
                    assert apart, (size, kind)


def test_its_lines_say_what_the_journal_says(reports: Reports, open_page: Opener) -> None:
    """Bars of a device follow each other from edge to edge; those of the one that came back and
    went again have a mark where it did."""
    page = open_page(DESK)
    page.goto(reports.of("fault").as_uri())
    lines = page.locator(".chart.named g")
    assert lines.count() == 12
    for line in lines.all():
        bars = line.locator("rect").evaluate_all(
            "all => all.map(one => [one.x.baseVal.valueInSpecifiedUnits,"
            " one.width.baseVal.valueInSpecifiedUnits])"
        )
        assert bars[0][0] == 0
        assert abs(sum(width for _, width in bars) - 100) < 0.2
        for (left, width), (after, _) in pairwise(bars):
            assert abs(left + width - after) < 0.05
    marks = page.locator(".chart.named use").evaluate_all("all => all.map(o => o.href.baseVal)")
    assert sorted(marks) == ["#mark-declined", "#mark-returned"]
    words = page.locator(".chart.named .state").all_text_contents()
    assert sorted(set(words)) == ["declined, then settled", "returned, then settled", "settled"]


def test_by_keyboard_alone(reports: Reports, open_page: Opener) -> None:
    page = open_page(PHONE)
    page.goto(reports.of("adrift").as_uri())
    seen = []
    for _ in range(20):
        page.keyboard.press("Tab")
        seen.append(_focused(page))
        if seen[-1].endswith("lines of the journal"):
            break
    assert seen[0] == "how to get them back"
    assert "Table of devices" in seen
    page.keyboard.press("Enter")
    assert page.get_by_role("table", name="All lines").is_visible()
    page.get_by_role("link", name="how to get them back").press("Enter")
    assert page.url.endswith("#missing")


def _focused(page: Page) -> str:
    return str(
        page.evaluate(
            "() => { const one = document.activeElement;"
            " return one.getAttribute('aria-label') || one.textContent.trim() }"
        )
    )


def test_it_is_told_as_it_is_seen(reports: Reports, open_page: Opener) -> None:
    """What a screen reader gets: pictures with a name and a description, tables with captions,
    headings in order."""
    page = open_page(DESK)
    page.goto(reports.of("fault").as_uri())
    pictures = page.get_by_role("img")
    assert pictures.count() == 3
    assert page.get_by_role("img", name="Each device over time, waves 1 to").count() == 1
    assert page.get_by_role("img", name="Devices on each side over time").count() == 1
    assert page.get_by_role("img", name="Exposure, wave by wave").count() == 1
    levels = page.locator("h1, h2, h3").evaluate_all("all => all.map(o => Number(o.tagName[1]))")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    for table in page.locator("table").all():
        assert table.locator("caption").text_content()
    assert page.locator("th:not([scope])").count() == 0


@pytest.mark.parametrize(("name", "paper"), [("fault", A4), ("many", LETTER)])
def test_on_paper(
    reports: Reports, open_page: Opener, name: str, paper: tuple[float, float]
) -> None:
    """No picture and no row is taller than a page, and nothing is wider."""
    width, height = (round((side - 2 * MARGIN) / 25.4 * 96) for side in paper)
    page = open_page((width, height), "dark")
    page.emulate_media(media="print", color_scheme="dark")
    page.goto(reports.of(name).as_uri())
    assert wider_than_screen(page) == 0
    tall = page.locator("figure, tbody tr, .story li").evaluate_all(
        "all => all.map(one => one.getBoundingClientRect().height)"
    )
    assert max(tall) <= height
    assert page.evaluate("() => getComputedStyle(document.body).backgroundColor") == (
        "rgb(255, 255, 255)"
    )
    printed = page.pdf(prefer_css_page_size=True, width=f"{paper[0]}mm", height=f"{paper[1]}mm")
    pages = len(re.findall(rb"/Type\s*/Page\b", printed))
    assert 2 <= pages <= 8


def test_what_is_closed_is_not_printed(reports: Reports, open_page: Opener) -> None:
    page = open_page(DESK)
    page.goto(reports.of("fault").as_uri())
    page.emulate_media(media="print")
    assert not page.get_by_role("table", name="All lines").is_visible()
    assert page.get_by_role("table", name="Where every device").is_visible()


def test_hostile_words_become_no_element(reports: Reports, open_page: Opener) -> None:
    """As the browser reads it: the elements are the report's own, none has a handler, nothing is
    fetched, and its words are there as text."""
    page = open_page(DESK)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("dialog", lambda dialog: asked.append(f"dialog {dialog.message}"))
    page.goto(reports.of("hostile").as_uri())
    assert asked == [page.url]
    found: list[Any] = page.evaluate(
        "() => [...document.querySelectorAll('*')].map(one => [one.localName,"
        " [...one.attributes].map(a => a.name)])"
    )
    assert {name for name, _ in found} <= OWN
    names = {attribute for _, attributes in found for attribute in attributes}
    assert not {name for name in names if name.startswith("on") or name in ("src", "style")}
    assert page.title() == f"{HOSTILE['HTML']}: report"
    assert page.locator("h1").inner_text() == HOSTILE["HTML"]
    assert page.get_by_text(HOSTILE["markup of rich"]).count() > 0
    assert wider_than_screen(page) == 0
