"""Quiet hours: when a device may be sent something that changes or restarts it.

A span such as `22:00-06:30` is read off the clock on the wall: its first minute is in it, its last
is not, and it may go over midnight. Where daylight saving time lets the clock show an hour twice,
that hour is quiet twice; where it leaves one out, a span that would end in it ends with it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache

from migrate.model.fleet import Fleet
from migrate.model.problems import Problem

Spans = tuple[str, ...]
DAY = 24 * 60
_MINUTE = timedelta(minutes=1)
_FAR = 4 * DAY
"""Minutes ahead by which a minute that is not quiet must have come: a day may leave out an hour
(daylight saving time), or a zone a whole day (one that moved over the date line)."""


@lru_cache(maxsize=1024)
def quiet_minutes(spans: Spans) -> frozenset[int]:
    """Minutes of the day, 0 to 1439, that lie in a span."""
    found: set[int] = set()
    for span in spans:
        first, last = (_minute(word) for word in span.split("-"))
        # The last minute before midnight and the first after it are neighbours.
        found.update(minute % DAY for minute in range(first, last + (DAY if last <= first else 0)))
    return frozenset(found)


def never_allowed(spans: Spans) -> bool:
    """Whether these spans leave no minute of the day."""
    return len(quiet_minutes(spans)) == DAY


def is_quiet(spans: Spans, at: datetime, zone: tzinfo | None) -> bool:
    """Whether a moment (aware) lies in a span, by the clock of `zone`; None is this machine's."""
    wall = at.astimezone(zone)
    return wall.hour * 60 + wall.minute in quiet_minutes(spans)


def next_allowed(spans: Spans, at: datetime, zone: tzinfo | None) -> datetime:
    """The first moment from `at` (aware) on that lies in no span: `at` itself, or the full minute
    at which the last of them ends. The answer is in UTC unless it is `at`.

    Minute by minute: whatever the clock on the wall does, none is left out. Raises ValueError if
    these spans leave no minute of the day.
    """
    if not is_quiet(spans, at, zone):
        return at
    start = at.astimezone(UTC).replace(second=0, microsecond=0)
    for ahead in range(1, _FAR):
        if not is_quiet(spans, moment := start + ahead * _MINUTE, zone):
            return moment
    raise ValueError(f"{', '.join(spans)} leave no minute of the day")


def wait_in_words(quiet: Iterable[tuple[str, datetime]], at: datetime, zone: tzinfo | None) -> str:
    """What is waited for, for devices by name and the end of their quiet hours; at least one.

    `until 06:30: quiet hours of nursery-lamp (and 2 more)`; the earliest end decides.
    """
    waiting = sorted(quiet, key=lambda one: one[1])
    name, end = waiting[0]
    wall, today = end.astimezone(zone), at.astimezone(zone).date()
    # The next morning needs no date; later than that is rare, and would be misread.
    day = "" if wall.date() - today <= timedelta(days=1) else f"{wall:%Y-%m-%d} "
    return f"until {day}{wall:%H:%M}: quiet hours of {named([name, *(n for n, _ in waiting[1:])])}"


def named(names: list[str]) -> str:
    """The first name, and how many more there are."""
    return names[0] + (f" (and {len(names) - 1} more)" if len(names) > 1 else "")


def hours_refusals(fleet: Fleet, where: str) -> list[Problem]:
    """Devices whose quiet hours leave no minute of the day, so that they would never go; and
    places with quiet hours at which no device is."""
    places = {device.place for device in fleet.device}
    problems = [
        Problem(
            f"there are quiet hours for the place {place!r}, at which no device is",
            "write the place as the devices have it: " + ", ".join(sorted(places)[:5]),
            where,
            f"quiet.{place}",
        )
        for place in fleet.quiet
        if place not in places
    ]
    for device in fleet.device:
        spans = fleet.quiet_hours(device)
        if spans and never_allowed(spans):
            own = f"its own {', '.join(device.quiet)}" if device.quiet else ""
            shared = fleet.quiet.get(device.place, ())
            of_place = f"{', '.join(shared)} of {device.place}" if shared else ""
            problems.append(
                Problem(
                    f"is quiet all day ({' and '.join(filter(None, (own, of_place)))}): it would "
                    "never be moved",
                    "leave at least a few minutes of the day, or leave the device out",
                    where,
                    "quiet",
                    device.name,
                )
            )
    return problems


def _minute(word: str) -> int:
    hour, minute = word.split(":")
    return int(hour) * 60 + int(minute)
