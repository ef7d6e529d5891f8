"""A change in several legs: their files, their order, and what the owner does between them."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Collection, Iterator
from contextlib import closing
from pathlib import Path

from rich.text import Text

from migrate.cli.common import err, open_journal, out, runs_folder
from migrate.cli.keys import entered
from migrate.engine.way_back import ONE_STEP
from migrate.journal.rows import Row
from migrate.journal.store import Journal
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import JournalTrouble, Problem, Refused
from migrate.planning.plan import Plan

ENDING = ".plan.json"
ASKED = Text("Press Enter when the access point is changed; Ctrl-C puts it off.")


def leg_place(place: Path, plan: Plan) -> Path:
    """Where the plan of a leg is frozen: beside the others, by its number."""
    if plan.leg.of == 1:
        return place
    ending = ENDING if place.name.endswith(ENDING) else place.suffix
    stem = place.name.removesuffix(ending)
    return place.with_name(f"{stem}.leg-{plan.leg.number}{ending}")


def check_order(state: Path | None, plan: Plan) -> None:
    """Raises Refused unless the leg before this one has been run to its end: every device of it
    settled or written off."""
    if plan.leg.after is None:
        return
    before = plan.leg.number - 1
    runs = list(_runs(state, plan.leg.after))
    first = next((run for run in runs if run.digest == plan.leg.after), None)
    if first is None:
        raise Refused(
            Problem(
                f"this is leg {plan.leg.number} of {plan.leg.of} ({plan.leg.what}), and leg "
                f"{before} has not been run",
                f"run leg {before} first: migrate run, with the file of that leg; if it was run "
                "from another state folder, name that with --state",
            )
        )
    # The latest word counts: a later run may have taken back what an earlier one had moved.
    done = {name: name in run.done for run in runs for name in run.names}
    missing = [name for name in first.names if not done[name]]
    if missing:
        some = ", ".join(missing[:5]) + (f" and {len(missing) - 5} more" if missing[5:] else "")
        raise Refused(
            Problem(
                f"leg {before} of {plan.leg.of} has not come to its end: {some} neither settled "
                "nor written off",
                f"go on with it: migrate resume {runs[-1].name}",
            )
        )
    if first.together and not any(run.flipped for run in runs):
        raise Refused(
            Problem(
                f"leg {before} of {plan.leg.of} was to go together with a change at the access "
                "point, and nobody has said that it was changed",
                f"change it, then: migrate resume {runs[-1].name} --flipped",
            )
        )


def check_way_back(
    state: Path | None, journal: Journal, only: Collection[str] | None, *, not_flipped: bool
) -> None:
    """Raises Refused where a rollback would take away what a later leg, a later run, or the access
    point by now, stands on; or where there is none, device by device."""
    plan = journal.plan
    if plan.leg.together:
        raise Refused(ONE_STEP)
    own = {
        plan.device(row.name).mac
        for row in journal.rows()
        if row.standing.may_have_left and (not only or row.name in only)
    }
    for run in reversed(list(_runs(state, None))):
        next_leg, later = run.after == plan.digest, run.name > journal.path.parent.name
        # Later by whatever plan: of another leg, of the rest of one, or made anew since.
        moved = [name for mac, name in run.moved.items() if next_leg or (later and mac in own)]
        if moved:
            what = f"leg {plan.leg.number + 1} of this change" if next_leg else f"run {run.name}"
            raise Refused(
                Problem(
                    f"{what} has been run after this one, and {len(moved)} of its devices are not "
                    f"back ({moved[0]})",
                    f"take that {'leg' if next_leg else 'run'} back first: migrate rollback "
                    f"{run.name}; one that is lost: migrate resume {run.name} --write-off "
                    f"{shlex.quote(moved[0])}",
                )
            )
    if plan.fills_spare_wifi and not not_flipped:
        raise Refused(
            Problem(
                "this leg put the new passphrase into spare slots. If the access point has it by "
                "now, its devices live by that slot, and emptying it would strand them",
                "if the access point still has the old passphrase, say so with --not-flipped; if "
                "it does not, give it back first",
            )
        )


def check_flipped(plan: Plan, where: str, *, flipped: bool, ask: bool = True) -> None:
    """Raises Refused if the access point must have been changed before this leg, and it is not
    known that it was. A person at a terminal is asked, unless a program reads what is said."""
    if plan.leg.owner:
        (out if ask else err).print(Text(f"Before this leg: {plan.leg.owner}."), soft_wrap=True)
    if not plan.leg.after_flip or flipped or (ask and asked_and_done()):
        return
    raise Refused(
        Problem(
            "the access point must have been changed before this leg: a device that is given the "
            "new passphrase for its first slot while the access point still has the old one is "
            "gone until it is changed",
            f"change it, then: migrate run {shlex.quote(where)} --flipped",
        )
    )


def check_waits_for_flip(journal: Journal) -> None:
    """Raises Refused if nothing in this run waits for the access point to be changed."""
    if not journal.plan.leg.together:
        raise Refused(
            Problem(
                "this run does not wait for the access point to be changed",
                "go on with it without --flipped",
                journal.path.parent.name,
            )
        )


def asked_and_done() -> bool:
    """Ask the person at the terminal to change the access point; False if there is none, or if it
    is put off."""
    if not sys.stdin.isatty():
        return False
    out.print(ASKED)
    try:
        input()
    except (KeyboardInterrupt, EOFError):
        return False
    return True


async def changed_now() -> bool:
    """The same, while pages that are open stay up."""
    if not sys.stdin.isatty():
        return False
    out.print(ASKED)
    return await entered()


class _Run:
    """What the journal of one run says of its leg."""

    def __init__(self, journal: Journal) -> None:
        rows = journal.rows()
        self.name = journal.path.parent.name
        self.digest, self.after = journal.plan.digest, journal.plan.leg.after
        self.rest_of, self.together = journal.plan.rest_of, journal.plan.leg.together
        self.flipped = journal.flipped
        self.names = [row.name for row in rows]
        self.done = {row.name for row in rows if done_for_good(row)}
        # What was taken back, never left, or was written off, stands on nothing. Names by MAC.
        self.moved = {
            journal.plan.device(row.name).mac: row.name
            for row in rows
            if row.sent_at and row.standing.may_have_left and not row.written_off
        }


def done_for_good(row: Row) -> bool:
    """Whether nothing more is to be done about a device in this leg: it settled on the new side, or
    is written off."""
    settled = row.state is State.SETTLED and row.direction is Direction.FORWARD
    return row.written_off or settled


def _runs(state: Path | None, digest: str | None) -> Iterator[_Run]:
    """The runs of a plan, oldest first, with those of the rest of it; without a digest, all."""
    wanted = {digest}
    for path in sorted(runs_folder(state).glob("*/journal.sqlite3")):
        try:
            with closing(open_journal(path)) as journal:
                run = _Run(journal)
        except JournalTrouble:
            continue  # of another version, or broken: it says nothing
        if digest is None or run.digest in wanted or run.rest_of in wanted:
            wanted.add(run.digest)
            yield run
