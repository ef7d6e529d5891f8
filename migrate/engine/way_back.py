"""The way back: wave after wave, the last first, each device to where the survey found it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from migrate.engine.ground import Ground
from migrate.engine.journey import arrived_for_good
from migrate.engine.several import Several
from migrate.engine.tidings import Outcome, Tidings
from migrate.journal.rows import Row
from migrate.journal.store import BACK, BACK_HELD, QUIET, ROLLED_BACK
from migrate.model.lifecycle import TURNS, UNRESOLVED, Direction, State
from migrate.model.problems import Exit, Problem, Refused
from migrate.planning.hours import named
from migrate.planning.steps import devices

SENT_BACK = frozenset({State.WAITING, State.RETURNED, State.DECLINED})
"""States from which a device is given its way back: asking for it is the owner's word for all."""
ONE_STEP = Problem(
    "this leg is one step for all, and so is its way back: a device that is given the old "
    "passphrase is gone until the access point has it again",
    "before the access point is changed: change it, the devices wait for that. After: make a "
    "playbook with old and new side swapped, and accept its exposure in numbers as you did here",
)


class WayBack:
    """Takes the devices of a run back."""

    def __init__(self, ground: Ground) -> None:
        self._on = ground
        self._several = Several(ground)

    async def back(self, names: Iterable[str] | None = None) -> Outcome:
        """Take devices back to the old side, last wave first, those that feed the network after
        all others; without names, all that moved.

        A wave in which a device does not take its way back well ends it. One that cannot be found
        at all, and so was sent nothing, proves nothing against the others: they still go.

        Raises Refused for a leg that is one step for all.
        """
        if self._on.crew.plan.leg.together:
            raise Refused(ONE_STEP)
        wanted = set(names) if names is not None else {d.name for d in self._on.crew.plan.devices}
        await self._several.follow_up(n for n in wanted if self._several.may_have_left_unseen(n))
        under_way = [
            row.name
            for row in self._on.journal.rows()
            if row.direction is Direction.BACK and row.state in UNRESOLVED
        ]
        await self._several.follow_up(under_way)
        rows = [row for row in self._on.journal.rows() if row.name in wanted]
        leaving = [row.name for row in rows if not self._is_back(row)]
        self._several.check_carried(leaving, only_back=True)
        # Those that are to leave are compared when they are back.
        await self._several.see_to_outputs(row.name for row in rows if row.name not in leaving)
        for index in self._waves_back():
            here = [name for name in self._on.crew.plan.waves[index].devices if name in wanted]
            for name in here:
                row = self._on.journal.row(name)
                if row.direction is not Direction.FORWARD or self._is_back(row):
                    continue
                if self._on.journal.way_back(name):
                    self._on.journal.turn(name)
                else:
                    self._on.journal.note(name, "it has no way back, as the owner accepted by name")
            turned = [n for n in here if self._on.journal.row(n).direction is Direction.BACK]
            if not turned:
                continue
            self._on.tell(
                Tidings(
                    "wave", f"{devices(len(turned))} back", wave=index, direction=Direction.BACK
                )
            )
            outcome = await self._wave_back(index, turned)
            if outcome is not None:
                return outcome
        return self._gone_back(wanted)

    def _is_back(self, row: Row) -> bool:
        """Whether it is on the old side, or never left it. One that was sent nothing, and has the
        same on both sides, is on both: such as one that asks DHCP before a change of addresses and
        after it."""
        bundle = self._on.crew.plan.device(row.name).bundle
        same = row.sent_at is None and self._on.journal.way_back(row.name) == bundle
        return same or _back_or_never_left(row)

    def _waves_back(self) -> list[int]:
        """Waves in the order of the way back. A carrier moves after what it feeds on it as well."""
        plan = self._on.crew.plan
        feeding = [any(plan.device(name).feeds for name in wave.devices) for wave in plan.waves]
        plain = [index for index in range(len(plan.waves)) if not feeding[index]]
        return plain[::-1] + [index for index in range(len(plan.waves)) if feeding[index]]

    async def _wave_back(self, index: int, names: Sequence[str]) -> Outcome | None:
        await self._several.follow_up(names)
        if self._on.stopping.is_set():
            return self._several.stopped()
        ready = [name for name in names if self._ready(name)]
        if quiet := [name for name in ready if self._on.quiet(self._on.crew.members[name])]:
            # The owner asked for the way back, now or in the playbook; it may be urgent.
            words = f"the way back does not wait for the quiet hours of {named(quiet)}"
            self._on.journal.remark(QUIET, words, index)
            self._on.tell(Tidings("note", words, direction=Direction.BACK))
        while ready and not self._any_is_back():
            # A pilot, until one has settled: nobody knows yet that the old network lets anybody in.
            rows = self._on.journal.rows()
            if before := [row.name for row in rows if self._is_under_way(row)]:
                words = f"the way back stopped: {named(before)} went first and is not back"
                self._on.journal.remark(BACK_HELD, f"{named(before)} went first", index)
                return Outcome(Exit.HELD, words, self._several.reasons(before))
            pilot, *ready = ready
            await self._several.send([pilot])
            if self._lost([pilot]) or self._on.stopping.is_set():
                ready = []
        await self._several.send([name for name in ready if self._apart(name)])
        rows = [self._on.journal.row(name) for name in names]
        failed = [row.name for row in rows if not (row.written_off or arrived_for_good(row))]
        self._on.journal.remark(BACK, f"{len(names) - len(failed)} of {len(names)}", index)
        if failed and self._on.stopping.is_set():
            return self._several.stopped()
        if self._lost(failed):
            self._on.journal.remark(BACK_HELD, ", ".join(failed), index)
            return Outcome(
                Exit.HELD,
                f"the way back stopped at wave {index + 1}",
                self._several.reasons(failed),
            )
        return None

    def _any_is_back(self) -> bool:
        return any(row.state is State.RESTORED for row in self._on.journal.rows())

    def _ready(self, name: str) -> bool:
        """Whether it is to be given its way back now."""
        row = self._on.journal.row(name)
        return row.state in SENT_BACK and not row.written_off and self._apart(name)

    def _lost(self, names: Iterable[str]) -> bool:
        """Whether one of these was given its way back, in this process or in one before, and has
        not come well of it: the same could happen to the next. One that cannot be found, and so was
        sent nothing, proves nothing."""
        rows = [self._on.journal.row(name) for name in names]
        return any(
            self._was_sent_back(row) or row.state not in SENT_BACK | {State.ADRIFT}
            for row in rows
            if not row.written_off and not arrived_for_good(row)
        )

    def _is_under_way(self, row: Row) -> bool:
        return self._was_sent_back(row) and row.state in UNRESOLVED and not row.written_off

    def _was_sent_back(self, row: Row) -> bool:
        given = row.given == self._on.journal.way_back(row.name)
        return row.direction is Direction.BACK and row.sent_at is not None and given

    def _apart(self, name: str) -> bool:
        """Whether no other device of its cover may be off the network, and none that feeds the
        network while this one is, or the other way round (invariant 7)."""
        plan = self._on.crew.plan
        mine = plan.device(name)
        for row in self._on.journal.rows():
            other = plan.device(row.name)
            if row.name == name or row.written_off or not row.standing.away:
                continue
            if mine.cover and other.cover == mine.cover:
                words = f"nothing was sent: {row.name} of the same cover is not back"
            elif (mine.feeds or other.feeds) and self._was_sent_back(row):
                words = f"nothing was sent: {row.name} is away, and one of them feeds the network"
            else:
                continue
            self._on.journal.note(name, words)
            return False
        return True

    def _gone_back(self, wanted: set[str]) -> Outcome:
        rows = [row for row in self._on.journal.rows() if row.name in wanted]
        restored = sum(row.state is State.RESTORED for row in rows)
        self._on.journal.remark(ROLLED_BACK, devices(restored))
        missing = [row.name for row in rows if not self._is_back(row)]
        untouched = len(rows) - restored - len(missing)
        words = f"{devices(restored)} back on the old side, {untouched} had never left"
        if missing:
            words += f", {len(missing)} could not be taken back"
        return Outcome(Exit.HELD if missing else Exit.DONE, words, self._several.reasons(missing))


def _back_or_never_left(row: Row) -> bool:
    if row.direction is Direction.FORWARD:
        return row.state not in TURNS
    return row.state is State.RESTORED
