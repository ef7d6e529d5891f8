"""What travels between whoever runs a campaign and the workers at the sites: all of it is here.

An **errand** is one piece of work for one site: to plan its change, to move its fleet, to take it
back. Its order names plans by their digests; its account tells where every device stands. Neither
has room for a secret, a setting, an address or somebody's free words: a name of a device, digests,
states and numbers alone. Both are read from a database that others write to, so every length is
bounded, and what does not fit is refused.
"""

from __future__ import annotations

import json
from collections import Counter
from typing import Annotated, Final, Literal, Self, TypeVar

from pydantic import AfterValidator, BeforeValidator, Field, ValidationError, model_validator

from migrate.model.campaign import SiteName
from migrate.model.fleet import Strict, Text
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import BadFile, Exit, Problem
from migrate.planning.plan import as_tuples

FORMAT: Final = 1
MOST_DEVICES = 20_000
MOST_LEGS = 16
MOST_TWINS = 2_000
MOST_OCTETS = 8 * 1024 * 1024
"""Of one order or account, as JSON."""


def _exit(value: object) -> Exit:
    if not isinstance(value, int) or isinstance(value, bool):  # true is equal to 1
        raise ValueError("is no exit code")
    return Exit(value)


def _printable(value: str) -> str:
    if not value.isprintable():
        raise ValueError("must be printable text")
    return value


Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Name = Annotated[Text, Field(max_length=200)]
Count = Annotated[int, Field(ge=0, le=1_000_000)]
Kind = Literal["plan", "move", "back"]
Key = Annotated[str, Field(pattern=r"^[a-z0-9-]{0,100}$")]
Printable = Annotated[str, AfterValidator(_printable)]
Version = Annotated[Printable, Field(max_length=200)]
AnExit = Annotated[Exit, BeforeValidator(_exit)]
Traveller = TypeVar("Traveller", bound=Strict)


class Answers(Strict):
    """What the owner has decided for a site that is held: devices that are sent their bundle once
    more, devices that are written off, that the access point has been changed, and (before a way
    back) that it still has its old passphrase."""

    again: Annotated[tuple[Name, ...], Field(max_length=MOST_DEVICES)] = ()
    write_off: Annotated[tuple[Name, ...], Field(max_length=MOST_DEVICES)] = ()
    flipped: bool = False
    not_flipped: bool = False


class Order(Strict):
    """What a worker is asked to do. `campaign`: name and digest of the frozen campaign, or nothing
    while one is being planned; `legs`: digests of the plans of the site's change, in order."""

    format: Literal[1] = FORMAT
    kind: Kind
    site: SiteName
    campaign: Key = ""
    attempt: Annotated[int, Field(ge=1, le=100_000)] = 1
    legs: Annotated[tuple[Digest, ...], Field(max_length=MOST_LEGS)] = ()
    answers: Answers = Answers()


class SiteTwin(Strict):
    """A twin group of a site: a dialect by its digest, and a firmware version."""

    dialect: Name
    digest: Digest
    firmware: Version
    devices: Count = 1


class SiteLeg(Strict):
    """A frozen plan at a site: its digest, and how much it is. `after_flip`: the owner changes the
    access point before it; `together`: in the midst of it."""

    digest: Digest
    devices: Count
    waves: Count
    after_flip: bool = False
    together: bool = False


class SitePlan(Strict):
    """What a worker answers when it is asked to plan: the frozen plans that now lie beside it, or
    the exit code with which planning ended, and how many problems it told there."""

    format: Literal[1] = FORMAT
    exit: AnExit
    tool: Annotated[Version, Field(max_length=40)]
    problems: Count = 0
    legs: Annotated[tuple[SiteLeg, ...], Field(max_length=MOST_LEGS)] = ()
    twins: Annotated[tuple[SiteTwin, ...], Field(max_length=MOST_TWINS)] = ()


class DeviceAccount(Strict):
    """Where one device stands, in the words of the single-site journal."""

    name: Name
    state: Annotated[State, BeforeValidator(lambda value: State(value))]
    direction: Annotated[Direction, BeforeValidator(lambda value: Direction(value))]
    written_off: bool = False
    sent: bool = False

    def there(self, *, back: bool) -> bool:
        """Whether it is for good where its site is to be: on the new side; or, `back`, on the old
        one again, if it was given anything (TURNS in lifecycle.py)."""
        if not back:
            return self.state is State.SETTLED and self.direction is Direction.FORWARD
        if self.direction is Direction.BACK:
            return self.state is State.RESTORED
        return self.state in (State.WAITING, State.DECLINED)


class SiteAccount(Strict):
    """What an errand came to, or has come to so far: leg `leg` of `of`, its exit code, and every
    device of that leg. `flip`: it waits for the access point to be changed and for nothing else.
    `began`: something was sent at this site, by this leg or one before it."""

    format: Literal[1] = FORMAT
    exit: AnExit
    leg: Annotated[int, Field(ge=1, le=MOST_LEGS)] = 1
    of: Annotated[int, Field(ge=1, le=MOST_LEGS)] = 1
    flip: bool = False
    began: bool = False
    devices: Annotated[tuple[DeviceAccount, ...], Field(max_length=MOST_DEVICES)] = ()

    @model_validator(mode="after")
    def _leg_of_them(self) -> Self:
        if self.leg > self.of:
            raise ValueError("a leg that there is not")
        return self

    @property
    def tally(self) -> Counter[State]:
        """How many devices are in each state."""
        return Counter(device.state for device in self.devices)

    @property
    def there(self) -> int:
        """How many devices are on the new side for good."""
        return sum(device.there(back=False) for device in self.devices)


def to_json(one: Strict) -> str:
    """As it is kept in the store: JSON without blanks, what is as usual left out."""
    plain = {"format": FORMAT, **one.model_dump(mode="json", exclude_defaults=True)}
    return json.dumps(plain, separators=(",", ":"), ensure_ascii=True)


def from_json(text: object, kind: type[Traveller], where: str) -> Traveller:
    """The inverse. Raises BadFile for whatever else stands there, and repeats nothing of it."""
    try:
        if not isinstance(text, str) or len(text) > MOST_OCTETS:
            raise ValueError("is too long")
        return kind.model_validate(as_tuples(json.loads(text)))
    except (ValueError, ValidationError, RecursionError):
        what = f"holds something that is no {_WORDS[kind]} of this version of migrate"
        remedy = "have the same version at every site and here, then ask anew"
        raise BadFile(Problem(what, remedy, where)) from None


_WORDS: dict[type[Strict], str] = {
    Order: "order",
    SitePlan: "answer to a planning",
    SiteAccount: "account",
}
