"""The two brokers: who is let in, what is kept, what is said about the dead."""

from __future__ import annotations

import asyncio
import logging
import ssl
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import trustme
from amqtt.broker import Broker

from migrate.lab import EmbeddedBroker, MosquittoBroker, free_port
from migrate.lab.unit_mqtt import DroppableClient

from .helpers import next_message

needs_mosquitto = pytest.mark.skipif(
    not MosquittoBroker.available(), reason="Mosquitto is not installed on this machine"
)
BOTH = pytest.mark.parametrize(
    "kind", [EmbeddedBroker, pytest.param(MosquittoBroker, marks=needs_mosquitto)]
)
HOST = "127.0.0.1"
Kind = Callable[..., EmbeddedBroker | MosquittoBroker]


def client(broker: Any, name: str | None = "house", word: str | None = "right", **more: Any) -> Any:
    return DroppableClient(
        broker.host, broker.port, username=name, password=word, timeout=5, **more
    )


@BOTH
async def test_the_right_password_and_no_other(kind: Kind) -> None:
    async with kind(HOST, free_port(), "house", "right") as broker:
        async with client(broker):
            pass
        for name, word in [("house", "wrong"), ("guest", "right"), ("house", None), (None, None)]:
            # CONNACK return codes 4 and 5, OASIS MQTT 3.1.1, section 3.2.2.3
            with pytest.raises(aiomqtt.MqttCodeError) as refusal:
                async with client(broker, name, word):
                    pass
            assert refusal.value.rc in (4, 5, 134, 135)


@BOTH
async def test_everybody_without_a_password(kind: Kind) -> None:
    async with kind(HOST, free_port()) as broker, client(broker, None, None):
        pass


@BOTH
async def test_retained_messages(kind: Kind) -> None:
    """OASIS MQTT 3.1.1, section 3.3.1.3."""
    async with kind(HOST, free_port(), "house", "right") as broker, client(broker) as one:
        await one.publish("a/presence", "present", qos=1, retain=True)
        await one.publish("b/presence", "present", qos=1)
        async with client(broker) as other:
            await other.subscribe("+/presence")
            message = await next_message(other)
            assert (str(message.topic), message.payload) == ("a/presence", b"present")
            assert message.retain
            await one.publish("a/presence", b"", qos=1, retain=True)
            assert (await next_message(other)).payload == b""
        async with client(broker) as late:
            await late.subscribe("+/presence")
            await late.subscribe("end")
            await one.publish("end", "end", qos=1)
            assert str((await next_message(late)).topic) == "end"


@BOTH
async def test_a_newcomer_gets_nothing_it_did_not_ask_for(kind: Kind) -> None:
    """OASIS MQTT 3.1.1, section 3.3.1.3: retained messages go to matching subscriptions."""
    async with kind(HOST, free_port(), "house", "right") as broker, client(broker) as watcher:
        await watcher.subscribe("+/presence")
        await watcher.publish("a/presence", "present", qos=1, retain=True)
        async with client(broker) as newcomer:
            await newcomer.subscribe("end")
            await watcher.publish("end", "end", qos=1)
            assert str((await next_message(newcomer)).topic) == "end"


@BOTH
async def test_a_dropped_link_brings_the_will_and_a_goodbye_does_not(kind: Kind) -> None:
    """OASIS MQTT 3.1.1, sections 3.1.2.5 and 3.14.4."""
    async with kind(HOST, free_port(), "house", "right") as broker, client(broker) as watcher:
        await watcher.subscribe("+/presence")
        polite = client(broker, will=aiomqtt.Will("polite/presence", "absent", retain=True))
        async with polite:
            pass
        dying = client(broker, will=aiomqtt.Will("dying/presence", "absent", retain=True))
        await dying.__aenter__()
        dying.vanish()
        message = await next_message(watcher)
        assert (str(message.topic), message.payload) == ("dying/presence", b"absent")
        async with client(broker) as late:
            await late.subscribe("+/presence")
            assert str((await next_message(late)).topic) == "dying/presence"


@BOTH
async def test_tls_with_the_right_and_a_wrong_authority(kind: Kind, tmp_path: Path) -> None:
    authority, stranger = trustme.CA(), trustme.CA()
    issued = authority.issue_cert(HOST)
    certificate, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    issued.cert_chain_pems[0].write_to_path(str(certificate))
    issued.private_key_pem.write_to_path(str(key))

    def trust(ca: trustme.CA) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        ca.configure_trust(context)
        return context

    async with kind(HOST, free_port(), "house", "right", (certificate, key)) as broker:
        async with client(broker, tls_context=trust(authority)):
            pass
        with pytest.raises(aiomqtt.MqttError):
            async with client(broker, tls_context=trust(stranger)):
                pass
        with pytest.raises(aiomqtt.MqttError):
            async with aiomqtt.Client(broker.host, broker.port, timeout=0.5):
                pass


@BOTH
async def test_it_can_be_stopped_and_started_again(kind: Kind) -> None:
    broker = kind(HOST, free_port(), "house", "right")
    for _ in range(2):
        async with broker, client(broker):
            pass
        with pytest.raises(aiomqtt.MqttError):
            async with client(broker):
                pass


async def test_two_hundred_and_twenty_clients_at_once() -> None:
    async with EmbeddedBroker(HOST, free_port(), "house", "right") as broker:
        clients = [
            client(broker, identifier=f"c{n}", will=aiomqtt.Will(f"c{n}/presence", "absent"))
            for n in range(220)
        ]
        await asyncio.gather(*(c.__aenter__() for c in clients))
        for n, each in enumerate(clients):
            await each.subscribe("everybody")
            await each.publish(f"c{n}/presence", "present", qos=1, retain=True)
        assert len(broker.retained) == 220
        async with client(broker) as caller:
            await caller.publish("everybody", "hear", qos=1)
            heard = await asyncio.gather(*(next_message(c) for c in clients))
            # Exactly what was asked for: no presence of others among it.
            assert {str(message.topic) for message in heard} == {"everybody"}
            await caller.subscribe("+/presence")
            for _ in range(220):
                assert (await next_message(caller)).payload == b"present"
            for each in clients:
                each.vanish()
            for _ in range(220):
                assert (await next_message(caller)).payload == b"absent"


@BOTH
async def test_no_password_in_a_log_a_repr_or_a_readable_file(
    kind: Kind, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    word = "a word that nobody may read"
    with caplog.at_level(logging.DEBUG):
        folder = {"folder": tmp_path} if kind is MosquittoBroker else {}
        async with kind(HOST, free_port(), "house", word, **folder) as broker:
            async with client(broker, "house", word):
                pass
            with pytest.raises(aiomqtt.MqttError):
                async with client(broker, "house", word + "!"):
                    pass
            assert word not in repr(broker)
            assert_private(tmp_path, word)
    assert word not in caplog.text


def assert_private(folder: Path, word: str) -> None:
    for file in folder.iterdir():
        assert word not in file.read_text()
        assert file.stat().st_mode & 0o077 == 0


def test_what_is_changed_in_amqtt_is_still_there() -> None:
    """The embedded broker overrides two private methods: a release without them is noticed."""
    for name in ("_publish_retained_messages_for_subscription", "_topic_filtering"):
        assert callable(getattr(Broker, name))


@needs_mosquitto
async def test_mosquitto_that_cannot_start_says_so(tmp_path: Path) -> None:
    missing = tmp_path / "missing.pem"
    with pytest.raises(RuntimeError, match="mosquitto ended"):
        async with MosquittoBroker(HOST, free_port(), tls=(missing, missing)):
            pass
