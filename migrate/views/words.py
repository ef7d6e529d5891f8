"""Words and numbers as people read them; shared by all views."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from migrate.model.lifecycle import State
from migrate.model.settings import FrozenValue, Setting, shown
from migrate.planning.plan import Leg

STATE_ORDER = tuple(State)


def count(number: int, one: str, many: str = "") -> str:
    """`3 devices`, `1 device`."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def leg_in_words(leg: Leg) -> str:
    """`leg 1 of 3: the broker`; empty for a change in one leg."""
    return f"leg {leg.number} of {leg.of}: {leg.what}" if leg.of > 1 else ""


def tally(states: Iterable[State]) -> str:
    """`1 away, 3 settled`, in the order of the life cycle."""
    numbers = Counter(states)
    return ", ".join(f"{numbers[state]} {state}" for state in STATE_ORDER if numbers[state])


EMPTY = {
    Setting.ADDRESS: "(empty: it asks DHCP)",
    Setting.SPARE_SSID: "(emptied)",
    Setting.SPARE_TOPIC: "(emptied)",
}
"""What it means for a device to be given nothing there."""


def value_in_words(setting: Setting, value: FrozenValue) -> str:
    """A value as it is shown beside its setting's name, secrets masked."""
    return EMPTY.get(setting, shown(value)) if value == "" else shown(value)


def settings_in_words(bundle: Mapping[Setting, FrozenValue]) -> str:
    """A bundle on one line, secrets masked."""
    return ", ".join(f"{setting} {value_in_words(setting, v)}" for setting, v in bundle.items())


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
    # `1 min to 2 min`: `62 s to 2 min` is hard to read.
    low = "1 min" if 60 <= least < 90 <= most else lasting(least)
    high = lasting(most)
    return low if low == high else f"{low} to {high}"


def some(names: Sequence[str], most: int = 8) -> str:
    """Names, so many at most: `a, b and 3 more`."""
    told = ", ".join(names[:most])
    return f"{told} and {len(names) - most} more" if len(names) > most else told
