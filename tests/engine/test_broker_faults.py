"""Whole runs over a real broker that fails (Debian's mosquitto): what became of the devices is
asked of the lab, what was sent of the devices themselves."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import trustme

from migrate.engine.conductor import Conductor
from migrate.engine.tidings import Outcome
from migrate.lab import BrokerKind, MosquittoBroker, SideSpec, Unit
from migrate.model.lifecycle import State
from migrate.model.problems import Exit, Refused, Unreachable
from migrate.ports import mqtt
from migrate.ports.protocols import World

from .harness import FAMILIES, Dev, House, HouseMaker, Pace
from .together import Running, Together
from .watch import Passed, Watch

pytestmark = pytest.mark.skipif(
    not MosquittoBroker.available(),
    reason="mosquitto is not installed (Debian: apt-get install mosquitto)",
)
together = Together(at_once=4)
PILOT = Dev("a-pilot", via="mqtt")
FLEET = [Dev(family, family, "mqtt") for family in FAMILIES]
PACE = Pace(soak_seconds=0.15, least=8, most=8, reply_seconds=2, look_seconds=0.1)
HASTY = Pace(soak_seconds=0.15, least=2, most=2, reply_seconds=0.8, look_seconds=0.1)
MOSQUITTO = BrokerKind.MOSQUITTO


@dataclass
class Brokers:
    """Makes the lab's brokers: what mosquitto is told besides, for the old and the new side."""

    old: dict[str, Any] = field(default_factory=dict)
    new: dict[str, Any] = field(default_factory=dict)
    made: list[MosquittoBroker] = field(default_factory=list)

    def __call__(self, side: SideSpec) -> MosquittoBroker:
        more = dict(self.new if self.made else self.old)
        tls = more.pop("tls", side.broker_tls)
        broker = MosquittoBroker(
            side.broker_host,
            side.broker_port,
            side.broker_username,
            side.broker_password,
            tls,
            **more,
        )
        self.made.append(broker)
        return broker


def old_of(house: House) -> MosquittoBroker:
    assert isinstance(house.lab.old_broker, MosquittoBroker)
    return house.lab.old_broker


def new_of(house: House) -> MosquittoBroker:
    assert isinstance(house.lab.new_broker, MosquittoBroker)
    return house.lab.new_broker


def sent(house: House) -> dict[str, int]:
    """How many settings messages each device took."""
    return {name: house.bundles(name) for name in house.lab.units}


def not_moved(house: House) -> dict[str, str]:
    return {
        name: f"{house.states()[name]} {house.lab.where(name)}: {house.note(name)}"
        for name in house.lab.units
        if not house.moved(name)
    }


async def everybody_up(house: House) -> None:
    await house.lab.wait_until(lambda: all(unit.up for unit in house.lab.units.values()))


@dataclass
class Linked:
    """A watch, with the tool's own link to the old broker."""

    watch: Watch
    links: list[Any] = field(default_factory=list)

    def __call__(self, world: World) -> World:
        brokers: Any = world.brokers
        self.links.append(brokers.links["old"])
        return self.watch(world)

    async def noticed(self) -> None:
        """Until the tool knows that its connection is gone: what it writes before that, nobody can
        tell whether it arrived."""
        client = self.links[-1]._client
        if client is not None:
            await asyncio.wait({client._disconnected})


def once(names: Iterable[str], kind: str, do: Callable[[], Any]) -> Callable[[Passed], Any]:
    """A hook that does something at the first message of a kind for one of these; the others wait
    until it is done."""
    doing: list[asyncio.Future[Any]] = []

    async def hook(one: Passed) -> None:
        if one.kind == kind and one.name in names:
            if not doing:
                doing.append(asyncio.ensure_future(do()))
            await asyncio.shield(doing[0])

    return hook


# 1. The broker restarts


