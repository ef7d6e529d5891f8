"""Where a site stands, by what its errands came to. Nothing is kept beside the errands.

    no errand to move it                         waiting
    on its queue, not taken by its worker        asked
    taken                                        under way
    came to its end, every device there          moved
    came to its end for a decision of the owner  held
    nothing was sent, and nothing will be        refused
    ended between two devices, as it was asked   stopped
    every device back on the old side            back

An errand to take it back says all of it anew: `asked`, `under way`, `held`, `stopped` and `back`
are then about the way back. Whoever looks at the same errands sees the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from migrate.model.problems import Exit
from migrate.planning.campaign.errands import SiteAccount


class SiteState(StrEnum):
    """Where a site stands in a campaign."""

    WAITING = "waiting"
    ASKED = "asked"
    UNDER_WAY = "under way"
    MOVED = "moved"
    HELD = "held"
    REFUSED = "refused"
    STOPPED = "stopped"
    BACK = "back"


AT_WORK = frozenset({SiteState.ASKED, SiteState.UNDER_WAY})
"""States in which a worker has, or will have, something to do."""
Phase = Literal["asked", "taken", "done", "failed"]
"""Of an errand. `failed`: it came to no account, as after a mistake of the tool at the site."""


@dataclass(frozen=True)
class Errand:
    """One errand as the store has it. Times are seconds since 1970, by the store's clock."""

    key: str
    kind: Literal["move", "back"]
    attempt: int
    phase: Phase
    account: SiteAccount | None = None
    asked_at: float | None = None
    taken_at: float | None = None
    ended_at: float | None = None


@dataclass(frozen=True)
class SiteStanding:
    """A site: its state, whether that is about the way back, the errand and the account it is by
    (the latest of each), and how often it was held after something had been sent."""

    state: SiteState = SiteState.WAITING
    back: bool = False
    errand: Errand | None = None
    account: SiteAccount | None = None
    attempts: int = 0
    faults: int = 0

    @property
    def began(self) -> bool:
        """Whether anything was, or may have been, sent at this site."""
        if self.account is not None and self.account.began:
            return True
        return self.faults > 0 or self.state is SiteState.UNDER_WAY

    @property
    def at_work(self) -> bool:
        """Whether its worker has, or will have, something to do."""
        return self.state in AT_WORK

    @property
    def waits_for_flip(self) -> bool:
        """Whether it is held for the access point to be changed, and for nothing else."""
        account = self.account
        return self.state is SiteState.HELD and account is not None and account.flip


_ENDS = {
    Exit.DONE: SiteState.MOVED,
    Exit.STOPPED: SiteState.STOPPED,
    Exit.HELD: SiteState.HELD,
}


def standing_of(errands: Sequence[Errand]) -> SiteStanding:
    """Where a site stands by all its errands of this campaign, in whatever order."""
    back = any(errand.kind == "back" for errand in errands)
    mine = sorted(
        (e for e in errands if (e.kind == "back") == back), key=lambda errand: errand.attempt
    )
    if not mine:
        return SiteStanding()
    latest = mine[-1]
    told = [errand.account for errand in sorted(errands, key=_order) if errand.account]
    return SiteStanding(
        _state(latest, back=back),
        back,
        latest,
        told[-1] if told else None,
        latest.attempt,
        sum(_at_fault(errand) for errand in mine),
    )


def _order(errand: Errand) -> tuple[bool, int]:
    return errand.kind == "back", errand.attempt


def _state(errand: Errand, *, back: bool) -> SiteState:
    if errand.phase == "asked":
        return SiteState.ASKED
    if errand.phase == "taken":
        return SiteState.UNDER_WAY
    if errand.phase == "failed" or errand.account is None:
        return SiteState.HELD
    account = errand.account
    if account.exit is Exit.DONE and back:
        return SiteState.BACK
    if account.exit in _ENDS:
        return _ENDS[account.exit]
    # Ended by a fault that is the owner's to mend. If a device was sent something, it is their
    # turn; if none was, all is as before.
    return SiteState.HELD if account.began or back else SiteState.REFUSED


def _at_fault(errand: Errand) -> bool:
    """Whether it counts against the sites of its kind: held, with something sent, and not merely
    for the access point."""
    if errand.phase == "failed":
        return True
    account = errand.account
    if errand.phase != "done" or account is None or account.flip:
        return False
    return account.began and account.exit not in (Exit.DONE, Exit.STOPPED)
