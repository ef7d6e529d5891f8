"""`migrate report`: where it is written, and what it never writes over."""

from __future__ import annotations

import stat
from pathlib import Path

from migrate.model.problems import Exit
from tests.views.report.reading import read

from .missing import RUN, begun, lost
from .paper import Paper


def test_it_is_written_beside_the_journal_or_where_it_is_wanted(paper: Paper) -> None:
    begun(paper, lost("desk-lamp"))
    beside = paper.state / "runs" / RUN / "report.html"
    made = paper.cli("report", "--state", paper.state)
    assert (made.code, made.out) == (Exit.DONE, f"{beside}\n")
    assert stat.S_IMODE(beside.stat().st_mode) == 0o600
    page = read(beside.read_text("utf-8"))
    assert f"migrate adrift {RUN} --state {paper.state}" in page.words("now")
    assert f"Run {RUN}, plan digest" in beside.read_text("utf-8")
    place = paper.folder / "mine.html"
    for _ in range(2):  # a report is written over by another
        made = paper.cli("report", RUN, "--to", place, "--state", paper.state)
        assert (made.code, made.out) == (Exit.DONE, f"{place}\n")
        assert place.read_bytes() == beside.read_bytes()
    printed = paper.cli("report", "--to", "-", "--state", paper.state)
    assert printed.out == beside.read_text("utf-8")
    assert not Path("-").exists()


def test_no_other_file_is_written_over(paper: Paper) -> None:
    begun(paper, lost("desk-lamp"))
    folder = paper.folder / "a folder"
    folder.mkdir()
    for place in (paper.fleet, folder):
        before = paper.fleet.read_bytes()
        refused = paper.cli("report", "--to", place, "--state", paper.state)
        assert refused.code == Exit.BAD_FILE
        assert "is there already, and is no report" in refused.err
        assert "name another file with --to" in refused.err
        assert paper.fleet.read_bytes() == before
    refused = paper.cli("report", "--to", paper.fleet / "x", "--state", paper.state)
    assert refused.code == Exit.BAD_FILE
