"""The conductor: survey, then wave after wave with a gate between; the same for the way back.

A new run and a resumed one are the same thing here: both start from where the journal has every
device, follow up what is unresolved, and go on.
"""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine, Iterable, Sequence
from contextlib import suppress

from migrate.engine.crew import Crew, learn_secrets
from migrate.engine.ground import Ground
from migrate.engine.journey import SENDS_AT_ONCE, Journey, arrived_for_good
from migrate.engine.outputs import Outputs
from migrate.engine.retained import kept_commands
from migrate.engine.seek import Seeker
from migrate.engine.survey import survey
from migrate.engine.switchover import Switchover, reasons_of
from migrate.engine.talk import Talker
from migrate.engine.tidings import Outcome, Tell, Tidings, silent
from migrate.journal.rows import Row
from migrate.journal.store import Journal
from migrate.model.lifecycle import FAULTS, TURNS, UNRESOLVED, Direction, State
from migrate.model.problems import Exit, Problem, Refused, Trouble, Unreachable
from migrate.model.secrets import Redactor
from migrate.planning.bundles import resolved
from migrate.planning.gates import admit, shut_by
from migrate.planning.hours import named, next_allowed, wait_in_words
from migrate.planning.refusals.carrying import carried
from migrate.planning.sleep import until_awake
from migrate.planning.steps import devices
from migrate.ports.protocols import World

SENT_BACK = frozenset({State.WAITING, State.RETURNED, State.DECLINED})
"""States from which a device is given its way back: asking for it is the owner's word for all."""
ASK_AGAIN = frozenset({State.DECLINED, State.RETURNED})
"""States from which a device is sent its bundle once more, when the owner says so."""

ONE_STEP = Problem(
    "this leg is one step for all, and so is its way back: a device that is given the old "
    "passphrase is gone until the access point has it again",
    "before the access point is changed: change it, the devices wait for that. After: make a "
    "playbook with old and new side swapped, and accept its exposure in numbers as you did here",
)
BROKEN_OFF = Problem(
    "the journey of a device was broken off, and nobody had asked for that",
    "this is a mistake in migrate; resume the run, which finds out about the device",
)
CLOCK_SECONDS = 60.0
"""Seconds after which the time of day is looked at anew while quiet hours are waited for."""


