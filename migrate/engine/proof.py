"""What a sighting proves of one device: whether it has arrived, came back, or never left.

Judged by what the journal says it was given, by its readings, and by what this process has seen of
its journey. Nothing is sent here and nothing is written.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import datetime
from math import inf
from typing import Any

from migrate.dialects.understand import differences
from migrate.engine.crew import Member, source_of, target_of
from migrate.engine.ground import Ground
from migrate.engine.seek import Look, Sighting, plain
from migrate.engine.soak import UPTIME_SLACK
from migrate.journal.rows import Row
from migrate.journal.store import ADMITTED, ALL_TOLD
from migrate.model.lifecycle import Direction, Event, State
from migrate.model.settings import SECRETS, FrozenBundle, Setting, Value
from migrate.planning.bundles import restarts


class Proof:
    """The evidence about one device. `sent`: the loop's time at which it was given its bundle, by
    the time of day in the journal if an earlier process did it; `uptime_before`: how long it had
    been up then, as it told, in seconds; `in_place`: it was on the side it was sent to
    already; `at_once`: what it was given takes hold without a restart; `gone`: it was on no side
    in a look since; `said_yes`: the loop's
    time at which it was told to restart and said yes."""

    def __init__(self, ground: Ground, member: Member, sent: float) -> None:
        self._on = ground
        self._member = member
        self.sent = sent
        self.uptime_before = ground.journal.uptime(member.name)
        self._by_the_clock = True
        self.gone = self.in_place = self.at_once = False
        self.said_yes = inf
        self._back = self._was_back()

    def _was_back(self) -> float:
        """The loop's time at which one that is to change over with an access point was found to
        have come back, by the journal: what it did before that proves nothing. Without an end
        otherwise."""
        if not self._on.seeker.flipped or self._row.state is not State.RETURNED:
            return -inf
        entries = self._on.journal.entries(self._member.name)
        back = [entry.at for entry in entries if entry.kind == Event.COME_BACK]
        if not back:
            return -inf
        since = self._on.world.now() - datetime.fromisoformat(back[-1])
        return asyncio.get_running_loop().time() - max(since.total_seconds(), 0.0)

    def begin(self, now: float, uptime: float | None) -> None:
        """It is told to change, or to restart, at this time of the loop; it was up so long then."""
        self.sent, self.uptime_before, self._by_the_clock = now, uptime, False
        self.said_yes, self._back = inf, -inf

    @property
    def _row(self) -> Row:
        return self._on.journal.row(self._member.name)

    def arrived(self, look: Look, *, late: bool = False) -> Sighting | None:
        """The device on the side it was sent to, if this is proven. `late`: a restart that the
        uptimes cannot show is no longer waited for."""
        there = look.found.get(target_of(self._row.direction))
        if there is None or (there.doubtful and self.wrong_with(there)):
            return None
        restarted = self.restarted(there) if self._must_restart(there) else True
        # What tells how long it has been up must tell that it restarted; of what does not, nothing
        # better is to be had once its time is up.
        if self._uptimes_begin_at_wakes:
            untold = self._member.dialect.restart is None
        else:
            untold = there.readings.uptime_seconds is None or not there.doubtful
        enough = late and restarted is None and untold and not self.may_not_have_left
        if not restarted and not enough:
            return None
        return None if self.silent(there, fresh=True) else there

    def silent(self, there: Sighting, *, fresh: bool = False) -> str:
        """Where presence is asked for as proof: in words, that it does not say that it is there.
        Silence proves nothing: a device whose login fails there never says a word. `fresh`: it must
        have said so since it was sent its bundle; brokers keep older words. What an earlier process
        heard is not known: a word that the broker kept must do then."""
        crew, seeker = self._on.crew, self._on.seeker
        heard = there.side in crew.listened and crew.sides[there.side].broker
        if not (crew.playbook.proof.presence and heard and self._member.presence_topic):
            return ""
        if not seeker.present(self._member, there.side):
            return "it does not say at the broker that it is there"
        # Without a restart it has no reason to say so again.
        restarts_ = self._member.restarts and not self.at_once and not self.never_sent_back
        known = self._row.sent_at is not None and not self._by_the_clock
        if (
            fresh
            and restarts_
            and known
            and not seeker.spoke_since(self._member, there.side, self.sent)
        ):
            return "it has not said at the broker that it is there since it was sent its bundle"
        return ""

    def _must_restart(self, there: Sighting) -> bool:
        """Whether new settings that it shows are in force only if it restarted since, which nobody
        has seen. What it was never sent it did not get from here: that is in force, or it would
        show something else."""
        if self.never_sent_back or self.at_once:
            return False
        if not self._member.restarts or self._row.sent_at is None:
            return False
        if self._uptimes_begin_at_wakes and self._member.dialect.restart is not None:
            # Awake again, it may be there without a restart; its own word for it must do.
            return there.asked - self.said_yes <= self._on.crew.plan.pace.reply_seconds
        if there.doubtful or self.in_place or self.may_not_have_left:
            return True
        # One that lost its network looks for the new one at once; its broker is still the old one.
        told = self._by_the_clock and self._member.dialect.restart is not None
        return self.restarted(there) in ((False, None) if told else (False,))

    @property
    def may_not_have_left(self) -> bool:
        """Whether it was told to change over with an access point, and nobody has seen it go: it
        may be there still, by the old passphrase, if the owner's word came too early."""
        state = self._row.state
        if not self._on.crew.plan.leg.together:
            return False
        if state not in (State.AWAY, State.ADRIFT):
            return state is State.RETURNED
        return self._on.journal.last_of(ALL_TOLD, ADMITTED) != ALL_TOLD

    def unfinished(self, look: Look) -> Sighting | None:
        """The device if it holds its new settings and has not restarted, as far as can be told."""
        there = look.found.get(target_of(self._row.direction))
        if there is None or not self._must_restart(there) or not self.stored(there):
            return None
        return None if self.restarted(there) else there

    def otherwise_there(self, look: Look) -> Sighting | None:
        """The device on the side it is to be on, with other settings than it is to have: on the way
        back one that never left the old side, but holds new settings that a restart would put in
        force; in either direction one that came across and holds something else. It can be given
        its bundle where it is."""
        there = look.found.get(target_of(self._row.direction))
        may = self._row.direction is Direction.BACK or self._row.state is State.RETURNED
        # Said to be changed over, whoever answers counts as on the new side: it may not be.
        may = may or (self._on.seeker.flipped and self._row.state is State.DECLINED)
        return there if may and there and self.wrong_with(there) else None

    def takes_hold_at_once(self, start: Sighting) -> bool:
        """Whether nothing that a restart puts in force changes for it: it is where it is to be, and
        only other settings are wrong."""
        given = self._target(self._row.direction)
        wrong = differences(given, start.readings, self._member.dialect)
        return self.is_there(start) and bool(wrong) and not restarts(self._member.dialect, wrong)

    def not_well(self, look: Look) -> Sighting | None:
        """The device on the side it was sent to, with other settings than it was given."""
        there = look.found.get(target_of(self._row.direction))
        return there if there and self.wrong_with(there) else None

    def is_there(self, there: Sighting) -> bool:
        """Whether it is on the side it was sent to, with other settings than it was given."""
        return there.side == target_of(self._row.direction) and bool(self.wrong_with(there))

    @property
    def never_sent_back(self) -> bool:
        """Whether a rollback took it over and has given it nothing yet."""
        row = self._row
        return row.direction is Direction.BACK and row.given != self.bundle(Direction.BACK)

    def unchanged(self, look: Look) -> bool:
        """Whether it was found where it came from, and holds nothing of what it was given."""
        start = look.found.get(source_of(self._row.direction))
        moved = target_of(self._row.direction) in look.found
        return start is not None and not moved and not self.stored(start)

    def stored(self, there: Sighting) -> bool:
        """Whether it reads back what it was given, in force or not."""
        return not self.wrong_with(there)

    def restarted(self, sighting: Sighting) -> bool | None:
        """Whether it restarted since it was sent its bundle; None where nothing can tell.

        Uptimes are told in whole seconds, so two of them agree only to within one; and some time
        between question and answer, so the doubt about that goes against the verdict. Of a device
        that tells none, having been gone for a while must do.
        """
        uptime = sighting.readings.uptime_seconds
        if uptime is None:
            return True if self.gone else None
        if uptime + UPTIME_SLACK >= sighting.asked - self._back:
            return False
        before, elapsed = self.uptime_before or 0.0, sighting.asked - self.sent
        if not self._uptimes_begin_at_wakes and uptime + UPTIME_SLACK < elapsed + before:
            # An earlier process sent it: only a clock that may have been set since tells when. Then
            # it cannot have been up for longer; and one that can be asked to restart is asked.
            may_be = self._member.dialect.restart is None and uptime <= elapsed + UPTIME_SLACK
            return True if uptime < before or not self._by_the_clock or may_be else None
        if uptime <= sighting.heard - self.sent + UPTIME_SLACK:
            return None
        # Not restarted, it has been up for as much longer as time has passed; or the clock is off.
        off = abs(uptime - before - elapsed) > 2 * UPTIME_SLACK + sighting.heard - sighting.asked
        return None if self._by_the_clock and self.uptime_before is not None and off else False

    @property
    def _uptimes_begin_at_wakes(self) -> bool:
        """Whether its uptime may have begun anew when it woke; not if it had counted over wakes."""
        wakes = self._member.planned.wakes_seconds
        return wakes is not None and (self.uptime_before or 0.0) <= 2 * wakes

    def wrong_with(self, there: Sighting) -> str:
        """What it reads back otherwise than it must, in words; empty if nothing."""
        target = self._target(self._row.direction)
        wrong = differences(target, there.readings, self._member.dialect)
        told = [f"{setting} {there.readings.settings.get(setting)!r}" for setting in wrong]
        return f"it reads back {', '.join(told)}" if told else ""

    def bundle(self, direction: Direction) -> FrozenBundle:
        """What it is given in this direction."""
        if direction is Direction.FORWARD:
            return self._member.planned.bundle
        return self._on.journal.way_back(self._member.name) or {}

    def _target(self, direction: Direction) -> Mapping[Setting, Value]:
        """What its readings must show: the bundle, and going back also the rest of the survey."""
        target = {s: v for s, v in plain(self.bundle(direction)).items() if s not in SECRETS}
        if direction is Direction.BACK:
            before: dict[str, Any] = self._on.journal.survey(self._member.name) or {}
            if before.get("side") == "old":
                for name, value in before.get("settings", {}).items():
                    target.setdefault(Setting(name), value)
        return target
