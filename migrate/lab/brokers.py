"""Real MQTT brokers on loopback: one inside this process, one as a child process.

Both have the same shape: an async context manager that accepts connections when it is
entered. Neither ever logs a password; only Mosquitto's password file holds one, hashed.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import logging
import os
import shutil
import ssl
import tempfile
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self
from weakref import WeakValueDictionary

from amqtt.broker import Broker
from amqtt.contexts import Action, BrokerConfig, ListenerConfig
from amqtt.mqtt.connect import ConnectPacket, ConnectPayload, ConnectVariableHeader
from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session

for _name in ("amqtt", "transitions"):
    logging.getLogger(_name).setLevel(logging.CRITICAL)

Tls = tuple[Path, Path]  # certificate, key (PEM)
_MOSQUITTO = "/usr/sbin/mosquitto"
_START_SECONDS = 10.0
# CONNECT of MQTT 3.1.1, clean session, keep alive 10 s, client "lab0"; the answer, with
# whatever return code, begins with the octet of CONNACK (OASIS, sections 3.1 and 3.2).
_HELLO = b"\x10\x10\x00\x04MQTT\x04\x02\x00\x0a\x00\x04lab0"
_CONNACK = 0x20
_LEVEL_3_1_1 = 4


class RunningBroker(Protocol):
    """What the lab asks of a broker."""

    host: str
    port: int

    async def start(self) -> None: ...

    async def stop(self) -> None: ...


class _Managed:
    """A broker on an address of this machine, with a login and TLS if given; start and stop as an
    async context manager. Its repr shows no password."""

    def __init__(
        self, host: str, port: int, username: str | None, password: str | None, tls: Tls | None
    ) -> None:
        self.host = host
        self.port = port
        self._username = username
        self._password = password
        self._tls = tls

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.host}:{self.port})"

    async def start(self) -> None:
        raise NotImplementedError

    async def stop(self) -> None:
        raise NotImplementedError

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.stop()


class EmbeddedBroker(_Managed):
    """An MQTT 3.1.1 broker in this process (amqtt).

    With a ``username`` every client has to bring it and the password; without one,
    everybody is let in. It keeps no keep-alive clock: the will of a client goes out
    when its TCP link ends, not when it falls silent.
    """

    def __init__(
        self,
        host: str,
        port: int,
        username: str | None = None,
        password: str | None = None,
        tls: Tls | None = None,
    ) -> None:
        super().__init__(host, port, username, password, tls)
        self._token = uuid.uuid4().hex
        self._broker: Broker | None = None

    def admits(self, username: str | None, password: str | None) -> bool:
        """Whether a client with this name and password is let in."""
        if self._username is None:
            return True
        return hmac.compare_digest(
            f"{username}\0{password}".encode(), f"{self._username}\0{self._password}".encode()
        )

    @property
    def retained(self) -> dict[str, bytes]:
        """Retained messages by topic."""
        if self._broker is None:
            return {}
        return {t: bytes(m.data) for t, m in self._broker.retained_messages.items()}

    async def start(self) -> None:
        """Start to listen. Raises amqtt's BrokerError when the address cannot be had."""
        certificate, key = self._tls or (None, None)
        listener = ListenerConfig(
            bind=f"{self.host}:{self.port}",
            max_connections=-1,
            ssl=self._tls is not None,
            certfile=certificate,
            keyfile=key,
        )
        gate = f"{DoorKeeper.__module__}.{DoorKeeper.__qualname__}"
        _BY_TOKEN[self._token] = self
        self._broker = _QuickBroker(
            BrokerConfig(listeners={"default": listener}, plugins={gate: {"token": self._token}})
        )
        await self._broker.start()

    async def stop(self) -> None:
        """Drop every client and stop to listen. Retained messages are gone."""
        broker, self._broker = self._broker, None
        if broker is not None:
            await broker.shutdown()


# The plug-in is built by name from a configuration; the token in it stands for the
# broker, so that no configuration object ever holds a password.
_BY_TOKEN: WeakValueDictionary[str, EmbeddedBroker] = WeakValueDictionary()


class DoorKeeper(BaseAuthPlugin):  # type: ignore[misc]  # amqtt ships no types
    """Lets in whom the EmbeddedBroker behind the token admits."""

    @dataclass
    class Config:
        token: str

    async def authenticate(self, *, session: Session) -> bool | None:
        broker = _BY_TOKEN.get(str(self._get_config_option("token")))
        return broker is not None and broker.admits(session.username, session.password)


class _QuickBroker(Broker):  # type: ignore[misc]  # amqtt ships no types
    """amqtt's broker, without two habits that hundreds of clients make unbearable."""

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        # amqtt 0.12 calls this at each connection with the subscriptions of everybody:
        # clients time filters time retained messages, and messages nobody asked for.
        holders = self._subscriptions.get(subscription[0], ())
        if any(holder is session for holder, _ in holders):
            await super()._publish_retained_messages_for_subscription(subscription, session)

    async def _topic_filtering(self, session: Session, topic: str, action: Action) -> bool:
        # Nothing is filtered here; asking nobody keeps the broadcast free of gaps in
        # which a new subscription would change the table being walked through.
        return True


