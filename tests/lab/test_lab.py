"""The lab as a whole: many units, one address, no secret anywhere."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable
from dataclasses import replace

import pytest

from migrate.lab import BrokerKind, Lab, SideSpec

from .helpers import (
    FAMILIES,
    NEW_KEY,
    OLD_KEY,
    http_client,
    move,
    mqtt_client,
    read_http,
    unit_spec,
    url,
)

LabMaker = Callable[..., Lab]


async def test_a_hundred_units_are_up_in_a_few_seconds_and_leave_nothing_behind(
    make_lab: LabMaker,
) -> None:
    tasks = asyncio.all_tasks()
    began = time.perf_counter()
    specs = [unit_spec(FAMILIES[n % 3], n) for n in range(100)]
    async with make_lab(*specs) as lab:
        assert time.perf_counter() - began < 10
        assert len({unit.address for unit in lab.units.values()}) == (1 if lab.one_address else 100)
        assert len(lab.old.lease_file.read_text().splitlines()) == 100
        assert all(lab.where(name) == "old" for name in lab.units)
        seen = set()
        async with mqtt_client(lab.old, "+/+/presence") as client, asyncio.timeout(5):
            async for message in client.messages:
                seen.add(str(message.topic))
                if len(seen) == 100:
                    break
        async with http_client() as http:
            for unit in lab.units.values():
                await http.get(url(unit))
    assert not any(unit.powered for unit in lab.units.values())
    await asyncio.sleep(0)
    assert asyncio.all_tasks() - tasks == set()


async def test_on_one_address_each_unit_keeps_its_port(make_lab: LabMaker) -> None:
    specs = [unit_spec(family, n) for n, family in enumerate(FAMILIES, 1)]
    async with make_lab(*specs, one_address=True) as lab:
        assert "not shown" in lab.shows
        assert lab.old.broker_host == lab.new.broker_host == "127.0.0.1"
        assert lab.old.broker_port != lab.new.broker_port
        ports = {name: unit.http_port for name, unit in lab.units.items()}
        assert len(set(ports.values())) == 3
        for unit in lab.units.values():
            await move(
                unit,
                wifi_name="new-net",
                wifi_key=NEW_KEY,
                broker_host=lab.new.broker_host,
                broker_port=lab.new.broker_port,
                broker_password=lab.new.broker_password,
            )
        await lab.wait_until(
            lambda: all(lab.where(name) == "new" and unit.up for name, unit in lab.units.items())
        )
        for name, unit in lab.units.items():
            assert unit.http_port == ports[name]
            assert unit.spec.mac in (await read_http(unit)).text


async def test_on_one_address_two_brokers_on_one_port_are_kept_apart(
    sides: tuple[SideSpec, SideSpec],
) -> None:
    old, new = sides
    new = replace(new, broker_port=old.broker_port)
    lab = Lab([], old, new, one_address=True)
    assert lab.old.broker_port != lab.new.broker_port


async def test_two_units_of_one_name_are_refused(sides: tuple[SideSpec, SideSpec]) -> None:
    with pytest.raises(ValueError, match="larch-1"):
        Lab([unit_spec("larch"), unit_spec("larch")], *sides)


async def test_without_brokers(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("larch"), brokers=BrokerKind.NONE) as lab:
        assert lab.old_broker is None
        assert all(unit.up for unit in lab.units.values())


async def test_waiting_gives_up_in_time(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("larch")) as lab:
        with pytest.raises(TimeoutError):
            await lab.wait_until(lambda: False, timeout=0.01)


async def test_power_off_and_on(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("sedge")) as lab:
        (unit,) = lab.units.values()
        address = unit.address
        await unit.power_off()
        assert lab.where(unit.name) == "nowhere"
        assert not unit.powered
        unit.power_on()
        await lab.wait_until(lambda: unit.up)
        assert unit.address == address
        assert unit.boots == 2


async def test_no_key_in_a_log_or_a_repr(
    make_lab: LabMaker, caplog: pytest.LogCaptureFixture
) -> None:
    words = ""
    with caplog.at_level(logging.DEBUG):
        specs = [
            unit_spec(family, n, http_password="door word") for n, family in enumerate(FAMILIES)
        ]
        async with make_lab(*specs) as lab:
            (*_, unit) = lab.units.values()
            assert unit.spec.family == "sedge"
            await move(unit, wifi_name="new-net", wifi_key=NEW_KEY)
            await lab.wait_until(lambda: lab.where(unit.name) == "new")
            for each in lab.units.values():
                words += repr((each, each.spec, each.store, each.history))
            words += repr((lab.old, lab.new, lab.old_network, lab.old_broker, vars(lab)))
    for secret in (OLD_KEY, NEW_KEY, "door word", "old broker secret", "new broker secret"):
        assert secret not in caplog.text
        assert secret not in words
