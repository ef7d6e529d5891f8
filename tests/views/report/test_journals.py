"""Reports of whole journals: by the swarm's stories at any moment of them, and by plain SQL."""

from __future__ import annotations

import base64
import hashlib
import re
import sqlite3
import tempfile
from collections.abc import Iterator
from math import ceil
from pathlib import Path
from random import Random
from statistics import median

import pytest
from scipy.stats import beta

from migrate.journal.store import Journal
from migrate.model.lifecycle import Event, State
from migrate.ports.sockets import now
from migrate.views.report import is_report, report
from migrate.views.report.story import side_of, story_of
from migrate.virtual.clock import run_virtual
from tests.swarm.families import FAMILIES
from tests.swarm.story import QUICK, Ending

from .journals import Run, plan_for
from .lawful import Earlier
from .reading import read


def told(family: str, seed: int, folder: Path) -> Journal:
    """The journal that a story of the swarm leaves behind."""
    draw, kind = FAMILIES[family]
    drawn = draw(seed)
    story = kind(drawn, folder, Ending(seed, devices=len(drawn.devices)))
    run_virtual(story.play())
    return Journal.open(story.path, now)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("seed", [3, 11])
def test_a_story_of_the_swarm_at_any_moment(family: str, seed: int) -> None:
    """Cut off anywhere there is a report, and its numbers are those of the lines until then."""
    random = Random(seed)  # noqa: S311
    quick = QUICK if QUICK.is_dir() else None
    with tempfile.TemporaryDirectory(prefix="migrate-report-", dir=quick) as folder:
        journal = told(family, seed, Path(folder))
        plan, entries = journal.plan, journal.entries()
        assert len(entries) > 20
        for end in {0, 1, len(entries), *random.sample(range(len(entries)), 5)}:
            earlier = Earlier(plan, entries[:end], journal)
            page = read(report(earlier.as_journal(), "one"))
            rows = earlier.rows()
            states = {row.name: str(row.state) for row in rows}
            for name, state, _ in page.table("Where every device stands"):
                assert state.startswith(states[name.split(" ", 1)[0]])
            if end:
                last = page.table("Devices on each side")[-1]
                sides = [side_of(row.direction, row.state) for row in rows]
                assert last[-3:] == [str(sides.count(s)) for s in ("old", "between", "new")]
        if family == "switchover":  # one access point keeps its name
            words = 'a new passphrase for the Wi-Fi network "quay-old"'
            assert words in read(report(journal, "one")).words("")
        whole = story_of(plan, entries)
        assert [life.spans[-1].state for life in whole.lives] == [r.state for r in journal.rows()]
        journal.close()


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Run]:
    """Fourteen devices: one came back and went once more, one said no, one is adrift, and was
    given up by the owner after a night."""
    faults = {"lamp-5": State.ADRIFT, "lamp-3": State.RETURNED, "lamp-8": State.DECLINED}
    run = Run(tmp_path_factory.mktemp("report"), plan_for(14), faults)
    while not run.forward(again=run.in_states(State.DECLINED, State.RETURNED)):
        run.wait(10 * 3600)
        for name in run.in_states(State.ADRIFT):
            run.journal.write_off(name)
    yield run
    run.journal.close()


def ask(run: Run, sql: str) -> list[tuple[object, ...]]:
    with sqlite3.connect(f"{run.journal.path.as_uri()}?mode=ro", uri=True) as db:
        return db.execute(sql).fetchall()


