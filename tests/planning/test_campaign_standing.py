"""Where a site stands, by its errands: the whole table, written out a second time."""

from __future__ import annotations

from itertools import pairwise, product
from typing import Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import DeviceAccount, SiteAccount
from migrate.planning.campaign.standing import Errand, Phase, SiteState, standing_of
from migrate.planning.campaign.turn import to_take_back

KINDS: tuple[Literal["move", "back"], ...] = ("move", "back")
PHASES: tuple[Phase, ...] = ("asked", "taken", "done", "failed")
_S = SiteState
# By kind, exit and whether something was sent, of an errand that is done. Written by hand: a new
# exit code needs a new line.
FAULTS = (
    Exit.BUG,
    Exit.USAGE,
    Exit.BAD_FILE,
    Exit.REFUSED,
    Exit.SECRET,
    Exit.CHANGED,
    Exit.BUSY,
    Exit.JOURNAL,
    Exit.UNREACHABLE,
    Exit.PAGE,
    Exit.MISSING,
)
TABLE = {
    ("move", Exit.DONE, False): _S.MOVED,
    ("move", Exit.DONE, True): _S.MOVED,
    ("move", Exit.HELD, False): _S.HELD,
    ("move", Exit.HELD, True): _S.HELD,
    ("move", Exit.STOPPED, False): _S.STOPPED,
    ("move", Exit.STOPPED, True): _S.STOPPED,
    ("back", Exit.DONE, False): _S.BACK,
    ("back", Exit.DONE, True): _S.BACK,
    ("back", Exit.HELD, False): _S.HELD,
    ("back", Exit.HELD, True): _S.HELD,
    ("back", Exit.STOPPED, False): _S.STOPPED,
    ("back", Exit.STOPPED, True): _S.STOPPED,
    **{("move", fault, False): _S.REFUSED for fault in FAULTS},
    **{("move", fault, True): _S.HELD for fault in FAULTS},
    **{("back", fault, began): _S.HELD for fault in FAULTS for began in (False, True)},
}
EVERY = [
    (kind, exit_, began, flip)
    for kind, exit_, began, flip in product(KINDS, Exit, (False, True), (False, True))
]


def account(exit_: Exit, began: bool = True, flip: bool = False) -> SiteAccount:
    return SiteAccount(exit=exit_, began=began, flip=flip)


def test_the_table_is_whole() -> None:
    assert set(TABLE) == set(product(KINDS, Exit, (False, True)))


def test_no_errand() -> None:
    standing = standing_of(())
    assert standing.state is _S.WAITING
    assert (standing.back, standing.began, standing.at_work, standing.attempts) == (
        False,
        False,
        False,
        0,
    )
    assert not to_take_back(standing)


@pytest.mark.parametrize(("kind", "exit_", "began", "flip"), EVERY)
def test_an_errand_that_is_done(
    kind: Literal["move", "back"], exit_: Exit, began: bool, flip: bool
) -> None:
    told = account(exit_, began, flip)
    errand = Errand("k", kind, 3, "done", told)
    standing = standing_of([errand])
    state = TABLE[kind, exit_, began]
    assert standing.state is state
    assert standing.back is (kind == "back")
    assert (standing.errand, standing.account, standing.attempts) == (errand, told, 3)
    assert standing.began is began
    assert not standing.at_work
    assert standing.waits_for_flip is (flip and state is _S.HELD)
    # It counts against its kind if it is held with something sent, and not for a flip alone.
    fault = began and not flip and exit_ not in (Exit.DONE, Exit.STOPPED)
    assert standing.faults == int(fault)
    assert to_take_back(standing) is (began and state is not _S.BACK)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("phase", PHASES)
@pytest.mark.parametrize("told", [None, account(Exit.DONE), account(Exit.DONE, False)])
def test_an_errand_that_is_not_done(
    kind: Literal["move", "back"], phase: Phase, told: SiteAccount | None
) -> None:
    standing = standing_of([Errand("k", kind, 1, phase, told)])
    if phase == "done":
        if told is None:  # nobody knows how it ended: as careful as can be
            assert (standing.state, standing.faults, standing.began) == (_S.HELD, 1, True)
        return
    states = {"asked": _S.ASKED, "taken": _S.UNDER_WAY, "failed": _S.HELD}
    assert standing.state is states[phase]
    assert standing.at_work is (phase in ("asked", "taken"))
    assert standing.faults == int(phase == "failed")
    sent = told is not None and told.began
    assert standing.began is (sent or phase in ("taken", "failed"))
    # Whatever is on its queue may be taken the very next moment.
    assert to_take_back(standing)
    assert not standing.waits_for_flip


def move(attempt: int, exit_: Exit | None, began: bool = True, flip: bool = False) -> Errand:
    """An errand that has ended; without an exit code, without an account."""
    told = None if exit_ is None else account(exit_, began, flip)
    return Errand(f"m{attempt}", "move", attempt, "done" if told else "failed", told)