@together
async def restarts_before_a_wave_is_sent(make_house: HouseMaker) -> None:
    """It is back within the time of a reply: nobody notices."""
    async with make_house(
        PILOT, *FLEET, change=("wifi", "broker"), brokers=MOSQUITTO, pace=PACE
    ) as house:
        linked = Linked(Watch(house))

        async def restart() -> None:
            await old_of(house).stop()
            await linked.noticed()
            await old_of(house).start()

        linked.watch.before.append(once(FAMILIES, "write", restart))
        assert (await house.forward(bend=linked)).exit is Exit.DONE, house.states()
        assert not_moved(house) == {}
        assert set(sent(house).values()) == {1}


@together
async def is_down_for_longer_than_a_reply_takes(make_house: HouseMaker) -> None:
    """What was not delivered is known as such; the run is held and goes on."""
    async with make_house(
        PILOT, *FLEET, change=("wifi", "broker"), brokers=MOSQUITTO, pace=HASTY
    ) as house:
        linked = Linked(Watch(house))

        async def end() -> None:
            await old_of(house).stop()
            await linked.noticed()

        linked.watch.before.append(once(FAMILIES, "write", end))
        outcome = await house.forward(bend=linked)
        assert outcome.exit is Exit.HELD
        assert sent(house) == {"a-pilot": 1} | dict.fromkeys(FAMILIES, 0)
        for name in FAMILIES:
            assert house.states()[name] is State.WAITING, house.note(name)
            assert "old broker" in house.note(name)
        await old_of(house).start()
        await everybody_up(house)
        assert (await house.forward()).exit is Exit.DONE, house.states()
        assert not_moved(house) == {}
        assert set(sent(house).values()) == {1}


@together
async def restarts_between_message_and_answer(make_house: HouseMaker) -> None:
    """One device has its settings, and the tool no answer: it is followed, and sent nothing more.
    What became of the others is found out, and told."""
    async with make_house(
        PILOT, *FLEET, change=("wifi", "broker"), brokers=MOSQUITTO, pace=PACE
    ) as house:
        first = asyncio.Event()
        for name in FAMILIES:
            _before_its_answer(house.unit(name), lambda: _restart_once(house, first))
        outcome = await house.forward()
        assert first.is_set()
        back = [name for name in FAMILIES if house.states()[name] is State.RETURNED]
        assert outcome.exit is (Exit.HELD if back else Exit.DONE)
        assert set(not_moved(house)) == set(back)
        assert all(house.as_before(name) and sent(house)[name] == 0 for name in back)
        assert len(back) < len(FAMILIES)  # one at least had its settings before the broker ended
        assert (await house.forward(*back)).exit is Exit.DONE
        assert not_moved(house) == {}
        assert set(sent(house).values()) == {1}


async def _restart_once(house: House, first: asyncio.Event) -> None:
    if not first.is_set():
        first.set()
        await old_of(house).stop()
        await old_of(house).start()


def _before_its_answer(unit: Unit, do: Callable[[], Any]) -> None:
    """Something happens when a device has taken its settings and has not said so yet."""
    link = unit._link
    assert link is not None
    take = link._take

    async def taken(topic: str, payload: bytes) -> Any:
        before = len(unit.messages_that_changed)
        replies = await take(topic, payload)
        if len(unit.messages_that_changed) > before:
            # Not by this task: the device's link may end with the broker.
            await asyncio.shield(asyncio.ensure_future(do()))
        return replies

    link._take = taken


@together
async def the_new_broker_is_down_when_devices_arrive(make_house: HouseMaker) -> None:
    async with make_house(
        PILOT, *FLEET, change=("wifi", "broker"), brokers=MOSQUITTO, pace=PACE
    ) as house:
        watch = Watch(house)
        watch.before.append(once(FAMILIES, "write", new_of(house).stop))
        running = asyncio.create_task(house.forward(bend=watch))
        await house.lab.wait_until(
            lambda: all(house.lab.where(name) == "new" for name in FAMILIES), 30
        )
        tried = {name: house.unit(name).broker_attempts for name in FAMILIES}
        await house.lab.wait_until(
            lambda: all(house.unit(n).broker_attempts > tried[n] + 1 for n in FAMILIES), 30
        )
        await new_of(house).start()
        assert (await running).exit is Exit.DONE, house.states()
        assert not_moved(house) == {}
        assert set(sent(house).values()) == {1}


