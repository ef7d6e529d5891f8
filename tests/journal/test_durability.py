"""The journal as a file: who may read it, what survives, and what happens when the disk fails."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from migrate.journal import store
from migrate.journal.rows import UPTIME, Entry
from migrate.journal.store import Journal
from migrate.model.lifecycle import Event, State
from migrate.model.problems import JournalTrouble
from migrate.model.settings import FrozenBundle, Setting
from tests.journal.helpers import (
    BACK,
    FACTS,
    GIVEN,
    NAMES,
    READINGS,
    Clock,
    in_trouble,
    new_journal,
    path_in,
    plan,
    surveyed,
)

ROOT = Path(__file__).parents[2]


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    made = surveyed(tmp_path)
    yield made
    made.close()


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def reopened(path: Path) -> Journal:
    return Journal.open(path, Clock())


def read_all(journal: Journal) -> list[Entry]:
    """Everything that can be asked of it."""
    journal.rows()
    journal.standings()
    for name in NAMES:
        journal.row(name)
        journal.survey(name)
        journal.way_back(name)
    journal.fact("fleet")
    return journal.entries()


def whole_steps(entries: list[Entry]) -> list[Entry]:
    """The last line of each step: an intent has a second one, in the same transaction."""
    ends = [entry for entry in entries if entry.kind != "intend"]
    assert sum(entry.kind == UPTIME for entry in entries) == len(entries) - len(ends)
    return ends


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o077])
def test_nobody_else_can_read_it_whatever_the_umask(tmp_path: Path, mask: int) -> None:
    before = os.umask(mask)
    try:
        journal = surveyed(tmp_path)
    finally:
        os.umask(before)
    folder = journal.path.parent
    assert mode(folder) == 0o700
    files = sorted(file.name for file in folder.iterdir())
    assert files == [
        "journal.intents",
        "journal.sqlite3",
        "journal.sqlite3-shm",
        "journal.sqlite3-wal",
    ]
    assert {mode(file) for file in folder.iterdir()} == {0o600}
    journal.close()


def test_it_writes_ahead_and_syncs_every_commit(journal: Journal) -> None:
    # Source: sqlite.org, PRAGMA synchronous: 2 is FULL; in WAL mode every commit is then synced.
    for one in (journal, reopened(journal.path)):
        assert one._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert one._db.execute("PRAGMA synchronous").fetchone() == (2,)
        assert one._db.execute("PRAGMA fullfsync").fetchone() == (1,)
    one.close()


def test_all_folders_that_lead_to_it_are_synced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[set[Path]] = []
    monkeypatch.setattr(store, "sync_folders", lambda folders: synced.append(set(folders)))
    journal = new_journal(tmp_path)
    # runs/one/journal.sqlite3: two new folders, so three folders got a new entry.
    assert synced == [{tmp_path, tmp_path / "runs", tmp_path / "runs" / "one"}]
    journal.close()


@pytest.mark.parametrize("name", ["a b", "what? #1", "100%41", "ümlaut ☃", "file:x?mode=memory"])
def test_folders_of_any_name(tmp_path: Path, name: str) -> None:
    journal = surveyed(tmp_path / name)
    journal.intend("plug", GIVEN)
    journal.close()
    again = reopened(path_in(tmp_path / name))
    assert again.row("plug").state is State.SENDING
    again.close()
    assert [one.name for one in tmp_path.iterdir()] == [name]


def test_an_existing_file_is_never_written_over(tmp_path: Path) -> None:
    journal = surveyed(tmp_path)
    journal.close()
    before = path_in(tmp_path).read_bytes()
    in_trouble(lambda: new_journal(tmp_path), "cannot be created: File exists")
    assert path_in(tmp_path).read_bytes() == before
    (tmp_path / "file").write_text("a file, no folder")
    in_trouble(lambda: new_journal(tmp_path / "file"), "cannot be created: Not a directory")


def test_a_journal_that_cannot_be_begun_leaves_nothing_to_go_on_with(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(folders: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(store, "sync_folders", failing)
    in_trouble(lambda: new_journal(tmp_path), "No space left on device")
    assert list(path_in(tmp_path).parent.iterdir()) == []
    monkeypatch.undo()
    new_journal(tmp_path).close()


def test_a_missing_journal_is_not_made_anew(tmp_path: Path, journal: Journal) -> None:
    in_trouble(lambda: reopened(tmp_path / "journal.sqlite3"), "does not exist")
    in_trouble(lambda: reopened(tmp_path / "nowhere" / "journal.sqlite3"), "does not exist")
    (tmp_path / "folder" / "journal.sqlite3").mkdir(parents=True)
    in_trouble(lambda: reopened(tmp_path / "folder" / "journal.sqlite3"), "does not exist")
    assert not (tmp_path / "journal.sqlite3").exists()
    assert not (tmp_path / "nowhere").exists()


def test_a_journal_that_goes_away_while_it_is_opened_is_not_made_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Path, "is_file", lambda path: True)
    in_trouble(lambda: reopened(tmp_path / "journal.sqlite3"), "No such file")
    assert list(tmp_path.iterdir()) == []


def test_a_closed_journal_takes_nothing_more(tmp_path: Path) -> None:
    journal = surveyed(tmp_path)
    journal.close()
    in_trouble(lambda: journal.intend("plug", GIVEN), "cannot be used")
    in_trouble(journal.rows, "cannot be used")


def test_another_writer_is_waited_for_and_then_told(journal: Journal) -> None:
    journal._db.execute("PRAGMA busy_timeout = 50")  # milliseconds; ten seconds otherwise
    other = sqlite3.connect(journal.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    in_trouble(lambda: journal.intend("plug", GIVEN), "locked")
    assert journal.row("plug").state is State.WAITING  # reading goes on beside a writer
    other.execute("ROLLBACK")
    other.close()
    assert journal.intend("plug", GIVEN).state is State.SENDING


# What another process sees, and what a killed one leaves.


def test_a_new_process_sees_everything(journal: Journal) -> None:
    journal.intend("plug", GIVEN)
    journal.note("desk-lamp", "asleep")
    code = (
        "import sys; from pathlib import Path; from tests.journal.test_durability import *;"
        "j = reopened(Path(sys.argv[1])); print(j.row('plug').state, j.row('plug').given == GIVEN,"
        "j.way_back('plug') == BACK, j.survey('plug') == READINGS, j.plan == plan(),"
        "[e.detail for e in j.entries()])"
    )
    # The first process still has it open: this one sees what is on disk, not what is in memory.
    done = subprocess.run(
        [sys.executable, "-c", code, str(journal.path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "sending True True True True ['', '', 'asleep']"


@pytest.mark.parametrize("after", [1, 2, 7, 40])
def test_killed_in_the_middle_of_writing_it_keeps_what_was_on_disk(
    tmp_path: Path, after: int
) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "tests.journal.writer", str(tmp_path), "steps"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    ) as writer:
        assert writer.stdout is not None
        said = [int(writer.stdout.readline()) for _ in range(after)]
        writer.send_signal(signal.SIGKILL)  # it is writing the next steps meanwhile
        said += [int(line) for line in writer.stdout.read().split("\n")[:-1]]
    assert writer.returncode == -signal.SIGKILL
    journal = reopened(path_in(tmp_path))
    entries = whole_steps(read_all(journal))
    # Nothing that was said to be on disk is missing, and each step is whole.
    assert [entry.seq for entry in entries][: len(said)] == said
    assert len(entries) <= len(said) + 1
    assert journal.row("plug").state is (State.SENDING if len(entries) % 2 else State.WAITING)
    assert entries[-1].after == journal.row("plug").state
    if journal.row("plug").state is State.WAITING:
        journal.intend("plug", GIVEN)
    journal.step("plug", Event.SENT)
    journal.close()


def test_power_lost_at_any_octet_leaves_a_beginning_of_what_happened(tmp_path: Path) -> None:
    journal = surveyed(tmp_path / "run")
    for _ in range(3):
        journal.intend("plug", GIVEN)
        journal.step("plug", Event.UNSENT, "no route")
    whole = read_all(journal)
    counts = range(len(whole_steps(whole)) + 1)
    wal = Path(f"{journal.path}-wal")
    octets = wal.stat().st_size
    lengths = set()
    for number, cut in enumerate([*range(0, octets, octets // 60), octets]):
        copy = tmp_path / f"copy{number}" / "journal.sqlite3"
        copy.parent.mkdir()
        shutil.copy(journal.path, copy)
        Path(f"{copy}-wal").write_bytes(wal.read_bytes()[:cut])
        try:
            again = reopened(copy)
        except JournalTrouble:
            continue  # before the tables themselves were there: nothing had been sent
        entries = again.entries()
        assert entries == whole[: len(entries)]
        if again.row("plug").state is State.SENDING:
            assert again.way_back("plug") == BACK  # invariant 1
        lengths.add(len(whole_steps(entries)))
        again.close()
    journal.close()
    assert lengths == set(counts)


# A disk that fails.


def test_a_full_database_changes_nothing(journal: Journal) -> None:
    pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
    journal._db.execute(f"PRAGMA max_page_count = {pages}")
    before, lines = journal.row("plug"), journal.entries()
    long: FrozenBundle = {**GIVEN, Setting.WIFI_SSID: "x" * 100_000}
    problem = in_trouble(lambda: journal.intend("plug", long), "full")
    assert "free space" in problem.remedy
    in_trouble(lambda: journal.note("plug", "x" * 100_000), "full")
    in_trouble(lambda: journal.remark("odd", "x" * 100_000), "full")
    in_trouble(lambda: journal.record_before("plug", {"x": "x" * 100_000}, BACK), "full")
    assert (journal.row("plug"), journal.entries()) == (before, lines)
    assert journal.survey("plug") == READINGS
    journal._db.execute("PRAGMA max_page_count = 1000000")
    assert journal.intend("plug", GIVEN).state is State.SENDING


@pytest.mark.parametrize("kib", [150, 173, 200])
def test_a_disk_that_fills_up_while_it_commits_changes_nothing(tmp_path: Path, kib: int) -> None:
    # RLIMIT_FSIZE ends every longer file as a full disk does, at the write itself.
    done = subprocess.run(
        [sys.executable, "-m", "tests.journal.writer", str(tmp_path), "full", str(kib * 1024)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    what, remedy, same, same_on_disk, goes_on = done.stdout.splitlines()
    assert what.startswith("the journal cannot be used: ")
    assert "free space" in remedy
    assert (same, same_on_disk, goes_on) == ("True", "True", "True")
    assert done.stderr == ""


class NoCommit:
    """A connection whose commit fails and leaves its transaction open."""

    def __init__(self, real: sqlite3.Connection) -> None:
        self._real = real

    def __getattr__(self, name: str) -> object:
        return getattr(self._real, name)

    def commit(self) -> None:
        raise sqlite3.OperationalError("disk I/O error")


def test_a_commit_that_fails_is_taken_back_whole(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = journal.row("plug")
    with monkeypatch.context() as patch:
        patch.setattr(journal, "_db", NoCommit(journal._db))
        in_trouble(lambda: journal.intend("plug", GIVEN), "disk I/O error")
    assert journal.row("plug") == before
    assert journal.entries() == []
    assert journal.intend("plug", GIVEN).state is State.SENDING


# A file that is not what it was.


def damaged(journal: Journal, change: object) -> Path:
    journal.close()  # the write-ahead file is folded in
    octets = bytearray(journal.path.read_bytes())
    assert callable(change)
    journal.path.write_bytes(bytes(change(octets)))
    return journal.path


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda octets: b"", id="empty"),
        pytest.param(lambda octets: b"not a database" * 500, id="text"),
        pytest.param(lambda octets: octets[:1000], id="cut short"),
        pytest.param(lambda octets: octets[: len(octets) // 2], id="half"),
        pytest.param(lambda octets: b"\0" * 100 + octets[100:], id="no head"),
        pytest.param(lambda octets: octets[:4096] + b"\0" * (len(octets) - 4096), id="zeros"),
        pytest.param(lambda octets: octets[:4096] + b"\xa5" * (len(octets) - 4096), id="noise"),
    ],
)
def test_a_damaged_file_is_told_in_words(tmp_path: Path, change: object) -> None:
    path = damaged(surveyed(tmp_path), change)
    in_trouble(lambda: reopened(path), "the journal (is damaged|cannot be used|was written)")


def test_a_journal_of_another_kind(tmp_path: Path, journal: Journal) -> None:
    journal._db.execute("UPDATE meta SET value = '1' WHERE key = 'format'")
    in_trouble(lambda: reopened(journal.path), "was written by another version")
    other = tmp_path / "journal.sqlite3"
    sqlite3.connect(other).close()
    in_trouble(lambda: reopened(other), "is damaged")


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE meta SET value = replace(value, 'loft', 'lofT') WHERE key = 'plan'",
        "UPDATE meta SET value = substr(value, 2) WHERE key = 'plan'",
    ],
)
def test_a_plan_that_was_touched_inside_the_journal(journal: Journal, sql: str) -> None:
    assert journal._db.execute(sql).rowcount == 1
    in_trouble(lambda: reopened(journal.path), "is damaged: the plan can no longer be read")


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE device SET state = 'waitinh'",
        "UPDATE device SET direction = 'sideways'",
        "UPDATE device SET given = '{'",
        "UPDATE device SET given = '[]'",
        """UPDATE device SET given = '{"colour": 1}'""",
        "UPDATE survey SET readings = '[1'",
        "UPDATE way_back SET bundle = '7'",
        "UPDATE way_back SET bundle = CAST(x'7bff7d' AS TEXT)",
    ],
)
def test_words_that_no_journal_has(journal: Journal, sql: str) -> None:
    journal._db.execute(sql)
    in_trouble(lambda: read_all(journal), "the journal (is damaged|cannot be used)")


def test_flipped_bits_are_read_or_told_and_never_a_traceback(tmp_path: Path) -> None:
    journal = surveyed(tmp_path)
    journal.intend("plug", GIVEN)
    journal.close()
    octets = path_in(tmp_path).read_bytes()
    rng = random.Random(2026)  # noqa: S311 - the same bits every time
    told = 0
    for _ in range(150):
        wrong = bytearray(octets)
        for _ in range(rng.choice((1, 1, 8))):
            wrong[rng.randrange(len(wrong))] ^= 1 << rng.randrange(8)
        path_in(tmp_path).write_bytes(bytes(wrong))
        try:
            again = reopened(path_in(tmp_path))
        except JournalTrouble:
            told += 1
            continue
        try:
            read_all(again)
        except JournalTrouble:
            told += 1
        again.close()
    assert told > 20


def test_a_journal_needs_a_place_where_it_can_write_ahead(tmp_path: Path) -> None:
    class Odd(sqlite3.Connection):
        """As on a file system without shared memory: SQLite then stays in its former mode."""

        def execute(self, sql: str, *given: object) -> sqlite3.Cursor:
            return super().execute(sql.replace("journal_mode=WAL", "journal_mode=DELETE"), *given)  # type: ignore[arg-type]

    in_trouble(
        lambda: Journal.create(path_in(tmp_path), plan(), Clock(), FACTS, connection=Odd),
        "write ahead",
    )
