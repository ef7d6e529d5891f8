"""Talking to one device in its own dialect: compose, exchange, understand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from ipaddress import AddressValueError, IPv4Address
from itertools import count

from tenacity import AsyncRetrying, retry_if_exception_type, stop_after_attempt, wait_exponential

from migrate.dialects import compose
from migrate.dialects.messages import Answer, Declined, Readings, Request, Switched, Unclear
from migrate.dialects.understand import NotUnderstood, answer, readings
from migrate.engine.crew import Member
from migrate.model.secrets import MASK, Redactor
from migrate.model.settings import Bundle
from migrate.ports.protocols import At, Line, NoReply, NotDelivered

TRIES = 3


class Unread(Exception):
    """A device could not be read; the words say why."""


class Talker:
    """Reads and writes devices. Words that come from devices are cleaned of known secrets."""

    def __init__(self, line: Line, redactor: Redactor, first_id: int = 1) -> None:
        self._line = line
        self._redactor = redactor
        self._ids = count(first_id)

    async def read(self, member: Member, at: At, seconds: float) -> Readings:
        """What the device says of itself, once. Raises Unread."""
        request = compose.ask(
            member.dialect, member.dialect.read, member.device, member.device.via, next(self._ids)
        )
        try:
            reply = await self._line.exchange(request, at, seconds)
            return self._without_secrets(
                member, readings(member.dialect, reply, request.expects_id)
            )
        except (NotDelivered, NoReply, NotUnderstood) as error:
            raise Unread(self.clean(str(error))) from None

    def _without_secrets(self, member: Member, said: Readings) -> Readings:
        """Readings as they may be journalled and shown: a dialect may say that a setting is read
        where the device tells a secret. What the owner wrote openly is none, whatever it reads
        like: user name and password may be the same word."""
        open_ = [member.planned.bundle, member.planned.way_back]
        hidden = tuple(
            setting
            for setting, value in said.settings.items()
            if isinstance(value, str)
            and value not in [side.get(setting) for side in open_]
            and self._redactor.holds(value)
        )
        firmware, address = said.firmware, said.address
        if firmware is not None and firmware != member.device.firmware:
            firmware = MASK if self._redactor.holds(firmware) else firmware
        if address is not None and not _is_address(address):
            address = MASK if self._redactor.holds(address) else address
        settings = {s: value for s, value in said.settings.items() if s not in hidden}
        harmless = {n: text for n, text in said.harmless.items() if not self._redactor.holds(text)}
        return replace(
            said,
            settings=settings,
            firmware=firmware,
            address=address,
            hidden=hidden,
            harmless=harmless,
        )

    async def read_surely(self, member: Member, at: At, seconds: float) -> Readings:
        """As read, tried again a few times: reading changes nothing. Raises Unread."""
        async for attempt in _tries(Unread):
            with attempt:
                return await self.read(member, at, seconds)
        raise AssertionError  # tenacity either returns from the body or raises

    async def write(self, member: Member, at: At, bundle: Bundle, seconds: float) -> Answer:
        """Give a device a bundle, in one message.

        Tried again only while nothing was delivered, since only then is that harmless for sure.
        Raises NotDelivered when it never was; every other failure is Unclear.
        """
        request = compose.write(
            member.dialect, member.device, member.device.via, bundle, next(self._ids)
        )
        return await self._give(member, request, at, seconds)

    async def write_outputs(
        self, member: Member, at: At, states: Mapping[str, Switched], seconds: float
    ) -> Answer:
        """Set outputs of a device, in one message that holds nothing else. As `write`."""
        request = compose.write_outputs(
            member.dialect, member.device, member.device.via, states, next(self._ids)
        )
        return await self._give(member, request, at, seconds)

    async def write_harmless(
        self, member: Member, at: At, values: Mapping[str, str], seconds: float
    ) -> Answer:
        """Set harmless texts of a device, in one message that holds nothing else. As `write`."""
        request = compose.write_harmless(
            member.dialect, member.device, member.device.via, values, next(self._ids)
        )
        return await self._give(member, request, at, seconds)

    async def _give(self, member: Member, request: Request, at: At, seconds: float) -> Answer:
        try:
            async for attempt in _tries(NotDelivered):
                with attempt:
                    reply = await self._line.exchange(request, at, seconds)
        except NoReply as error:
            return Unclear(self.clean(str(error)))
        return self._cleaned(
            answer(member.dialect, member.dialect.write, reply, request.expects_id)
        )

    async def restart(self, member: Member, at: At, seconds: float) -> Answer:
        """Ask a device to restart, where its family takes settings over only then."""
        ask = member.dialect.restart
        if ask is None:
            raise ValueError(f"dialect {member.dialect.name} has no restart")
        request = compose.ask(
            member.dialect, ask, member.device, member.device.via, next(self._ids)
        )
        try:
            reply = await self._line.exchange(request, at, seconds)
        except (NotDelivered, NoReply) as error:
            return Unclear(self.clean(str(error)))
        return self._cleaned(answer(member.dialect, ask, reply, request.expects_id))

    def _cleaned(self, said: Answer) -> Answer:
        if isinstance(said, Declined):
            return Declined(self.clean(said.reason))
        return Unclear(self.clean(said.why)) if isinstance(said, Unclear) else said

    def clean(self, words: str) -> str:
        """Words as they may be shown: no secrets, nothing that steers a terminal."""
        # Secrets first: they may hold what is changed then. Many blanks would push what follows to
        # the beginning of the next line of a terminal, as if it were the tool's own.
        clean = self._redactor.clean(words)
        return " ".join("".join(char if char.isprintable() else "?" for char in clean).split())


def _is_address(text: str) -> bool:
    try:
        IPv4Address(text)
    except AddressValueError:
        return False
    return True


def _tries(after: type[Exception]) -> AsyncRetrying:
    """A few tries, each but the first after this failure only."""
    return AsyncRetrying(
        retry=retry_if_exception_type(after),
        stop=stop_after_attempt(TRIES),
        wait=wait_exponential(multiplier=0.2, max=2),
        reraise=True,
    )
