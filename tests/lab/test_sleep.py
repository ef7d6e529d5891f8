"""Units built for batteries, against docs/manuals/README.md: awake for a while, and asleep."""

from __future__ import annotations

import asyncio
from itertools import pairwise
from typing import Any

import httpx
import pytest

from .conftest import LabMaker
from .helpers import (
    http_client,
    mqtt_client,
    next_message,
    read_http,
    send_http,
    settings_message,
    unit_spec,
)

NAP: dict[str, Any] = {"wake_every_seconds": 0.6, "awake_seconds": 0.3}


async def test_over_http_it_is_reached_only_while_it_is_awake(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("larch", uses_broker=False, **NAP)) as lab:
        unit = lab.units["larch-1"]
        await lab.wait_until(lambda: unit.serving)
        awake = unit.history[-1][0]
        address, boots = unit.address, unit.boots
        said = (await read_http(unit)).json()["unit"]
        assert said["mac"] == unit.spec.mac
        await lab.wait_until(lambda: unit.history[-1][1] == "asleep")
        asleep = unit.history[-1][0]
        async with http_client() as client:
            with pytest.raises(httpx.ConnectError):
                await client.get(f"http://{address}:{unit.http_port}/unit/document")
        await lab.wait_until(lambda: unit.serving)
        # The loop's clock is the outside here: asleep for the rest of the interval, no restart.
        assert asleep - awake >= NAP["awake_seconds"] - 0.01
        assert unit.history[-1][0] - asleep >= NAP["wake_every_seconds"] - NAP["awake_seconds"]
        assert (unit.address, unit.boots) == (address, boots)


@pytest.mark.parametrize("cleanly", [True, False])
async def test_over_mqtt_it_says_that_it_comes_and_goes(make_lab: LabMaker, cleanly: bool) -> None:
    """Cleanly by its own word and DISCONNECT, else by its will (OASIS MQTT 3.1.1, 3.14.4)."""
    async with (
        make_lab(unit_spec("larch", sleeps_cleanly=cleanly, **NAP)) as lab,
        mqtt_client(lab.old, "larch/t1/presence") as client,
    ):
        words: list[str] = []
        while words[-3:] not in (["present", "absent", "present"], ["absent", "present", "absent"]):
            message = await next_message(client)
            words.append(message.payload.decode())
        # Nothing is said twice: not the will beside its own word.
        assert all(one != other for one, other in pairwise(words))


async def test_its_uptime_counts_from_the_wake(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("larch", uses_broker=False, **NAP)) as lab:
        unit = lab.units["larch-1"]
        unit._booted_at -= 1000
        slept = unit.boots, sum(what == "asleep" for _, what in unit.history)
        await lab.wait_until(
            lambda: unit.serving and sum(what == "awake" for _, what in unit.history) > slept[1]
        )
        assert (await read_http(unit)).json()["unit"]["uptime_s"] < 10
        assert unit.boots == slept[0]


async def test_a_restart_that_is_due_comes_before_sleep(make_lab: LabMaker) -> None:
    """Told with less than the 0.2 s left that a restart takes to begin."""
    spec = unit_spec("larch", uses_broker=False, wake_every_seconds=30, awake_seconds=0.15)
    async with make_lab(spec) as lab:
        unit = lab.units["larch-1"]
        message = settings_message("larch", wifi_name="new-net", wifi_key=lab.new.secret)
        await lab.wait_until(lambda: unit.serving)
        await send_http(unit, message)
        await lab.wait_until(lambda: lab.where("larch-1") == "new", 5)
        assert "asleep" not in [what for _, what in unit.history]


async def test_nothing_is_kept_for_it_while_it_sleeps(make_lab: LabMaker) -> None:
    spec = unit_spec("larch", wake_every_seconds=0.8, awake_seconds=0.2)
    async with make_lab(spec) as lab, mqtt_client(lab.old, "larch/t1/presence") as client:
        unit = lab.units["larch-1"]
        await lab.wait_until(lambda: unit.history[-1][1] == "asleep")
        while (await next_message(client)).payload != b"absent":
            pass
        await client.publish("larch/t1/patch", settings_message("larch", group="shed"), qos=1)
        await lab.wait_until(lambda: unit.up)
        await lab.wait_until(lambda: unit.history[-1][1] == "asleep")
        assert unit.store.group == "house"
        assert unit.messages_that_changed == []


async def test_a_sleeper_does_not_hold_up_the_start_of_a_lab(make_lab: LabMaker) -> None:
    """Not all are ever up at the same time: one is awake only at its start."""
    once = unit_spec("larch", 1, uses_broker=False, wake_every_seconds=3600, awake_seconds=0.05)
    late = unit_spec("larch", 2)
    async with asyncio.timeout(20), make_lab(once, late) as lab:
        assert lab.units["larch-2"].up
