"""Each fault, seen from the outside, on the wire."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from functools import partial
from typing import Any

import httpx
import pytest

from migrate.lab import Fault, FaultKind, Lab, Unit, UnitSpec
from migrate.lab.faults import FaultSwitch

from .helpers import (
    FAMILIES,
    http_client,
    move,
    mqtt_client,
    next_message,
    read_http,
    rpc,
    send_http,
    settings_message,
    unit_spec,
    url,
)

LabMaker = Callable[..., Lab]
every_family = pytest.mark.parametrize("family", FAMILIES)


def changes(lab: Lab) -> dict[str, object]:
    return {"wifi_name": lab.new.ssid, "wifi_key": lab.new.secret}


def one(lab: Lab) -> Unit:
    (unit,) = lab.units.values()
    return unit


def up_after(unit: Unit, boots: int) -> bool:
    return unit.boots == boots and unit.up


def quiet(family: str, **more: Any) -> UnitSpec:
    return unit_spec(family, uses_broker=False, **more)


def test_how_often_and_for_what() -> None:
    switch = FaultSwitch(Fault(FaultKind.SILENT, times=2, only="writes"))
    assert switch.spoiled("read") is None
    assert switch.spoiled("none") is None
    assert switch.spoiled("write") is not None
    assert switch.spoiled("write") is not None
    assert switch.spoiled("write") is None
    for_ever = FaultSwitch(Fault(FaultKind.SILENT, only="reads"))
    assert all(for_ever.spoiled("read") for _ in range(10))
    assert for_ever.spoiled("write") is None
    assert FaultSwitch(None).spoiled("read") is None


@every_family
async def test_declines(family: str, make_lab: LabMaker) -> None:
    async with make_lab(quiet(family, fault=Fault(FaultKind.DECLINES, times=1))) as lab:
        unit = one(lab)
        answer = await send_http(unit, settings_message(family, **changes(lab)))
        assert "busy" in answer.text
        assert unit.store.wifi_name == "old-net"
        assert unit.messages_that_changed == []
        # Once was enough: the second time it is taken.
        await move(unit, **changes(lab))
        await lab.wait_until(lambda: lab.where(unit.name) == "new")


@every_family
@pytest.mark.parametrize("kind", [FaultKind.ANSWERS_HTML, FaultKind.ANSWERS_500])
async def test_other_pages(family: str, kind: FaultKind, make_lab: LabMaker) -> None:
    async with make_lab(quiet(family, fault=Fault(kind))) as lab:
        unit = one(lab)
        for answer in (
            await read_http(unit),
            await send_http(unit, settings_message(family, **changes(lab))),
        ):
            if kind is FaultKind.ANSWERS_HTML:
                assert answer.headers["content-type"].startswith("text/html")
                assert answer.status_code == 200
            else:
                assert answer.status_code == 500
        assert unit.store.wifi_name == "old-net"


async def test_redirects(make_lab: LabMaker) -> None:
    fault = Fault(FaultKind.REDIRECTS, location="http://192.0.2.77/elsewhere")
    async with make_lab(quiet("rowan", fault=fault)) as lab:
        answer = await read_http(one(lab))
        assert answer.status_code == 302
        assert answer.headers["location"] == "http://192.0.2.77/elsewhere"


@pytest.mark.parametrize("family", ["larch", "rowan"])
async def test_half_json(family: str, make_lab: LabMaker) -> None:
    fault = Fault(FaultKind.HALF_JSON, only="writes")
    async with make_lab(quiet(family, fault=fault)) as lab:
        unit = one(lab)
        assert (await read_http(unit)).json()
        answer = await send_http(unit, settings_message(family, **changes(lab)))
        with pytest.raises(json.JSONDecodeError):
            answer.json()
        assert unit.store.wifi_name == "new-net"


@every_family
async def test_silent_does_nothing_and_loses_ack_acts(family: str, make_lab: LabMaker) -> None:
    async with make_lab(quiet(family, fault=Fault(FaultKind.SILENT))) as lab:
        unit = one(lab)
        with pytest.raises(httpx.ReadTimeout):
            await send_http(unit, settings_message(family, **changes(lab)), timeout=0.3)
        assert unit.store.wifi_name == "old-net"
        unit.fault = Fault(FaultKind.SILENT, acts=True)
        with pytest.raises(httpx.ReadTimeout):
            await send_http(unit, settings_message(family, group="stairs"), timeout=0.15)
        assert unit.store.group == "stairs"
        unit.fault = Fault(FaultKind.LOSES_ACK)
        with pytest.raises((httpx.RemoteProtocolError, httpx.ReadError)):
            await send_http(unit, settings_message(family, **changes(lab)))
        assert unit.store.wifi_name == "new-net"
        if family == "sedge":
            with pytest.raises((httpx.RemoteProtocolError, httpx.ReadError)):
                await send_http(unit, b"restart")
        await lab.wait_until(lambda: lab.where(unit.name) == "new")


async def test_huge_body(make_lab: LabMaker) -> None:
    async with (
        make_lab(quiet("rowan", fault=Fault(FaultKind.HUGE_BODY))) as lab,
        http_client() as client,
        client.stream(
            "POST",
            f"{url(one(lab))}/call",
            content=rpc("settings.show"),
            headers={"content-type": "application/json"},
        ) as answer,
    ):
        assert answer.headers["content-length"] == str(100 * 1024 * 1024)
        received = 0
        async for piece in answer.aiter_raw():
            received += len(piece)
            if received > 2 * 1024 * 1024:
                break
        assert received > 2 * 1024 * 1024


@pytest.mark.parametrize(
    ("kind", "seen"),
    [
        (FaultKind.ANSWERS_HTML, b"<!doctype html>"),
        (FaultKind.HALF_JSON, b'{"jsonrpc"'),
        (FaultKind.HUGE_BODY, bytes(1024 * 1024)),
    ],
)
async def test_spoiled_answers_over_mqtt(kind: FaultKind, seen: bytes, make_lab: LabMaker) -> None:
    async with (
        make_lab(unit_spec("rowan", fault=Fault(kind, times=1))) as lab,
        mqtt_client(lab.old, "rowan/t1/return") as client,
    ):
        await client.publish("rowan/t1/call", rpc("settings.show"), qos=1)
        payload = (await next_message(client)).payload
        assert isinstance(payload, bytes)
        assert payload.startswith(seen)
        with pytest.raises(ValueError, match=r"Expecting|Unterminated|Invalid|char"):
            json.loads(payload)
        await client.publish("rowan/t1/call", rpc("settings.show"), qos=1)
        payload = (await next_message(client)).payload
        assert isinstance(payload, bytes)
        assert json.loads(payload)["result"]


@pytest.mark.parametrize("kind", [FaultKind.SILENT, FaultKind.LOSES_ACK, FaultKind.REDIRECTS])
async def test_silence_over_mqtt(kind: FaultKind, make_lab: LabMaker) -> None:
    async with (
        make_lab(unit_spec("larch", fault=Fault(kind, times=1))) as lab,
        mqtt_client(lab.old, "larch/t1/+") as client,
    ):
        unit = one(lab)
        await next_message(client)  # presence
        output_off = b'{"output": {"on": false}}'
        await client.publish("larch/t1/patch", output_off, qos=1)
        await client.publish("larch/t1/show", b"", qos=1)
        while not str((message := await next_message(client)).topic).endswith("document"):
            # Our own questions come back: the filter covers them. An answer must not.
            assert not str(message.topic).endswith("patched")
        assert unit.store.output is (kind is not FaultKind.LOSES_ACK)


@every_family
async def test_wrong_mac(family: str, make_lab: LabMaker) -> None:
    fault = Fault(FaultKind.WRONG_MAC, mac="00-00-5E-00-53-AA")
    async with make_lab(quiet(family, fault=fault)) as lab:
        unit = one(lab)
        assert "00-00-5E-00-53-AA" in (await read_http(unit)).text
        unit.fault = None
        assert unit.spec.mac in (await read_http(unit)).text


@every_family
async def test_wrong_readback(family: str, make_lab: LabMaker) -> None:
    async with make_lab(quiet(family, fault=Fault(FaultKind.WRONG_READBACK))) as lab:
        unit = one(lab)
        await move(unit, **changes(lab))
        await lab.wait_until(lambda: lab.where(unit.name) == "new")
        text = (await read_http(unit)).text
        assert "old-net" in text
        assert "new-net" not in text
        unit.fault = None
        assert "new-net" in (await read_http(unit)).text


async def test_slow_return(make_lab: LabMaker) -> None:
    fault = Fault(FaultKind.SLOW_RETURN, times=1, seconds=0.4)
    async with make_lab(quiet("rowan", fault=fault)) as lab:
        unit = one(lab)
        away = []
        for boots in (2, 3):
            await send_http(unit, rpc("unit.restart"))
            await lab.wait_until(partial(up_after, unit, boots))
            assert unit.last_up is not None
            assert unit.last_restart_began is not None
            away.append(unit.last_up - unit.last_restart_began)
        assert away[0] >= 0.45
        assert away[1] < 0.4


async def test_no_return_until_power_cycled(make_lab: LabMaker) -> None:
    async with make_lab(quiet("rowan", fault=Fault(FaultKind.NO_RETURN, times=1))) as lab:
        unit = one(lab)
        await move(unit, **changes(lab))
        await lab.wait_until(lambda: unit.last_restart_began is not None)
        with pytest.raises(TimeoutError):
            await lab.wait_until(lambda: unit.boots > 1, timeout=0.4)
        assert lab.where(unit.name) == "nowhere"
        await unit.power_cycle()
        await lab.wait_until(lambda: lab.where(unit.name) == "new")


@every_family
async def test_returns_to_old(family: str, make_lab: LabMaker) -> None:
    fault = Fault(FaultKind.RETURNS_TO_OLD, times=1)
    async with make_lab(quiet(family, fault=fault)) as lab:
        unit = one(lab)
        before = unit.store
        await move(unit, **changes(lab))
        await lab.wait_until(lambda: unit.boots == 2 and unit.up)
        assert lab.where(unit.name) == "old"
        assert unit.store == before
        assert len(unit.messages_that_changed) == 1
        await move(unit, **changes(lab))
        await lab.wait_until(lambda: lab.where(unit.name) == "new")


async def test_flaps_once(make_lab: LabMaker) -> None:
    fault = Fault(FaultKind.FLAPS, times=1, after=0.05, seconds=0.2)
    async with make_lab(unit_spec("larch", fault=fault), routed=True) as lab:
        unit = one(lab)
        await move(unit, **changes(lab))
        await lab.wait_until(lambda: lab.where(unit.name) == "new")
        await lab.wait_until(lambda: lab.where(unit.name) == "nowhere")
        left = asyncio.get_running_loop().time()
        await lab.wait_until(lambda: lab.where(unit.name) == "new" and unit.up)
        assert asyncio.get_running_loop().time() - left >= 0.19
        assert unit.boots == 2
        with pytest.raises(TimeoutError):
            await lab.wait_until(lambda: lab.where(unit.name) == "nowhere", timeout=0.3)


OUTPUT_OFF = {
    "larch": b'{"output": {"on": false}}',
    "rowan": rpc("settings.merge", {"output": False}),
    "sedge": b"output=off",
}
"""A message for the output alone, from the manuals (docs/manuals)."""


@every_family
async def test_its_output_comes_back_the_other_way_round(family: str, make_lab: LabMaker) -> None:
    fault = Fault(FaultKind.OUTPUT_OTHERWISE, times=1)
    async with make_lab(quiet(family, fault=fault)) as lab:
        unit = one(lab)
        # A message for the output alone takes effect at once, and restarts nothing (manuals).
        await send_http(unit, OUTPUT_OFF[family])
        assert (unit.running.output, unit.boots) == (False, 1)
        await move(unit, **changes(lab))
        await lab.wait_until(lambda: lab.where(unit.name) == "new")
        assert (unit.store.output, unit.running.output) == (True, True)
        told = (await read_http(unit)).text.replace(" ", "")
        assert '"on":true' in told or '"output":true' in told or "output:on" in told
        await send_http(unit, OUTPUT_OFF[family])
        assert (unit.store.output, unit.boots) == (False, 2)
