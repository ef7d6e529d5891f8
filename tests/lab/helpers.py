"""What several of the lab's tests need: a client for each family and way in."""

from __future__ import annotations

import asyncio
import json
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from ipaddress import IPv4Network
from pathlib import Path
from typing import Any
from urllib.parse import quote

import aiomqtt
import httpx

from migrate.lab import Network, SideSpec, Unit, UnitSpec
from migrate.lab.firmware.base import Facts, HttpRequest, Store

OLD_KEY, NEW_KEY = "the old passphrase", "the new passphrase"
FACTS = Facts(mac="00-00-5E-00-53-01", firmware="1.0.0", address="192.0.2.11", uptime_s=4711)
STORE = Store(
    wifi_name="old-net",
    wifi_key=OLD_KEY,
    broker_host="192.0.2.2",
    broker_port=1883,
    broker_user="house",
    broker_password="broker secret",
    group="house",
)
FAMILIES = ("larch", "rowan", "sedge")
MERGE_PATCH = {"content-type": "application/merge-patch+json"}


def unit_spec(family: str, number: int = 1, **more: Any) -> UnitSpec:
    """A quick unit; ``number`` makes its name, MAC and topic word."""
    settings: dict[str, Any] = {
        "name": f"{family}-{number}",
        "family": family,
        "mac": f"00-00-5E-00-53-{number:02X}",
        "topic": f"t{number}",
        "restart_seconds": 0.05,
        "join_seconds": 0.02,
    }
    return UnitSpec(**settings | more)


def settings_message(family: str, **changes: Any) -> bytes:
    """A settings message of a family; names as in the Store."""
    if family == "larch":
        names = {
            "wifi_name": ("network", "name"),
            "wifi_key": ("network", "key"),
            "wifi_spare_name": ("network", "spare_name"),
            "wifi_spare_key": ("network", "spare_key"),
            "broker_host": ("broker", "host"),
            "broker_port": ("broker", "port"),
            "broker_secure": ("broker", "secure"),
            "broker_password": ("broker", "pass"),
            "group": ("groups", "word"),
        }
        patch: dict[str, dict[str, Any]] = {}
        for name, value in changes.items():
            part, member = names[name]
            patch.setdefault(part, {})[member] = value
        return json.dumps(patch).encode()
    if family == "rowan":
        params = {name.replace("password", "pass"): value for name, value in changes.items()}
        return rpc("settings.merge", params)
    names_of_sedge = {
        "wifi_name": "station.name",
        "wifi_key": "station.key",
        "broker_host": "mqtt.host",
        "broker_port": "mqtt.port",
        "broker_password": "mqtt.pass",
        "broker_secure": "mqtt.secure",
        "group": "mqtt.group",
    }
    words = {True: "yes", False: "no"}
    return ";".join(
        f"{names_of_sedge[name]}={words.get(value, value) if isinstance(value, bool) else value}"
        for name, value in changes.items()
    ).encode()


def rpc(method: str, params: Any = None, ident: Any = 1) -> bytes:
    """A JSON-RPC 2.0 request."""
    request = {"jsonrpc": "2.0", "method": method, "id": ident}
    return json.dumps(request if params is None else request | {"params": params}).encode()


def url(unit: Unit) -> str:
    return f"http://{unit.address}:{unit.http_port}"


# Building httpx's own default context reads every authority this machine knows: 20 ms each.
_NO_TLS = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)


def http_client(timeout: float = 5.0) -> httpx.AsyncClient:
    return httpx.AsyncClient(timeout=timeout, verify=_NO_TLS)


async def send_http(unit: Unit, message: bytes, timeout: float = 5.0) -> httpx.Response:
    """Send a settings message, or for sedge and rowan any message, over HTTP."""
    async with http_client(timeout) as client:
        if unit.spec.family == "larch":
            return await client.patch(
                f"{url(unit)}/unit/document", content=message, headers=MERGE_PATCH
            )
        if unit.spec.family == "rowan":
            kind = {"content-type": "application/json"}
            return await client.post(f"{url(unit)}/call", content=message, headers=kind)
        return await client.get(f"{url(unit)}/do?say={quote(message, safe='')}")


async def read_http(unit: Unit, timeout: float = 5.0) -> httpx.Response:
    """Ask for all settings over HTTP."""
    if unit.spec.family == "larch":
        async with http_client(timeout) as client:
            return await client.get(f"{url(unit)}/unit/document")
    ask = rpc("settings.show") if unit.spec.family == "rowan" else b"report"
    return await send_http(unit, ask, timeout)


async def move(unit: Unit, **changes: Any) -> None:
    """Send a settings message over HTTP and let the unit restart."""
    await send_http(unit, settings_message(unit.spec.family, **changes))
    if unit.spec.family == "sedge":
        await send_http(unit, b"restart")


@asynccontextmanager
async def mqtt_client(side: SideSpec, *topics: str) -> AsyncIterator[aiomqtt.Client]:
    """A client on a side's broker that has subscribed to the topics."""
    async with aiomqtt.Client(
        side.broker_host,
        side.broker_port,
        username=side.broker_username,
        password=side.broker_password,
        timeout=5,
    ) as client:
        for topic in topics:
            await client.subscribe(topic)
        yield client


async def next_message(client: aiomqtt.Client, seconds: float = 5.0) -> aiomqtt.Message:
    """The next message; TimeoutError if none comes."""
    async with asyncio.timeout(seconds):
        async for message in client.messages:
            return message
    raise AssertionError("the client ended")


def http_get(target: str, **headers: str) -> HttpRequest:
    return HttpRequest("GET", target, headers)


def a_network(folder: Path, secret: str = OLD_KEY, ssid: str = "old-net") -> Network:
    return Network("old", ssid, secret, IPv4Network("192.0.2.0/28"), folder / "leases")
