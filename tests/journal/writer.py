"""A process of its own that writes a journal; the tests start it, watch it, and kill it.

python -m tests.journal.writer FOLDER steps       writes and says each step once it is on disk
python -m tests.journal.writer FOLDER full OCTETS writes until no file may be longer than OCTETS
"""

from __future__ import annotations

import resource
import sys
from pathlib import Path

from migrate.journal.store import Journal
from migrate.model.lifecycle import Event, State
from migrate.model.problems import JournalTrouble
from tests.journal.helpers import GIVEN, Clock, path_in, surveyed

TURN = (Event.INTEND, Event.UNSENT)
"""A device that is given up again and again, as on a bad line: a run without an end."""


def say(words: str) -> None:
    sys.stdout.write(words + "\n")
    sys.stdout.flush()


def steps(folder: Path) -> None:
    journal = surveyed(folder)
    while True:
        for event in TURN:
            one_step(journal, event)
            say(str(journal.entries()[-1].seq))


def one_step(journal: Journal, event: Event) -> None:
    if event is Event.INTEND:
        journal.intend("plug", GIVEN)
    else:
        journal.step("plug", event, "no route " * 20)


def full(folder: Path, octets: int) -> None:
    """Tells what the journal says before and after the write that found no space, and of both the
    connection that failed and a new one."""
    journal = surveyed(folder)
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    resource.setrlimit(resource.RLIMIT_FSIZE, (octets, hard))
    done = None
    try:
        while True:
            for event in TURN:
                done = (journal.row("plug"), journal.entries())
                one_step(journal, event)
    except JournalTrouble as trouble:
        say(trouble.problems[0].what)
        say(trouble.problems[0].remedy)
    say(str(done == (journal.row("plug"), journal.entries())))
    again = Journal.open(path_in(folder), Clock())
    say(str(done == (again.row("plug"), again.entries())))
    again.close()
    # Once there is space again, the same journal goes on.
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    state = journal.row("plug").state
    one_step(journal, Event.INTEND if state is State.WAITING else Event.UNSENT)
    say(str(journal.row("plug").state is not state))
    journal.close()


def main() -> None:
    folder, what, *rest = sys.argv[1:]
    if what == "steps":
        steps(Path(folder))
    else:
        full(Path(folder), int(rest[0]))


if __name__ == "__main__":
    main()
