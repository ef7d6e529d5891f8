"""Devices that say what they were told, in whatever way: nothing of it is kept or shown."""

from __future__ import annotations

import base64
import binascii
import hashlib
import html
import json
import logging
import quopri
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import quote, unquote_to_bytes

import pytest

from migrate.dialects.messages import HttpRequest, Reply, Request
from migrate.lab import two_networks_possible
from migrate.model.lifecycle import State
from migrate.model.problems import Exit
from migrate.ports.protocols import At, Line, World
from migrate.views.report import report
from tests.engine.harness import SECRETS, Dev, House, Pace
from tests.engine.scan import leaks, leaks_in_folder

SSIDS = ("old-net", "new-net")
PACE = Pace(soak_seconds=0.1, least=2, most=2, reply_seconds=1, look_seconds=0.1)
KEY = SECRETS["new-wifi"]
# IEEE Std 802.11, passphrase to PSK.
PSK = hashlib.pbkdf2_hmac("sha1", KEY.encode(), b"new-net", 4096, 32)
HALF = len(KEY) // 2

SPELLED: dict[str, str] = {
    "plain": KEY,
    "capitals": KEY.upper(),
    "url": quote(KEY, safe=""),
    "octets": "".join(f"%{octet:02x}" for octet in KEY.encode()),
    "json": json.dumps(KEY),
    "units": "".join(f"\\u{ord(char):04x}" for char in KEY),
    "html": html.escape(KEY),
    "entities": "".join(f"&#x{ord(char):x};" for char in KEY),
    "printable": quopri.encodestring(KEY.encode(), quotetabs=True).decode().strip(),
    "hex": KEY.encode().hex(),
    "hexes": KEY.encode().hex().upper(),
    "base64": base64.b64encode(KEY.encode()).decode(),
    "base64-1": base64.b64encode(f"k{KEY}, it was".encode()).decode(),
    "base64-2": base64.b64encode(f"k={KEY}, it was".encode()).decode(),
    "safe64": base64.urlsafe_b64encode(f"k={KEY}, it was".encode()).decode(),
    "halves": f"{KEY[:HALF]} <-> {KEY[HALF:]}",
    "part": KEY[3:14],
    "psk": PSK.hex(),
    "psks": PSK.hex().upper(),
    "psk-64": base64.b64encode(PSK).decode(),
    "cut": "x" * 180 + KEY,
}


def text_of(request: Request) -> str:
    """Everything of a request that its receiver sees."""
    if isinstance(request, HttpRequest):
        return unquote_to_bytes(request.target).decode() + request.body.decode()
    return request.payload.decode()


def ident_of(request: Request) -> int | None:
    return request.expects_id


def page(request: Request) -> Reply:
    """An error page that holds the request, as some web servers make them."""
    words = f"<html><body><h1>500</h1><pre>{html.escape(text_of(request))}</pre></body></html>"
    return Reply(words.encode(), 500)


def payload(request: Request) -> Reply:
    """The request itself, as a broker gives it to whoever listens on the same topic."""
    return Reply(text_of(request).encode())


def two_fields(request: Request) -> Reply:
    """A JSON-RPC error that holds one half in its words and the other in its code."""
    error = {"message": KEY[:HALF], "code": KEY[HALF:]}
    said = {"jsonrpc": "2.0", "id": ident_of(request), "error": error}
    status = 200 if isinstance(request, HttpRequest) else None
    return Reply(json.dumps(said).encode(), status)


def why(words: str) -> Callable[[Request], Reply]:
    """It declines in the manner of each family (docs/manuals), with these words."""

    def answer(request: Request) -> Reply:
        http = isinstance(request, HttpRequest)
        if request.expects_id is not None:
            error = {"code": -32602, "message": words}
            said = json.dumps({"jsonrpc": "2.0", "id": request.expects_id, "error": error})
            return Reply(said.encode(), 200 if http else None)
        if text_of(request).lstrip("/unitdocme").startswith("{"):
            said = json.dumps({"taken": False, "why": words})
            return Reply(said.encode(), 422 if http else None)
        return Reply(f"no {words}".encode(), 200 if http else None)

    return answer


@dataclass
class Echo:
    """A world in which devices answer a message that holds the new passphrase as told here."""

    house: House
    ways: dict[str, Callable[[Request], Reply]]

    def __call__(self, world: World) -> World:
        return replace(world, line=_Echoing(world.line, self))

    def name_of(self, request: Request, at: At) -> str:
        """The device that a request is for."""
        for name, unit in self.house.lab.units.items():
            if isinstance(request, HttpRequest):
                if at.address == str(unit.address):
                    return name
            elif f"/{unit.spec.topic}/" in request.topic:
                return name
        return ""


