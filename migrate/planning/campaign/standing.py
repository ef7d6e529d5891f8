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
    (the latest of each), how often it was held after something had been sent, and whether any
    errand so far sent something, or may have."""

    state: SiteState = SiteState.WAITING
    back: bool = False
    errand: Errand | None = None
    account: SiteAccount | None = None
    attempts: int = 0
    faults: int = 0
    sent: bool = False

    @property
    def began(self) -> bool:
        """Whether anything was, or may have been, sent at this site."""
        return self.sent or self.state is SiteState.UNDER_WAY

    @property
    def at_work(self) -> bool:
        """Whether its worker has, or will have, something to do."""
        return self.state in AT_WORK

    @property
    def waits_for_flip(self) -> bool:
        """Whether it is held for the access point to be changed, and for nothing else."""
        account = self.errand.account if self.errand is not None else None
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
    # An errand that was turned away at once tells nothing of what one before it had sent.
    sent, faults = False, 0
    account: SiteAccount | None = None
    for errand in sorted(errands, key=_order):
        sent = sent or _may_have_sent(errand)
        faults += sent and (errand.kind == "back") == back and _at_fault(errand)
        account = errand.account or account
    state = _state(latest, sent=sent, back=back)
    return SiteStanding(state, back, latest, account, latest.attempt, faults, sent)


def _order(errand: Errand) -> tuple[bool, int]:
    return errand.kind == "back", errand.attempt


def _no_account(errand: Errand) -> bool:
    """Whether it is over, and nobody knows how."""
    return errand.phase == "failed" or (errand.phase == "done" and errand.account is None)


def _may_have_sent(errand: Errand) -> bool:
    return _no_account(errand) or (errand.account is not None and errand.account.began)


def _state(errand: Errand, *, sent: bool, back: bool) -> SiteState:
    if errand.phase == "asked":
        return SiteState.ASKED
    if errand.phase == "taken":
        return SiteState.UNDER_WAY
    if errand.account is None or _no_account(errand):
        return SiteState.HELD
    account = errand.account
    if account.exit is Exit.DONE and not all(
        device.written_off or device.there(back=back) for device in account.devices
    ):
        return SiteState.HELD  # somebody has done otherwise at the site meanwhile
    if account.exit is Exit.DONE and back:
        return SiteState.BACK
    if account.exit in _ENDS:
        return _ENDS[account.exit]
    # Ended by a fault that is the owner's to mend. If a device was sent something, now or by an
    # errand before, it is their turn; if none was, all is as before.
    return SiteState.HELD if sent or back else SiteState.REFUSED


def _at_fault(errand: Errand) -> bool:
    """Whether it counts against the sites of its kind if something was sent: held, and not merely
    for the access point."""
    if _no_account(errand):
        return True
    account = errand.account
    if errand.phase != "done" or account is None or account.flip:
        return False
    return account.exit not in (Exit.DONE, Exit.STOPPED)
