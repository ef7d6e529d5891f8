"""The live page in a real browser: while a demo runs in another process, and on a stage.

What is expected of it comes from WCAG 2.2 (reflow 1.4.10, keyboard 2.1.1, focus order 2.4.3, target
size 2.5.8, status messages 4.1.3), checked by axe-core where it can be; the stream from the WHATWG
HTML standard, 9.2; the policies from W3C Content Security Policy Level 3 and Trusted Types.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import pytest
from playwright.sync_api import Browser, Page, expect

from migrate.engine.tidings import Outcome, Tidings
from migrate.model.lifecycle import State
from migrate.model.problems import Exit
from migrate.views.ending import Advice, Ending
from migrate.views.rescue import Line
from migrate.views.web.door import Door

from ..views.page.made import ROOMS, plan_of
from .conftest import DESK, PHONE, Opener, Theme, accessibility_faults, keep, wider_than_screen
from .stage import Forwarder, Stage

pytestmark = pytest.mark.long

HOSTILE = {
    "<img src=x onerror=document.title='caught'>": "<script>document.title='caught'</script>",
    "'\"><svg onload=alert(1)>": "&lt;loft&gt; {{7*7}}",
}
PLAN = plan_of({**ROOMS, **HOSTILE})
HELD = Ending(
    Outcome(Exit.HELD, "held at wave 2: nothing more is sent until you decide"),
    advice=(
        Advice("migrate resume a-run", "looks for the missing again, then goes on"),
        Advice("migrate resume a-run --again hall-lamp", "sends it its bundle once more"),
    ),
)
MISSING = [
    Line("text", "First look again."),
    Line("head", "What they look for"),
    Line("text", 'porch-light looks for "quarry-loft".'),
    Line("head", "By hand, in this order"),
    Line("name", "porch"),
    Line("tick", "porch-light, MAC 00-00-5E-00-53-02: ladder."),
]
KEPT = """
window.told = [];
addEventListener("DOMContentLoaded", () => new MutationObserver(() => {
  const now = ["how", "gate", "headline", "faulty", "said", "waits", "line-words"]
    .map((id) => `${id}: ${document.getElementById(id).textContent}`).join("; ");
  if (now !== window.told.at(-1)) window.told.push(now);
}).observe(document.body, {subtree: true, childList: true, characterData: true}));
"""
"""Everything that a page has shown, however short."""


@dataclass
class Demo:
    """The demo at work, and a page that is open on it."""

    process: subprocess.Popen[str]
    page: Page


@pytest.fixture(scope="module", autouse=True)
def demo(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    """Begun first, and waited for by the last test."""
    state = tmp_path_factory.mktemp("demo")
    process = subprocess.Popen(
        [sys.executable, "-m", "migrate", "demo", "--page", "--state", str(state)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        stdin=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "COLUMNS": "200"},
    )
    with process:
        assert process.stdout is not None
        link = next(line.strip() for line in process.stdout if "http://127.0.0.1" in line)
        context = browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]})
        page = context.new_page()
        page.add_init_script(KEPT)
        page.goto(link)
        yield Demo(process, page)
        process.kill()
        context.close()


@pytest.fixture
def stage() -> Iterator[Stage]:
    with Stage(PLAN, missing=MISSING) as stage:
        yield stage


def go_wrong(stage: Stage) -> None:
    """One is settled, one came back, one is nowhere, one said no; then the run is held."""
    stage.tell(Tidings("wave", "1 device", wave=0))
    for name in ("desk-lamp", "hall-lamp", "porch-light", *HOSTILE):
        stage.step(name, State.SENDING, "its bundle is on the way")
        stage.step(name, State.AWAY, "it said yes")
    stage.step("desk-lamp", State.SEEN, "at 198.51.100.7:80 (new side) after 8.0 s")
    stage.step("desk-lamp", State.SETTLED, "well for 60 s")
    stage.step("hall-lamp", State.RETURNED, "back on the old side <b>by itself</b>")
    stage.step("porch-light", State.ADRIFT, "on neither side after 180 s")
    stage.step(next(iter(HOSTILE)), State.DECLINED, "no \x1b[31m\u202esuch command")
    stage.tell(Tidings("gate", "shut by hall-lamp", wave=1))
    stage.end(HELD)


def everything_open(page: Page) -> None:
    for summary in page.locator("summary").all():
        summary.click()


def test_a_fault_appears_with_what_to_do(stage: Stage, open_page: Opener) -> None:
    page = open_page(PHONE)
    page.goto(stage.url)
    expect(page.locator("#how")).to_have_text("0 of 6 devices are on the new side.")
    expect(page.locator("#todo")).to_be_hidden()
    stage.step("hall-lamp", State.SENDING, "its bundle is on the way")
    stage.step("hall-lamp", State.AWAY, "it said yes")
    row = page.locator(".device", has_text="hall-lamp")
    expect(row).to_contain_text("away")
    expect(page.locator("#waits")).to_have_text("hall-lamp")
    stage.step("hall-lamp", State.RETURNED, "by itself")
    expect(page.locator("#headline")).to_contain_text("Nothing yet")
    expect(page.locator("#said")).to_have_text("hall-lamp returned")
    go_wrong(stage)
    expect(page.locator("#headline")).to_have_text(re.compile("^Held at wave 2"))
    expect(page.locator("#gate")).to_have_text("after wave 2: shut by hall-lamp")
    expect(page.locator("#advice .command").last).to_have_text(
        "migrate resume a-run --again hall-lamp"
    )
    expect(page.locator("#missing")).to_contain_text("quarry-loft")
    expect(page).to_have_title(re.compile("^1 of 6"))


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_nothing_keeps_anybody_from_using_it(stage: Stage, open_page: Opener, theme: Theme) -> None:
    page = open_page(PHONE, theme)
    page.goto(stage.url)
    go_wrong(stage)
    expect(page.locator("#missing")).to_be_visible()
    everything_open(page)
    for size in (PHONE, DESK):
        page.set_viewport_size({"width": size[0], "height": size[1]})
        assert accessibility_faults(page) == []
        assert wider_than_screen(page) <= 0
        keep(page, f"page-fault-{theme}-{size[0]}")
    # 320 CSS pixels are what 1280 become at 400 %, and 640 at 200 % (WCAG 2.2, 1.4.10).
    page.set_viewport_size({"width": 320, "height": 640})
    assert wider_than_screen(page) <= 0
    small = page.evaluate(
        "() => [...document.querySelectorAll('summary, input:not([type=checkbox]), select, .tick')]"
        ".filter((one) => one.getBoundingClientRect().height < 44).map((one) => one.outerHTML)"
    )
    assert small == []


def test_hostile_words_are_words(stage: Stage, open_page: Opener) -> None:
    page = open_page()
    page.goto(stage.url)
    go_wrong(stage)
    expect(page.locator("#missing")).to_be_visible()
    for name, place in HOSTILE.items():
        assert name in page.locator(".name").all_text_contents()
        assert place in page.locator(".place h3").all_text_contents()
    expect(page.locator("#faulty")).to_contain_text("no \N{REPLACEMENT CHARACTER}[31m")
    expect(page.locator("#faulty")).to_contain_text("<b>by itself</b>")
    assert page.locator("main img, main script, main svg, #faulty p b").count() == 0
    assert "caught" not in page.title()


def test_all_of_it_by_keyboard(stage: Stage, open_page: Opener) -> None:
    page = open_page(PHONE)
    page.goto(stage.url)
    go_wrong(stage)
    expect(page.locator("#missing")).to_be_visible()
    reached: list[str] = []
    focused = "() => { const one = document.activeElement; return one === document.body ? '' :"
    focused += " one.id || one.className || one.tagName + ': ' + one.textContent; }"
    page.keyboard.press("Tab")
    while (name := page.evaluate(focused)) and name not in reached:
        reached.append(name)
        if name.startswith("SUMMARY: By hand"):
            page.keyboard.press("Enter")
        page.keyboard.press("Tab")
    assert reached == [
        *("skip", "SUMMARY: What they look for", "SUMMARY: By hand, in this order"),
        *("INPUT: ", "sought", "state", "place", "SUMMARY: Remarks"),
        "SUMMARY: What the states mean",
    ]
    box = page.locator(".tick input")
    box.focus()
    page.keyboard.press("Space")
    expect(box).to_be_checked()
    page.locator(".skip").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.type("porch")
    expect(page.locator(".device:visible")).to_have_count(1)
    expect(page.locator("#shown")).to_have_text("1 of 6 devices shown")
    page.keyboard.press("Escape")
    expect(page.locator(".device:visible")).to_have_count(6)
    page.locator("#state").select_option("those to decide on")
    expect(page.locator(".device:visible")).to_have_count(3)
    page.locator("#state").select_option("all")
    page.locator("#place").select_option("study")
    expect(page.locator(".device:visible")).to_have_count(2)
    stage.end(HELD)  # drawn anew, it is still ticked
    page.reload()
    expect(page.locator(".tick input")).to_be_checked()


def test_a_connection_that_drops_comes_back_by_itself(stage: Stage, open_page: Opener) -> None:
    way = Forwarder(stage)
    page = open_page(PHONE)
    page.goto(way.up())
    expect(page.locator("#line")).to_contain_text("Connected")
    page.evaluate("() => { window.same = 'page'; }")
    way.cut()
    expect(page.locator("#line")).to_contain_text("Not connected since")
    expect(page.locator("#line")).to_contain_text("What you see is from")
    assert accessibility_faults(page) == []
    keep(page, "page-cut-light-360")
    stage.step("hall-lamp", State.AWAY, "unseen")
    expect(page.locator(".device", has_text="hall-lamp")).to_contain_text("waiting")
    way.up()
    expect(page.locator("#line")).to_contain_text("Connected")
    expect(page.locator(".device", has_text="hall-lamp")).to_contain_text("away")
    page.context.set_offline(True)
    expect(page.locator("#line")).to_contain_text("Not connected since")
    page.context.set_offline(False)
    expect(page.locator("#line")).to_contain_text("Connected")
    stage.step("hall-lamp", State.SEEN, "there")
    expect(page.locator(".device", has_text="hall-lamp")).to_contain_text("seen")
    assert page.evaluate("() => window.same") == "page"
    way.cut()


def test_its_times_are_those_of_the_tool(stage: Stage, open_page: Opener) -> None:
    """The clock of a phone may be wrong by hours; how long a device is away may not."""
    page = open_page(PHONE)
    page.add_init_script("{ const now = Date.now; Date.now = () => now() - 5 * 3_600_000; }")
    page.goto(stage.url)
    stage.step("hall-lamp", State.AWAY, "it said yes")
    row = page.locator(".device", has_text="hall-lamp")
    expect(row.locator(".time")).to_have_text(re.compile(r"^for\s[0-9]\ss$"))
    page.context.set_offline(True)
    written = page.evaluate("(at) => at.toTimeString().slice(0, 5)", datetime.now(UTC))
    expect(page.locator("#line")).to_contain_text(re.compile("since [0-9:]+"))
    since = page.locator("#line").inner_text().split("since ")[1][:5]
    assert minutes(written) - minutes(since) in (0, 1, -1439)
    # What was seen last gets no older while nothing is known.
    before = row.locator(".time").inner_text()
    page.evaluate("() => new Promise((done) => setTimeout(done, 1500))")
    assert row.locator(".time").inner_text() == before
    page.context.set_offline(False)
    expect(row.locator(".time")).not_to_have_text(before)


def minutes(of_day: str) -> int:
    return int(of_day[:2]) * 60 + int(of_day[3:5])


def test_two_runs_are_not_mixed(stage: Stage, open_page: Opener) -> None:
    """The second has the port of the first, and the plan as well."""
    page = open_page(PHONE)
    way = Forwarder(stage)
    page.goto(way.up())
    go_wrong(stage)
    page.locator("#missing summary").last.click()
    page.locator(".tick input").check()
    page.evaluate("() => { window.same = 'page'; }")
    way.cut()
    with Stage(PLAN, missing=MISSING, run="20261126-other") as other:
        other.end(HELD)
        other.step("porch-light", State.ADRIFT, "of the other run")
        other.end(HELD)
        way.lead_to(other)
        way.up()
        expect(page.locator("#run")).to_contain_text("20261126-other")
        expect(page.locator(".device", has_text="hall-lamp")).to_contain_text("waiting")
        expect(page.locator("#faulty li")).to_have_count(1)
        assert page.locator("#missing details[open]").count() == 1, "it was being read"
        expect(page.locator(".tick input")).not_to_be_checked()
        assert page.evaluate("() => window.same") == "page"
        way.cut()


def test_one_link_for_one_browser(open_page: Opener, browser: Browser) -> None:
    door = Door()
    with Stage(PLAN, door=door) as stage:
        link = stage.url
        phone, other = open_page(PHONE, "dark"), browser.new_page()
        phone.goto(link)
        assert accessibility_faults(phone) == []
        keep(phone, "page-door-dark-360")
        other.goto(link)  # another has looked at it, as a chat program does
        phone.get_by_role("button").click()
        expect(phone.locator("#how")).to_be_visible()
        assert phone.url == stage.place.url
        other.get_by_role("button").click()
        expect(other.locator("main")).to_contain_text("used up")
        other.goto(stage.place.url)
        expect(other.locator("main")).to_contain_text("has not been let in")
        assert accessibility_faults(other) == []
        other.goto(stage.url)
        other.get_by_role("button").click()
        expect(other.locator("#how")).to_be_visible()
        assert len(door.keys) == 2
    expect(phone.locator("#line")).to_contain_text("was taken down")
    # The tool is started anew: it knows those whom it let in, and only those.
    with Stage(PLAN, place=stage.place, door=Door(door.keys[:1])) as again:
        again.step("hall-lamp", State.AWAY, "anew")
        expect(phone.locator(".device", has_text="hall-lamp")).to_contain_text("anew")
        expect(other.locator("#line")).to_contain_text("not let in any more")
        other.close()


def test_no_script_but_its_own(stage: Stage, browser: Browser) -> None:
    page = browser.new_page()
    page.goto(stage.url)
    expect(page.locator("#how")).to_be_visible()
    caught = page.evaluate(
        """async () => {
          const faults = [];
          await new Promise((done) => setTimeout(done));  // what a debugger runs at once may more
          try { document.body.innerHTML = "<b>x</b>"; } catch (error) { faults.push(error.name); }
          try { eval("1"); } catch (error) { faults.push(error.name); }
          return faults;
        }"""
    )
    assert caught == ["TypeError", "EvalError"]
    page.close()


def test_without_scripts_it_says_so(stage: Stage, browser: Browser) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(stage.url)
    expect(page.locator("noscript p")).to_contain_text("migrate status")
    context.close()


def test_the_demo_moves_before_your_eyes(demo: Demo) -> None:
    page = demo.page
    expect(page.locator("#line")).to_contain_text("was taken down", timeout=60_000)
    expect(page.locator("#headline")).to_have_text("24 of 24 devices are on the new side.")
    expect(page.locator('.device[data-state="settled"]')).to_have_count(24)
    keep(page, "page-demo-end-light-360")
    told = page.evaluate("() => window.told")
    moved = [int(n) for one in told for n in re.findall(r"how: (\d+) of 24", one)]
    assert moved == sorted(moved)
    assert len(set(moved)) > 9, "each wave is seen, and more"
    text = "\n".join(told)
    assert re.search("faulty: greenhouse-fan returned.*greenhouse", text)
    assert "gate: after wave 1: open" in text
    assert "shut by greenhouse-fan" in text
    assert "said: Gate after wave 9: open." in text or "said: 24 of 24" in text
    out = demo.process.stdout
    assert out is not None
    said = out.read()
    assert demo.process.wait(30) == 0
    assert re.search(r"^page +migrate page \S+-demo --state ", said, re.MULTILINE)