@dataclass
class _Echoing:
    line: Line
    echo: Echo

    async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
        way = self.echo.ways.get(self.echo.name_of(request, at))
        told = text_of(request)
        if way is not None and any(one in told for one in (KEY, json.dumps(KEY)[1:-1])):
            return way(request)
        return await self.line.exchange(request, at, seconds)


def everything(house: House, capsys: pytest.CaptureFixture[str]) -> bytes:
    captured = capsys.readouterr()
    told = "\n".join(repr(tidings) for _, tidings in house.told)
    return "\n".join([told, captured.out, captured.err, report(house.journal, "run")]).encode()


pytestmark = pytest.mark.skipif(
    not two_networks_possible(), reason="this machine has one loopback address"
)


async def test_every_spelling_in_a_devices_own_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    families = ("larch", "rowan", "sedge")
    devices = [Dev("a-pilot")]
    ways: dict[str, Callable[[Request], Reply]] = {}
    for number, (name, spelled) in enumerate(SPELLED.items()):
        family = families[number % 3]
        via = ("http", "mqtt")[number // 3 % 2]
        devices.append(Dev(name, family, via))  # type: ignore[arg-type]
        ways[name] = why(spelled)
    for name, family, via, way in (
        ("page", "larch", "http", page),
        ("payload", "larch", "mqtt", payload),
        ("payload-text", "sedge", "mqtt", payload),
        ("fields", "rowan", "http", two_fields),
        ("fields-mqtt", "rowan", "mqtt", two_fields),
    ):
        devices.append(Dev(name, family, via))  # type: ignore[arg-type]
        ways[name] = way
    async with House(tmp_path, devices, pace=PACE) as house:
        outcome = await house.forward(bend=Echo(house, ways))
        assert outcome.exit is Exit.HELD
        declined = {name for name, state in house.states().items() if state is State.DECLINED}
        assert declined == set(ways) - {"page", "payload", "payload-text"}
        for name in declined:
            assert "<hidden>" in house.note(name), (name, house.note(name))
        (house.state / "plan.json").write_text(house.plan.to_json())
        assert leaks_in_folder(house.state, SECRETS, SSIDS) == {}
        assert leaks(everything(house, capsys) + repr(outcome).encode(), SECRETS, SSIDS) == []
        own = [r for r in caplog.records if not r.name.startswith(("migrate.lab", "amqtt"))]
        logged = "\n".join(f"{r.getMessage()} {r.args!r}" for r in own)
        assert leaks(logged.encode(), SECRETS, SSIDS) == []


@dataclass
class _Telling:
    """A line on which one device tells a passphrase where others tell a name or a version."""

    line: Line
    secret: str

    async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
        reply = await self.line.exchange(request, at, seconds)
        try:
            document = json.loads(reply.body)
        except ValueError:
            return reply
        if isinstance(document, dict) and "network" in document:
            document["network"]["name"] = self.secret
            document["unit"]["firmware"] = self.secret
        return replace(reply, body=json.dumps(document).encode())


@pytest.mark.parametrize("secret", ["old-wifi", "new-wifi"])
async def test_a_dialect_that_reads_a_name_where_the_secret_stands(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], secret: str
) -> None:
    """Such as a pointer to the key in place of one to the name: found before anything is sent."""
    async with House(tmp_path, [Dev("a-pilot"), Dev("lamp")], pace=PACE) as house:
        with pytest.raises(Exception, match="tells a secret where") as raised:
            await house.forward(
                bend=lambda world: replace(world, line=_Telling(world.line, SECRETS[secret]))
            )
        words = repr(raised.value) + str(raised.value)
        assert "wifi.ssid" in words
        assert leaks(words.encode() + everything(house, capsys), SECRETS, SSIDS) == []
        assert leaks_in_folder(house.state, SECRETS, SSIDS) == {}
        assert [unit.messages_that_changed for unit in house.lab.units.values()] == [[], []]


async def test_a_user_name_that_is_also_the_password_is_no_secret(tmp_path: Path) -> None:
    """What the owner wrote openly may be told: the device moves all the same."""
    devices = [Dev("a-pilot"), Dev("lamp", "larch", "mqtt")]
    word = SECRETS["new-broker"]
    async with House(tmp_path, devices, change=("broker",), pace=PACE, same_broker=word) as house:
        outcome = await house.forward()
        assert outcome.exit is Exit.DONE, outcome
        assert set(house.states().values()) == {State.SETTLED}


def test_the_spellings_here_are_those_of_other_libraries() -> None:
    """Else a device here would say something that no device says."""
    assert binascii.unhexlify(SPELLED["hex"]).decode() == KEY
    assert json.loads(SPELLED["json"]) == KEY
    assert html.unescape(SPELLED["entities"]) == KEY
    assert quopri.decodestring(SPELLED["printable"]).decode() == KEY
