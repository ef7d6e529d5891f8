"""What the owner says while a run is under way, and what happens when the journal fails."""

from __future__ import annotations

import asyncio
from functools import partial
from typing import Any, cast

import pytest

from migrate.engine.conductor import Conductor
from migrate.engine.tidings import Tidings
from migrate.journal.store import Journal
from migrate.lab import BrokerKind, Fault, FaultKind, MosquittoBroker
from migrate.model.lifecycle import State
from migrate.model.problems import (
    Exit,
    JournalTrouble,
    Problem,
    Refused,
    SecretTrouble,
    Unreachable,
)

from .harness import Dev, HouseMaker, Pace, six
from .together import Running, Together
from .watch import Passed, Watch

together = Together()
K = FaultKind
PILOT = Dev("a-pilot")
HASTY = Pace(soak_seconds=0.15, least=3, most=3, reply_seconds=1, look_seconds=0.1)
WRITES = {"record_before", "intend", "step", "turn", "write_off", "note", "remark"}


@together
async def stopped_between_devices(make_house: HouseMaker) -> None:
    """Nothing more is sent; those on their way are followed until they have settled."""
    async with make_house(PILOT, *six(), change=("wifi", "broker"), pace=HASTY) as house:
        watch = Watch(house)
        async with house.conductor(bend=watch) as conductor:
            sent = 0

            def stop(one: Passed) -> None:
                nonlocal sent
                sent += one.kind == "write"
                if sent == 3:
                    conductor.stop()

            watch.before.append(stop)
            outcome = await conductor.forward()
        # Those whose message left at that moment, and no others: they were let go together, so a
        # few more may have had their intent on disk already.
        stopped = [at for at, t in house.told if t.state is State.SENDING]
        third = watch.writes[2].at
        assert [at for at in stopped if at > third] == []
        assert outcome.exit in (Exit.STOPPED, Exit.HELD)
        for name, state in house.states().items():
            if name in watch.written():
                assert state is State.SETTLED
                assert house.moved(name)
            else:
                assert state is State.WAITING
                assert house.as_before(name)
        assert (await house.forward()).exit is Exit.DONE
        assert [name for name in house.lab.units if not house.moved(name)] == []
        assert {house.bundles(name) for name in house.lab.units} == {1}


@together
async def stopped_before_the_first(make_house: HouseMaker) -> None:
    async with make_house(PILOT, Dev("lamp")) as house:
        watch = Watch(house)

        async def work(conductor: Conductor) -> Any:
            conductor.stop()
            return await conductor.forward()

        assert (await house.run(work, bend=watch)).exit is Exit.STOPPED
        assert {one.kind for one in watch.passed} == {"read"}


@together
async def stopped_on_the_way_back(make_house: HouseMaker) -> None:
    async with make_house(PILOT, Dev("lamp"), Dev("plug", "rowan")) as house:
        await house.forward()
        async with house.conductor() as conductor:

            def stop(tidings: Tidings) -> None:
                if tidings.state is State.RESTORED:
                    conductor.stop()

            house.on_tidings.append(stop)
            assert (await conductor.back()).exit is Exit.STOPPED
        house.on_tidings.clear()
        assert house.moved("a-pilot")
        assert (await house.back()).exit is Exit.DONE
        assert [name for name in house.lab.units if not house.as_before(name)] == []


@together
async def stopped_at_once(make_house: HouseMaker) -> None:
    """The second Ctrl-C: the task is cancelled with devices on their way."""
    async with make_house(PILOT, *six(), change=("wifi", "broker"), pace=HASTY) as house:
        async with house.conductor() as conductor:
            task = asyncio.create_task(conductor.forward())

            def press(tidings: Tidings) -> None:
                if tidings.state is State.AWAY and tidings.wave == 1:
                    task.cancel()

            house.on_tidings.append(press)
            with pytest.raises(asyncio.CancelledError):
                await task
        house.on_tidings.clear()
        house.reopen()
        outcome = await house.forward()
        for _ in range(3):
            if not outcome.done:
                outcome = await house.forward()
        assert outcome.exit is Exit.DONE
        assert [name for name in house.lab.units if not house.moved(name)] == []
        assert {house.bundles(name) for name in house.lab.units} == {1}