# 2. Certificates


@together
async def certificates_that_do_not_fit(make_house: HouseMaker) -> None:
    """Before anything is sent, in words that name which."""
    now, day = datetime.now(UTC), timedelta(days=1)
    for fault, words in (
        ("expired", "has expired"),
        ("name", "for another name"),
        ("authority", "no authority trusted here"),
    ):
        brokers = Brokers()
        house = make_house(
            PILOT, change=("wifi", "broker"), secure=True, brokers=brokers, pace=HASTY
        )
        folder: Path = house.folder
        authority = trustme.CA()
        past: dict[str, Any] = {"not_before": now - 2 * day, "not_after": now - day}
        if fault != "expired":
            past = {}
        name = "b.example.net" if fault == "name" else house.lab.new.broker_host
        issued = authority.issue_cert(name, **past)
        issued.cert_chain_pems[0].write_to_path(str(folder / "bad.pem"))
        issued.private_key_pem.write_to_path(str(folder / "bad.key"))
        if fault != "authority":
            authority.cert_pem.write_to_path(str(folder / "ca.pem"))
        brokers.new["tls"] = (folder / "bad.pem", folder / "bad.key")
        async with house:
            with pytest.raises(Unreachable, match=f"new broker shows a certificate.*{words}"):
                await house.forward()
            assert sent(house) == {"a-pilot": 0}
            assert house.as_before("a-pilot")
            assert house.states()["a-pilot"] is State.WAITING


# 3. Access rules


@together
async def a_command_topic_that_is_forbidden(make_house: HouseMaker) -> None:
    """The tool may read and may not write: it hears so at once, and waits for nothing."""
    old = {"access": "topic readwrite #\ntopic deny larch/t2/patch\n"}
    brokers = Brokers(old=old)
    lamp = Dev("lamp", via="mqtt")
    async with make_house(
        PILOT, lamp, change=("wifi", "broker"), brokers=brokers, pace=PACE
    ) as house:
        outcome = await house.forward()
        assert outcome.exit is Exit.HELD
        assert sent(house) == {"a-pilot": 1, "lamp": 0}
        assert house.states()["lamp"] is State.WAITING
        assert house.as_before("lamp")
        words = "old broker does not take a message for larch/t2/patch from this login"
        assert words in " ".join(outcome.reasons)
        assert "not authorized" in house.note("lamp")
        # The owner mends it, and the run goes on.
        old_of(house).change_access("topic readwrite #\n")
        await old_of(house).stop()
        tries = house.unit("lamp").broker_attempts
        await old_of(house).start()
        await house.lab.wait_until(
            lambda: house.unit("lamp").up and house.unit("lamp").broker_attempts > tries
        )
        assert (await house.forward()).exit is Exit.DONE
        assert not_moved(house) == {}
        assert sent(house) == {"a-pilot": 1, "lamp": 1}


@together
async def a_read_that_is_forbidden(make_house: HouseMaker) -> None:
    brokers = Brokers(old={"access": "topic readwrite #\ntopic deny larch/t2/show\n"})
    lamp = Dev("lamp", via="mqtt")
    async with make_house(PILOT, lamp, change=("wifi",), brokers=brokers, pace=HASTY) as house:
        with pytest.raises(Unreachable, match=r"message for larch/t2/show .*not authorized"):
            await house.forward()
        assert set(sent(house).values()) == {0}


# 4. Logins


