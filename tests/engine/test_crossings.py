"""Whole crossings over real sockets: what changes, over which transport, for which family.

That a device has moved is told by the lab: its memory, what is in force, its network, its broker.
"""

from __future__ import annotations

import asyncio

import pytest

from migrate.lab import BrokerKind, MosquittoBroker
from migrate.model.lifecycle import State
from migrate.model.problems import Exit, Unreachable

from .harness import FAMILIES, Change, Dev, House, HouseMaker, Pace, six
from .together import Running, Together
from .watch import Watch

together = Together(at_once=4)
EVERY_CHANGE: list[tuple[Change, ...]] = [
    ("wifi",),
    ("broker",),
    ("group",),
    ("wifi", "broker", "group"),
]
MISSING = {
    "mosquitto_with_tls_and_logins": pytest.mark.skipif(
        not MosquittoBroker.available(),
        reason="Mosquitto is not installed on this machine (Debian: apt install mosquitto)",
    )
}


async def crosses(house: House, most: int = 1) -> None:
    """The fleet moves, each device by one message and `most` restarts; then goes back."""
    names = list(house.lab.units)
    restarted = {name: unit.boots for name, unit in house.lab.units.items()}
    outcome = await house.forward()
    assert outcome.exit is Exit.DONE, (outcome, house.told[-8:])
    assert [name for name in names if not house.moved(name)] == []
    assert {house.bundles(name) for name in names} == {1}
    assert [n for n, unit in house.lab.units.items() if unit.boots > restarted[n] + most] == []
    assert set(house.states().values()) == {State.SETTLED}
    outcome = await house.back()
    assert outcome.exit is Exit.DONE, (outcome, house.told[-8:])
    assert [name for name in names if not house.as_before(name)] == []
    assert set(house.states().values()) == {State.RESTORED}


async def cross(house: House) -> None:
    async with house:
        await crosses(house)


@together
async def every_family_over_both_transports(make_house: HouseMaker) -> None:
    """wifi and broker alone are in the tests with a login below."""
    houses = [make_house(*six(), change=change) for change in EVERY_CHANGE]
    await asyncio.gather(*map(cross, houses))


@together
async def embedded_brokers_with_tls_and_logins(make_house: HouseMaker) -> None:
    await tls_and_logins(make_house, BrokerKind.EMBEDDED)


@together
async def mosquitto_with_tls_and_logins(make_house: HouseMaker) -> None:
    await tls_and_logins(make_house, BrokerKind.MOSQUITTO)


async def tls_and_logins(make_house: HouseMaker, brokers: BrokerKind) -> None:
    """Old plain and new with TLS and a login; both with a login and presence as proof; devices
    with a login of their own (larch: RFC 7617 basic; rowan: RFC 7616 digest; sedge has none)."""
    own = [Dev(family, family, login=family != "sedge") for family in FAMILIES]
    proven = {"brokers": brokers, "old_login": True, "presence": True}
    await asyncio.gather(
        cross(make_house(*six(), change=("wifi", "broker"), brokers=brokers, secure=True)),
        cross(make_house(*six(), change=("broker", "group"), **proven)),
        cross(make_house(*own, change=("wifi", "broker"), brokers=brokers)),
    )


@together
async def devices_that_were_started_a_moment_ago(make_house: HouseMaker) -> None:
    """Their uptimes tell nothing yet: a restart must still be waited for, not guessed."""
    pace = Pace(least=2)
    changes: list[tuple[Change, ...]] = [("broker",), ("group",)]
    await asyncio.gather(
        *(cross(make_house(*six(), change=change, age=0, pace=pace)) for change in changes)
    )


@together
async def a_fleet_that_has_moved_is_left_alone(make_house: HouseMaker) -> None:
    """A second run, with a journal of its own, sends nothing that changes a device."""
    pace = Pace(reply_seconds=1)
    async with make_house(*six(), change=("wifi", "broker", "group"), pace=pace) as house:
        await house.forward()
        boots = {name: unit.boots for name, unit in house.lab.units.items()}
        house.journal.close()
        house.journal = house.new_journal("second")
        watch = Watch(house)
        outcome = await house.forward(bend=watch)
        assert outcome.exit is Exit.DONE
        assert {one.kind for one in watch.passed} == {"read"}
        assert boots == {name: unit.boots for name, unit in house.lab.units.items()}
        assert set(house.states().values()) == {State.SETTLED}
        # It still knows the way back that the owner declared.
        assert (await house.back()).exit is Exit.DONE
        old = house.lab.old
        for unit in house.lab.units.values():
            store = unit.running
            assert (store.wifi_name, store.wifi_key) == (old.ssid, old.secret)
            assert (store.broker_host, store.broker_port) == (old.broker_host, old.broker_port)


