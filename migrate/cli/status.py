"""`migrate status`: from the journal alone; nothing is sent."""

from __future__ import annotations

from migrate.cli.common import (
    RunName,
    StateDir,
    open_run,
    out,
    problems_in_words,
    run_words,
)
from migrate.views.status import advice_of, show_advice, show_status


def status(run: RunName = None, state: StateDir = None) -> None:
    """Where every device of a run stands, and what can be done next. Asks no device.

    Example: migrate status
    """
    with problems_in_words():
        journal = open_run(state, run)
        show_status(journal, out)
        words = run_words(journal, state)
        show_advice(advice_of(journal, words), out)
        journal.close()