@together
async def a_device_is_written_off(make_house: HouseMaker) -> None:
    """Before the start, and after it was lost; nobody waits for it, and nothing is sent to it."""
    lost = Dev("lost", fault=Fault(K.NO_RETURN))
    last = Dev("z-last", feeds="access-point")
    async with make_house(PILOT, lost, Dev("dead", "rowan"), last, pace=HASTY) as house:
        await house.unit("dead").power_off()
        watch = Watch(house)
        with pytest.raises(Unreachable) as trouble:
            await house.forward(bend=watch)
        assert [problem.device for problem in trouble.value.problems] == ["dead"]
        assert {one.kind for one in watch.passed} == {"read"}
        house.journal.write_off("dead")
        assert (await house.forward(bend=watch)).exit is Exit.HELD
        assert house.states()["lost"] is State.ADRIFT
        house.journal.write_off("lost")
        outcome = await house.forward(bend=watch)
        assert outcome.exit is Exit.DONE
        assert "2 of 4 devices" in outcome.headline
        assert "2 written off" in outcome.headline
        assert house.moved("a-pilot")
        assert house.moved("z-last")
        assert watch.written() == ["a-pilot", "lost", "z-last"]
        # A way back takes along whom it finds.
        assert (await house.back()).exit is Exit.HELD
        assert house.as_before("a-pilot")
        assert house.as_before("z-last")


@together
async def a_device_that_keeps_declining(make_house: HouseMaker) -> None:
    """Each `again` is one message more, and no other device is sent anything for it."""
    async with make_house(PILOT, Dev("lamp", fault=Fault(K.DECLINES)), pace=HASTY) as house:
        watch = Watch(house)
        for tries in (1, 2, 3):
            outcome = await house.forward(*(["lamp"] if tries > 1 else []), bend=watch)
            assert outcome.exit is Exit.HELD
            assert watch.written() == ["a-pilot"] + ["lamp"] * tries
            assert house.states()["lamp"] is State.DECLINED
        house.unit("lamp").fault = None
        assert (await house.forward("lamp", bend=watch)).exit is Exit.DONE
        assert house.moved("lamp")


class FailingJournal:
    """A journal whose disk is full from the nth write on."""

    def __init__(self, journal: Journal, at: int) -> None:
        self._journal, self._left = journal, at
        self.failed_at = 0.0

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._journal, name)
        return partial(self._write, found) if name in WRITES else found

    def _write(self, write: Any, *args: Any) -> Any:
        if self._left <= 0:
            self.failed_at = self.failed_at or asyncio.get_running_loop().time()
            raise JournalTrouble(Problem("the journal cannot be used: disk is full"))
        self._left -= 1
        return write(*args)


@together
async def the_journal_fails(make_house: HouseMaker) -> None:
    """At any point: nothing is sent after it, the run ends, and can be gone on with."""
    fleet = [PILOT, Dev("lamp"), Dev("plug", "rowan"), Dev("fan", "sedge")]
    await asyncio.gather(*(fails_at(make_house, fleet, at) for at in range(1, 24, 4)))


async def fails_at(make_house: HouseMaker, fleet: list[Dev], at: int) -> None:
    async with make_house(*fleet, pace=HASTY) as house:
        watch = Watch(house)
        journal = FailingJournal(house.journal, at)
        with pytest.raises(JournalTrouble):
            await house.run(lambda c: c.forward(), cast(Journal, journal), watch)
        # A read changes nothing; it may have been begun at the same moment.
        late = [one for one in watch.passed if one.at > journal.failed_at and one.kind != "read"]
        assert [(one.kind, one.name) for one in late] == []
        states = house.states()
        assert [n for n in watch.written() if states[n] is State.WAITING] == []
        house.reopen()
        outcome = await house.forward()
        for _ in range(3):
            if not outcome.done:
                outcome = await house.forward()
        assert outcome.exit is Exit.DONE
        assert [name for name in house.lab.units if not house.moved(name)] == []
        assert {house.bundles(name) for name in house.lab.units} == {1}