@together
async def one_broker_with_another_login(make_house: HouseMaker) -> None:
    """A device answers over it before it has moved as well as after: its user name must tell, and
    its restart. Where nothing but the password changes, nothing can tell."""
    await cross(make_house(*six(), change=("broker",), same_broker="another"))
    async with make_house(*six(), change=("broker",), same_broker="house") as house:
        watch = Watch(house)
        with pytest.raises(Unreachable) as trouble:
            await house.forward(bend=watch)
        assert {problem.device for problem in trouble.value.problems} == set(house.lab.units)
        assert {one.kind for one in watch.passed} == {"read"}


@together
async def half_a_fleet_that_has_moved(make_house: HouseMaker) -> None:
    """As after a run that was broken off and whose journal is lost."""
    async with make_house(*six(), change=("wifi", "broker")) as house:
        async with house.conductor() as conductor:
            house.on_tidings.append(
                lambda tidings: conductor.stop() if tidings.state is State.SETTLED else None
            )
            await conductor.forward()
        moved = {name for name in house.lab.units if house.moved(name)}
        assert len(moved) == 1
        house.on_tidings.clear()
        house.journal.close()
        house.journal = house.new_journal("second")
        assert (await house.forward()).exit is Exit.DONE
        assert [name for name in house.lab.units if not house.moved(name)] == []
        assert {house.bundles(name) for name in house.lab.units} == {1}


@together
async def only_one_device_is_taken_back(make_house: HouseMaker) -> None:
    async with make_house(*six(), change=("wifi", "broker", "group")) as house:
        await house.forward()
        assert (await house.back("sedge-mqtt")).exit is Exit.DONE
        assert house.as_before("sedge-mqtt")
        others = set(house.lab.units) - {"sedge-mqtt"}
        assert [name for name in others if not house.moved(name)] == []
        # What is taken back stays back when the run goes on, and the rest can follow later.
        assert (await house.forward()).exit is Exit.DONE
        assert house.as_before("sedge-mqtt")
        assert (await house.back()).exit is Exit.DONE
        assert [name for name in house.lab.units if not house.as_before(name)] == []
        assert {house.bundles(name) for name in house.lab.units} == {2}


@together
async def a_device_without_a_way_back_stays_and_is_named(make_house: HouseMaker) -> None:
    """Accepted by name: it is sent nothing on the way back, and nobody says that it never left."""
    async with make_house(Dev("lamp", "larch"), Dev("plug", "rowan")) as house:
        text = house.playbook.read_text("utf-8")
        known = ', secret = { file = "secrets/old-wifi" } }'
        accepted = ' }\nno_way_back = ["lamp", "plug"]'
        assert known in text
        house.playbook.write_text(text.replace(known, accepted), encoding="utf-8")
        house.journal.close()
        house.plan = house.make_plan()
        house.journal = house.new_journal("accepted")
        assert (await house.forward()).exit is Exit.DONE
        outcome = await house.back()
        assert outcome.exit is Exit.HELD
        assert "0 had never left" in outcome.headline
        assert all("no way back" in reason for reason in outcome.reasons)
        assert len(outcome.reasons) == 2
        assert house.moved("lamp")
        assert house.moved("plug")
        assert {house.bundles(name) for name in house.lab.units} == {1}


@together
async def a_device_that_is_not_at_its_new_broker_is_not_proven(
    make_house: HouseMaker,
) -> None:
    """It shows the new settings over HTTP and has restarted, but no broker ever hears of it."""
    devices = [Dev(family, family) for family in FAMILIES]
    pace = Pace(least=1, most=1.5)
    async with make_house(*devices, change=("broker",), presence=True, pace=pace) as house:
        broker = (house.lab.new.broker_host, house.lab.new.broker_port)
        reach = house.lab.air.can_reach
        house.lab.air.can_reach = (  # type: ignore[method-assign]
            lambda network, host, port: (host, port) != broker and reach(network, host, port)
        )
        outcome = await house.forward()
        assert outcome.exit is Exit.HELD
        assert house.states() == {
            "larch": State.ADRIFT,
            "rowan": State.WAITING,
            "sedge": State.WAITING,
        }
        assert "not proven" in house.note("larch")
        assert (await house.back()).exit is Exit.DONE
        assert [name for name in house.lab.units if not house.as_before(name)] == []


@pytest.mark.asyncio(loop_scope="module")
@pytest.mark.parametrize(
    "scenario", [pytest.param(name, marks=MISSING.get(name, ())) for name in together.names]
)
async def test_crossing(scenario: str, running: Running) -> None:
    await running(scenario)
