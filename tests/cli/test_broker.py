"""`migrate broker check | copy | roll-call`, against real brokers on loopback."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import trustme
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from typer.testing import CliRunner, Result

from migrate.cli.app import app
from migrate.lab import EmbeddedBroker, MosquittoBroker, free_port
from migrate.ports.broker_visit import NoVisit, Visit
from tests.ports.servers import dynamic

HOST = "127.0.0.1"
PASSWORD = "c4nary broker word"
MACS = {"porch": "00-00-5E-00-53-22", "cellar": "00-00-5E-00-53-23"}
V5 = aiomqtt.ProtocolVersion.V5
needs_mosquitto = pytest.mark.skipif(
    not MosquittoBroker.available(),
    reason="mosquitto is not installed (Debian: apt-get install mosquitto)",
)
DEVICE_RULES = """user tide-devices
topic read sedge/+/say
topic write sedge/+/reply
topic write sedge/+/presence
"""
OWN_RULES = """user tide-owner
topic write sedge/+/say
topic read sedge/+/reply
topic read sedge/+/presence
"""


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("NEW_BROKER_PASSWORD", PASSWORD)
    monkeypatch.chdir(tmp_path)
    entries = [
        f'[[device]]\nname = "{name}"\nmac = "{mac}"\ndialect = "sedge"\nfirmware = "0.9"\n'
        f'via = "mqtt"\ntopic = "{name}"\n'
        for name, mac in MACS.items()
    ]
    (tmp_path / "fleet.toml").write_text("\n".join(entries))
    return tmp_path


def playbook(
    folder: Path, new: int, old: int | None = None, more: str = "", tail: str = ""
) -> None:
    was = f'[old]\nbroker = {{ host = "{HOST}", port = {old} }}\n' if old else ""
    (folder / "p.toml").write_text(
        f'title = "t"\n[broker]\nhost = "{HOST}"\nport = {new}\n{more}\n{was}{tail}\n'
        "[pace]\nreply_seconds = 0.2\n"
    )


LOGIN = 'username = "tide-devices"\npassword = { env = "NEW_BROKER_PASSWORD" }\n'


async def call(*words: str) -> Result:
    """The command in a thread: it has a loop of its own."""
    result = await asyncio.to_thread(CliRunner().invoke, app, ["broker", *words])
    assert result.exception is None or isinstance(result.exception, SystemExit)
    assert PASSWORD not in result.output
    return result


@asynccontextmanager
async def device(
    port: int, name: str, mac: str, group: str = "", **more: Any
) -> AsyncIterator[list[bytes]]:
    """A sedge that answers reads (docs/manuals/sedge.md); all that it is told is kept."""
    told: list[bytes] = []
    async with aiomqtt.Client(HOST, port, **more) as client:
        await client.subscribe(f"sedge/{name}/say", 1)
        if group:
            await client.subscribe(f"sedge/{group}/say", 1)
        await client.publish(f"sedge/{name}/presence", b"up", 1, True)

        async def serve() -> None:
            async for message in client.messages:
                told.append(bytes(message.payload))
                report = f"unit.mac: {mac}\nunit.firmware: 0.9\nunit.uptime: 5\n"
                await client.publish(f"sedge/{name}/reply", report.encode(), 1)

        task = asyncio.create_task(serve())
        try:
            yield told
        finally:
            task.cancel()


@asynccontextmanager
async def two() -> AsyncIterator[tuple[EmbeddedBroker, EmbeddedBroker]]:
    async with EmbeddedBroker(HOST, free_port()) as old, EmbeddedBroker(HOST, free_port()) as new:
        yield old, new


async def test_check_finds_a_broker_ready_and_keeps_nothing_there(files: Path) -> None:
    async with EmbeddedBroker(HOST, free_port(), "tide-devices", PASSWORD) as new:
        playbook(files, new.port, more=LOGIN)
        result = await call("check", "p.toml")
        assert result.exit_code == 0, result.output
        assert "MQTT 3.1.1" in result.output
        assert "The broker is ready" in result.output
        assert "not tried" in result.output
        assert new.retained == {}


async def test_check_tells_a_refused_login_and_a_broker_that_is_not_there(files: Path) -> None:
    async with EmbeddedBroker(HOST, free_port(), "tide-devices", "another") as new:
        playbook(files, new.port, more=LOGIN)
        result = await call("check", "p.toml")
        assert result.exit_code == 4
        assert "refuses the user name or password" in " ".join(result.output.split())
    result = await call("check", "p.toml")
    assert result.exit_code == 11


async def test_check_gives_a_device_that_is_there_nothing_but_reads(files: Path) -> None:
    async with EmbeddedBroker(HOST, free_port()) as new:
        playbook(files, new.port)
        async with device(new.port, "porch", MACS["porch"]) as told:
            result = await call("check", "p.toml")
            assert result.exit_code == 0, result.output
            assert set(told) == {b"report"}
            assert "1 devices are there already" in " ".join(result.output.split())


@pytest.mark.parametrize(
    ("begins", "ends", "words", "code"),
    [
        (-10, -1, "has expired", 4),
        (1, 10, "not valid yet", 4),
        (-1, 5, "within 30 days", 0),
        (-1, 90, "are right", 0),
    ],
)
async def test_check_looks_at_the_certificate(
    files: Path, begins: int, ends: int, words: str, code: int
) -> None:
    """Dates as in RFC 5280, section 4.1.2.5; judged by OpenSSL."""
    authority, now = trustme.CA(), datetime.now(UTC)
    made = authority.issue_cert(
        HOST, not_before=now + timedelta(days=begins), not_after=now + timedelta(days=ends)
    )
    made.cert_chain_pems[0].write_to_path(files / "b.pem")
    made.private_key_pem.write_to_path(files / "b.key")
    authority.cert_pem.write_to_path(files / "ca.pem")
    tls = (files / "b.pem", files / "b.key")
    async with EmbeddedBroker(HOST, free_port(), tls=tls) as new:
        playbook(files, new.port, more='tls = true\nca = "ca.pem"\n')
        result = await call("check", "p.toml")
    assert words in " ".join(result.output.split())
    assert result.exit_code == code, result.output


@needs_mosquitto
@pytest.mark.parametrize(
    ("device_rules", "own_rules", "code", "words"),
    [
        (DEVICE_RULES, OWN_RULES, 0, "The broker is ready"),
        (DEVICE_RULES.replace("topic read", "topic write"), OWN_RULES, 4, "drops it in silence"),
        (DEVICE_RULES, OWN_RULES.replace("topic write", "topic read"), 4, "not authorized"),
        (DEVICE_RULES.replace("topic write sedge/+/reply\n", ""), OWN_RULES, 4, "not authorized"),
    ],
)
async def test_check_proves_access_rules_by_what_arrives(
    files: Path, device_rules: str, own_rules: str, code: int, words: str
) -> None:
    """mosquitto's access file accepts each subscription and drops in silence (mosquitto.conf(5),
    acl_file)."""
    rules = f"{device_rules}\n{own_rules}"
    async with _two_users(rules) as port:
        own = 'own = { username = "tide-owner", password = { env = "NEW_BROKER_PASSWORD" } }\n'
        playbook(files, port, more=LOGIN + own)
        result = await call("check", "p.toml")
    assert words in " ".join(result.output.split()), result.output
    assert result.exit_code == code, result.output


async def test_copy_is_dry_then_sends_then_has_nothing_to_do(files: Path) -> None:
    async with two() as (old, new):
        playbook(files, new.port, old.port)
        async with aiomqtt.Client(HOST, old.port) as client:
            await client.publish("house/notes/a", b"one", 1, True)
            await client.publish("house/notes/b", b"two", 1, True)
            await client.publish("sedge/porch/say", b"restart", 1, True)
            await client.publish("sedge/porch/presence", b"up", 1, True)
            await client.publish("other", b"not chosen", 1, True)
        async with aiomqtt.Client(HOST, new.port) as client:
            await client.publish("house/notes/b", b"mine", 1, True)
        chosen = ("--topics", "house/#", "--topics", "sedge/#")
        dry = await call("copy", "p.toml", *chosen)
        assert dry.exit_code == 0
        assert "Nothing was sent" in dry.output
        assert "house/notes/b, 3 octets at the old broker, 4 octets at the new" in dry.output
        assert "two" not in dry.output
        assert set(new.retained) == {"house/notes/b"}
        sent = await call("copy", "p.toml", *chosen, "--send")
        assert sent.exit_code == 0
        assert "1 message copied" in sent.output
        assert new.retained == {"house/notes/a": b"one", "house/notes/b": b"mine"}
        over = await call("copy", "p.toml", *chosen, "--send", "--overwrite")
        assert over.exit_code == 0
        assert new.retained == {"house/notes/a": b"one", "house/notes/b": b"two"}


@needs_mosquitto
async def test_copy_overwrites_nothing_that_the_broker_hides(files: Path) -> None:
    """mosquitto accepts the subscription and lets nothing through (mosquitto.conf(5), acl_file)."""
    rules = "user tide-owner\ntopic write house/#\n\nuser tide-devices\ntopic house/#\n"
    async with EmbeddedBroker(HOST, free_port()) as old, _two_users(rules) as port:
        own = 'own = { username = "tide-owner", password = { env = "NEW_BROKER_PASSWORD" } }\n'
        playbook(files, port, old.port, more=LOGIN + own)
        async with aiomqtt.Client(HOST, old.port) as client:
            await client.publish("house/notes/a", b"theirs", 1, True)
        login: dict[str, Any] = {"username": "tide-devices", "password": PASSWORD}
        async with aiomqtt.Client(HOST, port, **login) as client:
            await client.publish("house/notes/a", b"mine", 1, True)
        words = ("copy", "p.toml", "--topics", "house/#", "--send", "--seconds", "1")
        result = await call(*words)
        assert result.exit_code == 7, result.output
        assert "may not see what the new broker keeps" in " ".join(result.output.split())
        async with aiomqtt.Client(HOST, port, **login) as client:
            await client.subscribe("house/#", 1)
            async with asyncio.timeout(5):
                assert (await anext(client.messages)).payload == b"mine"


async def test_a_filter_that_is_none_is_refused(files: Path) -> None:
    playbook(files, 1883, 1884)
    result = await call("copy", "p.toml", "--topics", "a#")
    assert result.exit_code == 3


async def test_roll_call_names_who_is_missing_and_who_stayed(files: Path) -> None:
    async with two() as (old, new):
        playbook(files, new.port, old.port)
        async with device(new.port, "porch", MACS["porch"]) as told:
            result = await call("roll-call", "p.toml")
            assert result.exit_code == 11, result.output
            assert "1 of 2 devices are at the new broker" in result.output
            async with device(old.port, "cellar", MACS["cellar"]):
                result = await call("roll-call", "p.toml")
                assert result.exit_code == 7
                assert "still at the old broker" in result.output
            async with device(new.port, "cellar", MACS["cellar"]):
                result = await call("roll-call", "p.toml")
                assert result.exit_code == 0, result.output
                assert "still keeps" in result.output
            async with device(new.port, "cellar", "00-00-5E-00-53-99"):
                result = await call("roll-call", "p.toml")
                assert result.exit_code == 7
                assert "00-00-5E-00-53-99" in result.output
            assert set(told) == {b"report"}


@needs_mosquitto
async def test_roll_call_tells_what_the_old_broker_does_not_let_it_hear(files: Path) -> None:
    """SUBACK with 135: MQTT 5.0 section 3.9.3. A device that stayed there would be called missing,
    as if it were nowhere."""
    rules = dynamic(files, "sedge/cellar/reply", "sedge/cellar/presence")
    async with (
        MosquittoBroker(HOST, free_port(), more=rules) as old,
        EmbeddedBroker(HOST, free_port()) as new,
        device(new.port, "porch", MACS["porch"]),
        device(old.port, "cellar", MACS["cellar"]),
    ):
        playbook(files, new.port, old.port)
        result = await call("roll-call", "p.toml")
    words = " ".join(result.output.split())
    assert result.exit_code == 11, result.output
    for topic in ("presence", "reply"):
        assert (
            f"The old broker does not let this login hear sedge/cellar/{topic} (not authorized): a "
            "device that is still there may not be seen."
        ) in words
    assert "sedge/porch" not in words
    assert "new broker does not let" not in words


async def test_roll_call_goes_on_without_an_old_broker_that_breaks_off(
    files: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may be switched off at that very moment. That is no fault of the new one."""
    listen = Visit.listen
    async with two() as (old, new):
        playbook(files, new.port, old.port)

        async def once(self: Visit, *topics: Any, **more: Any) -> dict[str, str]:
            listened.append(self)
            if len(listened) == 2:
                raise NoVisit("ended the connection")
            return await listen(self, *topics, **more)

        listened: list[Visit] = []
        monkeypatch.setattr(Visit, "listen", once)
        async with device(new.port, "porch", MACS["porch"]):
            result = await call("roll-call", "p.toml")
    words = " ".join(result.output.split())
    assert "The old broker was not asked: it ended the connection." in words
    assert "1 of 2 devices are at the new broker" in words


