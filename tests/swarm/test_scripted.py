"""What chance would hardly bring about, and a person who wants to strand a device would."""

from __future__ import annotations

import asyncio
import sqlite3
from datetime import timedelta

import pytest

from migrate.dialects.messages import HttpRequest, Request
from migrate.ports.protocols import At
from migrate.virtual.unit import VirtualUnit

from .scripted import Scripted, device, setting, tell


def never_restarts(unit: VirtualUnit) -> None:
    """It stores, says yes, and does not restart."""
    unit.restart = lambda: None  # type: ignore[method-assign]


# Presence


@pytest.mark.parametrize("will_after", [0.0, 45.0])
def test_a_word_from_before_the_move_is_no_presence(
    will_after: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The broker stays and cannot be reached from the new network. The will of a client that
    vanished comes after one and a half keep-alives (MQTT 5.0, section 3.1.2.10): 45 s for 30 s."""

    def drop_link(self: VirtualUnit) -> None:
        broker = self.broker
        if broker is None:
            return
        self.broker = None
        del broker.units[self.name]
        word = self._firmware.absence_word.encode()
        topic = self._firmware.presence_topic
        self.house.later(will_after, lambda: broker.publish(topic, word, retain=True))

    monkeypatch.setattr(VirtualUnit, "drop_link", drop_link)

    async def script(story: Scripted) -> None:
        story.house.brokers["old"].behind = frozenset({"old"})
        await story.forward()
        await asyncio.sleep(120)
        assert story.unit(0).broker is None

    assert tell(setting(device(0), presence=True), script).state(0)[1] != "settled"


def test_a_word_that_the_new_broker_kept_is_no_presence() -> None:
    """A client that says goodbye leaves no will (MQTT 5.0, section 3.14.4), so `present` stays
    where it once was; the broker now refuses its login."""

    async def script(story: Scripted) -> None:
        broker = story.house.brokers["new"]
        broker.password = "another"
        broker.retained[story.unit(0)._firmware.presence_topic] = b"present"
        await story.forward()
        await asyncio.sleep(120)
        assert story.unit(0).broker is None

    scenario = setting(device(0), change=("broker",), presence=True)
    assert tell(scenario, script).state(0)[1] != "settled"


def test_presence_must_last_for_the_soak() -> None:
    async def script(story: Scripted) -> None:
        house, unit = story.house, story.unit(0)

        def kick() -> None:
            house.brokers["new"].password = "changed"
            unit.drop_link()

        def seen(what: str, who: str) -> None:
            if what == "connected" and unit.network is house.networks["new"]:
                house.later(3.0, kick)

        house.watchers.append(seen)
        await story.forward()

    scenario = setting(device(0), change=("wifi", "broker"), presence=True, soak=30.0)
    assert tell(scenario, script).state(0)[1] != "settled"


# The way back


def test_the_way_back_has_a_pilot() -> None:
    """Sixteen devices; the old access point has another passphrase by now, or its pool is full."""

    async def script(story: Scripted) -> None:
        assert ended_well(await story.forward())
        story.house.networks["old"].key = "another passphrase"
        await story.back()
        assert story.lost_on_the_way_back() == 1
        # Asked for again, it again tries no more than one.
        await story.back()
        assert story.lost_on_the_way_back() == 2

    tell(setting(*map(device, range(16)), stranded=1, confidence=0.8), script)


def test_roll_back_all_has_a_pilot_as_well() -> None:
    async def script(story: Scripted) -> None:
        last = story.invariants.waves[-1]

        def settled(what: str, who: str) -> None:
            rows = story.invariants.rows().values()
            if sum(row.state == "settled" for row in rows) >= 16 - len(last):
                story.house.units[last[-1]].flaws.declines = 1
                story.house.networks["old"].key = "another passphrase"

        story.house.watchers.append(settled)
        await story.forward()
        assert story.lost_on_the_way_back() <= 1

    scenario = setting(
        *map(device, range(16)), stranded=1, confidence=0.8, on_fault="roll-back-all"
    )
    tell(scenario, script)


def test_the_way_back_does_not_go_on_behind_one_that_an_earlier_process_lost() -> None:
    async def script(story: Scripted) -> None:
        assert ended_well(await story.forward())
        # One is back: the old network lets in whoever comes.
        assert ended_well(await story.back(["device-2"]))
        for number in (0, 1):
            story.unit(number).flaws.lost = 1
        await story.back()
        assert story.lost_on_the_way_back() == 1
        await story.back()
        assert story.lost_on_the_way_back() == 1

    tell(setting(*map(device, range(3)), widest=1), script)


def test_a_carrier_is_not_taken_back_while_what_it_feeds_is_away() -> None:
    async def script(story: Scripted) -> None:
        assert ended_well(await story.forward())
        story.unit(0).flaws.lost = 1
        await story.back(["device-0"])
        beside: list[str] = []

        def seen(what: str, who: str) -> None:
            if (what, who) == ("took settings", "device-2"):
                beside.append(story.invariants.rows()["device-0"].state)

        story.house.watchers.append(seen)
        await story.back(["device-2"])
        assert not set(beside) & {"sending", "away", "seen", "adrift"}

    tell(setting(device(0), device(1), device(2, feeds=("device-0",)), widest=1), script)


def test_a_message_that_is_still_under_way_when_the_process_ends_and_the_way_back_begins() -> None:
    async def script(story: Scripted) -> None:
        delay = story.chance.delay
        sent: list[Request] = []

        def once() -> float:
            story.chance.delay = delay  # type: ignore[method-assign]
            return 4.0

        def leaving(request: Request, at: At) -> None:
            if isinstance(request, HttpRequest) and request.method == "PATCH" and not sent:
                sent.append(request)
                story.chance.delay = once  # type: ignore[method-assign]
                story.house.later(0.5, lambda: story.gauge.interrupt())

        story.gauge.on_leaving = leaving
        await story.forward()
        assert story.state(0) == ("forward", "sending")
        outcome = await story.back()
        await asyncio.sleep(60)
        assert not (ended_well(outcome) and story.house.where("device-0") == "new")

    tell(setting(device(0)), script)


# Ctrl-C, clocks, leases, and a journal that fell back


def test_nothing_is_sent_after_ctrl_c_not_even_a_restart_once_more() -> None:
    async def script(story: Scripted) -> None:
        unit = story.unit(0)
        restart, stopped, late = unit.restart, [], []
        never_restarts(unit)

        def stop() -> None:
            story.gauge.stop()
            stopped.append(True)
            unit.restart = restart  # type: ignore[method-assign]

        def leaving(request: Request, at: At) -> None:
            if stopped and isinstance(request, HttpRequest) and "restart" in request.target:
                late.append(request)

        story.house.watchers.append(
            lambda what, who: story.house.later(1.0, stop) if what == "took settings" else None
        )
        story.gauge.on_leaving = leaving
        await story.forward()
        assert stopped
        assert late == []

    tell(setting(device(0, "sedge")), script)


@pytest.mark.parametrize("seconds", [0, 3600])
def test_a_clock_that_is_set_between_two_processes_is_no_restart(seconds: int) -> None:
    async def script(story: Scripted) -> None:
        unit = story.unit(0)
        never_restarts(unit)
        story.house.watchers.append(
            lambda what, who: (
                story.house.later(3.0, lambda: story.gauge.interrupt())
                if what == "took settings"
                else None
            )
        )
        await story.forward()
        story.house.offset += timedelta(seconds=seconds)
        await asyncio.sleep(5)
        await story.forward()
        assert unit.boots == 1

    assert tell(setting(device(0), change=("broker",)), script).state(0)[1] != "settled"


def test_a_lease_that_is_left_over_does_not_tell_the_side() -> None:
    """The family does not tell its address, and both networks have one broker."""

    def without_address(story: Scripted) -> None:
        dialect = story.inputs.dialects["rowan"]
        readings = dialect.readings.model_copy(update={"address": None})
        story.inputs.dialects["rowan"] = dialect.model_copy(update={"readings": readings})  # type: ignore[index]

    async def script(story: Scripted) -> None:
        await asyncio.sleep(5)
        assert ended_well(await story.forward())
        await asyncio.sleep(60)
        await story.back()
        assert story.house.where("device-0") == "old"

    story = tell(setting(device(0, "rowan", "mqtt")), script, without_address)
    assert story.state(0) == ("back", "restored")


def test_an_intent_of_a_later_wave_that_was_put_back_holds_nobody_for_ever() -> None:
    """The whole run went well; then the database falls back to its first wave, the intents stay."""

    async def script(story: Scripted) -> None:
        snapshot = sqlite3.connect(":memory:")
        taken: list[bool] = []
        invariants = story.invariants

        def look() -> None:
            invariants.committed()
            if not taken and invariants.rows()["device-0"].state == "sending":
                taken.append(True)
                assert invariants._db is not None
                invariants._db.backup(snapshot)

        story.gauge.on_committed = look
        assert ended_well(await story.forward())
        story.gauge.on_committed = lambda: None  # what the database says is no longer the truth
        invariants.close()
        for end in ("", "-wal", "-shm"):
            story.path.with_name(story.path.name + end).unlink(missing_ok=True)
        with sqlite3.connect(story.path) as database:
            snapshot.backup(database)
        database.execute("PRAGMA journal_mode=WAL")
        database.close()
        snapshot.close()
        invariants.open(story.path)
        # Meanwhile somebody has put the first device back by hand.
        invariants.touched.add("device-0")
        story.unit(0).store = story.scenario.first_store
        story.unit(0).power_cut(1.0)
        await asyncio.sleep(60)
        outcome = None
        for _ in range(4):
            outcome = await story.forward(["device-0"])
        assert ended_well(outcome)

    tell(setting(device(0), device(1), device(2, feeds=("device-0",)), widest=1), script)


def ended_well(outcome: object) -> bool:
    return bool(getattr(outcome, "done", False))
