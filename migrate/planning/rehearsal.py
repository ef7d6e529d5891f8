"""Rehearsing a plan: play it many times on paper, against devices that fail at stated rates.

The gates are the real ones. In a trial nothing differs from the plan before its first fault, and at
the first fault every gate holds; so whom the gates let out, and together with whom, is asked of
`gates.admit` once, wave by wave, and not in every trial. Other ways of making waves are played with
the same fates.

What ends a trial is what ends a run: a device that declined, that is back with a wrong setting,
that is on neither side when its deadline passes (a slow one is still found later, a lost one has to
be opened), or that could not be told anything because the broker was gone. A playbook that rolls
back at a fault holds as well after it; the way back is not played.

Not played: quiet hours, and a device that is written off or sent the settings once more.
Nothing is learned here about real devices: what comes out follows from the rates that went in.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate

from migrate.model.deadline import Estimate, deadline
from migrate.model.lifecycle import State
from migrate.planning.fates import Cast, Dice, Fates, Rates
from migrate.planning.gates import Standing, admit
from migrate.planning.plan import Plan

THIS_PLAN = "this plan"


@dataclass(frozen=True)
class Trial:
    """One playing of one way. Every device is in exactly one of the four numbers:

    `settled`: on the new side, proven; `opened`: on neither side, to be opened by hand;
    `unproven`: late, or on the new side with a wrong setting; `left`: where it was, never sent
    anything, or unchanged since it declined. `stopped_at` is the wave (from 0) whose gate held,
    None if all was played to the end. `seconds`: until the end, or until the gate held.
    """

    seconds: float
    settled: int
    opened: int
    unproven: int
    left: int
    stopped_at: int | None


@dataclass
class Result:
    """All trials of one way. `widest`: most devices away at once. `together`: covers of which two
    devices or more are away at once."""

    way: str
    waves: int
    widest: int
    together: int
    trials: list[Trial] = field(default_factory=list)

    @property
    def finished(self) -> float:
        """Share of trials that were played to the end."""
        return sum(trial.stopped_at is None for trial in self.trials) / len(self.trials)

    @property
    def opened_mean(self) -> float:
        """Devices to be opened by hand, on average."""
        return sum(trial.opened for trial in self.trials) / len(self.trials)

    @property
    def left_mean(self) -> float:
        """Devices that had not been moved when it stopped, on average over all trials."""
        return sum(trial.left for trial in self.trials) / len(self.trials)

    def opened(self, share: float) -> int:
        """No more than this many devices were to be opened in this share of the trials."""
        return int(_quantile([trial.opened for trial in self.trials], share))

    def done_seconds(self) -> list[float]:
        """Seconds of the trials that were played to the end, shortest first."""
        return sorted(trial.seconds for trial in self.trials if trial.stopped_at is None)

    def seconds(self, share: float) -> float | None:
        """Seconds within which this share of the finished trials was done; None if none was."""
        done = self.done_seconds()
        return _quantile(done, share) if done else None

    def stops(self) -> dict[int, int]:
        """How many trials stopped at each wave (from 0)."""
        stopped = Counter(t.stopped_at for t in self.trials if t.stopped_at is not None)
        return dict(sorted(stopped.items()))


def rehearse(plan: Plan, rates: Rates, times: int, dice: Dice) -> list[Result]:
    """Play the plan and the other ways `times` times; the plan is the first of the results.

    The other ways: everything at once, one device after the other, and tenths of the fleet, each
    in the plan's order and without any judging but a look at each wave's end.
    """
    if times < 1:
        raise ValueError("times must be at least 1")
    place = {device.name: number for number, device in enumerate(plan.devices)}
    order = [place[name] for wave in plan.waves for name in wave.devices]
    ways = [
        _Way(plan, THIS_PLAN, *_let_out(plan, place)),
        _Way(plan, "all at once", [tuple(order)]),
        _Way(plan, "one by one", [(one,) for one in order]),
        _Way(plan, "tenths", _tenths(order)),
    ]
    cast, horizon = Cast(plan), _longest(plan)
    for _ in range(times):
        fates = cast.draw(rates, dice, horizon)
        for way in ways:
            way.result.trials.append(way.play(fates))
    return [way.result for way in ways]


def _let_out(
    plan: Plan, place: Mapping[str, int]
) -> tuple[list[tuple[int, ...]], list[int], int | None]:
    """Devices as the real gates let them out while all goes well: who goes together, the wave each
    of these is of, and the wave whose gate stays shut although all went well, if there is one."""
    standings = {device.name: Standing() for device in plan.devices}
    together: list[tuple[int, ...]] = []
    of_wave: list[int] = []
    for number, wave in enumerate(plan.waves):
        waiting = list(wave.devices)
        while waiting:
            admitted = admit(plan, standings, waiting).admitted
            if not admitted:
                return together, of_wave, number
            together.append(tuple(place[name] for name in admitted))
            of_wave.append(number)
            standings |= dict.fromkeys(admitted, Standing(State.SETTLED))
            waiting = [name for name in waiting if name not in set(admitted)]
    return together, of_wave, None


class _Way:
    """One way of making waves, ready to be played."""

    def __init__(
        self,
        plan: Plan,
        name: str,
        batches: Sequence[tuple[int, ...]],
        of_wave: Sequence[int] | None = None,
        shut: int | None = None,
    ) -> None:
        """`batches`: positions of the devices that go at the same time. `of_wave`: the wave of
        each. `shut`: a wave that does not come to its turn."""
        self._pace = plan.pace
        self._batches = batches
        self._of_wave = of_wave if of_wave is not None else range(len(batches))
        self._shut = shut
        self._before = [0, *accumulate(len(batch) for batch in batches)]
        self._all = len(plan.devices)
        self._batch_of = {one: number for number, batch in enumerate(batches) for one in batch}
        self._mqtt = [device.via == "mqtt" for device in plan.devices]
        self._wakes = [device.wakes_seconds or 0.0 for device in plan.devices]
        waves = len(plan.waves) if name == THIS_PLAN else len(batches)
        widest = max((len(batch) for batch in batches), default=0)
        self.result = Result(name, waves, widest, _covers_together(plan, batches))

    def play(self, fates: Fates) -> Trial:
        """One trial, until its first fault."""
        troubled: defaultdict[int, set[int]] = defaultdict(set)
        for one in fates.troubled:
            if one in self._batch_of:
                troubled[self._batch_of[one]].add(one)
        soak, returns, outages, clock = self._pace.soak_seconds, fates.returns, fates.outages, 0.0
        least, most = self._pace.deadline_seconds.least, self._pace.deadline_seconds.most
        deadlines = _Deadlines(least, most)
        for number, batch in enumerate(self._batches):
            last = returns[batch[0]] if len(batch) == 1 else max(map(returns.__getitem__, batch))
            calm = number not in troubled and not _touched(outages, clock, clock + last + soak)
            if calm and last <= least:
                clock += last + soak  # no deadline is ever shorter: all of them are well
                continue
            gone = self._judge(batch, fates, clock, self._limit(deadlines, number, returns))
            deadlines.seen |= gone.seen
            clock += gone.took
            if gone.well < len(batch):
                return self._stopped(number, clock, gone)
        return Trial(clock, self._before[-1], 0, 0, self._all - self._before[-1], self._shut)

    def _limit(self, deadlines: _Deadlines, number: int, returns: Sequence[float]) -> float:
        """Seconds that the devices of a batch are waited for, from all returns before it."""
        for batch in self._batches[deadlines.batches : number]:
            times = [deadlines.seen.get(one, returns[one]) for one in batch if not self._wakes[one]]
            deadlines.learn(sorted(times))
        deadlines.batches = max(deadlines.batches, number)
        return deadlines.limit

    def _judge(self, batch: Sequence[int], fates: Fates, clock: float, limit: float) -> _Gone:
        """What becomes of each device of a batch that goes at `clock`."""
        gone, returns, soak = _Gone(), fates.returns, self._pace.soak_seconds
        odd: Sequence[int] = batch
        longest = max(map(returns.__getitem__, batch)) + soak
        if not _touched(fates.outages, clock, clock + longest):
            # Most devices have no fate of their own and are back in time.
            odd = [one for one in batch if one in fates.troubled or returns[one] > limit]
            gone.well = len(batch) - len(odd)
            if gone.well:
                rest = set(batch).difference(odd) if odd else batch
                gone.lasts(max(map(returns.__getitem__, rest)) + soak)
        for one in odd:
            self._judge_one(one, fates, clock, limit, gone)
        return gone

    def _judge_one(self, one: int, fates: Fates, clock: float, limit: float, gone: _Gone) -> None:
        pace = self._pace
        # A sleeper is told when it wakes, and looked for over its next waking.
        patience = limit + 3 * self._wakes[one]
        outages = fates.outages if self._mqtt[one] else ()
        fate = fates.troubled.get(one)
        seen = _seen(clock + fates.returns[one], outages) - clock
        if fate == "declines" or any(begin <= clock < end for begin, end in outages):
            gone.left += 1
            gone.lasts(pace.reply_seconds)
        elif fate == "lost":
            gone.opened += 1
            gone.lasts(patience)
        elif seen > patience:
            gone.unproven += 1
            gone.lasts(patience)
        elif fate == "misread":
            gone.unproven += 1
            unwell = max(pace.deadline_seconds.most, pace.soak_seconds + pace.look_seconds)
            gone.lasts(seen + unwell)
        else:
            gone.well += 1
            gone.seen[one] = seen
            gone.lasts(_soaked(clock + seen, pace.soak_seconds, outages) - clock)

    def _stopped(self, number: int, clock: float, gone: _Gone) -> Trial:
        sent = self._before[number + 1]
        return Trial(
            seconds=clock,
            settled=self._before[number] + gone.well,
            opened=gone.opened,
            unproven=gone.unproven,
            left=self._all - sent + gone.left,
            stopped_at=self._of_wave[number],
        )


@dataclass
class _Gone:
    """What became of the devices of one batch. `took`: seconds until the last of them was known."""

    well: int = 0
    left: int = 0
    opened: int = 0
    unproven: int = 0
    took: float = 0.0
    seen: dict[int, float] = field(default_factory=dict)

    def lasts(self, seconds: float) -> None:
        self.took = max(self.took, seconds)


@dataclass
class _Deadlines:
    """The deadline as a run learns it, worked out only where a trial has need of it."""

    least: float
    most: float
    batches: int = 0
    estimate: Estimate | None = None
    seen: dict[int, float] = field(default_factory=dict)

    def learn(self, times: Sequence[float]) -> None:
        for seconds in times:
            known = self.estimate
            self.estimate = known.after(seconds) if known else Estimate.first(seconds)

    @property
    def limit(self) -> float:
        return deadline(self.estimate, self.least, self.most)


def _touched(outages: Sequence[tuple[float, float]], begin: float, end: float) -> bool:
    # Most trials have no outage at all, and this is asked for every batch.
    return bool(outages) and any(start < end and begin < stop for start, stop in outages)


def _seen(at: float, outages: Sequence[tuple[float, float]]) -> float:
    """When a device is seen that is there from `at` on: not before the broker is back."""
    return next((end for begin, end in outages if begin <= at < end), at)


def _soaked(at: float, soak: float, outages: Sequence[tuple[float, float]]) -> float:
    """When a device that was seen `at` has been well for the soak: an outage begins it anew."""
    for begin, end in outages:
        if at <= begin < at + soak:
            at = end
    return at + soak


def _tenths(order: Sequence[int]) -> list[tuple[int, ...]]:
    width = max(1, math.ceil(len(order) / 10))
    return [tuple(order[start : start + width]) for start in range(0, len(order), width)]


def _longest(plan: Plan) -> float:
    """Seconds that no way takes longer: every device alone, each as late as may be."""
    pace = plan.pace
    most = pace.deadline_seconds.most
    return sum(
        max(d.seconds.most, most + 3 * (d.wakes_seconds or 0.0) + most + pace.soak_seconds)
        for d in plan.devices
    )


def _covers_together(plan: Plan, batches: Sequence[tuple[int, ...]]) -> int:
    """Covers of which two devices or more are away at once."""
    broken: set[str] = set()
    for batch in batches:
        here = Counter(cover for one in batch if (cover := plan.devices[one].cover))
        broken |= {cover for cover, count in here.items() if count > 1}
    return len(broken)


def _quantile(values: Sequence[float], share: float) -> float:
    """The smallest value that at least this share of the values does not exceed."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]
