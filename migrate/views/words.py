"""Words and numbers as people read them; shared by all views."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from migrate.model.lifecycle import State
from migrate.model.settings import FrozenValue, Setting, shown

STATE_ORDER = tuple(State)


def count(number: int, one: str, many: str = "") -> str:
    """`3 devices`, `1 device`."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def tally(states: Iterable[State]) -> str:
    """`1 away, 3 settled`, in the order of the life cycle."""
    numbers = Counter(states)
    return ", ".join(f"{numbers[state]} {state}" for state in STATE_ORDER if numbers[state])


def settings_in_words(bundle: Mapping[Setting, FrozenValue]) -> str:
    """A bundle on one line, secrets masked."""
    return ", ".join(f"{setting} {shown(value)}" for setting, value in bundle.items())


CAUTION = (
    "A restart may drop and restore what a device switches. See first that no heater, pump, "
    "freezer, door or medical load depends on it. Opening a device means mains wiring: leave that "
    "to a licensed person where local codes say so, and always switch off the circuit."
)
"""The usual caution (common practice, no source)."""


def lasting(seconds: float) -> str:
    """`45 s`, `14 min`, `2 h 5 min`: as exact as a plan can be."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def span(least: float, most: float) -> str:
    """`14 min to 22 min`; one time if both are the same in words."""
    low, high = lasting(least), lasting(most)
    return low if low == high else f"{low} to {high}"


def some(names: Sequence[str], most: int = 8) -> str:
    """Names, so many at most: `a, b and 3 more`."""
    told = ", ".join(names[:most])
    return f"{told} and {len(names) - most} more" if len(names) > most else told
