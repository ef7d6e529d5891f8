"""Everything that reads what others wrote: a value or a refusal in words, whatever comes in."""

from __future__ import annotations

import random
import time

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.fuzz.edits import KINDS, TOKENS, Edit, by_chance, changed
from tests.fuzz.great import for_reader
from tests.fuzz.readers import MOST_SECONDS, readers

NAMES = list(readers())

edits = st.lists(
    st.builds(
        Edit,
        st.sampled_from(KINDS),
        st.integers(0, 1000),
        st.integers(0, 1000),
        st.integers(0, 16 * len(TOKENS)),
    ),
    max_size=8,
)


@pytest.mark.parametrize("name", NAMES)
def test_good_inputs_are_taken(name: str) -> None:
    """Else the tests below would test refusals alone."""
    reader = readers()[name]
    taken = [reader.read(seed) for seed in reader.seeds]
    assert any(told == "taken" or "read" in told or "Declined" in told for told in taken), taken


@pytest.mark.parametrize("name", NAMES)
def test_whatever_comes_in(name: str) -> None:
    reader = readers()[name]

    @given(st.sampled_from(reader.seeds), edits, st.sampled_from(reader.seeds))
    @example(b"", [], b"")
    @settings(
        max_examples=60,
        deadline=None,
        database=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    def search(seed: bytes, some: list[Edit], other: bytes) -> None:
        if len(some) > 6:
            seed = seed[: len(seed) // 2] + other[len(other) // 3 :]
        assert reader.read(changed(seed, some))

    search()


@pytest.mark.parametrize("name", NAMES)
def test_whatever_a_die_makes(name: str) -> None:
    """What the campaign does without a fuzzer, so that this way of it works as well."""
    dice, reader = random.Random(7), readers()[name]  # noqa: S311 - no secret
    for _ in range(40):
        assert reader.read(changed(dice.choice(reader.seeds), by_chance(dice)))


GREEDY = [
    # Each of these once took minutes, or gigabytes, or raised what nobody caught.
    ("fleet.toml", "a name of many parts"),
    ("fleet.toml", "parts with blanks"),
    ("fleet.toml", "a long list of tables"),
    ("fleet.toml", "a long key"),
    ("fleet.toml", "devices"),
    ("fleet.csv", "unknown columns"),
    ("fleet.csv", "columns"),
    ("fleet.csv", "rows"),
    ("playbook", "a long network"),
    ("playbook", "inf and nan"),
    ("dialect", "a long pattern"),
    ("plan", "one great kind, empty devices"),
    ("plan", "one great kind, many devices"),
    ("plan, shown", "huge seconds"),
    ("plan, shown", "inf seconds"),
    ("plan, shown", "hostile leg"),
    ("findings", "many"),
    ("snapshot", "settings that nobody knows"),
    ("snapshot", "outputs"),
    ("campaign", "sites, all alike"),
    ("campaign", "a great circle"),
    ("campaign, shown", "long minutes"),
    ("leases", "great times"),
    ("larch over HTTP", "a reading 980 deep"),
    ("hazel over HTTP", "x for a pattern"),
    ("hazel over MQTT", "commas"),
    ("hazel over MQTT", "hexadecimal for a MAC"),
]


@pytest.mark.parametrize(("name", "what"), GREEDY)
def test_a_mebibyte_that_is_made_to_be_slow(name: str, what: str) -> None:
    reader = readers()[name]
    octets = dict(for_reader(name, reader.seeds[0]))[what]
    begun = time.process_time()
    assert reader.read(octets)
    assert time.process_time() - begun < MOST_SECONDS
