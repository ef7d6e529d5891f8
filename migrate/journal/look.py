"""Looking into a journal while another process may be at work by it: for reading alone."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path

from migrate.journal.file import DAMAGED, FORMAT, explained, trouble
from migrate.journal.store import Journal
from migrate.model.problems import BadFile, Changed
from migrate.planning.plan import plan_from_json


@contextmanager
def looked_into(path: Path, now: Callable[[], datetime]) -> Iterator[Journal]:
    """A journal that is only read: nothing is mended or put back, and whoever writes to it is not
    held up (sqlite.org, Write-Ahead Logging, section 2.2). Raises JournalTrouble."""
    with explained(path):
        # An empty one is not opened at all: SQLite would throw its log away.
        if path.stat().st_size == 0:
            raise trouble(path, DAMAGED)
        uri = f"{path.absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, isolation_level=None, timeout=2)) as db:
            db.execute("PRAGMA query_only=ON")
            meta = dict(db.execute("SELECT key, value FROM meta WHERE key IN ('format', 'plan')"))
            if meta.get("format") != FORMAT:
                raise trouble(path, "was written by another version of migrate")
            try:
                plan = plan_from_json(meta.get("plan", ""), str(path))
            except (BadFile, Changed):
                raise trouble(path, DAMAGED) from None
            yield Journal(db, path, now, plan)