class Conductor:
    """Runs a plan against a world, by its journal."""

    def __init__(
        self,
        crew: Crew,
        journal: Journal,
        world: World,
        redactor: Redactor,
        tell: Tell = silent,
        first_id: int = 1,
    ) -> None:
        talker = Talker(world.line, redactor, first_id)
        self._ground = Ground(
            crew,
            journal,
            world,
            talker,
            Seeker(crew, world, talker),
            tell,
            asyncio.Semaphore(SENDS_AT_ONCE),
            asyncio.Event(),
        )
        for seconds in journal.returns():  # what an earlier process of this run has seen
            self._ground.learn(seconds)
        self._crew = crew
        self._journal = journal
        self._redactor = redactor
        self._tell = tell

    def stop(self) -> None:
        """Send nothing more; what is on its way is still followed."""
        self._ground.stopping.set()

    async def forward(self, again: Iterable[str] = ()) -> Outcome:
        """Move every device that has not moved yet. `again`: devices that declined or returned
        and are to be sent their bundle once more.

        Raises Unreachable if a device cannot be surveyed, and SecretTrouble if a secret is not to
        be had, before anything is sent.
        """
        learn_secrets(self._crew, self._redactor)
        await self._survey()
        self._check_carried(row.name for row in self._journal.rows() if not self._well(row.name))
        await self._see_to_outputs(row.name for row in self._journal.rows())
        if self._crew.plan.leg.together:
            return await Switchover(self._ground, _together).forward(frozenset(again))
        for index, wave in enumerate(self._crew.plan.waves):
            if all(self._well(name) for name in wave.devices):
                continue
            blocking = shut_by(self._crew.plan, self._journal.standings(), index)
            if blocking:
                return self._held(index - 1, blocking)
            self._tell(Tidings("wave", devices(len(wave.devices)), wave=index))
            outcome = await self._wave(index, wave.devices, frozenset(again))
            if outcome is not None:
                return outcome
        self._journal.remark("finished", "every device settled or written off")
        return self._finished()

    async def back(self, names: Iterable[str] | None = None) -> Outcome:
        """Take devices back to the old side, last wave first, those that feed the network after
        all others; without names, all that moved.

        A wave in which a device does not take its way back well ends it. One that cannot be found
        at all, and so was sent nothing, proves nothing against the others: they still go.

        Raises Refused for a leg that is one step for all.
        """
        if self._crew.plan.leg.together:
            raise Refused(ONE_STEP)
        learn_secrets(self._crew, self._redactor)
        wanted = set(names) if names is not None else {d.name for d in self._crew.plan.devices}
        await self._follow_up(n for n in wanted if self._may_have_left_unseen(n))
        rows = [row for row in self._journal.rows() if row.name in wanted]
        leaving = [row.name for row in rows if not self._is_back(row)]
        self._check_carried(leaving, only_back=True)
        # Those that are to leave are compared when they are back.
        await self._see_to_outputs(row.name for row in rows if row.name not in leaving)
        for index in self._waves_back():
            here = [name for name in self._crew.plan.waves[index].devices if name in wanted]
            for name in here:
                row = self._journal.row(name)
                if row.direction is not Direction.FORWARD or self._is_back(row):
                    continue
                if self._journal.way_back(name):
                    self._journal.turn(name)
                else:
                    self._journal.note(name, "it has no way back, as the owner accepted by name")
            turned = [n for n in here if self._journal.row(n).direction is Direction.BACK]
            if not turned:
                continue
            self._tell(
                Tidings(
                    "wave", f"{devices(len(turned))} back", wave=index, direction=Direction.BACK
                )
            )
            outcome = await self._wave_back(index, turned)
            if outcome is not None:
                return outcome
        return self._gone_back(wanted)

    async def _see_to_outputs(self, names: Iterable[str]) -> None:
        """The outputs of devices that had arrived when an interruption came."""
        await _together(
            Outputs(self._ground, self._crew.members[name]).see_to()
            for name in names
            if arrived_for_good(self._journal.row(name))
        )

    def _is_back(self, row: Row) -> bool:
        """Whether it is on the old side, or never left it. One that was sent nothing, and has the
        same on both sides, is on both: such as one that asks DHCP before a change of addresses and
        after it."""
        bundle = self._crew.plan.device(row.name).bundle
        same = row.sent_at is None and self._journal.way_back(row.name) == bundle
        return same or _back_or_never_left(row)

    def _waves_back(self) -> list[int]:
        """Waves in the order of the way back. A carrier moves after what it feeds on it as well."""
        plan = self._crew.plan
        feeding = [any(plan.device(name).feeds for name in wave.devices) for wave in plan.waves]
        plain = [index for index in range(len(plan.waves)) if not feeding[index]]
        return plain[::-1] + [index for index in range(len(plan.waves)) if feeding[index]]

    async def _survey(self) -> None:
        """Read every device that has no survey yet, and record its way back."""
        missing = [
            row.name
            for row in self._journal.rows()
            if self._journal.way_back(row.name) is None and not row.written_off
        ]
        if not missing:
            if kept := await kept_commands(self._crew, self._ground.world, self._tell):
                raise Refused(kept)
            return
        words = f"reading {devices(len(missing))}; nothing is changed"
        sleep = [self._crew.members[name].planned.wakes_seconds or 0.0 for name in missing]
        if any(sleep):
            asleep = f"{devices(sum(map(bool, sleep)))} that sleep"
            words += f"; {asleep}: up to {until_awake(max(sleep)):.0f} s until they wake"
        self._tell(Tidings("waiting", words))
        stopping = self._ground.stopping
        found = await survey(self._crew, self._ground.seeker, missing, self._tell, stopping)
        for one in found.found.values():
            self._journal.record_before(one.member.name, one.readings, one.way_back)
        # Stopped meanwhile, it was perhaps not waited for those that sleep: the waves stop as well.
        if found.problems and not stopping.is_set():
            raise Unreachable(found.problems)

    def _check_carried(self, names: Iterable[str], *, only_back: bool = False) -> None:
        """Last look, in every process: the bundles as they are now fit their dialects, secrets
        included. Those may have changed since the plan was made, or since the run was begun.
        Raises Refused."""
        problems: list[Problem] = []
        for name in names:
            member = self._crew.members[name]
            bundles = [(self._journal.way_back(name) or {}, "the way back: ")]
            if not only_back:
                bundles.append((member.planned.bundle, ""))
            for frozen, what in bundles:
                values = resolved(frozen, self._crew.resolve)
                problems += carried(member.device, member.dialect, values, what)
        if problems:
            raise Refused(problems)

    async def _wave(
        self, index: int, names: Sequence[str], again: frozenset[str]
    ) -> Outcome | None:
        """Move a wave and judge its gate. None: the gate is open."""
        await self._follow_up(names)
        once_more = {n for n in names if n in again and self._journal.row(n).state in ASK_AGAIN}
        held: dict[str, str] = {}  # since something was sent last: quiet hours may alternate
        while True:
            ready = [name for name in names if self._ready(name, once_more)]
            if any(not self._well(name) and name not in ready for name in names):
                # One has failed: of the rest only those that the owner named go once more.
                ready = [name for name in ready if name in once_more]
            if not ready:
                break
            if self._ground.stopping.is_set():
                return self._stopped()
            quiet = [name for name in ready if self._ground.quiet(self._crew.members[name])]
            others = set(ready) - set(quiet)
            awake = [name for name in ready if name in others]
            admission = admit(self._crew.plan, self._journal.standings(), awake)
            held |= admission.held
            if not admission.admitted and quiet and any(name not in held for name in ready):
                await self._wait_out(index, quiet)
                continue
            if not admission.admitted:
                return self._held(index, list(held), tuple(held.values()))
            held.clear()
            self._journal.remark(
                "admitted",
                f"{len(admission.admitted)} of {len(ready)}, exposure {admission.exposure:.3f}",
                index,
            )
            self._ground.put_off.clear()
            await self._all(admission.admitted)
            sent = set(admission.admitted) - self._ground.put_off
            once_more -= sent
            if any(not self._well(name) for name in sent):
                break
        failed = [name for name in names if not self._well(name)]
        if not failed:
            self._journal.remark("gate open", f"wave {index + 1}", index)
            self._tell(Tidings("gate", "open", wave=index))
            return None
        if self._ground.stopping.is_set() and all(
            self._journal.row(name).state is State.WAITING for name in failed
        ):
            return self._stopped()
        return await self._on_fault(index, failed)

    async def _wait_out(self, index: int, quiet: Sequence[str]) -> None:
        """Until the first of these devices leaves its quiet hours, or the run is stopped."""
        world, at = self._ground.world, self._ground.world.now()
        spans = {name: self._crew.members[name].planned.quiet for name in quiet}
        allowed = {each: next_allowed(each, at, world.zone) for each in set(spans.values())}
        ends = {name: allowed[each] for name, each in spans.items()}
        words = "waiting " + wait_in_words(ends.items(), at, world.zone)
        self._journal.remark("quiet hours", words, index)
        self._tell(Tidings("waiting", words))
        while not self._ground.stopping.is_set():
            left = (min(ends.values()) - world.now()).total_seconds()
            if left <= 0:
                break
            # Not all at once: the clock may be set, and timers stand still while a machine sleeps.
            with suppress(TimeoutError):
                async with asyncio.timeout(min(left, CLOCK_SECONDS)):
                    await self._ground.stopping.wait()
        self._tell(Tidings("waiting"))

    async def _on_fault(self, index: int, failed: Sequence[str]) -> Outcome:
        policy = self._crew.plan.on_fault
        self._journal.remark("gate shut", ", ".join(failed), index)
        self._tell(Tidings("gate", f"shut by {', '.join(failed)}", wave=index))
        # Nobody is stranded by a filled spare slot; by emptying it, whoever lives by it is.
        unsafe = self._crew.plan.fills_spare_wifi
        if policy == "hold" or unsafe or self._ground.stopping.is_set():
            return self._held(index, failed)
        what = self._crew.plan.waves[index].devices if policy == "roll-back-wave" else None
        words = "the wave is" if what else "everything is"
        self._tell(Tidings("waiting", f"as the playbook says, {words} rolled back"))
        went_back = await self.back(what)
        reasons = (*self._reasons(failed), *went_back.reasons)
        return Outcome(
            Exit.HELD,
            f"held at wave {index + 1}; {went_back.headline}",
            tuple(dict.fromkeys(reasons)),
        )

    async def _wave_back(self, index: int, names: Sequence[str]) -> Outcome | None:
        await self._follow_up(names)
        if self._ground.stopping.is_set():
            return self._stopped()
        before = {name: self._journal.row(name) for name in names}
        ready = [name for name in names if before[name].state in SENT_BACK and self._apart(name)]
        if quiet := [name for name in ready if self._ground.quiet(self._crew.members[name])]:
            # The owner asked for the way back, now or in the playbook; it may be urgent.
            words = f"the way back does not wait for the quiet hours of {named(quiet)}"
            self._journal.remark("quiet hours", words, index)
            self._tell(Tidings("note", words, direction=Direction.BACK))
        await self._all(ready)
        after = {name: self._journal.row(name) for name in names}
        failed = [name for name in names if not arrived_for_good(after[name])]
        self._journal.remark("back", f"{len(names) - len(failed)} of {len(names)}", index)
        if failed and self._ground.stopping.is_set():
            return self._stopped()
        if any(
            after[name].sent_at != before[name].sent_at
            or after[name].state not in SENT_BACK | {State.ADRIFT}
            for name in failed
        ):
            return Outcome(
                Exit.HELD,
                f"the way back stopped at wave {index + 1}",
                self._reasons(failed),
            )
        return None

    def _apart(self, name: str) -> bool:
        """Whether no other device of its cover may be off the network (invariant 7)."""
        cover = self._crew.plan.device(name).cover
        mates = {d.name for d in self._crew.plan.devices if cover and d.cover == cover} - {name}
        for row in self._journal.rows():
            if row.name in mates and row.standing.away and not row.written_off:
                words = f"nothing was sent: {row.name} of the same cover is not back"
                self._journal.note(name, words)
                return False
        return True

    def _may_have_left_unseen(self, name: str) -> bool:
        """Whether it was sent something and seemed to be none the worse for it: delivered twice, a
        message may have been declined once and taken once."""
        row = self._journal.row(name)
        seemed = row.state is State.DECLINED or (row.state is State.WAITING and bool(row.sent_at))
        return seemed and row.direction is Direction.FORWARD

    async def _follow_up(self, names: Iterable[str]) -> None:
        """Find out about devices whose fate is open, as after a crash."""
        open_ = [
            name
            for name in names
            if not self._journal.row(name).written_off
            and (
                self._journal.row(name).state in UNRESOLVED | FAULTS
                or self._may_have_left_unseen(name)
            )
        ]
        await _together(self._journey(name).go() for name in open_)

    async def _all(self, names: Iterable[str]) -> None:
        await _together(self._journey(name).send() for name in names)

    def _journey(self, name: str) -> Journey:
        return Journey(self._ground, self._crew.members[name])

    def _ready(self, name: str, once_more: set[str]) -> bool:
        row = self._journal.row(name)
        if row.written_off or row.direction is Direction.BACK:
            return False
        return row.state is State.WAITING or name in once_more

    def _well(self, name: str) -> bool:
        row = self._journal.row(name)
        return row.written_off or arrived_for_good(row)

    def _reasons(self, names: Iterable[str]) -> tuple[str, ...]:
        return reasons_of(self._journal.row(name) for name in names)

    def _held(self, index: int, names: Sequence[str], reasons: tuple[str, ...] = ()) -> Outcome:
        self._journal.remark("held", ", ".join(names), index)
        headline = f"held at wave {index + 1}: nothing more is sent until you decide"
        return Outcome(Exit.HELD, headline, (*self._reasons(names), *reasons))

    def _stopped(self) -> Outcome:
        self._journal.remark("stopped", "on the owner's word")
        return Outcome(Exit.STOPPED, "stopped between devices, as you asked")

    def _finished(self) -> Outcome:
        rows = self._journal.rows()
        settled = sum(row.state is State.SETTLED for row in rows)
        taken_back = sum(row.state is State.RESTORED for row in rows)
        off = [row.name for row in rows if row.written_off]
        words = f"{settled} of {len(rows)} devices are on the new side"
        words += f", {taken_back} taken back" if taken_back else ""
        words += f", {len(off)} written off" if off else ""
        return Outcome(Exit.DONE, words, self._reasons(off))

    def _gone_back(self, wanted: set[str]) -> Outcome:
        rows = [row for row in self._journal.rows() if row.name in wanted]
        restored = sum(row.state is State.RESTORED for row in rows)
        self._journal.remark("rolled back", devices(restored))
        missing = [row.name for row in rows if not self._is_back(row)]
        untouched = len(rows) - restored - len(missing)
        words = f"{devices(restored)} back on the old side, {untouched} had never left"
        if missing:
            words += f", {len(missing)} could not be taken back"
        return Outcome(Exit.HELD if missing else Exit.DONE, words, self._reasons(missing))


async def _together(journeys: Iterable[Coroutine[None, None, None]]) -> None:
    """All at once. A journal that fails ends all of them: nothing is sent without it."""
    tasks: list[asyncio.Task[None]] = []
    try:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(journey) for journey in journeys]
    except* Trouble as troubles:
        first: BaseException = troubles.exceptions[0]
        while isinstance(first, BaseExceptionGroup):
            first = first.exceptions[0]
        failed = first
    else:
        # A group says nothing of a task that ended so without being told to.
        if any(task.cancelled() for task in tasks):
            raise Trouble(BROKEN_OFF)
        return
    raise failed


def _back_or_never_left(row: Row) -> bool:
    if row.direction is Direction.FORWARD:
        return row.state not in TURNS
    return row.state is State.RESTORED
