"""The conductor: survey, then wave after wave with a gate between; the same for the way back.

A new run and a resumed one are the same thing here: both start from where the journal has every
device, follow up what is unresolved, and go on.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress

from migrate.engine.crew import Crew, learn_secrets
from migrate.engine.ground import Ground
from migrate.engine.journey import SENDS_AT_ONCE, arrived_for_good
from migrate.engine.retained import kept_commands
from migrate.engine.seek import Seeker
from migrate.engine.several import Several, together
from migrate.engine.survey import survey
from migrate.engine.switchover import Switchover
from migrate.engine.talk import Talker
from migrate.engine.tidings import Outcome, Tell, Tidings, silent
from migrate.engine.way_back import WayBack
from migrate.journal.store import ADMITTED, FINISHED, GATE_OPEN, GATE_SHUT, HELD, QUIET, Journal
from migrate.model.lifecycle import UNRESOLVED, Direction, State
from migrate.model.problems import Exit, Refused, Unreachable
from migrate.model.secrets import Redactor
from migrate.planning.gates import admit, shut_by
from migrate.planning.hours import next_allowed, wait_in_words
from migrate.planning.sleep import until_awake
from migrate.planning.steps import devices
from migrate.ports.protocols import World

ASK_AGAIN = frozenset({State.DECLINED, State.RETURNED})
"""States from which a device is sent its bundle once more, when the owner says so."""

CLOCK_SECONDS = 60.0
"""Seconds after which the time of day is looked at anew while quiet hours are waited for."""


class Conductor:
    """Runs a plan against a world, by its journal. `surveyed` is called when all that the survey
    read is in the journal, before anything is sent; whatever it raises ends the work."""

    def __init__(
        self,
        crew: Crew,
        journal: Journal,
        world: World,
        redactor: Redactor,
        tell: Tell = silent,
        first_id: int = 1,
        surveyed: Callable[[], None] | None = None,
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
        self._several = Several(self._ground)
        self._crew = crew
        self._journal = journal
        self._redactor = redactor
        self._tell = tell
        self._surveyed = surveyed

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
        self._several.check_carried(
            row.name for row in self._journal.rows() if not self._well(row.name)
        )
        await self._several.see_to_outputs(row.name for row in self._journal.rows())
        if self._crew.plan.leg.together:
            return await Switchover(self._ground, together).forward(frozenset(again))
        # Of later waves as well: a journal that fell back may have one there, which holds others.
        rows = self._journal.rows()
        await self._several.follow_up(row.name for row in rows if row.state in UNRESOLVED)
        passed = self._journal.opened()
        for index, wave in enumerate(self._crew.plan.waves):
            if all(self._well(name) for name in wave.devices):
                if index not in passed:  # its last device was waited for in the follow-up
                    self._open(index)
                continue
            blocking = shut_by(self._crew.plan, self._journal.standings(), index)
            if blocking:
                return self._held(index - 1, blocking)
            self._tell(Tidings("wave", devices(len(wave.devices)), wave=index))
            outcome = await self._wave(index, wave.devices, frozenset(again))
            if outcome is not None:
                return outcome
        self._journal.remark(FINISHED, "every device settled or written off")
        return self._finished()

    async def back(self, names: Iterable[str] | None = None) -> Outcome:
        """Take devices back to the old side; all that moved, without names. See WayBack.

        Raises Refused for a leg that is one step for all, and SecretTrouble.
        """
        learn_secrets(self._crew, self._redactor)
        return await WayBack(self._ground).back(names)

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
        if self._surveyed is not None:
            self._surveyed()
        # Stopped meanwhile, it was perhaps not waited for those that sleep: the waves stop as well.
        if found.problems and not stopping.is_set():
            raise Unreachable(found.problems)

    async def _wave(
        self, index: int, names: Sequence[str], again: frozenset[str]
    ) -> Outcome | None:
        """Move a wave and judge its gate. None: the gate is open."""
        await self._several.follow_up(names)
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
                return self._several.stopped()
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
                ADMITTED,
                f"{len(admission.admitted)} of {len(ready)}, exposure {admission.exposure:.3f}",
                index,
            )
            self._ground.put_off.clear()
            await self._several.send(admission.admitted)
            sent = set(admission.admitted) - self._ground.put_off
            once_more -= sent
            if any(not self._well(name) for name in sent):
                break
        failed = [name for name in names if not self._well(name)]
        if not failed:
            self._open(index)
            return None
        if self._ground.stopping.is_set() and all(
            self._journal.row(name).state is State.WAITING for name in failed
        ):
            return self._several.stopped()
        return await self._on_fault(index, failed)

    def _open(self, index: int) -> None:
        self._journal.remark(GATE_OPEN, f"wave {index + 1}", index)
        self._tell(Tidings("gate", "open", wave=index))

    async def _wait_out(self, index: int, quiet: Sequence[str]) -> None:
        """Until the first of these devices leaves its quiet hours, or the run is stopped."""
        world, at = self._ground.world, self._ground.world.now()
        spans = {name: self._crew.members[name].planned.quiet for name in quiet}
        allowed = {each: next_allowed(each, at, world.zone) for each in set(spans.values())}
        ends = {name: allowed[each] for name, each in spans.items()}
        words = "waiting " + wait_in_words(ends.items(), at, world.zone)
        self._journal.remark(QUIET, words, index)
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
        self._journal.remark(GATE_SHUT, ", ".join(failed), index)
        self._tell(Tidings("gate", f"shut by {', '.join(failed)}", wave=index))
        # Nobody is stranded by a filled spare slot; by emptying it, whoever lives by it is.
        unsafe = self._crew.plan.fills_spare_wifi
        if policy == "hold" or unsafe or self._ground.stopping.is_set():
            return self._held(index, failed)
        what = self._crew.plan.waves[index].devices if policy == "roll-back-wave" else None
        words = "the wave is" if what else "everything is"
        self._tell(Tidings("waiting", f"as the playbook says, {words} rolled back"))
        went_back = await self.back(what)
        reasons = (*self._several.reasons(failed), *went_back.reasons)
        return Outcome(
            Exit.HELD,
            f"held at wave {index + 1}; {went_back.headline}",
            tuple(dict.fromkeys(reasons)),
        )

    def _ready(self, name: str, once_more: set[str]) -> bool:
        row = self._journal.row(name)
        if row.written_off or row.direction is Direction.BACK:
            return False
        return row.state is State.WAITING or name in once_more

    def _well(self, name: str) -> bool:
        row = self._journal.row(name)
        return row.written_off or arrived_for_good(row)

    def _held(self, index: int, names: Sequence[str], reasons: tuple[str, ...] = ()) -> Outcome:
        self._journal.remark(HELD, ", ".join(names), index)
        headline = f"held at wave {index + 1}: nothing more is sent until you decide"
        return Outcome(Exit.HELD, headline, (*self._several.reasons(names), *reasons))

    def _finished(self) -> Outcome:
        rows = self._journal.rows()
        settled = sum(row.state is State.SETTLED for row in rows)
        taken_back = sum(row.state is State.RESTORED for row in rows)
        off = [row.name for row in rows if row.written_off]
        words = f"{settled} of {len(rows)} devices are on the new side"
        words += f", {taken_back} taken back" if taken_back else ""
        words += f", {len(off)} written off" if off else ""
        return Outcome(Exit.DONE, words, self._several.reasons(off))
