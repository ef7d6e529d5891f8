"""Quiet hours and sleepers, the pure part. Clock changes are checked against the tz database (by
zoneinfo) and against Directive 2000/84/EC: summer time begins and ends at 01:00 UTC on the last
Sundays of March and October."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta, tzinfo
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from migrate.dialects.schema import Dialect
from migrate.model.fleet import Fleet
from migrate.model.playbook import Pace
from migrate.model.problems import Refused
from migrate.planning.hours import (
    hours_refusals,
    is_quiet,
    never_allowed,
    next_allowed,
    quiet_minutes,
    wait_in_words,
)
from migrate.planning.make import make_plans
from migrate.planning.sleep import sleep_refusals, soak_most, until_awake
from migrate.planning.times import device_seconds
from tests.model.helpers import playbook_of

from .samples import WHOLE, device, dialects, resolver, sources

BERLIN = ZoneInfo("Europe/Berlin")
NIGHT = ("22:00-06:30",)


def berlin(text: str, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=BERLIN, fold=fold)


@pytest.mark.parametrize(
    ("wall", "quiet"),
    [
        ("21:59:59", False),
        ("22:00", True),
        ("23:59:59", True),
        ("00:00", True),
        ("06:29:59.999999", True),
        ("06:30", False),
        ("12:00", False),
    ],
)
def test_a_span_holds_its_first_minute_and_not_its_last(wall: str, quiet: bool) -> None:
    assert is_quiet(NIGHT, berlin(f"2026-11-25T{wall}"), BERLIN) is quiet


def test_it_is_the_clock_on_the_wall_that_counts() -> None:
    """05:45 UTC is 06:45 in Berlin in winter, and 11:30 in Kathmandu (UTC+05:45)."""
    at = datetime(2026, 11, 25, 5, 45, tzinfo=UTC)
    assert not is_quiet(NIGHT, at, BERLIN)
    assert is_quiet(NIGHT, at, UTC)
    assert is_quiet(("11:00-12:00",), at, ZoneInfo("Asia/Kathmandu"))


@pytest.mark.parametrize(
    ("spans", "at", "allowed"),
    [
        (NIGHT, "2026-11-25T12:00:30", "2026-11-25T12:00:30"),
        (NIGHT, "2026-11-25T22:00", "2026-11-26T06:30"),
        (NIGHT, "2026-11-26T06:29:59", "2026-11-26T06:30"),
        (("22:00-00:00",), "2026-12-31T23:00", "2027-01-01T00:00"),
        (("00:00-06:00",), "2026-11-26T00:00", "2026-11-26T06:00"),
        # One span leads into the next, in whatever order they stand.
        (("06:00-09:00", "22:00-06:00"), "2026-11-25T23:00", "2026-11-26T09:00"),
        (("12:00-13:00", "12:30-14:00"), "2026-11-25T12:10", "2026-11-25T14:00"),
        # One minute a day is left.
        (("12:01-12:00",), "2026-11-25T12:01", "2026-11-26T12:00"),
    ],
)
def test_the_next_moment_allowed(spans: tuple[str, ...], at: str, allowed: str) -> None:
    assert next_allowed(spans, berlin(at), BERLIN) == berlin(allowed)


def test_the_hour_left_out_in_march() -> None:
    """2026-03-29: 01:00 UTC is 02:00 and becomes 03:00."""
    begins = datetime(2026, 3, 29, 1, 0, tzinfo=UTC)
    before = begins - timedelta(hours=2)
    assert next_allowed(("22:00-02:30",), before, BERLIN) == begins
    # The same night is an hour shorter: 06:30 comes at 04:30 UTC, not at 05:30.
    assert next_allowed(NIGHT, before, BERLIN) == datetime(2026, 3, 29, 4, 30, tzinfo=UTC)
    # All that is left of a day is left out on this one; it comes on the next.
    only = ("02:20-02:10",)
    assert next_allowed(only, before, BERLIN) == datetime(2026, 3, 30, 0, 10, tzinfo=UTC)


def test_the_hour_shown_twice_in_october() -> None:
    """2026-10-25: 01:00 UTC is 03:00 and becomes 02:00."""
    spans = ("22:00-02:30",)
    first = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert next_allowed(spans, first - timedelta(hours=1), BERLIN) == first
    assert is_quiet(spans, berlin("2026-10-25T02:29", fold=1), BERLIN)
    again = datetime(2026, 10, 25, 1, 0, tzinfo=UTC)
    assert next_allowed(spans, again, BERLIN) == again + timedelta(minutes=30)


def test_a_day_left_out() -> None:
    """Samoa went over the date line: 2011-12-30 was left out there (tz database)."""
    apia = ZoneInfo("Pacific/Apia")
    at = datetime(2011, 12, 29, 23, 0, tzinfo=apia)
    assert next_allowed(("13:00-12:00",), at, apia) == datetime(2011, 12, 31, 12, 0, tzinfo=apia)


def test_without_a_zone_it_is_this_machine_s_clock() -> None:
    """As datetime's own astimezone() has it."""
    local = datetime.now().astimezone()
    minute = local.hour * 60 + local.minute
    end = (local + timedelta(minutes=2)).strftime("%H:%M")
    spans = (f"{minute // 60:02}:{minute % 60:02}-{end}",)
    assert is_quiet(spans, local.astimezone(UTC), None)
    assert next_allowed(spans, local.astimezone(UTC), None) - local <= timedelta(minutes=2)