def test_what_was_sent_once_stays_sent() -> None:
    """A second try that is turned away at once, as by a lock, tells of no device at all."""
    for first in (move(1, Exit.STOPPED), move(1, Exit.HELD), move(1, None)):
        for exit_ in (Exit.BUSY, Exit.SECRET, Exit.BAD_FILE, Exit.HELD):
            standing = standing_of([first, move(2, exit_, began=False)])
            assert standing.state is _S.HELD
            assert standing.began
            assert to_take_back(standing)
        stopped = standing_of([first, move(2, Exit.STOPPED, began=False)])
        assert (stopped.state, stopped.began) == (_S.STOPPED, True)
    assert standing_of([move(1, Exit.BUSY, began=False)]).state is _S.REFUSED
    before = standing_of([move(1, Exit.REFUSED, began=False), move(2, Exit.DONE)])
    assert (before.state, before.faults) == (_S.MOVED, 0)


def test_what_may_have_been_sent_counts_on_the_way_back_too() -> None:
    lost = move(1, None)
    held = Errand("b1", "back", 1, "done", account(Exit.HELD, began=False))
    assert to_take_back(standing_of([lost, held]))
    asked = Errand("b1", "back", 1, "asked")
    assert to_take_back(standing_of([lost, asked]))
    assert not to_take_back(
        standing_of([lost, Errand("b1", "back", 1, "done", account(Exit.DONE))])
    )


def test_it_waits_for_the_flip_by_its_latest_errand_alone() -> None:
    flip = move(1, Exit.HELD, flip=True)
    assert standing_of([flip]).waits_for_flip
    assert standing_of([flip]).faults == 0
    assert not standing_of([flip, move(2, None)]).waits_for_flip
    assert not standing_of([flip, move(2, Exit.HELD)]).waits_for_flip
    assert standing_of([move(1, Exit.HELD), move(2, Exit.HELD, flip=True)]).waits_for_flip


def test_the_way_back_says_all_of_it_anew() -> None:
    faults = [move(1, Exit.HELD), move(2, Exit.HELD)]
    assert standing_of(faults).faults == 2
    standing = standing_of([*faults, Errand("b1", "back", 1, "asked")])
    assert (standing.state, standing.back) == (_S.ASKED, True)
    assert (standing.attempts, standing.faults) == (1, 0)
    # Until the way back has told something, the last word is that of the move.
    assert standing.account == faults[1].account


@st.composite
def histories(draw: st.DrawFn) -> list[Errand]:
    """Errands of one site: no two of the same kind and attempt, as their keys have it."""
    keys = draw(
        st.lists(st.tuples(st.sampled_from(KINDS), st.integers(1, 9)), unique=True, max_size=6)
    )
    accounts = st.builds(account, st.sampled_from(Exit), st.booleans(), st.booleans())
    return [
        Errand(
            f"{kind}/{attempt}",
            kind,
            attempt,
            draw(st.sampled_from(PHASES)),
            draw(st.none() | accounts),
        )
        for kind, attempt in keys
    ]


@settings(max_examples=100, deadline=None)
@given(histories(), st.randoms(use_true_random=False))
def test_the_order_in_which_they_are_seen_does_not_matter(
    errands: list[Errand], dice: object
) -> None:
    shuffled = list(errands)
    dice.shuffle(shuffled)  # type: ignore[attr-defined]
    assert standing_of(shuffled) == standing_of(errands)


@settings(max_examples=100, deadline=None)
@given(histories())
def test_what_began_stays_begun_until_it_is_back(errands: list[Errand]) -> None:
    """Whatever comes later, it is to be taken back until it is back."""
    line = sorted(errands, key=lambda one: (one.kind == "back", one.attempt))
    seen = [standing_of(line[:count]) for count in range(1, len(line) + 1)]
    for before, after in pairwise(seen):
        assert after.began or not before.sent
        assert to_take_back(after) or not before.sent or after.state is _S.BACK
        assert after.state is not _S.REFUSED or not before.sent
        assert after.back or not before.back


def _done(kind: str, *devices: tuple[str, str]) -> Errand:
    told = tuple(
        DeviceAccount(name=f"d{n}", state=State(state), direction=Direction(way), sent=True)
        for n, (state, way) in enumerate(devices)
    )
    account = SiteAccount(exit=Exit.DONE, began=True, devices=told)
    return Errand("key", kind, 1, "done", account)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("kind", "devices", "state"),
    [
        ("move", [("settled", "forward")], SiteState.MOVED),
        # Somebody took one back by hand, at the site: half a home is no home that has moved.
        ("move", [("settled", "forward"), ("restored", "back")], SiteState.HELD),
        ("back", [("restored", "back"), ("waiting", "forward")], SiteState.BACK),
        ("back", [("restored", "back"), ("settled", "forward")], SiteState.HELD),
    ],
)
def test_an_end_that_the_devices_belie_is_none(
    kind: str, devices: list[tuple[str, str]], state: SiteState
) -> None:
    assert standing_of([_done(kind, *devices)]).state is state