async def test_roll_call_asks_the_group_by_its_new_word_and_by_its_old(files: Path) -> None:
    async with two() as (old, new):
        group = 'group = { topic = "mill" }\n[group]\ntopic = "barn"\n'
        playbook(files, new.port, old.port, tail=group)
        async with (
            device(new.port, "porch", MACS["porch"], "barn"),
            device(new.port, "cellar", MACS["cellar"], "mill"),
        ):
            result = await call("roll-call", "p.toml")
            words = " ".join(result.output.split())
            assert result.exit_code == 7
            assert "sedge/barn/say: 1 of 2 answered; NOT cellar" in words
            assert "STILL listening to the old group topic sedge/mill/say: cellar" in words
        async with (
            device(new.port, "porch", MACS["porch"], "barn"),
            device(new.port, "cellar", MACS["cellar"], "barn"),
        ):
            result = await call("roll-call", "p.toml")
            assert result.exit_code == 0, result.output


@asynccontextmanager
async def _two_users(rules: str) -> AsyncIterator[int]:
    """mosquitto with both logins: its password file takes lines of two users."""
    broker = MosquittoBroker(
        HOST, free_port(), "tide-devices", f"{PASSWORD}\ntide-owner:{PASSWORD}", access=rules
    )
    async with broker:
        yield broker.port


