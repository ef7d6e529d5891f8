"""A trial on the bench: what one spare device does with texts that matter to nobody.

The steps are a generator without I/O: it says what to give the device, is told what the device
then holds, and returns what that has shown. Only the harmless texts of the dialect are ever given,
so the dialect's own refusals may be passed by: that is how it is found out whether they are true.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Literal

from migrate.dialects.parts import Lines
from migrate.dialects.schema import Dialect
from migrate.planning.ledger import Sign, Tried

Step = Literal["write", "together", "restart", "characters", "length"]
Claims = Callable[[Mapping[str, str]], Sequence[str]]
"""Why, by what the dialect says, these harmless texts would not arrive; empty: they do."""

FILLER = "qz"
"""Stands on both sides of a sign. Behind a separator it may be read as a statement of its own, so
it is a word that commands nothing."""
SPECIALS = "".join(chr(octet) for octet in range(0x21, 0x7F) if not chr(octet).isalnum())
"""The printable characters of US-ASCII (RFC 20) that are neither letters nor digits."""
WIDE = {2: "\N{LATIN SMALL LETTER E WITH ACUTE}", 3: "\N{EURO SIGN}", 4: "\N{GOTHIC LETTER HWAIR}"}
"""One character of each length that UTF-8 has beside the first (RFC 3629)."""


GIVES_UP = 3
"""So often in a row a device does not answer before nothing more is tried."""


@dataclass(frozen=True)
class Give:
    """Give the device these texts in one message and read it; `restart`: after a restart. Without
    texts: only restart it, and read it."""

    step: Step
    values: Mapping[str, str]
    restart: bool = False


@dataclass(frozen=True)
class Came:
    """What came of it: the texts as the device then told them, None where it could not be read;
    and its answer to the message, or why there is none, in words. Empty words: it said yes."""

    texts: Mapping[str, str] | None
    words: str = ""


@dataclass(frozen=True)
class Mark:
    """What became of one sign: whether it came back as it was, None if nobody can tell; and whether
    the dialect says that it does."""

    sign: Sign
    kept: bool | None
    claimed: bool
    words: str = ""


@dataclass(frozen=True)
class Trial:
    """What a trial has shown. `alone`: a text written by itself was read back. `together`: both of
    two in one message took hold. `lasting`: they were still there after a restart. None: not
    tried, or nobody can tell. `length`: octets given and octets kept of a text of full length."""

    alone: bool | None = None
    together: bool | None = None
    lasting: bool | None = None
    marks: tuple[Mark, ...] = ()
    length: tuple[int, int] | None = None
    words: tuple[str, ...] = field(default=())

    @property
    def any(self) -> bool:
        """Whether it has shown anything at all."""
        told = (self.alone, self.together, self.lasting, self.length)
        return bool(self.marks) or any(one is not None for one in told)

    @property
    def lost(self) -> tuple[Mark, ...]:
        """Signs that the dialect says are carried, and are not: the danger."""
        return tuple(mark for mark in self.marks if mark.claimed and mark.kept is False)

    @property
    def spared(self) -> tuple[Mark, ...]:
        """Signs that the dialect says are not carried, and are: over-careful."""
        return tuple(mark for mark in self.marks if not mark.claimed and mark.kept)

    @property
    def unknown(self) -> tuple[Mark, ...]:
        """Signs of which nobody can tell."""
        return tuple(mark for mark in self.marks if mark.kept is None)

    @property
    def well(self) -> bool:
        """Whether the dialect may be relied on, as far as this trial went."""
        cut = self.length is not None and self.length[0] != self.length[1]
        lasts = self.lasting is not False
        tried = self.alone is True and self.together is True and not self.unknown
        return tried and lasts and not self.lost and not cut


class BrokenOff(Exception):
    """Thrown into the steps of a trial: they give nothing more, and return what was shown."""


@dataclass
class _Shown:
    """What a trial has shown so far."""

    alone: bool | None = None
    together: bool | None = None
    lasting: bool | None = None
    marks: dict[Sign, Mark] = field(default_factory=dict)
    length: tuple[int, int] | None = None
    words: list[str] = field(default_factory=list)

    def trial(self, order: Iterable[Sign]) -> Trial:
        marks = tuple(self.marks[sign] for sign in order if sign in self.marks)
        words = tuple(self.words)
        return Trial(self.alone, self.together, self.lasting, marks, self.length, words)


def signs(dialect: Dialect) -> Iterator[Sign]:
    """Everything that is tried inside a text, each once: the special characters of US-ASCII, blanks
    at either end and in the middle, what could be taken for an escape, characters of two, three and
    four octets, and whatever the dialect itself names."""
    form = dialect.write.message
    own = [form.separator, form.assign, form.after] if isinstance(form, Lines) else []
    inside = [*SPECIALS, " ", "  ", "%41", "\\n", "&amp;", *own, *dialect.carries.cannot]
    # A control character may steer a device or its console: it is not tried.
    for text in dict.fromkeys(one for one in inside if one and one.isprintable()):
        yield Sign(text=text)
    yield Sign(text=" ", where="first")
    yield Sign(text=" ", where="last")
    for char in WIDE.values():
        yield Sign(text=char, where="like")


def holding(sign: Sign) -> str:
    """A text with this sign in its place."""
    if sign.where == "first":
        return sign.text + FILLER
    return FILLER + sign.text + ("" if sign.where == "last" else FILLER)


def trial(dialect: Dialect, claims: Claims, *, restart: bool) -> Generator[Give, Came, Trial]:
    """The steps of a trial. `restart`: also see what is left after one. The dialect has at least
    two harmless texts, and a restart if that is asked for. BrokenOff thrown into them ends them."""
    shown = _Shown()
    with suppress(BrokenOff):
        yield from _steps(dialect, claims, shown, restart=restart)
    return shown.trial(signs(dialect))


def _steps(
    dialect: Dialect, claims: Claims, shown: _Shown, *, restart: bool
) -> Generator[Give, Came, None]:
    one, two = list(dialect.harmless)[:2]
    came = yield Give("write", {one: "bench-one"})
    shown.alone = _holds(came, {one: "bench-one"})
    shown.words += [f"written alone: {came.words}"] if came.words else []
    if not shown.alone:
        # Of what it does not keep by itself, nothing else can be told.
        return
    both = {one: "bench-two", two: "bench-three"}
    came = yield Give("together", both)
    shown.together = _holds(came, both)
    shown.words += [f"two in one message: {came.words}"] if came.words else []
    if restart and shown.together:
        came = yield Give("restart", {}, restart=True)
        shown.lasting = _holds(came, both)
        shown.words += [f"after a restart: {came.words}"] if came.words else []
    yield from _marks(dialect, claims, one, shown.marks)
    shown.length = yield from _length(dialect, claims, one)


def _marks(
    dialect: Dialect, claims: Claims, name: str, marks: dict[Sign, Mark]
) -> Generator[Give, Came, None]:
    """Each sign in a message of its own; but those that the dialect says are carried first all at
    once, as many as fit: memory of devices wears out by writing."""
    every = [(sign, not claims({name: holding(sign)})) for sign in signs(dialect)]
    for together in _packed(dialect, claims, name, [sign for sign, good in every if good]):
        text = FILLER.join(["", *(sign.text for sign in together), ""])
        came = yield Give("characters", {name: text})
        if _holds(came, {name: text}):
            marks.update((sign, Mark(sign, True, claimed=True)) for sign in together)
    silent = 0
    for sign, claimed in every:
        if sign in marks:
            continue
        if silent >= GIVES_UP:
            marks[sign] = Mark(sign, None, claimed, "not tried: it did not answer any more")
            continue
        text = holding(sign)
        came = yield Give("characters", {name: text})
        silent = silent + 1 if came.texts is None else 0
        marks[sign] = Mark(sign, _holds(came, {name: text}), claimed, came.words)


def _packed(
    dialect: Dialect, claims: Claims, name: str, good: Sequence[Sign]
) -> Iterator[list[Sign]]:
    """Signs that may stand in one text together, as many as the dialect says it holds."""
    batch: list[Sign] = []
    for sign in good:
        if sign.where not in ("inside", "like"):
            continue
        wider = [*batch, sign]
        if claims({name: FILLER.join(["", *(each.text for each in wider), ""])}) and batch:
            yield batch
            wider = [sign]
        batch = wider
    if batch:
        yield batch


def _length(
    dialect: Dialect, claims: Claims, name: str
) -> Generator[Give, Came, tuple[int, int] | None]:
    """The longest text that the dialect says is carried."""
    most = dialect.harmless[name].max_octets
    while most and claims({name: _long(most)}):
        most -= 1
    if not most:
        return None
    came = yield Give("length", {name: _long(most)})
    told = None if came.texts is None else came.texts.get(name)
    if told is None:
        return None
    # Something else than its beginning is no cut: it was not taken at all.
    return most, len(told.encode()) if _long(most).startswith(told) else 0


def _long(octets: int) -> str:
    return ("0123456789" * (octets // 10 + 1))[:octets]


def _holds(came: Came, values: Mapping[str, str]) -> bool | None:
    """Whether the device now tells all these texts as they were given."""
    if came.texts is None:
        return None
    return all(came.texts.get(name) == value for name, value in values.items())


def tried_of(shown: Trial, *, at: str, dialect: str, sha256: str, firmware: str, via: str) -> Tried:
    """What of a trial goes into the evidence ledger: no text of the device, and no secret. What the
    dialect itself says is lost is refused without it."""
    return Tried(
        at=at,
        dialect=dialect,
        sha256=sha256,
        firmware=firmware,
        via=via,
        together=shown.together,
        lost=tuple(mark.sign for mark in shown.lost),
        kept=tuple(mark.sign for mark in shown.marks if mark.kept),
        cut=shown.length[1] if shown.length and 0 < shown.length[1] < shown.length[0] else None,
    )