walls = st.integers(0, 1439)
spans_of_hours = st.lists(
    st.tuples(walls, walls).filter(lambda pair: pair[0] != pair[1]), min_size=1, max_size=4
)
zones = st.sampled_from(
    ["Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"]
)


@settings(max_examples=60, deadline=None)
@given(spans_of_hours, zones, st.integers(0, 366 * 24 * 60 * 60))
def test_no_earlier_moment_was_allowed(
    spans: list[tuple[int, int]], zone_name: str, seconds: int
) -> None:
    """Against the definition, told by comparing times of day; Lord Howe shifts by half an hour."""

    def lies_in(at: datetime) -> bool:
        wall = at.astimezone(zone).time()
        return any(
            a <= wall < b if a < b else wall >= a or wall < b
            for a, b in ((_time(first), _time(last)) for first, last in spans)
        )

    zone: tzinfo = ZoneInfo(zone_name)
    texts = tuple(f"{_time(a):%H:%M}-{_time(b):%H:%M}" for a, b in spans)
    at = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    assert is_quiet(texts, at, zone) is lies_in(at)
    if never_allowed(texts):
        with pytest.raises(ValueError, match="no minute"):
            next_allowed(texts, at, zone)
        return
    found = next_allowed(texts, at, zone)
    assert found >= at
    assert not lies_in(found)
    moment = at
    while moment < found:
        assert lies_in(moment)
        moment += timedelta(minutes=7)
    assert found == at or lies_in(found - timedelta(seconds=1))


def _time(minute: int) -> time:
    return time(minute // 60, minute % 60)


def test_all_day_by_two_spans_is_told_from_a_day_with_one_minute_left() -> None:
    assert never_allowed(("08:00-20:00", "20:00-08:00"))
    assert not never_allowed(("08:00-20:00", "20:01-08:00"))
    assert len(quiet_minutes(("08:00-20:00", "20:01-08:00"))) == 24 * 60 - 1
    assert not never_allowed(())


def test_a_device_that_is_quiet_all_day_is_refused_by_name_and_hours() -> None:
    fleet = Fleet(
        quiet={"nursery": ("19:00-07:00",), "attic": ("22:00-06:00",)},
        device=(
            device("night-light", 1, place="nursery", quiet=("07:00-19:00",)),
            device("nursery-lamp", 2, place="nursery", quiet=("07:00-18:59",)),
            device("hall-lamp", 3, place="hall"),
        ),
    )
    problems = hours_refusals(fleet, "fleet.toml")
    assert [(p.device, p.key) for p in problems] == [
        ("", "quiet.attic"),
        ("night-light", "quiet"),
    ]
    assert "07:00-19:00" in problems[1].what
    assert "19:00-07:00 of nursery" in problems[1].what
    assert all(problem.where == "fleet.toml" and problem.remedy for problem in problems)


def test_words_name_the_earliest_end_first() -> None:
    at = berlin("2026-11-25T23:15")
    ends = [("hall-lamp", berlin("2026-11-26T07:00")), ("nursery-lamp", berlin("2026-11-26T06:30"))]
    words = wait_in_words(ends, at, BERLIN)
    assert words == "until 06:30: quiet hours of nursery-lamp (and 1 more)"
    assert wait_in_words(ends[:1], at, BERLIN) == "until 07:00: quiet hours of hall-lamp"
    far = [("lamp", berlin("2026-11-27T06:30"))]
    assert wait_in_words(far, at, UTC) == ("until 2026-11-27 05:30: quiet hours of lamp")


def test_a_sleeper_over_mqtt_must_be_heard_to_wake() -> None:
    larch = dialects()["larch"]
    fleet = Fleet(
        device=(
            device("sensor", 1, via="mqtt", topic="t1", wakes_seconds=600.0),
            device("polled", 2, wakes_seconds=600.0),
            device("lamp", 3, via="mqtt", topic="t3"),
        )
    )
    assert sleep_refusals(fleet, {"larch": larch}, "fleet.toml") == []
    mute: Dialect = larch.model_copy(update={"presence": None})
    problems = sleep_refusals(fleet, {"larch": mute}, "fleet.toml")
    assert [problem.device for problem in problems] == ["sensor"]


@pytest.mark.parametrize(
    ("soak", "wakes", "longest"),
    [(60, None, 60), (60, 600, 600), (60, 60, 120), (60, 25, 75), (0, 10, 10)],
)
def test_a_sleeper_soaks_until_the_first_wake_after_the_soak(
    soak: float, wakes: float | None, longest: float
) -> None:
    assert soak_most(soak, wakes) == longest


def test_a_sleeper_takes_as_long_as_its_wakes() -> None:
    larch = dialects()["larch"]
    pace = Pace(soak_seconds=60.0)
    plain = device_seconds(device(), larch, pace, restarts=True)
    asleep = device_seconds(device(wakes_seconds=600.0), larch, pace, restarts=True)
    # It may be awake, and stay so; or it has just gone to sleep, misses one, and soaks over one.
    assert asleep.least == plain.least
    assert asleep.most == plain.most - 60 + 3 * 600
    assert until_awake(600.0) == 900
    assert until_awake(None) == 0


def test_no_plan_for_a_device_that_is_quiet_all_day() -> None:
    quiet = device("lamp", quiet=("08:00-20:00", "20:00-08:00"))
    with pytest.raises(Refused, match="quiet all day"):
        make_plans(
            Fleet(device=(quiet, device("other", 2))),
            playbook_of(WHOLE),
            dialects(),
            resolver(),
            sources(),
            created="2026-01-01T00:00:00+00:00",
            tool="migrate 0",
        )