@pytest.mark.long
@needs_mosquitto
async def test_ten_thousand_are_copied_with_qos_and_properties(files: Path) -> None:
    async with (
        MosquittoBroker(HOST, free_port()) as old,
        MosquittoBroker(HOST, free_port()) as new,
    ):
        playbook(files, new.port, old.port)
        about = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        about.ContentType, about.MessageExpiryInterval = "text/plain", 3600
        async with aiomqtt.Client(HOST, old.port, protocol=V5) as client:
            for start in range(0, 10_000, 500):
                some = range(start, start + 500)
                await asyncio.gather(
                    *(
                        client.publish(f"n/{n}", b"%d" % n, n % 3, True, properties=about)
                        for n in some
                    )
                )
        loop = asyncio.get_running_loop()
        began = loop.time()
        result = await call("copy", "p.toml", "--topics", "n/#", "--send")
        took = loop.time() - began
        print(f"10,000 retained messages: {took:.1f} s")
        assert result.exit_code == 0, result.output
        assert "10000 messages copied" in result.output
        assert took < 30
        async with aiomqtt.Client(HOST, new.port, protocol=V5) as client:
            for number in (3, 4, 5):
                await client.subscribe(f"n/{number}", 2)
                message = await anext(aiter(client.messages))
                assert message.qos == number % 3
                assert message.retain
                kept: Any = message.properties
                assert kept.ContentType == "text/plain"
                assert 3000 < kept.MessageExpiryInterval <= 3600
