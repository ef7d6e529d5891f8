"""What devices switch: was it the restart that changed an output, and what is done about it.

The theory in plain words. A restart can drop what a device switches (common practice, no source): a
freezer's plug that stays off after a move spoils food, though the move went well. But what a person
has switched off must not be switched on with nobody there. So every output is read at the survey;
just before the device is sent its bundle; whenever it is seen between that and its restart; when it
is found after its restart; and while it soaks.

* At the end as just before: all is well.
* Otherwise at the end, and already when it was found: the restart did it. It may be restored, once.
* It changed before the restart, or after it was found: somebody switched it. It is left alone.
* At the survey otherwise than just before: it may be on for a moment only. It is left alone.
* A reading is missing, the device was unseen for long, or another process saw it last: nobody can
  tell. It is left alone.

An output is only ever set to what it was just before the send, so none is switched on that was off.
There is one exception: a process that takes a device back, or sends it once more, while it has not
lost sight of it. The output is then set to what it was before that same process dropped it.
All that is not as it was is told, whatever was done about it.

The readings are kept in the run's journal, as lines of kinds of their own, and taken from there: a
process that takes over from one that ended judges by the same readings. There is no I/O here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from migrate.dialects.messages import Switched
from migrate.model.lifecycle import Event

Values = Mapping[str, Switched | None]
"""Outputs by name; None for one that could not be read."""

BEFORE: Final = "outputs before"
"""Kind of the line with the readings just before a device is sent its bundle."""
STILL: Final = "outputs still"
"""Kind of the line with the readings of a device that was sent its bundle and that, as far as can
be told, has not restarted yet."""
UNSEEN: Final = "outputs unseen"
"""Kind of the line that says that nobody can tell what became of outputs since they were read last:
for too long, or for a time that is not known."""
FOUND: Final = "outputs found"
"""Kind of the line with the readings of a device that was found after its restart, and once more
whenever they changed."""
TOLD: Final = "outputs told"
"""Kind of the line that says what outputs are about to be set to: on disk before it is sent."""
READ_BACK: Final = "outputs read back"
"""Kind of the line with the readings after that."""
AS_BEFORE: Final = "outputs as before"
"""Kind of the line that ends it: all are as they were."""
RESTORED: Final = "outputs restored"
"""Kind of the line that ends it: those that were not are so again."""
AMISS: Final = "outputs amiss"
"""Kind of the line that ends it, with words: some are not as they were, or nobody knows."""
OPEN: Final = "outputs open"
"""Kind of the line that says what is still to be looked at or restored, and why it was not."""

_ENDS: Final = (AS_BEFORE, RESTORED, AMISS)
KINDS: Final = (BEFORE, STILL, UNSEEN, FOUND, TOLD, READ_BACK, OPEN, *_ENDS)
_UNREADABLE: Final = "unreadable"


def value_words(value: Switched | None) -> str:
    """`on`, `off`, a number, or that it could not be read."""
    if value is None:
        return _UNREADABLE
    if isinstance(value, bool):
        return "on" if value else "off"
    return str(int(value)) if value == int(value) else str(value)


def in_words(values: Values) -> str:
    """Outputs on one line, as the journal keeps them: `relay on, fan 40`."""
    return ", ".join(f"{name} {value_words(value)}" for name, value in values.items())


def from_words(words: str) -> dict[str, Switched | None]:
    """The inverse of `in_words`; what is not of that form is left out."""
    found: dict[str, Switched | None] = {}
    for part in words.split(", ") if words else ():
        name, _, text = part.rpartition(" ")
        if text in ("on", "off"):
            found[name] = text == "on"
        elif text == _UNREADABLE:
            found[name] = None
        else:
            try:
                found[name] = float(text)
            except ValueError:
                continue
    return found


def is_on(value: Switched) -> bool:
    """Whether something is switched on: a level of 0 is off."""
    return bool(value)


@dataclass
class Trip:
    """One sending of one device, in outputs. `still`: readings since, until its restart; `found`:
    readings after its restart; `after`: those, and what was read back; `told`: what they were to be
    set to; `unseen`: nobody can tell what became of them for some time, in it or after it; `kind`
    and `words`: what was last said of it."""

    before: Values
    still: list[Values] = field(default_factory=list)
    found: list[Values] = field(default_factory=list)
    after: list[Values] = field(default_factory=list)
    told: Values = field(default_factory=dict)
    unseen: bool = False
    kind: str = ""
    words: str = ""

    @property
    def ended(self) -> bool:
        """Whether nothing is left to be done about it."""
        return self.kind in _ENDS


@dataclass(frozen=True)
class Line:
    """A line of the journal about one device: its kind, its words."""

    kind: str
    detail: str


def trips(lines: Iterable[Line]) -> list[Trip]:
    """The sendings of one device that may have reached it, by its lines in order."""
    found: list[Trip] = []
    ready: Trip | None = None
    unchanged: list[Trip] = []
    for line in lines:
        if line.kind == BEFORE:
            ready = Trip(from_words(line.detail))
        elif line.kind == Event.INTEND:
            # Where the readings are lost, as by a damaged journal, they are missing, not well.
            found.append(ready or Trip({}))
            ready, unchanged = None, []
        elif line.kind in (Event.UNSENT, Event.DECLINE):
            unchanged = found[-1:]  # as far as is known then
            del found[-1:]
        elif line.kind in (FOUND, Event.SENT) and unchanged:
            # It has arrived after all: delivered twice, say, and declined once.
            found += unchanged
            unchanged = []
            _take(found[-1], line)
        else:
            for one in [*found[-1:], *(unchanged if line.kind == UNSEEN else ())]:
                _take(one, line)
    return found


def _take(trip: Trip, line: Line) -> None:
    if line.kind == FOUND:
        values = from_words(line.detail)
        trip.found.append(values)
        trip.after.append(values)
        trip.kind, trip.words = "", ""
    elif line.kind == STILL:
        trip.still.append(from_words(line.detail))
    elif line.kind == UNSEEN:
        trip.unseen = True
    elif line.kind == TOLD:
        trip.told = from_words(line.detail)
    elif line.kind == READ_BACK:
        trip.after.append(from_words(line.detail))
    elif line.kind in (*_ENDS, OPEN):
        trip.kind, trip.words = line.kind, line.detail


@dataclass(frozen=True)
class Wanted:
    """What an output is to be: as before the move. `sure`: nobody can have wanted it otherwise."""

    value: Switched | None
    sure: bool = True


def wanted(past: Sequence[Trip]) -> dict[str, Wanted]:
    """What each output was before the device was moved, over all its sendings.

    Just before a sending counts. But one that an earlier sending dropped, and that nobody has
    touched since, is still wanted as it was before that: a device that is taken back, or sent once
    more, must not make a loss the rule. Where somebody may have touched it, that is not sure: the
    loss is told then, and not mended.
    """
    result: dict[str, Wanted] = {}
    last: Trip | None = None
    for trip in past:
        result = {
            name: _carried(value, result.get(name), last, name)
            for name, value in trip.before.items()
        }
        last = trip
    return result


def _carried(now: Switched | None, was: Wanted | None, last: Trip | None, name: str) -> Wanted:
    if last is None or was is None or was.value is None or now is None or now == was.value:
        return Wanted(now)
    after = [values.get(name) for values in last.after]
    if not after or None in after:
        return Wanted(was.value, sure=False)
    if any(value != now for value in after):
        return Wanted(now)
    touched = last.unseen or _changed([last.before.get(name), *(v.get(name) for v in last.still)])
    return Wanted(was.value, was.sure and not touched)


def _changed(values: Sequence[Switched | None]) -> bool:
    """Whether the readings differ; one that is missing says nothing."""
    return len({value for value in values if value is not None}) > 1


@dataclass(frozen=True)
class Leave:
    """Why outputs of a device may not be set, in words; empty where they may. `all_of_them` holds
    for each of its outputs."""

    all_of_them: str = ""
    by_name: Mapping[str, str] = field(default_factory=dict)

    def why(self, name: str) -> str:
        """The reason against setting this output."""
        return self.all_of_them or self.by_name.get(name, "")


@dataclass(frozen=True)
class Seen:
    """The readings of one output. `before`: at the survey; `just_before` the send, or before all
    its sendings; `found`: each time it was found after a restart, and whenever it changed; `end`:
    now; `still`: from just before the last send to the restart."""

    before: Switched | None
    just_before: Wanted
    found: tuple[Switched | None, ...]
    end: Switched | None
    still: tuple[Switched | None, ...] = ()


@dataclass(frozen=True)
class Verdict:
    """What is done about one output. `well`: it is as it was. `restore`: what it is set to, None if
    it is left alone. `words` say what is the matter; `tell` whether anybody must hear them."""

    well: bool
    restore: Switched | None
    words: str
    tell: bool = True


SWITCHED_SINCE = "it changed after it had come back, so somebody may have switched it"
NOT_FOUND = "what it was when it came back could not be read, so somebody may have switched it"
UNSURE = "it is not known when it changed, so somebody may have switched it"
SWITCHED_BEFORE = "it changed before its restart, so somebody may have switched it"
OTHERWISE_SURVEYED = "it was otherwise at the survey, so it may be for a moment only"
NOT_SURVEYED = "what it was at the survey could not be read"


def decide(seen: Seen, leave: str = "", told: Switched | None = None) -> Verdict:
    """What to do about one output, and in words why. `leave`: a reason for which it may not be set;
    `told`: what it was set to already."""
    want, end = seen.just_before.value, seen.end
    if end is None:
        known = want if want is not None else seen.before
        was = "could not be read before either" if known is None else f"was {value_words(known)}"
        return Verdict(False, None, f"cannot be read now; {was}; look at it")
    if want is None:
        words = f"{value_words(end)}; what it was just before could not be read"
        words += "" if seen.before is None else f"; {value_words(seen.before)} at the survey"
        return Verdict(False, None, f"{words}; look at it")
    if end == want:
        last = next((value for value in reversed(seen.still) if value is not None), want)
        by_hand = _changed(seen.still) or not seen.just_before.sure
        if told is None and last != end and by_hand:
            words = f"{value_words(end)}, was {value_words(last)} before its restart"
            return Verdict(False, None, f"{words}; somebody may have switched it; look at it")
        if told is None:
            return Verdict(True, None, f"{value_words(end)}, as before", tell=False)
        after = f"was {value_words(seen.found[-1])} after the restart, " if seen.found else ""
        return Verdict(True, None, f"{after}restored to {value_words(end)}")
    otherwise = f"{value_words(end)}, was {value_words(want)}"
    if told is not None:
        words = f"told once to be {value_words(told)}, and not told again"
        return Verdict(False, None, f"{otherwise}; {words}")
    if why := _not_the_restart(seen) or leave:
        return Verdict(False, None, f"{otherwise}; not restored: {why}")
    return Verdict(False, want, otherwise)


def _not_the_restart(seen: Seen) -> str:
    if not seen.just_before.sure:
        return UNSURE
    if _changed(seen.still):
        return SWITCHED_BEFORE
    if not seen.found or None in seen.found:
        return NOT_FOUND
    if any(value != seen.end for value in seen.found):
        return SWITCHED_SINCE
    if seen.before is None:
        return NOT_SURVEYED
    return "" if seen.before == seen.just_before.value else OTHERWISE_SURVEYED


def judge(past: Sequence[Trip], surveyed: Values, now: Values, leave: Leave) -> dict[str, Verdict]:
    """What to do about each output of a device whose last sending is `past[-1]`. `surveyed`: as the
    survey read them; `now`: as they are."""
    trip, want = past[-1], wanted(past)
    if trip.unseen:
        # Long enough for somebody to have come by.
        want = {name: Wanted(one.value, sure=False) for name, one in want.items()}
    return {
        name: decide(
            Seen(
                surveyed.get(name),
                want.get(name, Wanted(None)),
                tuple(values.get(name) for values in trip.found),
                value,
                tuple(values.get(name) for values in (trip.before, *trip.still)),
            ),
            leave.why(name),
            trip.told.get(name),
        )
        for name, value in now.items()
    }


def told_words(words: Mapping[str, str], *, only: bool) -> str:
    """What is said of several outputs, on one line; `only`: the device has no other."""
    return "; ".join(
        f"output {text}" if only else f"output {name} {text}" for name, text in words.items()
    )
