"""The real world, opened for two sides."""

from __future__ import annotations

from ipaddress import IPv4Network
from pathlib import Path

import pytest
import respx

from migrate.dialects.messages import HttpRequest, MqttRequest
from migrate.lab import EmbeddedBroker, free_port
from migrate.model.playbook import Broker, Credentials, Side
from migrate.model.problems import SecretTrouble, Unreachable
from migrate.model.secrets import Secret, SecretRef
from migrate.ports.mqtt_line import MqttLine
from migrate.ports.protocols import At, NoReply, NotDelivered, SideName
from migrate.ports.sockets import Sockets, now, real_world

from .servers import HOST

PASSWORD = "c4nary broker word"


def resolve(ref: SecretRef) -> Secret:
    assert ref.env == "OWN"
    return Secret(PASSWORD)


def sides(
    old: Broker | None, new: Broker | None, folder: Path | None = None
) -> dict[SideName, Side]:
    net = IPv4Network("192.0.2.0/24")
    leases = folder / "leases" if folder else None
    return {
        "old": Side("old", net, None, None, old, None),
        "new": Side("new", net, leases, None, new, None),
    }


async def test_one_broker_has_one_connection() -> None:
    async with EmbeddedBroker(HOST, free_port()) as running:
        broker = Broker(host=HOST, port=running.port)
        async with real_world(sides(broker, broker), ["old", "new"], ["t"], resolve) as world:
            line = world.presence
            assert isinstance(line, MqttLine)
            assert line.links["old"] is line.links["new"]


async def test_this_tool_logs_in_as_itself() -> None:
    """With its own credentials where the broker gives it some; the devices' are for the devices."""
    own = Credentials(username="owner", password=SecretRef(env="OWN"))
    async with EmbeddedBroker(HOST, free_port(), "owner", PASSWORD) as running:
        broker = Broker(
            host=HOST,
            port=running.port,
            username="house",
            password=SecretRef(env="NOT_ASKED_FOR"),
            own=own,
        )
        async with real_world(sides(None, broker), ["new"], ["t"], resolve) as world:
            with pytest.raises(NoReply):
                await world.line.exchange(MqttRequest("a", b"x", "t"), At("new"), 0.05)
            with pytest.raises(NotDelivered):
                await world.line.exchange(MqttRequest("a", b"x", "t"), At("old"), 0.05)


async def test_a_broker_that_is_not_asked_for_is_not_connected_to() -> None:
    nobody = Broker(host=HOST, port=free_port())
    async with real_world(sides(nobody, nobody), [], ["t"], resolve) as world:
        assert world.presence.last("t", "old") is None
    with pytest.raises(Unreachable, match="old broker"):
        async with real_world(sides(nobody, None), ["old"], ["t"], resolve):
            pytest.fail("connected to nobody")


async def test_a_missing_secret_opens_nothing() -> None:
    def missing(ref: SecretRef) -> Secret:
        raise SecretTrouble([])

    broker = Broker(host=HOST, username="house", password=SecretRef(env="GONE"))
    with pytest.raises(SecretTrouble):
        async with real_world(sides(broker, None), ["old"], ["t"], missing):
            pytest.fail("opened without a secret")


@respx.mock
async def test_requests_go_over_the_transport_they_were_composed_for(tmp_path: Path) -> None:
    route = respx.get("http://192.0.2.11/x").respond(200, content=b"http")
    async with real_world(sides(None, None, tmp_path), [], [], resolve) as world:
        assert isinstance(world.line, Sockets)
        request = HttpRequest("GET", "/x", (), b"")
        assert (await world.line.exchange(request, At("old", "192.0.2.11"), 1)).body == b"http"
        assert route.call_count == 1
        (tmp_path / "leases").write_text("0 00:00:5e:00:53:01 192.0.2.11 * *\n")
        assert list(await world.finder.addresses("00-00-5E-00-53-01", "new")) == ["192.0.2.11"]
        assert list(await world.finder.addresses("00-00-5E-00-53-01", "old")) == []
        assert world.now().tzinfo is now().tzinfo
