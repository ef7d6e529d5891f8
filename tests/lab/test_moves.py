"""Units with real sockets: moves, half moves, brokers that come late, spare networks."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
import trustme

from migrate.lab import BrokerKind, Lab, MosquittoBroker, SideSpec, two_networks_possible
from migrate.lab.air import pairwise_key

from .helpers import (
    FAMILIES,
    MERGE_PATCH,
    NEW_KEY,
    OLD_KEY,
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
ANSWER_TOPIC = {"larch": "patched", "rowan": "return", "sedge": "reply"}
ASK_TOPIC = {"larch": "patch", "rowan": "call", "sedge": "say"}
WORDS = {"larch": (b"present", b"absent"), "rowan": (b"here", b"gone"), "sedge": (b"up", b"down")}
MAC = {"larch": '"mac": "00-00-5E-00-53-01"', "sedge": "unit.mac: 00-00-5E-00-53-01"}
MAC["rowan"] = MAC["larch"]

every_family = pytest.mark.parametrize("family", FAMILIES)
two_networks = pytest.mark.skipif(
    not two_networks_possible(), reason="this machine has one loopback address only"
)


def to_new(lab: Lab) -> dict[str, object]:
    """A whole change: network and broker of the new side."""
    return {
        "wifi_name": lab.new.ssid,
        "wifi_key": lab.new.secret,
        "broker_host": lab.new.broker_host,
        "broker_port": lab.new.broker_port,
        "broker_password": lab.new.broker_password,
    }


@two_networks
@every_family
async def test_a_unit_moves_over_http_and_answers_at_its_new_address(
    family: str, make_lab: LabMaker
) -> None:
    async with make_lab(unit_spec(family)) as lab:
        (unit,) = lab.units.values()
        before = unit.address
        assert before in lab.old.subnet
        assert lab.where(unit.name) == "old"
        assert MAC[family] in (await read_http(unit)).text
        await move(unit, **to_new(lab))
        await lab.wait_until(lambda: lab.where(unit.name) == "nowhere")
        await lab.wait_until(lambda: lab.where(unit.name) == "new" and unit.up)
        assert unit.boots == 2
        assert unit.address in lab.new.subnet
        assert unit.address is not None
        assert before is not None
        assert unit.address.packed[-1] != before.packed[-1]
        answer = await read_http(unit)
        assert MAC[family] in answer.text
        assert "new-net" in answer.text
        assert str(unit.address) in answer.text
        line = lab.new.lease_file.read_text().split()
        assert line[1:4] == ["00:00:5e:00:53:01", str(unit.address), unit.name]
        with pytest.raises(httpx.ConnectError):
            async with http_client() as client:
                await client.get(f"http://{before}:{unit.http_port}/")
        assert len(unit.messages_that_changed) == 1
        assert unit.last_restart_began is not None
        assert unit.last_up is not None
        assert unit.last_up - unit.last_restart_began >= unit.spec.restart_seconds


KINDS = [
    BrokerKind.EMBEDDED,
    pytest.param(
        BrokerKind.MOSQUITTO,
        marks=pytest.mark.skipif(
            not MosquittoBroker.available(), reason="Mosquitto is not installed on this machine"
        ),
    ),
]


@every_family
@pytest.mark.parametrize("kind", KINDS)
async def test_a_unit_moves_over_mqtt_and_its_presence_follows(
    family: str, kind: BrokerKind, make_lab: LabMaker
) -> None:
    here, gone = WORDS[family]
    presence, ask = f"{family}/t1/presence", f"{family}/t1/{ASK_TOPIC[family]}"
    answer = f"{family}/t1/{ANSWER_TOPIC[family]}"
    async with (
        make_lab(unit_spec(family), brokers=kind) as lab,
        mqtt_client(lab.old, presence, answer) as old,
        mqtt_client(lab.new, presence) as new,
    ):
        (unit,) = lab.units.values()
        message = await next_message(old)
        assert (message.payload, message.retain) == (here, True)
        await old.publish(ask, settings_message(family, **to_new(lab)), qos=1)
        message = await next_message(old)
        assert str(message.topic) == answer
        assert not message.retain
        if family == "sedge":
            assert message.payload == b"ok 5\n"
            await old.publish(ask, b"restart", qos=1)
            assert (await next_message(old)).payload == b"ok\n"
        # The link was dropped, not closed: the broker sends the will, retained.
        assert (await next_message(old)).payload == gone
        message = await next_message(new)
        assert message.payload == here
        await lab.wait_until(lambda: unit.up)
        assert lab.where(unit.name) == "new"
        async with mqtt_client(lab.old, presence) as late:
            message = await next_message(late)
            assert (message.payload, message.retain) == (gone, True)


@every_family
async def test_reading_over_mqtt(family: str, make_lab: LabMaker) -> None:
    show, topic, answer = {
        "larch": (b"", "show", "document"),
        "rowan": (rpc("settings.show"), "call", "return"),
        "sedge": (b"report", "say", "reply"),
    }[family]
    async with (
        make_lab(unit_spec(family)) as lab,
        mqtt_client(lab.old, f"{family}/t1/{answer}") as client,
    ):
        await client.publish(f"{family}/t1/{topic}", show, qos=1)
        shown = await next_message(client)
        assert isinstance(shown.payload, bytes)
        assert MAC[family].encode() in shown.payload


@every_family
async def test_a_group_message_reaches_all_and_nobody_answers(
    family: str, make_lab: LabMaker
) -> None:
    specs = [unit_spec(family, 1), unit_spec(family, 2), unit_spec(family, 3, group="other")]
    changed = settings_message(family, broker_port=1)
    async with (
        make_lab(*specs) as lab,
        mqtt_client(lab.old, f"{family}/+/{ANSWER_TOPIC[family]}") as client,
    ):
        one, two, three = lab.units.values()
        await client.publish(f"{family}/house/{ASK_TOPIC[family]}", changed, qos=1)
        await lab.wait_until(lambda: one.store.broker_port == two.store.broker_port == 1)
        assert three.store.broker_port == lab.old.broker_port
        # The next answer on the wire is one that was asked for.
        own = settings_message(family, group="other")
        await client.publish(f"{family}/t3/{ASK_TOPIC[family]}", own, qos=1)
        assert str((await next_message(client)).topic).startswith(f"{family}/t3/")


@pytest.mark.parametrize("family", ["larch", "rowan"])
async def test_a_new_group_word_is_listened_on_at_once(family: str, make_lab: LabMaker) -> None:
    async with make_lab(unit_spec(family)) as lab, mqtt_client(lab.old) as client:
        (unit,) = lab.units.values()
        await send_http(unit, settings_message(family, group="stairs"))
        ask = ASK_TOPIC[family]
        # The old word is not heard any more; the new one is.
        old_word, new_word = (settings_message(family, broker_port=port) for port in (1, 2))
        await client.publish(f"{family}/house/{ask}", old_word, qos=1)
        await client.publish(f"{family}/stairs/{ask}", new_word, qos=1)
        await lab.wait_until(lambda: unit.store.broker_port != lab.old.broker_port)
        assert unit.store.broker_port == 2
        assert unit.boots == 1


async def test_sedges_group_word_waits_for_the_restart(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("sedge")) as lab, mqtt_client(lab.old) as client:
        (unit,) = lab.units.values()
        await send_http(unit, b"mqtt.group=stairs")
        await client.publish("sedge/house/say", b"output=off", qos=1)
        await lab.wait_until(lambda: unit.store.output is False)
        assert unit.running.group == "house"
        await send_http(unit, b"restart")
        await lab.wait_until(lambda: unit.boots == 2 and unit.up)
        assert "pending: 0" in (await read_http(unit)).text
        await client.publish("sedge/stairs/say", b"output=on", qos=1)
        await lab.wait_until(lambda: unit.store.output is True)


@every_family
async def test_half_a_change_leads_nowhere(family: str, make_lab: LabMaker) -> None:
    async with make_lab(unit_spec(family)) as lab:
        (unit,) = lab.units.values()
        await move(unit, wifi_name=lab.new.ssid)
        await lab.wait_until(lambda: unit.boots == 2 and unit.joins_failed >= 5)
        assert lab.where(unit.name) == "nowhere"
        assert unit.address is None
        assert (unit.store.wifi_name, unit.store.wifi_key) == ("new-net", OLD_KEY)


@every_family
async def test_a_network_off_the_air_is_waited_for(family: str, make_lab: LabMaker) -> None:
    async with make_lab(unit_spec(family), new_on_air=False) as lab:
        (unit,) = lab.units.values()
        await move(unit, **to_new(lab))
        await lab.wait_until(lambda: unit.joins_failed >= 5)
        assert lab.where(unit.name) == "nowhere"
        lab.new_network.on_air = True
        await lab.wait_until(lambda: lab.where(unit.name) == "new" and unit.up)
        assert unit.boots == 2


async def test_a_network_that_goes_off_the_air_takes_its_units_along(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("rowan")) as lab, mqtt_client(lab.old, "+/+/presence") as client:
        (unit,) = lab.units.values()
        await next_message(client)
        address = url(unit)
        lab.old_network.on_air = False
        await lab.wait_until(lambda: lab.where(unit.name) == "nowhere")
        assert (await next_message(client)).payload == b"gone"
        with pytest.raises(httpx.ConnectError):
            async with http_client() as http:
                await http.post(f"{address}/call")
        lab.old_network.on_air = True
        await lab.wait_until(lambda: unit.up)
        assert unit.boots == 1


async def test_a_hex_key_is_as_good_as_the_passphrase(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("rowan")) as lab:
        (unit,) = lab.units.values()
        key = pairwise_key("new-net", NEW_KEY).hex()
        await move(unit, **(to_new(lab) | {"wifi_key": key}))
        await lab.wait_until(lambda: lab.where(unit.name) == "new" and unit.up)


@every_family
async def test_a_broker_that_comes_late_is_found(family: str, make_lab: LabMaker) -> None:
    async with make_lab(unit_spec(family)) as lab:
        (unit,) = lab.units.values()
        assert lab.new_broker is not None
        await lab.new_broker.stop()
        await move(unit, **to_new(lab))
        await lab.wait_until(lambda: lab.where(unit.name) == "new")
        await lab.wait_until(lambda: unit.broker_attempts >= 2)
        assert unit.serving
        assert not unit.up
        await lab.new_broker.start()
        await lab.wait_until(lambda: unit.up)
        assert unit.boots == 2


async def test_a_wrong_broker_password_leaves_it_without_a_broker(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("larch")) as lab:
        (unit,) = lab.units.values()
        await move(unit, **(to_new(lab) | {"broker_password": "not this"}))
        await lab.wait_until(lambda: lab.where(unit.name) == "new")
        await lab.wait_until(lambda: unit.broker_attempts >= 3)
        assert not unit.broker_connected
        await move(unit, broker_password=lab.new.broker_password)
        await lab.wait_until(lambda: unit.up and unit.boots == 3)


async def test_the_old_broker_is_out_of_reach_from_the_new_network(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("rowan")) as lab:
        (unit,) = lab.units.values()
        await move(unit, wifi_name=lab.new.ssid, wifi_key=lab.new.secret)
        await lab.wait_until(lambda: lab.where(unit.name) == "new")
        with pytest.raises(TimeoutError):
            await lab.wait_until(lambda: unit.up, timeout=0.5)
        assert unit.broker_attempts == 0


async def test_routed_networks_reach_each_others_broker(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("rowan"), routed=True) as lab:
        (unit,) = lab.units.values()
        await move(unit, wifi_name=lab.new.ssid, wifi_key=lab.new.secret)
        await lab.wait_until(lambda: lab.where(unit.name) == "new" and unit.up)


async def test_one_access_point_that_changes_its_key(
    sides: tuple[SideSpec, SideSpec],
) -> None:
    """The same name, subnet and broker; the new key is in the spare slot beforehand."""
    old, _ = sides
    new = replace(old, secret=NEW_KEY)
    async with Lab([unit_spec("larch")], old, new, new_on_air=False) as lab:
        (unit,) = lab.units.values()
        assert lab.dhcp["old"] is lab.dhcp["new"]
        address = unit.address
        await move(unit, wifi_spare_name=new.ssid, wifi_spare_key=NEW_KEY)
        assert unit.store.wifi_spare_key == NEW_KEY
        assert (unit.boots, unit.up) == (1, True)
        lab.old_network.on_air, lab.new_network.on_air = False, True
        await lab.wait_until(lambda: lab.where(unit.name) == "new" and unit.up)
        assert unit.address == address


async def test_overlapping_subnets_with_two_lease_files_are_refused(
    sides: tuple[SideSpec, SideSpec],
) -> None:
    old, new = sides
    with pytest.raises(ValueError, match="overlap"):
        Lab([], old, replace(new, subnet=old.subnet))


async def test_one_broker_for_both_sides(sides: tuple[SideSpec, SideSpec]) -> None:
    old, new = sides
    new = replace(
        new,
        broker_host=old.broker_host,
        broker_port=old.broker_port,
        broker_password=old.broker_password,
    )
    async with Lab([unit_spec("sedge")], old, new) as lab:
        assert lab.old_broker is lab.new_broker
        (unit,) = lab.units.values()
        await move(unit, wifi_name=lab.new.ssid, wifi_key=lab.new.secret)
        await lab.wait_until(lambda: lab.where(unit.name) == "new" and unit.up)


async def test_larchs_spare_network(make_lab: LabMaker) -> None:
    """Manual of larch: tried after three failed joins, then kept until a restart."""
    async with make_lab(unit_spec("larch"), new_on_air=False, routed=True) as lab:
        (unit,) = lab.units.values()
        await move(unit, wifi_spare_name=lab.new.ssid, wifi_spare_key=lab.new.secret)
        assert (unit.boots, unit.up) == (1, True)
        assert lab.where(unit.name) == "old"
        assert not unit.on_spare
        failed = unit.joins_failed
        lab.old_network.on_air = False
        lab.new_network.on_air = True
        await lab.wait_until(lambda: lab.where(unit.name) == "new" and unit.up)
        assert unit.on_spare
        assert unit.joins_failed - failed == 3
        # It stays with the spare network, whatever else comes on the air...
        lab.old_network.on_air = True
        lab.new_network.on_air = False
        await lab.wait_until(lambda: unit.joins_failed - failed >= 10)
        assert lab.where(unit.name) == "nowhere"
        # ...until it is restarted.
        await unit.power_cycle()
        await lab.wait_until(lambda: lab.where(unit.name) == "old" and unit.up)


async def test_an_empty_spare_name_is_no_spare_network(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("larch")) as lab:
        (unit,) = lab.units.values()
        lab.old_network.on_air = False
        await lab.wait_until(lambda: unit.joins_failed >= 8)
        lab.old_network.on_air = True
        await lab.wait_until(lambda: unit.up)
        assert not unit.on_spare


@pytest.mark.parametrize("trusting", [True, False])
async def test_a_broker_with_tls_needs_a_unit_that_trusts_it(
    trusting: bool, sides: tuple[SideSpec, SideSpec], tmp_path: Path
) -> None:
    authority, stranger = trustme.CA(), trustme.CA()
    issued = authority.issue_cert("127.30.0.2", "127.0.0.1")
    certificate, key, ca = (tmp_path / name for name in ("cert.pem", "key.pem", "ca.pem"))
    issued.cert_chain_pems[0].write_to_path(str(certificate))
    issued.private_key_pem.write_to_path(str(key))
    (authority if trusting else stranger).cert_pem.write_to_path(str(ca))
    old, new = sides
    new = replace(new, broker_tls=(certificate, key))
    spec = unit_spec("rowan", trusted_ca=ca)
    async with Lab([spec], old, new) as lab:
        (unit,) = lab.units.values()
        await move(unit, **to_new(lab), broker_secure=True)
        await lab.wait_until(lambda: lab.where(unit.name) == "new")
        if trusting:
            await lab.wait_until(lambda: unit.up)
        else:
            await lab.wait_until(lambda: unit.broker_attempts >= 3)
            assert not unit.broker_connected


async def test_http_passwords_on_the_wire(make_lab: LabMaker) -> None:
    specs = [
        unit_spec("larch", 1, http_password="door word"),
        unit_spec("rowan", 2, http_password="door word"),
    ]
    async with make_lab(*specs) as lab, http_client() as client:
        larch, rowan = lab.units.values()
        assert (await read_http(larch)).status_code == 401
        assert (await read_http(rowan)).status_code == 401
        target = f"{url(larch)}/unit/document"
        assert (await client.get(target, auth=("owner", "door word"))).status_code == 200
        bad = await client.patch(
            target,
            content=settings_message("larch", wifi_name="x"),
            headers=MERGE_PATCH,
            auth=("owner", "window"),
        )
        assert bad.status_code == 401
        assert larch.store.wifi_name == "old-net"
        digest = httpx.DigestAuth("owner", "door word")
        question = json.loads(rpc("settings.show"))
        good = await client.post(f"{url(rowan)}/call", json=question, auth=digest)
        assert good.json()["result"]["mac"] == rowan.spec.mac


async def test_a_unit_without_broker_says_nothing_and_still_moves(make_lab: LabMaker) -> None:
    async with make_lab(unit_spec("sedge", uses_broker=False)) as lab:
        (unit,) = lab.units.values()
        assert unit.up
        assert not unit.broker_connected
        await move(unit, wifi_name=lab.new.ssid, wifi_key=lab.new.secret)
        await lab.wait_until(lambda: lab.where(unit.name) == "new" and unit.up)
        assert unit.broker_attempts == 0