class _Payload(ConnectPayload):  # type: ignore[misc]  # amqtt ships no types
    """The rest of a CONNECT, not read where it is of another version of the protocol: amqtt would
    misread it and wait for ever. It then answers with return code 1, as it must (OASIS MQTT 3.1.1,
    section 3.1.2.2)."""

    @classmethod
    async def from_stream(
        cls, reader: Any, fixed: Any, header: ConnectVariableHeader | None
    ) -> ConnectPayload:
        if header is not None and header.proto_level != _LEVEL_3_1_1:
            return cls(client_id="other-version")
        return await super().from_stream(reader, fixed, header)


ConnectPacket.PAYLOAD = _Payload


class MosquittoBroker(_Managed):
    """Eclipse Mosquitto as a child process, configured in a private folder.

    ``more``: further lines of its configuration. ``access``: what stands in its file of access
    rules; without it everybody may publish and subscribe to everything.
    """

    def __init__(
        self,
        host: str,
        port: int,
        username: str | None = None,
        password: str | None = None,
        tls: Tls | None = None,
        *,
        folder: Path | None = None,
        more: Sequence[str] = (),
        access: str | None = None,
    ) -> None:
        super().__init__(host, port, username, password, tls)
        self._folder = folder
        self._more = tuple(more)
        self._access = access
        self._own_folder: tempfile.TemporaryDirectory[str] | None = None
        self._process: asyncio.subprocess.Process | None = None

    @staticmethod
    def available() -> bool:
        """Whether the server and its password tool are installed."""
        return os.access(_MOSQUITTO, os.X_OK) and shutil.which("mosquitto_passwd") is not None

    async def start(self) -> None:
        """Start the server and return when it accepts connections.

        Raises RuntimeError when it ends by itself, TimeoutError after 10 seconds.
        """
        try:
            await self._start()
        except BaseException:
            await self.stop()
            raise

    async def _start(self) -> None:
        folder = self._folder
        if folder is None:
            self._own_folder = tempfile.TemporaryDirectory(prefix="lab-broker-")
            folder = Path(self._own_folder.name)
        lines = [f"listener {self.port} {self.host}", "persistence false", "log_dest none"]
        if os.geteuid() == 0:
            lines.append("user root")  # else it could not read its own 0600 files
        if self._tls is not None:
            lines += [f"certfile {self._tls[0]}", f"keyfile {self._tls[1]}"]
        if self._username is None:
            lines.append("allow_anonymous true")
        else:
            await self._write_passwords(folder / "passwords")
            lines += ["allow_anonymous false", f"password_file {folder / 'passwords'}"]
        if self._access is not None:
            _write_private(folder / "access", self._access)
            lines.append(f"acl_file {folder / 'access'}")
        lines += self._more
        config = folder / "mosquitto.conf"
        _write_private(config, "\n".join(lines) + "\n")
        self._process = await asyncio.create_subprocess_exec(
            _MOSQUITTO,
            "-c",
            str(config),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        async with asyncio.timeout(_START_SECONDS):
            await self._until_it_accepts()

    def change_login(self, password: str) -> None:
        """Another password, in force from the next start on."""
        self._password = password

    def change_access(self, access: str) -> None:
        """Other access rules, in force from the next start on."""
        self._access = access

    async def stop(self) -> None:
        """End the child process and wait for it."""
        process, self._process = self._process, None
        if process is not None and process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.terminate()
            await process.wait()
        if self._own_folder is not None:
            self._own_folder.cleanup()
            self._own_folder = None

    async def _until_it_accepts(self) -> None:
        # Another program's listener gives no event to wait for. A connection alone proves
        # little: the server may still be loading its certificate, or be somebody else's.
        while self._process is not None:
            if self._process.returncode is not None:
                raise RuntimeError(f"mosquitto ended with code {self._process.returncode}")
            with contextlib.suppress(OSError, asyncio.IncompleteReadError):
                reader, writer = await asyncio.open_connection(
                    self.host, self.port, ssl=_trusting_all() if self._tls else None
                )
                try:
                    writer.write(_HELLO)
                    if (await reader.readexactly(4))[0] == _CONNACK:
                        return
                finally:
                    writer.transport.abort()
            await asyncio.sleep(0.02)

    async def _write_passwords(self, path: Path) -> None:
        # The tool hashes the file in place: the password is in no argument list, and
        # readable to its owner only for the moment in between.
        _write_private(path, f"{self._username}:{self._password}\n")
        tool = shutil.which("mosquitto_passwd") or "mosquitto_passwd"
        process = await asyncio.create_subprocess_exec(
            tool,
            "-U",
            str(path),
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        if await process.wait() != 0:
            _forget(path)
            raise RuntimeError("mosquitto_passwd failed")


def _trusting_all() -> ssl.SSLContext:
    # Only for asking a server of our own whether it is there.
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context


def _forget(path: Path) -> None:
    path.unlink(missing_ok=True)


def _write_private(path: Path, content: str) -> None:
    _forget(path)
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(content)
