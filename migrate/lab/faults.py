"""What can be wrong with a unit, switchable while the lab runs.

Every fault happens on the wire. Faults of the answer can be limited to reads or to
writes; faults of the return apply to restarts the unit was told to make.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Literal


class FaultKind(Enum):
    """The faults. In brackets: whether the message was acted on all the same."""

    DECLINES = "declines"  # answers "not taken" in the family's own words (no)
    ANSWERS_HTML = "answers with an HTML page"  # (no)
    ANSWERS_500 = "answers HTTP 500; over MQTT: never answers"  # (no)
    HALF_JSON = "answers with the first half of the answer"  # (yes)
    SILENT = "takes the request and never answers"  # (no)
    HUGE_BODY = "answers with 100 MiB; over MQTT: 1 MiB"  # (no)
    LOSES_ACK = "acts, but the answer is lost"  # (yes)
    REDIRECTS = "answers HTTP 302; over MQTT: never answers"  # (no)
    WRONG_READBACK = "reports the settings it had before"  # (yes)
    WRONG_MAC = "claims another MAC"  # (yes)
    SLOW_RETURN = "takes `seconds` longer to restart"
    NO_RETURN = "restarts into nowhere, until power cycled"
    RETURNS_TO_OLD = "comes back with the settings it had before"
    OUTPUT_OTHERWISE = "comes back from a restart with its output the other way round"
    KEEPS_ONE = "says that it took a message, and keeps only one of its settings"  # (partly)
    CUTS_VALUES = "says that it took a message, and keeps values up to the first semicolon"
    FLAPS = "comes back, vanishes `after` seconds later for `seconds`, comes back"


_ANSWER_SPOILED = frozenset(
    {
        FaultKind.ANSWERS_HTML,
        FaultKind.ANSWERS_500,
        FaultKind.HALF_JSON,
        FaultKind.SILENT,
        FaultKind.HUGE_BODY,
        FaultKind.LOSES_ACK,
        FaultKind.REDIRECTS,
    }
)
_ACTS = frozenset({FaultKind.HALF_JSON, FaultKind.LOSES_ACK})
HUGE_BODY_OCTETS = 100 * 1024 * 1024
HUGE_PAYLOAD_OCTETS = 1024 * 1024
HTML_PAGE = b"<!doctype html><title>Busy</title><p>Please come back later."


@dataclass(frozen=True)
class Fault:
    """A fault of one unit.

    ``times``: how often it happens, None for ever. ``only``: limit to reads or writes.
    ``seconds``, ``after``: for SLOW_RETURN and FLAPS. ``acts``: override whether a
    spoiled answer's message is acted on. ``mac``: claimed by WRONG_MAC.
    ``location``: where REDIRECTS points.
    """

    kind: FaultKind
    times: int | None = None
    only: Literal["reads", "writes"] | None = None
    seconds: float = 1.0
    after: float = 0.2
    acts: bool | None = None
    mac: str = "00-00-5E-00-53-FF"
    location: str = "http://192.0.2.99/"

    @property
    def spoils_answers(self) -> bool:
        """Whether the fault changes or withholds the answer as a whole."""
        return self.kind in _ANSWER_SPOILED

    @property
    def acts_anyway(self) -> bool:
        """Whether a message with a spoiled answer is acted on."""
        return self.kind in _ACTS if self.acts is None else self.acts


class FaultSwitch:
    """The fault a unit has at the moment, and how often it still happens."""

    def __init__(self, fault: Fault | None) -> None:
        self.fault = fault
        self._left = fault.times if fault else None

    def peek(self, *kinds: FaultKind) -> Fault | None:
        """The fault, if it is of one of ``kinds`` and still happens."""
        fault = self.fault
        if fault is None or self._left == 0 or fault.kind not in kinds:
            return None
        return fault

    def spoiled(self, kind: Literal["none", "read", "write"]) -> Fault | None:
        """The fault that spoils the answer to this kind of message; counts it."""
        fault = self.fault
        if fault is None or self._left == 0 or not fault.spoils_answers or kind == "none":
            return None
        if fault.only is not None and fault.only != kind + "s":
            return None
        self.count()
        return fault

    def take(self, kind: FaultKind) -> Fault | None:
        """Like peek for one kind, and counts it as happened."""
        fault = self.peek(kind)
        if fault is not None:
            self.count()
        return fault

    def count(self) -> None:
        """The fault happened once more."""
        if self._left is not None and self._left > 0:
            self._left -= 1
