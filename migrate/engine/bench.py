"""A trial on the bench, on the wire: one device, its harmless texts, and those texts put back.

What the device held is on disk before the first write, and is given back at the end whatever
happens, Ctrl-C included. What is tried, and what it shows, is decided in planning/trials.py.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass
from functools import partial

from migrate.dialects.carrying import harmless_faults
from migrate.dialects.messages import Declined, Taken
from migrate.engine.crew import Crew, Member
from migrate.engine.seek import Seeker, Sighting
from migrate.engine.talk import Talker, Unread
from migrate.model.problems import Problem, Refused, Unreachable
from migrate.planning.trials import BrokenOff, Came, Give, Step, Trial, trial
from migrate.ports.protocols import At, NotDelivered, SideName

TOLD_STEPS: Mapping[Step, str] = {
    "write": "writing one harmless text and reading it back",
    "together": "two harmless texts in one message",
    "restart": "restarting, to see what is still there",
    "characters": "which characters survive",
    "length": "the full length",
}


@dataclass(frozen=True)
class Bench:
    """One device on the bench, and what it takes to talk to it. `sides`: where it is looked for."""

    crew: Crew
    member: Member
    seeker: Seeker
    talker: Talker
    sides: tuple[SideName, ...]

    @property
    def seconds(self) -> float:
        """How long an answer may take."""
        return self.crew.plan.pace.reply_seconds

    async def find(self) -> Sighting:
        """The device, by its own MAC. Raises Unreachable."""
        look = await self.seeker.look(self.member, self.seconds, self.sides, sure=True)
        for sighting in look.found.values():
            return sighting
        raise Unreachable(
            Problem(
                f"does not answer ({'; '.join(look.words) or 'no place is known'})",
                "see that it has power and that address, login and broker in the files are right",
                device=self.member.name,
            )
        )

    async def try_out(
        self,
        found: Sighting,
        keep: Callable[[Mapping[str, str]], None],
        tell: Callable[[str], None],
        broken: Callable[[Trial], None],
        *,
        restart: bool,
    ) -> tuple[Trial, list[Problem]]:
        """Run the trial. `keep` puts what the device held on disk, and is called before the first
        write; `tell` is told each step. What could not be put back comes as problems. When the
        trial is broken off, or stopped while the texts go back, `tell` is told them, and `broken`
        is given what was shown before. Raises Refused."""
        before = self._before(found)
        keep(before)
        steps = trial(
            self.member.dialect,
            partial(
                harmless_faults, self.member.dialect, self.member.device, self.member.device.via
            ),
            restart=restart,
        )
        step: Step | None = None
        at = found.at
        try:
            give = next(steps)
            while True:
                if give.step != step:
                    step = give.step
                    tell(f"{TOLD_STEPS[step]} ...")
                came, at = await self._give(give, at)
                give = steps.send(came)
        except StopIteration as done:
            shown: Trial = done.value
        except BaseException:
            for problem in await self._put_back(before, at, tell):
                tell(f"{problem.what}: {problem.remedy}")
            broken(_so_far(steps))
            raise
        putting = asyncio.ensure_future(self._put_back(before, at, tell))
        try:
            return shown, await asyncio.shield(putting)
        except asyncio.CancelledError:
            # Asked to stop while the texts go back: that is finished first.
            for problem in await putting:
                tell(f"{problem.what}: {problem.remedy}")
            broken(shown)
            raise

    def _before(self, found: Sighting) -> dict[str, str]:
        """What its harmless texts were. Raises Refused where one is not told."""
        names = list(self.member.dialect.harmless)[:2]
        said = found.readings.harmless
        unread = [name for name in names if name not in said]
        if unread:
            raise Refused(
                Problem(
                    f"does not tell its {' and '.join(unread)}: it could not be put back",
                    "correct the reading under [harmless] in the dialect",
                    device=self.member.name,
                )
            )
        return {name: said[name] for name in names}

    async def _give(self, give: Give, at: At) -> tuple[Came, At]:
        if give.restart:
            return await self._restarted(at)
        words = ""
        try:
            answer = await self.talker.write_harmless(self.member, at, give.values, self.seconds)
        except NotDelivered as error:
            return Came(None, self.talker.clean(str(error))), at
        if isinstance(answer, Declined):
            words = f"it declined: {answer.reason}"
        elif not isinstance(answer, Taken):
            words = answer.why
        return await self._read(at, words), at

    async def _read(self, at: At, words: str = "") -> Came:
        try:
            readings = await self.talker.read_surely(self.member, at, self.seconds)
        except Unread as error:
            return Came(None, words or str(error))
        if readings.mac != self.member.device.mac:
            return Came(None, "another device answers there now")
        return Came(readings.harmless, words)

    async def _restarted(self, at: At) -> tuple[Came, At]:
        """Restart it, wait until it answers again as itself, and read it."""
        loop = asyncio.get_running_loop()
        asked = loop.time()
        answer = await self.talker.restart(self.member, at, self.seconds)
        if isinstance(answer, Declined):
            return Came(None, f"it declined to restart: {answer.reason}"), at
        usual = self.member.dialect.restart_seconds
        deadline = asked + 3 * usual.most + self.seconds
        while loop.time() < deadline:
            await self.seeker.change(self.member, min(1.0, self.seconds))
            look = await self.seeker.look(self.member, self.seconds, self.sides)
            for one in look.found.values():
                uptime = one.readings.uptime_seconds
                age = one.heard - asked
                # An uptime is told in whole seconds by most; one without it is given its least.
                again = age >= usual.least if uptime is None else uptime + 1 < age
                if again:
                    return Came(one.readings.harmless), one.at
        return Came(None, "it was not seen to have restarted in time"), at

    async def _put_back(
        self, before: Mapping[str, str], at: At, tell: Callable[[str], None]
    ) -> list[Problem]:
        """Give the texts back, each in a message of its own, and look."""
        tell("putting the texts back as they were ...")
        problems = []
        for name, text in before.items():
            came = await self._read(at)
            if came.texts is not None and came.texts.get(name) == text:
                continue
            came, _ = await self._give(Give("write", {name: text}), at)
            if came.texts is None or came.texts.get(name) != text:
                why = came.words or "it reads otherwise"
                problems.append(
                    Problem(
                        f"its {name} could not be put back ({why})",
                        "set it by hand; what it was stands in before.json of this trial",
                        device=self.member.name,
                    )
                )
        return problems


def _so_far(steps: Generator[Give, Came, Trial]) -> Trial:
    try:
        steps.throw(BrokenOff)
    except StopIteration as ended:
        shown: Trial = ended.value
        return shown
    except BrokenOff:
        pass  # it had ended already, by a mistake of its own
    return Trial()
