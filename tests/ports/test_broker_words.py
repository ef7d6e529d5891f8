"""What a real broker says, and how it ends in words: Debian's mosquitto, by MQTT 5.0."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import trustme
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from migrate.dialects.messages import MqttRequest, Reply
from migrate.lab import EmbeddedBroker, MosquittoBroker, free_port
from migrate.model.problems import Unreachable
from migrate.model.secrets import Secret
from migrate.ports import mqtt
from migrate.ports.broker import BrokerAddress, is_refused_login, refusal
from migrate.ports.mqtt import BrokerLink
from migrate.ports.mqtt_client import V5, Client
from migrate.ports.protocols import NoReply, NotDelivered

from .servers import HOST, dynamic

pytestmark = pytest.mark.skipif(
    not MosquittoBroker.available(),
    reason="mosquitto is not installed (Debian: apt-get install mosquitto)",
)
ASK, SAY = "rowan/t1/call", "rowan/t1/return"
REQUEST = MqttRequest(ASK, b"show", SAY)
Make = Callable[..., MosquittoBroker | EmbeddedBroker]


def at(broker: MosquittoBroker | EmbeddedBroker, password: str = "") -> BrokerAddress:
    login = Secret(password) if password else None
    return BrokerAddress(broker.host, broker.port, username="house" * bool(login), password=login)


@asynccontextmanager
async def up(broker: BrokerAddress, *topics: str, **more: Any) -> AsyncIterator[BrokerLink]:
    link = BrokerLink(broker, "old", topics or (SAY,), **more)
    await link.start(10)
    try:
        yield link
    finally:
        await link.stop()


@asynccontextmanager
async def echoes(broker: Any, topics: str = ASK) -> AsyncIterator[list[str]]:
    """Somebody who answers each message at .../call on .../return."""
    heard: list[str] = []
    ready = asyncio.Event()

    async def live() -> None:
        async with aiomqtt.Client(broker.host, broker.port) as client:
            await client.subscribe(topics, qos=1)
            ready.set()
            async for message in client.messages:
                heard.append(message.topic.value)
                reply = message.topic.value.replace("call", "return")
                await client.publish(reply, message.payload, qos=0)

    task = asyncio.create_task(live())
    try:
        async with asyncio.timeout(10):
            await ready.wait()
        yield heard
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def publish(broker: Any, topic: str, payload: bytes, *, retain: bool = False) -> None:
    async with aiomqtt.Client(broker.host, broker.port) as client:
        await client.publish(topic, payload, qos=1, retain=retain)


# Certificates


async def words_for(tmp_path: Path, authority: trustme.CA, name: str, **dates: Any) -> str:
    cert = authority.issue_cert(name, **dates)
    chain, key, ca = tmp_path / "b.pem", tmp_path / "b.key", tmp_path / "ca.pem"
    cert.cert_chain_pems[0].write_to_path(chain)
    cert.private_key_pem.write_to_path(key)
    if not ca.exists():
        authority.cert_pem.write_to_path(ca)
    async with MosquittoBroker(HOST, free_port(), tls=(chain, key)) as broker:
        link = BrokerLink(BrokerAddress(HOST, broker.port, tls=True, ca=ca), "new", (SAY,))
        with pytest.raises(Unreachable) as caught:
            await link.start(10)
    (problem,) = caught.value.problems
    return f"{problem.what} -> {problem.remedy}"


async def test_each_fault_of_a_certificate_has_its_own_words(tmp_path: Path) -> None:
    """RFC 5280 section 4.1.2.5 (validity), RFC 9525 (names)."""
    authority, now = trustme.CA(), datetime.now(UTC)
    day = timedelta(days=1)
    past = await words_for(tmp_path, authority, HOST, not_before=now - 2 * day, not_after=now - day)
    assert "shows a certificate that has expired -> renew" in past
    coming = await words_for(
        tmp_path, authority, HOST, not_before=now + day, not_after=now + 2 * day
    )
    assert "not valid yet -> see that the clock" in coming
    named = await words_for(tmp_path, authority, "broker.example.net")
    assert "certificate for another name than its host -> give as host" in named
    (tmp_path / "ca.pem").unlink()
    trustme.CA().cert_pem.write_to_path(tmp_path / "ca.pem")
    other = await words_for(tmp_path, authority, HOST)
    assert "no authority trusted here has issued -> give the certificate file" in other


async def test_a_broker_that_wants_a_certificate_of_the_client(tmp_path: Path) -> None:
    """By TLS 1.3 its refusal comes after the handshake (RFC 8446, section 4.4.2.4)."""
    authority = trustme.CA()
    cert = authority.issue_cert(HOST)
    chain, key, ca = tmp_path / "b.pem", tmp_path / "b.key", tmp_path / "ca.pem"
    cert.cert_chain_pems[0].write_to_path(chain)
    cert.private_key_pem.write_to_path(key)
    authority.cert_pem.write_to_path(ca)
    # The lab asks its server whether it is there: by a second listener, without TLS.
    port = free_port()
    more = [f"listener {port} {HOST}", f"certfile {chain}", f"keyfile {key}", f"cafile {ca}"]
    async with MosquittoBroker(HOST, free_port(), more=[*more, "require_certificate true"]):
        begun = asyncio.get_running_loop().time()
        link = BrokerLink(BrokerAddress(HOST, port, tls=True, ca=ca), "new", (SAY,))
        with pytest.raises(Unreachable, match="certificate of the client"):
            await link.start(10)
        assert asyncio.get_running_loop().time() - begun < 5


# Access rules


async def test_a_publish_that_is_not_allowed_is_told_and_not_delivered() -> None:
    """PUBACK with 135, not authorized: MQTT 5.0 section 3.4.2.1."""
    rules = f"topic readwrite #\ntopic deny {ASK}\n"
    async with (
        MosquittoBroker(HOST, free_port(), access=rules) as broker,
        up(at(broker)) as link,
    ):
        begun = asyncio.get_running_loop().time()
        with pytest.raises(NotDelivered, match=rf"message for {ASK} .*\(not authorized\)"):
            await link.exchange(REQUEST, 20)
        assert asyncio.get_running_loop().time() - begun < 5


async def test_an_answer_that_may_not_be_read_is_a_message_that_was_taken() -> None:
    """mosquitto's file of access rules knows no subscriptions: SUBACK says yes, and nothing comes.
    That the broker took the message is all that can be told."""
    rules = f"topic readwrite #\ntopic deny {SAY}\n"
    async with (
        MosquittoBroker(HOST, free_port(), access=rules) as broker,
        up(at(broker)) as link,
        echoes(broker) as heard,
    ):
        with pytest.raises(NoReply, match="old broker, which took the message"):
            await link.exchange(REQUEST, 0.5)
        assert heard == [ASK]


async def test_a_subscription_that_is_refused_is_told_before_anything_is_sent(
    tmp_path: Path,
) -> None:
    """SUBACK with 135: MQTT 5.0 section 3.9.3."""
    broker = MosquittoBroker(HOST, free_port(), more=dynamic(tmp_path, SAY))
    async with broker, echoes(broker) as heard:
        async with up(at(broker), SAY, "rowan/t1/presence") as link:
            with pytest.raises(NotDelivered, match=rf"subscribe to {SAY} \(not authorized\)"):
                await link.exchange(REQUEST, 20)
        link = BrokerLink(at(broker), "old", (SAY,), must_hear=(SAY,))
        with pytest.raises(Unreachable, match=rf"subscribe to {SAY} .*access rules"):
            await link.start(10)
        assert heard == []


async def test_a_broker_of_mqtt_3_1_1_is_spoken_to_by_that() -> None:
    """It answers with return code 1 (OASIS MQTT 3.1.1, section 3.1.2.2); amqtt speaks only that."""
    async with EmbeddedBroker(HOST, free_port()) as broker, up(at(broker)) as link:
        assert link._version is not V5
    async with MosquittoBroker(HOST, free_port()) as real, up(at(real)) as link:
        assert link._version is V5


def test_every_reason_has_words() -> None:
    """MQTT 5.0 tables of sections 3.4.2.1 and 3.9.3, from memory."""
    for code in (128, 131, 135, 143, 144, 151, 153):
        assert "reason" not in refusal(code).removeprefix("it gives no reason")
    assert refusal(199) == "reason 199"


# Nobody listens


async def test_a_message_for_nobody_is_not_delivered_and_waits_for_somebody() -> None:
    """PUBACK with 16, no matching subscribers: MQTT 5.0 section 3.4.2.1."""
    async with MosquittoBroker(HOST, free_port()) as broker, up(at(broker)) as link:
        with pytest.raises(NotDelivered, match=f"nobody listens to {ASK} at the old broker"):
            await link.exchange(REQUEST, 0.4)
        asking = asyncio.create_task(link.exchange(REQUEST, 20))
        await asyncio.sleep(0)
        async with echoes(broker) as heard:
            assert (await asking).body == b"show"
            assert heard == [ASK]  # once, however often it was offered


async def test_a_command_is_not_obeyed_long_after_it_was_given_up() -> None:
    """A device with a session that outlives its connection: the broker keeps the message for it,
    and by its expiry interval not for long (MQTT 5.0 section 3.3.2.3.3)."""
    async with MosquittoBroker(HOST, free_port()) as broker, up(at(broker)) as link:
        stays = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        stays.SessionExpiryInterval = 600

        def device() -> aiomqtt.Client:
            return aiomqtt.Client(
                HOST, broker.port, identifier="lamp", protocol=aiomqtt.ProtocolVersion.V5,
                clean_start=False, properties=stays,
            )  # fmt: skip

        async with device() as lamp:
            await lamp.subscribe(ASK, qos=1)
        client, now = link._client, asyncio.get_running_loop().time
        assert client is not None
        assert await client.deliver(ASK, b"in time", now() + 60) == 0
        async with device() as lamp:
            async with asyncio.timeout(5):
                assert (await anext(lamp.messages)).payload == b"in time"
        assert await client.deliver(ASK, b"too late", now() + 0.5) == 0
        await asyncio.sleep(2.1)  # the broker's own clock: there is no event to wait for
        async with device() as lamp:
            await lamp.publish(ASK, b"after", qos=1)
            async with asyncio.timeout(5):
                assert (await anext(lamp.messages)).payload == b"after"


# Limits of a broker


async def test_no_more_is_under_way_than_the_broker_takes() -> None:
    """Receive Maximum: MQTT 5.0 section 3.2.2.3.3. mosquitto ends a connection that goes beyond."""
    narrow = ["max_inflight_messages 1", "max_queued_messages 1"]
    topics = [f"rowan/t{number}/call" for number in range(60)]
    replies = [topic.replace("call", "return") for topic in topics]
    async with (
        MosquittoBroker(HOST, free_port(), more=narrow) as broker,
        up(at(broker), *replies) as link,
        echoes(broker, "rowan/+/call") as heard,
    ):
        client = link._client

        async def one(topic: str, reply: str) -> Reply | None:
            try:
                return await link.exchange(MqttRequest(topic, b"x", reply), 2)
            except NoReply:
                return None  # dropped by the broker for a receiver that did not keep up

        got = await asyncio.gather(*(one(*pair) for pair in zip(topics, replies, strict=True)))
        assert link._client is client  # it was never thrown out
        assert len(heard) == len(set(heard))
        assert sum(reply is not None for reply in got) == len(heard)


async def test_a_message_that_is_too_long_for_the_broker_does_not_leave() -> None:
    """Maximum Packet Size: MQTT 5.0 section 3.2.2.3.6."""
    async with (
        MosquittoBroker(HOST, free_port(), more=["max_packet_size 200"]) as broker,
        up(at(broker)) as link,
        echoes(broker) as heard,
    ):
        with pytest.raises(NotDelivered, match="more than 200 octets"):
            await link.exchange(MqttRequest(ASK, bytes(300), SAY), 5)
        assert (await link.exchange(REQUEST, 5)).body == b"show"
        assert heard == [ASK]


async def test_a_full_queue_in_the_client_is_not_delivered(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """While an earlier message is not acknowledged, those that never left are known as such."""

    def deaf(self: Client, *_: object) -> None:
        """PUBACK is lost."""

    narrow = MosquittoBroker(HOST, free_port(), more=["max_inflight_messages 1"])
    async with narrow as broker, up(at(broker), SAY, "rowan/t2/return") as link:
        monkeypatch.setattr(Client, "_on_publish", deaf)
        assert link._client is not None
        link._client._client.on_publish = lambda *_: None
        with pytest.raises(NoReply, match="did not say that it took the message"):
            await link.exchange(REQUEST, 0.2)
        with pytest.raises(NotDelivered, match="does not keep up"):
            await link.exchange(MqttRequest("rowan/t2/call", b"x", "rowan/t2/return"), 0.2)


# Who has our session


async def test_a_session_that_is_taken_over_is_left_to_the_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """DISCONNECT with 142: MQTT 5.0 section 3.1.4. With another identifier nobody is thrown out in
    turn."""
    async with MosquittoBroker(HOST, free_port()) as broker, up(at(broker)) as link:
        first = link._client
        assert first is not None
        identifier = first.identifier
        # What every broker takes: MQTT 5.0 section 3.1.3.1.
        assert identifier.isascii()
        assert identifier.isalnum()
        assert len(identifier) <= 23
        again, serve = asyncio.Event(), link._serve

        async def serve_again(client: Client, started: asyncio.Future[None]) -> None:
            again.set()
            await serve(client, started)

        monkeypatch.setattr(link, "_serve", serve_again)
        thief = aiomqtt.Client(HOST, broker.port, identifier=identifier)
        async with thief, echoes(broker):
            async with asyncio.timeout(10):
                await again.wait()
                await link._up.wait()
            assert link._client is not None
            assert link._client.identifier != identifier
            assert (await link.exchange(REQUEST, 10)).body == b"show"
            await thief.publish("x", b"still here", qos=1, timeout=5)


async def test_two_runs_do_not_take_each_others_session() -> None:
    async with (
        MosquittoBroker(HOST, free_port()) as broker,
        up(at(broker)) as one,
        up(at(broker)) as two,
        echoes(broker),
    ):
        clients = one._client, two._client
        assert (await one.exchange(REQUEST, 5)).body == b"show"
        assert (await two.exchange(REQUEST, 5)).body == b"show"
        assert (one._client, two._client) == clients


# Logins


async def test_a_login_that_is_refused_in_the_middle_is_told_and_not_hammered(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    tries = 0
    enter = Client.__aenter__

    async def counted(self: Client) -> Client:
        nonlocal tries
        tries += 1
        return await enter(self)

    refused = asyncio.Event()

    def noticed(error: BaseException) -> bool:
        yes = is_refused_login(error)
        if yes:
            refused.set()
        return yes

    monkeypatch.setattr(Client, "__aenter__", counted)
    monkeypatch.setattr(mqtt, "is_refused_login", noticed)
    monkeypatch.setattr(mqtt, "REFUSED_PAUSE_SECONDS", 1.5)
    broker = MosquittoBroker(HOST, free_port(), "house", "first word 1")
    await broker.start()
    try:
        async with up(at(broker, "first word 1")) as link:
            await broker.stop()
            broker.change_login("second word 2")
            await broker.start()
            async with asyncio.timeout(10):
                await refused.wait()
            assert link._login_refused
            so_far = tries
            begun = asyncio.get_running_loop().time()
            with pytest.raises(NotDelivered, match="it refuses the user name or password"):
                await link.exchange(REQUEST, 20)
            assert asyncio.get_running_loop().time() - begun < 1  # waiting would not mend it
            await broker.stop()
            broker.change_login("first word 1")
            await broker.start()
            assert tries == so_far
            # What the owner mends at the broker is found without a new start.
            async with asyncio.timeout(10):
                await link._up.wait()
            assert tries <= so_far + 2
    finally:
        await broker.stop()


# Retained commands


@pytest.mark.parametrize("make", [MosquittoBroker, EmbeddedBroker])
async def test_retained_messages_on_command_topics_are_found(make: Make) -> None:
    """MQTT 5.0 section 3.3.1.3; a retained message of no octets clears the topic."""
    topics = [f"rowan/t{number}/call" for number in range(120)]
    later: list[str] = []
    async with make(HOST, free_port()) as broker:
        for number in (7, 77):
            await publish(broker, topics[number], b"secret wifi word", retain=True)
        await publish(broker, topics[8], b"live", retain=False)
        async with up(at(broker)) as link:
            seen = await link.retained(topics, lambda topic, side: later.append(topic))
            assert seen.unseen == ""
            assert set(seen.found) == {(topics[7], "old"), (topics[77], "old")}
            assert link.heard == {}  # nothing of what is in them is kept
            await publish(broker, topics[7], b"", retain=True)
            await publish(broker, topics[77], b"", retain=True)
            assert (await link.retained(topics, lambda topic, side: None)).found == ()
    assert later == []


@pytest.mark.parametrize("make", [MosquittoBroker, EmbeddedBroker])
async def test_a_retained_message_that_appears_later_is_told_and_what_is_live_is_not(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt, "LOOK_AGAIN_SECONDS", 0.05)
    later: list[tuple[str, str]] = []
    told = asyncio.Event()

    def hear(topic: str, side: str) -> None:
        later.append((topic, side))
        told.set()

    async with make(HOST, free_port()) as broker, up(at(broker)) as link, echoes(broker) as heard:
        assert (await link.retained([ASK, "rowan/t2/call", "rowan/t3/call"], hear)).found == ()
        assert (await link.exchange(REQUEST, 5)).body == b"show"
        await publish(broker, "rowan/t3/call", b"live")
        await publish(broker, "rowan/t2/call", b"kept", retain=True)
        async with asyncio.timeout(5):
            await told.wait()
        assert (await link.exchange(REQUEST, 5)).body == b"show"
        assert later == [("rowan/t2/call", "old")]  # once, however often it is looked for
        assert heard == [ASK, ASK]
        assert link.heard.keys() == {SAY}


async def test_looking_for_retained_messages_does_not_stand_for_a_device() -> None:
    """Whoever listens makes a message be one for somebody (PUBACK without 16)."""
    async with MosquittoBroker(HOST, free_port()) as broker, up(at(broker)) as link:
        await link.retained([ASK], lambda topic, side: None)
        with pytest.raises(NotDelivered, match="nobody listens"):
            await link.exchange(REQUEST, 0.2)


async def test_topics_that_may_not_be_looked_at_are_told(tmp_path: Path) -> None:
    rules = dynamic(tmp_path, ASK)
    async with MosquittoBroker(HOST, free_port(), more=rules) as broker, up(at(broker)) as link:
        seen = await link.retained([ASK, "rowan/t2/call"], lambda topic, side: None)
        assert seen.found == ()
        assert f"look for retained messages on {ASK} (not authorized)" in seen.unseen
