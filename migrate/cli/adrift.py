"""`migrate adrift`: what missing devices may be looking for, and how to get them back."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import typer

from migrate.cli.common import RunName, StateDir, open_run, out, problems_in_words, run_words
from migrate.cli.conduct import load_checked
from migrate.engine.crew import muster
from migrate.journal.store import Journal
from migrate.model.problems import BadFile, Changed, Exit
from migrate.planning.adrift import Files
from migrate.ports.secret_reader import SecretReader
from migrate.ports.sources.leases import lease_files, unreadable
from migrate.views.adrift import not_told, search_of, show_adrift


def adrift(run: RunName = None, state: StateDir = None) -> None:
    """How to get back devices that nobody can find.

    What each was last given, the network it must be looking for, what may have happened, and where
    to go with a ladder, in which order. Asks no device and sends nothing. Exit code 7 while one is
    missing that was not written off, else 0.

    Example: migrate adrift
    """
    with problems_in_words():
        with closing(open_run(state, run)) as journal:
            files, reason = files_of(journal)
            search = search_of(journal, files, reason)
            show_adrift(search, journal.plan.title, run_words(journal, state), files, out)
        raise typer.Exit(Exit.HELD if search.unsettled else Exit.DONE)


def files_of(journal: Journal) -> tuple[Files | None, str]:
    """What the owner's files say, if they are still those of the plan; and in words why they
    cannot be used, or what is missing beside them."""
    fleet, playbook = Path(journal.fact("fleet")), Path(journal.fact("playbook"))
    try:
        inputs = load_checked(journal.plan, fleet, playbook)
        # Nobody is asked for a secret: at most it is not known how the change was split.
        crew = muster(journal.plan, inputs, SecretReader().resolve)
    except (BadFile, Changed) as trouble:
        return None, not_told(trouble)
    return (
        Files(
            old=crew.sides["old"],
            new=crew.sides["new"],
            radios={name: dialect.radio for name, dialect in inputs.dialects.items()},
            devices={member.name: member.device for member in crew.members.values()},
            presence=crew.playbook.proof.presence,
        ),
        " ".join(f"Mind that {words}." for words in unreadable(lease_files(crew.sides))),
    )
