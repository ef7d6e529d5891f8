"""`migrate report`: one file to read, print and keep, from the journal alone; nothing is sent."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from migrate.cli.common import (
    STDOUT,
    RunName,
    StateDir,
    open_run,
    out,
    problems_in_words,
    run_words,
)
from migrate.cli.conduct import write_report
from migrate.ports.files import free_or_ours, write_private

To = Annotated[
    Path | None,
    typer.Option(
        "--to",
        metavar="FILE",
        help="Write it there instead of beside the journal; - is standard output.",
        show_default=False,
    ),
]


def report(run: RunName = None, to: To = None, state: StateDir = None) -> None:
    """Write the report of a run, from its journal alone.

    One file for a browser, and for paper: what became of every device and when, faults and what
    was done, exposure, evidence. Asks no device and sends nothing.

    Example: migrate report
    """
    # Pictures take a while to load; most commands draw none.
    from migrate.views.report import is_report
    from migrate.views.report import report as report_of

    with problems_in_words(), closing(open_run(state, run)) as journal:
        words = run_words(journal, state)
        if to == STDOUT:
            out.document(report_of(journal, words))
            return
        if to is None:
            place = write_report(journal, words)
        else:
            place = free_or_ours(to, is_report, "report")
            write_private(place, report_of(journal, words))
        out.print(Text(str(place)), soft_wrap=True)