def test_its_figures_are_those_of_plain_sql(run: Run) -> None:
    page = read(report(run.journal, "one"))
    # States and last words.
    rows = ask(run, "SELECT name, state, written_off, note FROM device")
    shown = {n.split()[0]: (s, words) for n, s, words in page.table("Where every device stands")}
    assert len(shown) == len(rows) == 14
    for name, state, off, note in rows:
        told, words = shown[str(name)]
        assert told.startswith(f"{state}, written off" if off else str(state))
        assert words == note
    # Sides at the end: nothing is under way, so by state alone.
    ((new, between),) = ask(run, "SELECT sum(state = 'settled'), sum(state = 'adrift') FROM device")
    assert page.table("Devices on each side")[-1][-3:] == ["0", str(between), str(new)]
    # Exposure: what the engine let go, wave by wave, and who was not there in time.
    admitted: dict[int, list[str]] = {}
    for wave, detail in ask(run, "SELECT wave, detail FROM event WHERE kind = 'admitted'"):
        number, exposure = re.findall(r"[\d.]+", str(detail))[::2]
        admitted.setdefault(int(str(wave)), []).append(f"{float(exposure):.2f} with {number}")
    late = {
        int(str(wave)): number
        for wave, number in ask(
            run,
            "SELECT wave, count(DISTINCT name) FROM event WHERE before != after "
            "AND after IN ('adrift', 'returned') GROUP BY wave",
        )
    }
    for index, (wave, planned, let_go, met) in enumerate(page.table("Devices that a wave")):
        assert wave == str(index + 1)
        assert planned.startswith(f"{run.plan.waves[index].exposure:.2f} ")
        assert let_go == " ".join(admitted.get(index, ["none"]))
        assert met.startswith(f"{late[index]} not there" if index in late else "all in time")
    assert "2 devices were not where they had been sent" in page.words("exposure")
    # Times of return: the detail of the lines of that kind, by twin.
    seconds: dict[str, list[float]] = {}
    for name, detail in ask(run, "SELECT name, detail FROM event WHERE kind = 'return'"):
        twin = " ".join(run.plan.device(str(name)).twin)
        seconds.setdefault(twin, []).append(float(str(detail)))
    assert page.table("Seconds from sending") == [
        [twin, str(len(s)), f"{min(s):.1f}", f"{median(s):.1f}", f"{max(s):.1f}"]
        for twin, s in sorted(seconds.items())
    ]
    # Every line, in its order.
    lines = ask(run, "SELECT detail FROM event ORDER BY seq")
    assert [row[-1] for row in page.table("All lines")] == [words for (words,) in lines]


def test_evidence_is_the_bound_of_the_trade(run: Run) -> None:
    """1 - (1 - c)^(1/n) for no fault (Clopper and Pearson, 1934), rounded up, since it is a bound;
    the other by scipy's beta distribution."""
    page = read(report(run.journal, "one"))
    found = {
        row[0].rpartition(" here")[0].rpartition(" ")[0]: row[2] for row in page.table("How many")
    }
    for twin, words in found.items():
        returns, faults = sum(_moved(run, twin)), sum(_missed(run, twin))
        trials = returns + faults
        bound = float(beta.ppf(0.9, faults + 1, trials - faults)) if faults < trials else 1.0
        most = f"{ceil(bound * 1000 - 1e-6) / 10:g}"
        ill = "no fault" if not faults else f"{faults} fault{'s' if faults > 1 else ''}"
        assert words == f"after {returns} returns and {ill}, at most {most} in 100 fail, 90% sure"
    assert len(found) == 2


def _moved(run: Run, twin: str) -> list[bool]:
    rows = ask(run, "SELECT name, state FROM device")
    return [state == "settled" for name, state in rows if _is(run, name, twin)]


def _missed(run: Run, twin: str) -> list[int]:
    rows = ask(run, "SELECT name, faults + (state = 'adrift') FROM device")
    return [int(str(number)) for name, number in rows if _is(run, name, twin)]


def _is(run: Run, name: object, twin: str) -> bool:
    return " ".join(run.plan.device(str(name)).twin) == twin


def test_an_owner_finds_what_to_do_first(run: Run) -> None:
    html = report(run.journal, "one --state x")
    page = read(html)
    assert page.titles[0] == f"{run.plan.title}: report"
    assert 'Wi-Fi network from "attic" to "loft"' in page.words("")
    assert "It is finished: 13 settled, 1 adrift; 1 of them written off." in page.words("")
    assert "From 2026-01-01 20:00:00 to 2026-01-03 02:0" in page.words("")
    assert "migrate adrift one --state x" in page.words("now")
    assert page.words("missing").startswith("Not found, and how to get it back First look again")
    story = page.words("faults")
    assert "lamp-5: adrift, written off" in story
    assert "lamp-3: settled" in story
    assert "it came back: at 192.0.2.9, restarted, with its former settings" in story
    assert "it said no: it declined: no room" in story
    assert "10 h, 1 Jan 20:" in page.words("time")
    assert is_report(html)
    assert not is_report("<!DOCTYPE html><p>mine</p>")


