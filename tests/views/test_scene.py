"""The picture of a run: what is counted, what is listed, and how long the rest may take."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from hypothesis import given, settings
from hypothesis import strategies as st

from migrate.engine.tidings import Outcome, Tidings
from migrate.model.lifecycle import FAULTS, UNRESOLVED, Direction, State
from migrate.model.problems import Exit
from migrate.planning.plan import Leg, Seconds
from migrate.views.ending import Ending
from migrate.views.scene import Scene
from tests.swarm.scripted import Scripted, setting, tell
from tests.swarm.scripted import device as drawn

from .scenes import BEGUN, Told, after, plan_with, rows_of

SIZES = (1, 3, 5, 2)
PLAN = plan_with(*SIZES)
SOAK = PLAN.pace.soak_seconds
NAMES = [one.name for one in PLAN.devices]


def range_of(told: Told, at: float) -> tuple[float, float]:
    left = told.scene.left(after(at))
    assert left is not None
    return left.least, left.most


# Counting


@given(
    st.lists(
        st.tuples(st.sampled_from(NAMES), st.sampled_from(State), st.sampled_from(Direction)),
        max_size=30,
    ),
    st.sets(st.sampled_from(NAMES)),
)
@settings(max_examples=60, deadline=None)
def test_what_is_kept_agrees_with_a_count_of_all(
    steps: list[tuple[str, State, Direction]], off: set[str]
) -> None:
    """Whatever comes, in whatever order: journals that were mended may have it so."""
    rows = [replace(row, written_off=row.name in off) for row in rows_of(PLAN)]
    told = Told(PLAN, rows)
    for at, (name, state, direction) in enumerate(steps):
        told.device(name, state, at, direction=direction)
    scene, spots = told.scene, told.scene.spots.values()
    assert scene.done == sum(spot.done for spot in spots)
    assert {s.name for s in scene.faulty} == {
        s.name for s in spots if s.state in FAULTS and s.name not in off
    }
    assert {s.name for s in scene.under_way} == {s.name for s in spots if s.state in UNRESOLVED}
    for wave in scene.waves:
        states = [scene.spots[name].state for name in wave.planned.devices]
        assert +wave.states == {state: states.count(state) for state in set(states)}
    assert [s.wave for s in scene.faulty] == sorted(s.wave for s in scene.faulty)


def test_the_longest_on_its_way_comes_first() -> None:
    told = Told(PLAN)
    told.wave(2, 0)
    for name, at in (("b2", 3), ("b0", 1), ("b1", 2)):
        told.device(name, State.AWAY, at)
    told.device("b0", State.AWAY, 9, "again")  # news of it, and no other state
    assert [spot.name for spot in told.scene.under_way] == ["b0", "b1", "b2"]


def test_the_survey_keeps_what_is_wrong() -> None:
    told = Told(PLAN)
    told.tell(Tidings("survey", "found", "a0"), 1)
    told.tell(Tidings("survey", "no answer", "b0"), 1)
    assert told.scene.surveyed == {"a0", "b0"}
    assert told.scene.unwell == {"b0": "no answer"}
    told.tell(Tidings("survey", "found", "b0"), 2)
    assert told.scene.unwell == {}


# How long it takes


def test_at_first_it_is_what_the_plan_says() -> None:
    assert range_of(Told(PLAN), 0) == (40, 80)


def test_time_goes_by() -> None:
    told = Told(plan_with(1, 2, seconds=(SOAK + 10, SOAK + 30)))
    told.wave(1, 0)
    told.device("a0", State.AWAY, 0)
    assert range_of(told, 4) == (2 * (SOAK + 10) - 4, 2 * (SOAK + 30) - 4)


def test_a_device_that_is_not_back_has_its_soak_before_it() -> None:
    """The range of a wave must not run out while devices are away."""
    told = Told(plan_with(1, 2, seconds=(SOAK + 1, SOAK + 2)))
    told.wave(1, 0)
    told.device("a0", State.AWAY, 0)
    later = SOAK + 1.9
    least, most = range_of(told, later)
    assert least == SOAK + (SOAK + 1)
    assert most >= least
    told.device("a0", State.SEEN, later)
    assert range_of(told, later + SOAK / 2)[0] == SOAK / 2 + (SOAK + 1)


def test_past_its_time_a_wave_may_last_until_its_deadline() -> None:
    told = Told(plan_with(1, 2, seconds=(SOAK, SOAK + 1)))
    told.wave(1, 0)
    told.device("a0", State.AWAY, 0)
    late = PLAN.pace.deadline_seconds.most + SOAK
    _, most = range_of(told, SOAK + 5)
    assert most == late - (SOAK + 5) + SOAK + 1
    # Past even that, whatever comes has a soak before it.
    assert range_of(told, late + 100) == (2 * SOAK, SOAK + SOAK + 1)


def test_slow_waves_widen_it_and_quick_ones_too() -> None:
    slow, quick, even = Told(PLAN), Told(PLAN), Told(PLAN)
    slow.whole_wave(1, 0, 40)
    quick.whole_wave(1, 0, 5)
    assert range_of(slow, 40) == (30, 60 * 2)
    assert range_of(quick, 5) == (30 / 2, 60)
    even.whole_wave(1, 0, 25)
    even.whole_wave(2, 25, 15)
    assert range_of(even, 40) == (20, 40)  # 40 s for two waves is what was planned


def test_quiet_hours_say_nothing_about_the_pace() -> None:
    told = Told(PLAN)
    told.wave(1, 0)
    told.tell(Tidings("waiting", "waiting until 07:00"), 2)
    before = range_of(told, 2)
    assert range_of(told, 30000) == before  # it stands still
    told.tell(Tidings("waiting", "waiting until 07:30"), 30000)
    told.tell(Tidings("waiting"), 36000)
    assert range_of(told, 36000) == before
    for state in (State.SENDING, State.AWAY, State.SEEN, State.SETTLED):
        told.device("a0", state, 36010)
    told.gate(1, 36010)
    assert told.scene.waves[0].took == 12
    assert range_of(told, 36010) == (30, 60)


def test_a_machine_that_slept_says_nothing_about_the_pace() -> None:
    """A wave that took days, by a clock that was set or a lid that was shut, makes no days of the
    rest; and a clock that was set back makes no day of one soak."""
    told = Told(PLAN)
    told.whole_wave(1, 0, 10 * 86400)
    longest = PLAN.pace.deadline_seconds.most + SOAK
    assert range_of(told, 10 * 86400)[1] == 3 * longest
    told = Told(PLAN)
    told.wave(1, 0)
    told.device("a0", State.SEEN, 10)
    least, most = range_of(told, -86400)
    assert least <= SOAK + 30
    assert most <= 4 * longest


def test_nobody_can_tell() -> None:
    told = Told(PLAN)
    told.wave(1, 0)
    told.device("a0", State.ADRIFT, 1)
    assert told.scene.left(after(1)) is None
    told.device("a0", State.SEEN, 2)  # late, and still recognised
    assert told.scene.left(after(2)) is not None
    told.wave(1, 3, Direction.BACK)
    assert told.scene.left(after(3)) is None
    together = PLAN.model_copy(update={"leg": Leg(together=True)})
    assert Told(together).scene.left(BEGUN) is None
    ended = Told(PLAN)
    ended.scene.end(Ending(Outcome(Exit.HELD, "held")), rows_of(PLAN))
    assert ended.scene.left(BEGUN) is None
    done = [replace(row, state=State.SETTLED) for row in rows_of(PLAN)]
    assert Scene.of(PLAN, done, BEGUN).left(BEGUN) is None


def test_sleepers_may_take_some_wakes_more() -> None:
    plan = plan_with(1, 1, seconds=(SOAK, SOAK + 1), wakes_seconds=600.0)
    told = Told(plan)
    told.wave(1, 0)
    told.device("a0", State.AWAY, 0)
    usual = SOAK + 1
    # A soak is seen to the end when it wakes; two wakes may go by before (planning/times.py).
    late = plan.pace.deadline_seconds.most + 600 * (SOAK // 600 + 1) + 2 * 600
    assert range_of(told, SOAK + 2)[1] == late - (SOAK + 2) + usual


def test_it_holds_against_a_run_in_the_virtual_world() -> None:
    """At each piece of news the range holds what was really left, by the clock of that world, whose
    devices restart as their manuals say."""
    heard: list[tuple[datetime, Seconds | None]] = []

    async def script(story: Scripted) -> None:
        scene = Scene.of(story.plan, rows_of(story.plan), story.house.now())

        def hear(tidings: Tidings) -> None:
            scene.take(tidings, story.house.now())
            heard.append((story.house.now(), scene.left(story.house.now())))

        story._tell = hear  # type: ignore[method-assign]
        await story.forward()

    families = ("larch", "rowan", "sedge")
    devices = [drawn(n, families[n % 3], ("http", "mqtt")[n % 2]) for n in range(18)]
    tell(setting(*devices, widest=6), script)
    end = heard[-1][0]
    ranges = [(at, left) for at, left in heard if left is not None]
    assert len(ranges) > 4 * len(devices)
    for at, left in ranges:
        # One look more or less (scripted.setting: 1 s) is not worth a word.
        assert left.least - 1 <= (end - at).total_seconds() <= left.most + 1