@together
async def a_login_that_was_changed(make_house: HouseMaker) -> None:
    """Between plan and run: before anything is sent. In the middle: held, and what is not known is
    followed; mended, it goes on."""
    async with make_house(
        PILOT, *FLEET, change=("wifi", "broker"), old_login=True, brokers=MOSQUITTO, pace=HASTY
    ) as house:
        right = house.lab.old.broker_password
        assert right is not None
        linked = Linked(Watch(house))

        async def change_to(password: str) -> None:
            old = old_of(house)
            await old.stop()
            if linked.links:
                await linked.noticed()
            old.change_login(password)
            await old.start()

        await change_to("another word 9")
        with pytest.raises(Unreachable, match="old broker refuses the user name or password"):
            await house.forward(bend=linked)
        assert set(sent(house).values()) == {0}
        await change_to(right)
        await everybody_up_again(house)
        linked.watch.before.append(once(FAMILIES, "write", lambda: change_to("another word 9")))
        outcome = await house.forward(bend=linked)
        assert outcome.exit is Exit.HELD
        assert sent(house) == {"a-pilot": 1} | dict.fromkeys(FAMILIES, 0)
        for name in FAMILIES:
            assert house.states()[name] is State.WAITING, house.note(name)
        assert "refuses the user name or password" in " ".join(outcome.reasons), outcome
        await change_to(right)
        await everybody_up_again(house)
        assert (await house.forward()).exit is Exit.DONE
        assert not_moved(house) == {}
        assert set(sent(house).values()) == {1}


async def everybody_up_again(house: House) -> None:
    """Everybody who is on the old side: while no login is right, nobody is up."""
    units = [unit for name, unit in house.lab.units.items() if house.lab.where(name) == "old"]
    await house.lab.wait_until(lambda: all(unit.up for unit in units))


# 5. Retained commands


async def keep(broker: MosquittoBroker, topic: str, payload: bytes) -> None:
    async with aiomqtt.Client(broker.host, broker.port) as client:
        await client.publish(topic, payload, qos=1, retain=True)


async def kept(broker: MosquittoBroker, login: SideSpec) -> set[str]:
    """Topics with a retained message; what comes before the acknowledgement of the end is all."""
    topics: set[str] = set()
    user, password = login.broker_username, login.broker_password
    async with aiomqtt.Client(broker.host, broker.port, username=user, password=password) as client:
        await client.subscribe("#", qos=1)
        await client.publish("end", b"x", qos=1)
        async with asyncio.timeout(5):
            async for message in client.messages:
                if message.topic.value == "end":
                    return topics
                topics.add(message.topic.value)
    raise AssertionError


@together
async def commands_that_a_broker_keeps(make_house: HouseMaker) -> None:
    """For a device over MQTT, for one that is moved over HTTP and listens all the same, and for the
    group: found before anything is sent, and all in one pass."""
    by_http = Dev("shelf", "rowan", "http")
    async with make_house(
        PILOT, *FLEET, by_http, change=("wifi",), brokers=MOSQUITTO, pace=PACE
    ) as house:
        broker = old_of(house)
        topics = ["sedge/t4/say", "rowan/t5/call", "larch/old-group/patch"]
        for topic in topics:
            await keep(broker, topic, b"nonsense")
        watch = Watch(house)
        with pytest.raises(Refused) as refused:
            await house.forward(bend=watch)
        problems = refused.value.problems
        assert refused.value.exit is Exit.REFUSED
        assert len(problems) == len(topics)
        for topic, whose in zip(
            topics, ("device sedge", "device shelf", "the group old-group"), strict=True
        ):
            (one,) = [problem for problem in problems if topic in problem.what]
            assert whose in one.what
            assert "old broker" in one.what
            assert f"{broker.host}:{broker.port}" == one.where
            assert "empty message" in one.remedy
        assert watch.written() == []
        assert set(house.states().values()) == {State.WAITING}
        for topic in topics:
            await keep(broker, topic, b"")
        assert (await house.forward(bend=watch)).exit is Exit.DONE
        assert not_moved(house) == {}


