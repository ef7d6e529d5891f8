"""Reading one device by a dialect that is being tried. Nothing is written to it."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass

from migrate.dialects import compose
from migrate.dialects.messages import MqttRequest, Reply
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device
from migrate.model.problems import Problem, Unreachable
from migrate.model.secrets import Secret, SecretRef
from migrate.ports.broker import BrokerAddress
from migrate.ports.http import HttpLine
from migrate.ports.mqtt import BrokerLink
from migrate.ports.mqtt_line import MqttLine
from migrate.ports.protocols import At, NoReply, NotDelivered, SideName
from migrate.ports.sockets import Sockets

IDENT = 1


@dataclass(frozen=True, repr=False)
class Heard:
    """What came back, and the number of the request that it answers."""

    reply: Reply
    ident: int | None


async def read_once(
    dialect: Dialect,
    device: Device,
    broker: BrokerAddress | None,
    resolve: Callable[[SecretRef], Secret],
    seconds: float,
) -> Heard:
    """Ask a device once, over the transport that the fleet file names. Raises Unreachable."""
    request = compose.ask(dialect, dialect.read, device, device.via, IDENT)
    if device.via == "http" and device.address is None:
        what = "has no address in the fleet file, so nobody can be asked"
        raise Unreachable(Problem(what, "add address = ...", device=device.name))
    if device.via == "mqtt" and broker is None:
        what = "is read over MQTT, and no broker is known"
        raise Unreachable(Problem(what, "name a playbook with --playbook", device=device.name))
    login = device.login
    at = At(
        "old",
        str(device.address) if device.via == "http" else "",
        device.port or dialect.http.port,
        dialect.http.auth if login else "none",
        (login.username or "") if login else "",
        resolve(login.secret) if login else None,
    )
    async with AsyncExitStack() as held:
        links: dict[SideName, BrokerLink] = {}
        if device.via == "mqtt" and broker and isinstance(request, MqttRequest):
            links["old"] = BrokerLink(broker, "old", [request.reply_topic])
        http = await held.enter_async_context(HttpLine())
        mqtt = await held.enter_async_context(MqttLine(links))
        try:
            reply = await Sockets(http, mqtt).exchange(request, at, seconds)
        except (NotDelivered, NoReply) as error:
            raise Unreachable(
                Problem(str(error), "see that it is on, and where it is", device=device.name)
            ) from None
    return Heard(reply, request.expects_id)
