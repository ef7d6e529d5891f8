"""MQTT to devices, against the lab's embedded broker and Debian's mosquitto."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import trustme

from migrate.dialects.messages import MqttRequest
from migrate.lab import EmbeddedBroker, MosquittoBroker, free_port
from migrate.model.problems import Unreachable
from migrate.model.secrets import Secret
from migrate.ports.broker import BrokerAddress
from migrate.ports.mqtt import MAX_PAYLOAD_OCTETS, BrokerLink
from migrate.ports.mqtt_line import MqttLine
from migrate.ports.protocols import At, NoReply, NotDelivered, SideName

from .servers import HOST, never_answers, raw_server, says

PASSWORD = "c4nary broker word"
ASK, SAY = "rowan/t1/call", "rowan/t1/return"
Broker = EmbeddedBroker | MosquittoBroker
MakeBroker = Callable[..., Broker]
Answer = Callable[[bytes], list[bytes]]
OLD = At("old")


@pytest.fixture(params=["embedded", "mosquitto"])
def make_broker(request: pytest.FixtureRequest) -> MakeBroker:
    if request.param == "embedded":
        return EmbeddedBroker
    if not MosquittoBroker.available():
        pytest.skip("mosquitto is not installed (Debian: apt-get install mosquitto)")
    return MosquittoBroker


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture
def certificate(authority: trustme.CA, tmp_path: Path) -> tuple[Path, Path]:
    cert = authority.issue_cert(HOST)
    chain, key = tmp_path / "broker.pem", tmp_path / "broker.key"
    cert.cert_chain_pems[0].write_to_path(chain)
    cert.private_key_pem.write_to_path(key)
    return chain, key


@pytest.fixture
def ca(authority: trustme.CA, tmp_path: Path) -> Path:
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    return tmp_path / "ca.pem"


def address(broker: Broker, **more: Any) -> BrokerAddress:
    return replace(BrokerAddress(broker.host, broker.port), **more)


@asynccontextmanager
async def linked(
    broker: BrokerAddress, *topics: str, name: SideName = "old"
) -> AsyncIterator[MqttLine]:
    link = BrokerLink(broker, name, topics or (SAY,))
    async with MqttLine({"old": link, "new": link} if name == "old" else {"new": link}) as line:
        yield line


@asynccontextmanager
async def device(broker: Broker, answer: Answer) -> AsyncIterator[list[bytes]]:
    """Somebody who listens on ASK, and publishes on SAY what `answer` makes of each message."""
    heard: list[bytes] = []
    ready = asyncio.Event()

    async def live() -> None:
        async with aiomqtt.Client(broker.host, broker.port) as client:
            await client.subscribe(ASK, qos=1)
            ready.set()
            async for message in client.messages:
                assert isinstance(message.payload, bytes)
                heard.append(message.payload)
                for payload in answer(message.payload):
                    await client.publish(SAY, payload, qos=1)

    task = asyncio.create_task(live())
    try:
        async with asyncio.timeout(10):
            await ready.wait()
        yield heard
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def silent(asked: asyncio.Event) -> Answer:
    """An answer that never comes; the event says that it was asked for."""

    def answer(_: bytes) -> list[bytes]:
        asked.set()
        return []

    return answer


async def publish(broker: Broker, topic: str, payload: bytes, *, retain: bool = False) -> None:
    async with aiomqtt.Client(broker.host, broker.port) as client:
        await client.publish(topic, payload, qos=1, retain=retain)


def ask(payload: bytes = b"show", ident: int | None = None) -> MqttRequest:
    return MqttRequest(ASK, payload, SAY, ident)


def rpc(ident: object, result: object = True) -> bytes:
    return json.dumps({"jsonrpc": "2.0", "id": ident, "result": result}).encode()


# Exchanges


async def test_request_and_reply(make_broker: MakeBroker) -> None:
    hostile = "a;b=c%+#& \U0001f511 ".encode()
    async with (
        make_broker(HOST, free_port()) as broker,
        linked(address(broker)) as line,
        device(broker, lambda said: [said.upper()]) as heard,
    ):
        reply = await line.exchange(ask(hostile), OLD, 10)
    assert heard == [hostile]
    assert (reply.status, reply.body) == (None, hostile.upper())


async def test_a_retained_reply_is_an_answer_to_nobody(make_broker: MakeBroker) -> None:
    async with make_broker(HOST, free_port()) as broker:
        await publish(broker, SAY, b"from long ago", retain=True)
        link = BrokerLink(address(broker), "old", (SAY,))
        async with MqttLine({"old": link}) as line:
            await line.change(SAY, 10)  # the retained message has come
            assert line.last(SAY, "old") == "from long ago"
            asked = asyncio.Event()
            async with device(broker, silent(asked)):
                with pytest.raises(NoReply):
                    await line.exchange(ask(), OLD, 0.3)
                assert asked.is_set()
            async with device(broker, lambda said: [b"fresh"]):
                assert (await line.exchange(ask(), OLD, 10)).body == b"fresh"


async def test_a_retained_reply_during_an_exchange_is_passed_over() -> None:
    """A reply topic subscribed to anew, as after a reconnection, brings its retained message."""
    asked = asyncio.Event()
    async with (
        EmbeddedBroker(HOST, free_port()) as broker,
        linked(address(broker)) as line,
        device(broker, silent(asked)),
    ):
        asking = asyncio.create_task(line.exchange(ask(), OLD, 10))
        async with asyncio.timeout(5):
            await asked.wait()
        link = line.links["old"]
        link._take(aiomqtt.Message(SAY, b"old", 1, True, 1, None))
        link._take(aiomqtt.Message(SAY, b"new", 1, False, 2, None))
        assert (await asking).body == b"new"


@pytest.mark.parametrize(
    "others",
    [
        [rpc(6)],
        [rpc("7")],
        [json.dumps({"jsonrpc": "2.0", "id": 7, "method": "unit.restart"}).encode()],
        [json.dumps([{"jsonrpc": "2.0", "id": 7, "result": 0}]).encode()],
        [b"7", b"null", b'"7"'],
    ],
    ids=["other id", "text id", "a request", "a batch", "no object"],
)
async def test_answers_to_others_are_passed_over(others: list[bytes]) -> None:
    """JSON-RPC 2.0 section 5: the id is that of the request."""
    async with (
        EmbeddedBroker(HOST, free_port()) as broker,
        linked(address(broker)) as line,
        device(broker, lambda said: [*others, rpc(7, "mine")]),
    ):
        reply = await line.exchange(ask(b"{}", 7), OLD, 10)
    assert json.loads(reply.body)["result"] == "mine"


@pytest.mark.parametrize(
    "said",
    [
        b'{"jsonrpc": "2.0", "id": null, "error": {"code": -32700, "message": "Parse error"}}',
        b'{"jsonrpc": "2.0", "id": 7, "res',
        b"<html>",
    ],
    ids=["null id", "half", "no JSON"],
)
async def test_what_may_be_the_answer_is_handed_on(said: bytes) -> None:
    """Whoever understands it then says that it is unclear; waiting on would tell less."""
    async with (
        EmbeddedBroker(HOST, free_port()) as broker,
        linked(address(broker)) as line,
        device(broker, lambda _: [said]),
    ):
        assert (await line.exchange(ask(b"{}", 7), OLD, 10)).body == said


async def test_two_exchanges_over_one_reply_topic_wait_for_each_other(
    make_broker: MakeBroker,
) -> None:
    answered = most = 0

    def answer(said: bytes) -> list[bytes]:
        nonlocal most
        most = max(most, len(heard) - answered)
        return [b"re " + said]

    async with (
        make_broker(HOST, free_port()) as broker,
        linked(address(broker)) as line,
        device(broker, answer) as heard,
    ):

        async def one(number: int) -> bytes:
            nonlocal answered
            reply = await line.exchange(ask(b"%d" % number), OLD, 20)
            answered += 1
            return reply.body

        replies = await asyncio.gather(*(one(number) for number in range(8)))
    assert replies == [b"re %d" % number for number in range(8)]
    assert most == 1


async def test_a_silent_device_is_no_reply(make_broker: MakeBroker) -> None:
    asked = asyncio.Event()
    async with (
        make_broker(HOST, free_port()) as broker,
        linked(address(broker)) as line,
        device(broker, silent(asked)),
    ):
        with pytest.raises(NoReply, match=r"within 0\.3 s .* which took the message"):
            await line.exchange(ask(PASSWORD.encode()), OLD, 0.3)
        assert asked.is_set()


async def test_a_huge_answer_is_not_taken(make_broker: MakeBroker) -> None:
    async with make_broker(HOST, free_port()) as broker, linked(address(broker)) as line:
        async with device(broker, lambda said: [bytes(MAX_PAYLOAD_OCTETS + 1)]):
            with pytest.raises(NoReply):
                await line.exchange(ask(), OLD, 0.5)
        async with device(broker, lambda said: [bytes(MAX_PAYLOAD_OCTETS)]):
            assert len((await line.exchange(ask(), OLD, 10)).body) == MAX_PAYLOAD_OCTETS


async def test_a_side_without_broker_is_not_delivered() -> None:
    async with MqttLine({}) as line:
        with pytest.raises(NotDelivered, match="old side"):
            await line.exchange(ask(), OLD, 1)


@pytest.mark.parametrize("topic", ["", "a/+/b", "a/#"])
async def test_a_topic_that_cannot_be_published_to_ends_the_exchange_in_words(topic: str) -> None:
    """OASIS MQTT 5.0 section 3.3.2.1: no wildcards in a topic name."""
    async with EmbeddedBroker(HOST, free_port()) as broker, linked(address(broker)) as line:
        with pytest.raises((NoReply, NotDelivered)):
            await line.exchange(MqttRequest(topic, b"x", SAY), OLD, 1)


# Presence


async def test_presence_is_known_and_its_change_wakes(make_broker: MakeBroker) -> None:
    async with make_broker(HOST, free_port()) as broker:
        await publish(broker, "rowan/t1/presence", b"here", retain=True)
        async with linked(address(broker), "rowan/t1/presence") as line:
            await line.change("rowan/t1/presence", 10)
            assert line.last("rowan/t1/presence", "old") == "here"
            waiting = asyncio.create_task(line.change("rowan/t1/presence", 60))
            await asyncio.sleep(0)
            await publish(broker, "rowan/t1/presence", b"gone")
            async with asyncio.timeout(10):
                await waiting
            assert line.last("rowan/t1/presence", "new") == "gone"
            assert line.last("rowan/t2/presence", "old") is None


async def test_waiting_for_a_change_ends_by_itself() -> None:
    async with MqttLine({}) as line:
        async with asyncio.timeout(5):
            await line.change("rowan/t1/presence", 0.05)


# What can be wrong with a broker


async def fails(broker: BrokerAddress, name: SideName, seconds: float = 10) -> str:
    link = BrokerLink(broker, name, (SAY,))
    with pytest.raises(Unreachable) as caught:
        async with MqttLine({"new": link}, seconds):
            pass
    (problem,) = caught.value.problems
    assert problem.where == f"{broker.host}:{broker.port}"
    assert PASSWORD not in str(caught.value)
    assert [task for task in asyncio.all_tasks() if "broker link" in task.get_name()] == []
    return f"{problem.what} {problem.remedy}"


@pytest.mark.parametrize(
    ("username", "password"),
    [("house", PASSWORD + "?"), ("nobody", PASSWORD), ("", None), ("house", None)],
)
async def test_a_refused_login_names_broker_and_key(
    make_broker: MakeBroker, username: str, password: str | None
) -> None:
    async with make_broker(HOST, free_port(), "house", PASSWORD) as broker:
        wrong = address(broker, username=username, password=Secret(password) if password else None)
        words = await fails(wrong, "new")
        assert "refuses the user name or password" in words
        assert "[broker]" in words
        assert "[old.broker]" in await fails(wrong, "old")
        right = address(broker, username="house", password=Secret(PASSWORD))
        async with linked(right) as line:
            assert line.links["old"].name == "old"


async def test_tls_with_the_right_authority(
    make_broker: MakeBroker, certificate: tuple[Path, Path], ca: Path
) -> None:
    port = free_port()
    async with make_broker(HOST, port, "house", PASSWORD, certificate) as broker:
        right = address(broker, tls=True, ca=ca, username="house", password=Secret(PASSWORD))
        async with linked(right) as line:
            with pytest.raises((NoReply, NotDelivered)):
                await line.exchange(ask(), OLD, 0.1)


async def test_tls_with_another_authority(
    make_broker: MakeBroker, certificate: tuple[Path, Path], tmp_path: Path
) -> None:
    trustme.CA().cert_pem.write_to_path(tmp_path / "other.pem")
    async with make_broker(HOST, free_port(), tls=certificate) as broker:
        words = await fails(address(broker, tls=True, ca=tmp_path / "other.pem"), "new")
        assert "no authority trusted here has issued" in words
        # Without a CA file the system's own are asked, which do not know it either.
        words = await fails(address(broker, tls=True), "new")
        assert "no authority trusted here has issued" in words


async def test_tls_for_another_name(
    make_broker: MakeBroker, authority: trustme.CA, ca: Path, tmp_path: Path
) -> None:
    cert = authority.issue_cert("broker.example.net")
    chain, key = tmp_path / "n.pem", tmp_path / "n.key"
    cert.cert_chain_pems[0].write_to_path(chain)
    cert.private_key_pem.write_to_path(key)
    async with make_broker(HOST, free_port(), tls=(chain, key)) as broker:
        words = await fails(address(broker, tls=True, ca=ca), "new")
        assert "certificate for another name than its host" in words


async def test_tls_to_a_plain_port(ca: Path) -> None:
    if not MosquittoBroker.available():
        pytest.skip("mosquitto is not installed (Debian: apt-get install mosquitto)")
    async with MosquittoBroker(HOST, free_port()) as broker:
        words = await fails(address(broker, tls=True, ca=ca), "new")
        assert "TLS" in words or "cannot be reached" in words


async def test_tls_to_something_else(ca: Path) -> None:
    async with raw_server(says(b"220 mail.example.net ESMTP\r\n"), read_head=False) as server:
        broker = BrokerAddress(HOST, server.at.port, tls=True, ca=ca)
        assert "does not speak TLS as asked" in await fails(broker, "new")


async def test_plain_to_a_tls_port(make_broker: MakeBroker, certificate: tuple[Path, Path]) -> None:
    async with make_broker(HOST, free_port(), tls=certificate) as broker:
        words = await fails(address(broker), "new", 2)
        assert "ends the connection without a word" in words or "does not answer" in words
        assert "TLS" in words or "does not answer" in words


async def test_a_ca_file_that_is_none(tmp_path: Path) -> None:
    port = free_port()
    (tmp_path / "text.pem").write_text("no certificate")
    for path, expected in (
        (tmp_path / "missing.pem", "No such file"),
        (tmp_path, "Is a directory"),
        (tmp_path / "text.pem", "no certificate in PEM form"),
        (Path("a\0b"), "not a path"),
    ):
        words = await fails(BrokerAddress(HOST, port, tls=True, ca=path), "new")
        assert "CA file" in words
        assert expected in words


async def test_nobody_listens() -> None:
    assert "cannot be reached" in await fails(BrokerAddress(HOST, free_port()), "old")


async def test_somebody_listens_and_says_nothing() -> None:
    async with raw_server(never_answers, read_head=False) as server:
        words = await fails(BrokerAddress(HOST, server.at.port), "old", 0.4)
        assert "does not answer within 0.4 s" in words


async def test_no_broker_at_all_but_a_web_server() -> None:
    async with raw_server(says(b"HTTP/1.1 400 Bad Request\r\n\r\n"), read_head=False) as server:
        words = await fails(BrokerAddress(HOST, server.at.port), "old", 2)
        assert "ends the connection without a word" in words


async def test_breaking_off_the_start_leaves_nothing_behind() -> None:
    """As Ctrl-C does while a broker does not answer."""
    async with raw_server(never_answers, read_head=False) as server:
        link = BrokerLink(BrokerAddress(HOST, server.at.port), "old", (SAY,))
        line = MqttLine({"old": link})
        starting = asyncio.create_task(line.__aenter__())
        async with asyncio.timeout(5):
            await server.connected.wait()
        starting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await starting
    names = [task.get_name() for task in asyncio.all_tasks()]
    assert not [name for name in names if "broker link" in name]


async def test_the_second_broker_fails_and_the_first_is_left(make_broker: MakeBroker) -> None:
    async with make_broker(HOST, free_port()) as broker:
        good = BrokerLink(address(broker), "old", (SAY,))
        bad = BrokerLink(BrokerAddress(HOST, free_port()), "new", (SAY,))
        with pytest.raises(Unreachable):
            async with MqttLine({"old": good, "new": bad}):
                pass
        assert good._task is None


# A broker that restarts


async def test_a_restarted_broker_is_used_again(make_broker: MakeBroker) -> None:
    broker, asked = make_broker(HOST, free_port()), asyncio.Event()
    await broker.start()
    try:
        async with linked(address(broker)) as line:
            async with device(broker, silent(asked)):
                under_way = asyncio.create_task(line.exchange(ask(), OLD, 0.5))
                async with asyncio.timeout(10):
                    await asked.wait()
                await broker.stop()
                with pytest.raises(NoReply):
                    await under_way
            with pytest.raises(NotDelivered, match="not connected"):
                await line.exchange(ask(), OLD, 0.2)
            await broker.start()
            async with device(broker, lambda said: [b"again"]):
                assert (await line.exchange(ask(), OLD, 20)).body == b"again"
    finally:
        await broker.stop()


# Secrets


async def test_no_log_holds_payload_or_password(
    caplog: pytest.LogCaptureFixture, ca: Path, certificate: tuple[Path, Path]
) -> None:
    """Whatever logging is set up around: the lines of the libraries are looked through."""
    caplog.set_level(0)
    asyncio.get_running_loop().set_debug(True)
    async with EmbeddedBroker(HOST, free_port(), "house", PASSWORD, certificate) as broker:
        login = address(broker, tls=True, ca=ca, username="house", password=Secret(PASSWORD))
        async with linked(login) as line:
            with pytest.raises(NoReply):
                await line.exchange(ask(b"canary " + PASSWORD.encode()), OLD, 0.2)
        assert PASSWORD not in repr(login) + repr(line.links) + repr(line)
    assert PASSWORD not in caplog.text