@together
async def a_command_that_waits_at_the_new_broker(make_house: HouseMaker) -> None:
    """It would be obeyed by whoever arrives."""
    async with make_house(PILOT, change=("broker",), brokers=MOSQUITTO, pace=PACE) as house:
        new = house.lab.new
        async with aiomqtt.Client(
            new.broker_host,
            new.broker_port,
            username=new.broker_username,
            password=new.broker_password,
        ) as client:
            await client.publish("larch/t1/patch", b"{}", qos=1, retain=True)
            with pytest.raises(Refused, match=r"new broker keeps .* larch/t1/patch"):
                await house.forward()
            assert sent(house) == {"a-pilot": 0}
            await client.publish("larch/t1/patch", b"", qos=1, retain=True)
        assert (await house.forward()).exit is Exit.DONE


@together
async def a_command_that_is_kept_during_the_run_and_none_by_the_tool(
    make_house: HouseMaker,
) -> None:
    """Told at once; and when all is done, all that the brokers keep is what devices say of
    themselves."""
    async with make_house(
        PILOT, *FLEET, change=("wifi", "broker"), brokers=MOSQUITTO, pace=PACE
    ) as house:
        watch = Watch(house)

        async def disturb() -> None:
            told = asyncio.Event()
            house.on_tidings.append(lambda t: told.set() if "retained" in t.words else None)
            await keep(old_of(house), "larch/t1/patch", b"nonsense")
            await told.wait()

        watch.before.append(once(FAMILIES, "write", disturb))
        assert (await house.forward(bend=watch)).exit is Exit.DONE
        notes = [t.words for _, t in house.told if t.kind == "note" and "retained" in t.words]
        assert len(notes) == 1, house.told
        assert "old broker keeps a retained message on larch/t1/patch" in notes[0]
        assert not_moved(house) == {}
        await keep(old_of(house), "larch/t1/patch", b"")
        for broker, side in ((old_of(house), house.lab.old), (new_of(house), house.lab.new)):
            found = await kept(broker, side)
            assert {topic.rsplit("/")[-1] for topic in found} <= {"presence"}, found


# 6. Limits


@together
async def a_broker_that_takes_little_at_once(make_house: HouseMaker) -> None:
    narrow = {"more": ["max_inflight_messages 1", "max_queued_messages 1"]}
    brokers = Brokers(old=narrow, new=narrow)
    many = [Dev(f"lamp-{number}", FAMILIES[number % 3], "mqtt") for number in range(9)]
    async with make_house(
        PILOT, *many, change=("wifi", "broker"), brokers=brokers, pace=PACE
    ) as house:
        outcome = await house.forward()
        assert outcome.exit is Exit.DONE, not_moved(house)
        assert not_moved(house) == {}
        assert set(sent(house).values()) == {1}


# 7. Somebody else with our identifier


@together
async def a_session_taken_over_in_the_middle(make_house: HouseMaker) -> None:
    """Whoever took it keeps it: the run goes on under another identifier."""
    async with make_house(
        PILOT, *FLEET, change=("wifi", "broker"), brokers=MOSQUITTO, pace=PACE
    ) as house:
        watch, thieves = Watch(house), list[aiomqtt.Client]()

        async def work(conductor: Conductor) -> Outcome:
            link: Any = conductor._ground.world.brokers
            mine = link.links["old"]

            async def steal() -> None:
                broker = old_of(house)
                thief = aiomqtt.Client(broker.host, broker.port, identifier=mine._client.identifier)
                await thief.__aenter__()
                thieves.append(thief)

            watch.before.append(once(FAMILIES, "write", steal))
            return await conductor.forward()

        assert (await house.run(work, bend=watch)).exit is Exit.DONE, house.states()
        assert not_moved(house) == {}
        assert set(sent(house).values()) == {1}
        for thief in thieves:
            await thief.publish("x", b"still here", qos=1, timeout=5)
            await thief.__aexit__(None, None, None)
        assert len(thieves) == 1


@pytest.fixture(autouse=True, scope="module")
def _looks_often() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(mqtt, "LOOK_AGAIN_SECONDS", 0.5)
        yield


@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize("scenario", together.names)
async def test_broker_fault(scenario: str, running: Running) -> None:
    await running(scenario)
