"""Talking to one device in its own dialect: compose, exchange, understand."""

from __future__ import annotations

from itertools import count

from tenacity import AsyncRetrying, retry_if_exception_type, stop_after_attempt, wait_exponential

from migrate.dialects import compose
from migrate.dialects.messages import Answer, Declined, Readings, Unclear
from migrate.dialects.understand import NotUnderstood, answer, readings
from migrate.engine.crew import Member
from migrate.model.secrets import Redactor
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
            return readings(member.dialect, reply, request.expects_id)
        except (NotDelivered, NoReply, NotUnderstood) as error:
            raise Unread(self.clean(str(error))) from None

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
        flat = "".join(char if char.isprintable() else "?" for char in words)
        return self._redactor.clean(flat)


def _tries(after: type[Exception]) -> AsyncRetrying:
    """A few tries, each but the first after this failure only."""
    return AsyncRetrying(
        retry=retry_if_exception_type(after),
        stop=stop_after_attempt(TRIES),
        wait=wait_exponential(multiplier=0.2, max=2),
        reraise=True,
    )