@together
async def a_secret_is_gone(make_house: HouseMaker) -> None:
    """Before the run, or before it is gone on with: told before anything is sent."""
    async with make_house(PILOT, Dev("lamp")) as house:
        (house.folder / "secrets" / "old-wifi").unlink()
        watch = Watch(house)
        for work in (lambda c: c.forward(), lambda c: c.back()):
            with pytest.raises(SecretTrouble):
                await house.run(work, bend=watch)
        assert watch.passed == []
        assert {row.state for row in house.journal.rows()} == {State.WAITING}


@together
async def a_secret_changes_between_two_processes(make_house: HouseMaker) -> None:
    """What the plan has proven is proven again: a passphrase that a dialect cannot carry, or that
    no network can have, is refused when the run goes on, and when it is rolled back."""
    async with make_house(PILOT, Dev("fan", "sedge"), pace=HASTY) as house:
        house.unit("fan").fault = Fault(K.DECLINES, times=1)
        assert (await house.forward()).exit is Exit.HELD
        new, old = (house.folder / "secrets" / name for name in ("new-wifi", "old-wifi"))
        watch = Watch(house)
        for path, words in ((new, "one;two;three"), (new, "seven77"), (old, "four;five;six")):
            right = path.read_text()
            path.write_text(words + "\n")
            with pytest.raises(Refused) as refused:
                await house.forward("fan", bend=watch)
            assert {problem.device for problem in refused.value.problems} == {"fan"}
            path.write_text(right)
        assert (await house.forward("fan", bend=watch)).exit is Exit.DONE
        old.write_text("seven77\n")
        with pytest.raises(Refused):
            await house.back(bend=watch)
        assert watch.written() == ["fan"]
        assert house.moved("fan")


@together
async def the_broker_stops_in_the_middle(make_house: HouseMaker) -> None:
    """The old broker is gone behind the pilot: what cannot be delivered is not sent."""
    if not MosquittoBroker.available():
        pytest.skip("Mosquitto is not installed on this machine (Debian: apt install mosquitto)")
    more = {"brokers": BrokerKind.MOSQUITTO, "pace": HASTY}
    fleet = [Dev("a-pilot", via="mqtt"), Dev("lamp", via="mqtt"), Dev("shelf", via="mqtt")]
    async with make_house(*fleet, change=("wifi", "broker"), **more) as house:
        old = house.lab.old_broker
        assert old is not None
        done = asyncio.Event()
        stopping: list[asyncio.Task[None]] = []

        def cut(tidings: Tidings) -> None:
            if tidings.kind == "gate" and not stopping:
                stopping.append(asyncio.create_task(old.stop()))
                stopping[0].add_done_callback(lambda _: done.set())

        house.on_tidings.append(cut)
        assert (await house.forward()).exit is Exit.HELD
        await done.wait()
        house.on_tidings.clear()
        assert [n for n in ("lamp", "shelf") if house.bundles(n)] == []
        assert house.states()["lamp"] is State.WAITING
        lost = {n: house.unit(n).broker_attempts for n in ("lamp", "shelf")}
        await old.start()
        await house.lab.wait_until(
            lambda: all(house.unit(n).up and house.unit(n).broker_attempts > lost[n] for n in lost)
        )
        assert (await house.forward()).exit is Exit.DONE
        assert [name for name in house.lab.units if not house.moved(name)] == []


@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("scenario", together.names)
async def test_word(scenario: str, running: Running) -> None:
    await running(scenario)