def test_it_needs_nothing_beside_it_and_runs_nothing(run: Run) -> None:
    """No script, no link to anything else, no style but the one that its policy names by hash (W3C
    Content Security Policy Level 3)."""
    page = read(report(run.journal, "one"))
    for banned in ("script", "link", "img", "iframe", "object", "form", "base", "foreignobject"):
        assert page.elements[banned] == 0
    for tag, name, value in page.attributes:
        assert name != "style", tag
        assert not name.startswith("on"), (tag, name)
        if name in ("href", "src", "xlink:href"):
            assert value.startswith("#"), (tag, name, value)
    (policy,) = [v for t, n, v in page.attributes if t == "meta" and "default-src" in v]
    digest = base64.b64encode(hashlib.sha256(page.style.encode()).digest()).decode()
    assert policy.startswith(f"default-src 'none'; style-src 'sha256-{digest}';")
    assert "url(" not in page.style.replace("url(#", "")
    assert "@import" not in page.style
    ids = [value for _, name, value in page.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    for _, name, value in page.attributes:
        if name in ("aria-labelledby", "aria-describedby"):
            assert value in ids
        if name == "href":
            assert value[1:] in ids


def test_nothing_came_in_time_before_it_came(tmp_path: Path) -> None:
    """A run that was cut off while devices were away, and one that was let go and sent nothing."""
    run = Run(tmp_path, plan_for(3))
    (first, *_), *_ = (wave.devices for wave in run.plan.waves)
    run.journal.remark("admitted", "1 of 1, exposure 1.000", 0)
    page = read(report(run.journal, "one"))
    assert page.table("Devices that a wave")[0][-1] == "nothing was sent"
    assert "Nothing was sent." in page.words("exposure")
    run.journal.intend(first, run.plan.device(first).bundle)
    run.journal.step(first, Event.SENT, "it said yes")
    page = read(report(run.journal, "one"))
    assert page.table("Devices that a wave")[0][-1] == "1 on the way"
    assert "in time" not in page.table("Devices that a wave")[0][-1]
    assert "So far none failed to arrive in time" in page.words("exposure")
    run.journal.step(first, Event.ARRIVE, "found")
    page = read(report(run.journal, "one"))
    run.journal.close()
    assert page.table("Devices that a wave")[0][-1] == "all in time"


def test_many_devices_are_still_a_file_to_send(tmp_path: Path) -> None:
    """Each has a line of its own, with its name in a title, and no picture is taller than a
    page."""
    run = Run(tmp_path, plan_for(300), {"lamp-100": State.ADRIFT})
    assert not run.forward()
    html = report(run.journal, "one")
    run.journal.close()
    page = read(html)
    assert len(html) < 700_000
    assert sum(title.startswith("lamp-") for title in page.titles) == 300
    heights = [float(v) for t, n, v in page.attributes if (t, n) == ("svg", "height") and v != "18"]
    assert max(heights) <= 900
    assert "lines are left out here" not in html or page.words("all")


def test_a_giant_journal_is_told_by_its_beginning_and_its_end(tmp_path: Path) -> None:
    run = Run(tmp_path, plan_for(2))
    entries = run.journal.entries()
    run.journal.remark("mended", "first")
    (first,) = run.journal.entries()
    many = [
        type(first)(**{**vars(first), "seq": number, "detail": f"line {number}"})
        for number in range(1, 3001)
    ]
    assert entries == []
    page = read(report(Earlier(run.plan, many, run.journal).as_journal(), "one"))
    run.journal.close()
    assert "1000 lines are left out here" in page.words("all")
    words = [row[-1] for row in page.table("The first lines") + page.table("The last lines")]
    assert (len(words), words[0], words[-1]) == (2000, "line 1", "line 3000")


def test_nothing_has_happened_yet(tmp_path: Path) -> None:
    run = Run(tmp_path, plan_for(3))
    page = read(report(run.journal, "one"))
    run.journal.close()
    assert "Nothing has been sent to any device: 3 waiting." in page.words("")
    assert "Nothing stands in the journal yet." in page.words("time")
    assert "sides" not in page.sections
    assert page.words("faults") == "Faults, and what was done None."
