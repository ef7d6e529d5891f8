"""The life cycle of a device in a run: one table, and nothing beside it.

The theory in plain words. A device is `waiting` until its intent is on disk; from then on it is
`sending`. What the send came to decides what may be said next:

* it was never delivered, or the device is unchanged      -> `waiting` (or back where it was)
* the device said no, and is unchanged                    -> `declined`
* it said yes, or nobody can tell                         -> `away`

A device that is `away` is looked for on both sides. Found on the side it was sent to, it is
`seen`; it must then stay well for the soak to be `settled`. Found on the side it came from, it has
`returned`. Found on neither until its deadline, it is `adrift`; adrift is not the end, since a late
device is still recognised. A rollback is the same journey with the sides swapped, and its happy end
is `restored`.

No state means "somewhere": after a crash each of them names what to look for, and where.
There is no I/O here.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from migrate.model.problems import Exit, Problem, Trouble


class Direction(StrEnum):
    """Which way a device is being moved."""

    FORWARD = "forward"
    BACK = "back"


class State(StrEnum):
    """Where a device stands in a run."""

    WAITING = "waiting"
    SENDING = "sending"
    AWAY = "away"
    SEEN = "seen"
    SETTLED = "settled"
    DECLINED = "declined"
    RETURNED = "returned"
    ADRIFT = "adrift"
    RESTORED = "restored"

    @property
    def told(self) -> str:
        """As it is said of a device: `is adrift`, `has returned`."""
        done = (State.SETTLED, State.DECLINED, State.RETURNED)
        return f"{'has' if self in done else 'is'} {self}"


class Event(StrEnum):
    """What can happen to a device, as far as the tool can know."""

    INTEND = "intend"
    """The intent to send is on disk."""
    UNSENT = "unsent"
    """The message certainly did not reach the device, or the device is proven unchanged."""
    SENT = "sent"
    """The device said yes, or was sent the message and nobody can tell."""
    DECLINE = "decline"
    """The device said no and is unchanged."""
    ARRIVE = "arrive"
    """Found on the side it was sent to, with the right MAC."""
    COME_BACK = "come back"
    """Found on the side it came from after it had been sent away."""
    LOSE = "lose"
    """No longer well while it soaked."""
    EXPIRE = "expire"
    """On neither side when its deadline passed."""
    SOAK = "soak"
    """Stayed well for the soak, settings as intended."""


_F, _B = Direction.FORWARD, Direction.BACK
_S, _E = State, Event

TRANSITIONS: Final[dict[tuple[Direction, State, Event], State]] = {
    # Forward: to the new side.
    (_F, _S.WAITING, _E.INTEND): _S.SENDING,
    (_F, _S.WAITING, _E.ARRIVE): _S.SEEN,  # it already is where the playbook wants it
    (_F, _S.WAITING, _E.SENT): _S.AWAY,  # found to hold it, though it had seemed unchanged
    (_F, _S.SENDING, _E.UNSENT): _S.WAITING,
    (_F, _S.SENDING, _E.DECLINE): _S.DECLINED,
    (_F, _S.SENDING, _E.SENT): _S.AWAY,
    (_F, _S.AWAY, _E.ARRIVE): _S.SEEN,
    (_F, _S.AWAY, _E.COME_BACK): _S.RETURNED,
    (_F, _S.AWAY, _E.EXPIRE): _S.ADRIFT,
    (_F, _S.ADRIFT, _E.ARRIVE): _S.SEEN,  # late, and still recognised
    (_F, _S.ADRIFT, _E.COME_BACK): _S.RETURNED,
    (_F, _S.SEEN, _E.LOSE): _S.AWAY,
    (_F, _S.SEEN, _E.COME_BACK): _S.RETURNED,  # there, but with other settings, and stays so
    (_F, _S.SEEN, _E.SOAK): _S.SETTLED,
    (_F, _S.DECLINED, _E.INTEND): _S.SENDING,  # the owner says: once more
    (_F, _S.DECLINED, _E.ARRIVE): _S.SEEN,  # delivered twice, it said no only once
    (_F, _S.RETURNED, _E.INTEND): _S.SENDING,  # the owner says: once more
    (_F, _S.RETURNED, _E.ARRIVE): _S.SEEN,
    # Back: to the old side. `waiting` is on the new side here, `returned` as well.
    (_B, _S.WAITING, _E.INTEND): _S.SENDING,
    (_B, _S.WAITING, _E.ARRIVE): _S.SEEN,
    (_B, _S.SENDING, _E.UNSENT): _S.WAITING,
    (_B, _S.SENDING, _E.DECLINE): _S.DECLINED,
    (_B, _S.SENDING, _E.SENT): _S.AWAY,
    (_B, _S.AWAY, _E.ARRIVE): _S.SEEN,
    (_B, _S.AWAY, _E.COME_BACK): _S.RETURNED,
    (_B, _S.AWAY, _E.EXPIRE): _S.ADRIFT,
    (_B, _S.ADRIFT, _E.ARRIVE): _S.SEEN,
    (_B, _S.ADRIFT, _E.COME_BACK): _S.RETURNED,
    (_B, _S.SEEN, _E.LOSE): _S.AWAY,
    (_B, _S.SEEN, _E.COME_BACK): _S.RETURNED,
    (_B, _S.SEEN, _E.SOAK): _S.RESTORED,
    (_B, _S.DECLINED, _E.INTEND): _S.SENDING,
    (_B, _S.DECLINED, _E.ARRIVE): _S.SEEN,
    (_B, _S.RETURNED, _E.INTEND): _S.SENDING,
    (_B, _S.RETURNED, _E.ARRIVE): _S.SEEN,
}

TURNS: Final = {
    State.SEEN: State.WAITING,
    State.SETTLED: State.WAITING,
    State.SENDING: State.AWAY,
    State.AWAY: State.AWAY,
    State.ADRIFT: State.ADRIFT,
    State.RETURNED: State.WAITING,
}
"""State in which a rollback takes over a device from its forward journey: it was, or may have been,
given the new settings. One that returned may hold them still, and would leave again at its next
restart. A device in any other state was given nothing."""

GOAL: Final = {Direction.FORWARD: State.SETTLED, Direction.BACK: State.RESTORED}
UNRESOLVED: Final = frozenset({State.SENDING, State.AWAY, State.SEEN})
"""States that a process must follow up: what became of the device is not known yet."""
FAULTS: Final = frozenset({State.DECLINED, State.RETURNED, State.ADRIFT})
"""States that keep a gate shut until somebody decides."""


class IllegalTransition(Trouble):
    """A transition that the table does not have: a mistake in the tool, never in the fleet."""

    exit = Exit.BUG


def step(direction: Direction, state: State, event: Event) -> State:
    """The state after an event. Raises IllegalTransition where the table has no entry."""
    try:
        return TRANSITIONS[direction, state, event]
    except KeyError:
        raise IllegalTransition(
            Problem(
                f"a device that is {state} ({direction}) cannot {event}",
                "this is a mistake in migrate; nothing was sent after it",
            )
        ) from None
