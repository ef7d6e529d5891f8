"""The line of devices that wait for a wave, kept so that a wave is found without walking all of it.

A wave takes devices in order; whoever may not go yet stays. Within one wave the exposure only
grows and covers only fill up, so a refusal holds for the rest of the wave, and for everybody with
the same reason. The line is therefore kept as a tree of heaps, each ordered by position:

    devices of one twin group and one cover  ->  twin groups with equal evidence  ->  the wave

and one refusal passes over a whole branch. n devices take about n log n steps, where walking the
line once a wave takes n steps for each wave.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from heapq import heapify, heappop, heappush

from migrate.model.fleet import Device
from migrate.model.playbook import Pace
from migrate.planning.exposure import Evidence, Twin, fits, rate

Counts = tuple[int, int]
"""Returns and faults."""


def twin_of(device: Device) -> Twin:
    """The twin group a device belongs to."""
    return (device.dialect, device.firmware or "unknown")


@dataclass
class _Group:
    """The waiting devices of one twin group, by cover. `easiest` is the reach rank that needs no
    proof; None once a twin has proved the move, in this run or before."""

    easiest: int | None
    seen: Evidence
    by_cover: list[tuple[int, deque[int]]] = field(default_factory=list)

    @property
    def counts(self) -> Counts:
        """What the group has shown, in a form that is quick to look up."""
        return (self.seen.returns, self.seen.faults)

    @property
    def first(self) -> int | None:
        """Position of the first that may still come up in this wave."""
        return self.by_cover[0][0] if self.by_cover else None


class Line:
    """Devices that wait, in the order in which they are to go."""

    def __init__(
        self,
        devices: Sequence[Device],
        pilot: Device | None,
        shown: Mapping[Twin, Evidence] | None = None,
    ) -> None:
        """`devices` ordered by reach first. The pilot, one of them, does not wait: it went.
        `shown`: what twins have shown before this run."""
        self._devices = devices
        self._groups: dict[Twin, _Group] = {}
        self._waiting = 0
        self._shown = shown or {}
        self._alike: dict[Counts, list[tuple[int, Twin]]] = {}
        queues: dict[tuple[Twin, str | None], deque[int]] = {}
        for position, device in enumerate(devices):
            twin = twin_of(device)
            if twin not in self._groups:
                seen = self._shown.get(twin, Evidence())
                self._groups[twin] = _Group(None if seen.returns else device.reach.rank, seen)
            if device is not pilot:
                queues.setdefault((twin, device.cover), deque()).append(position)
                self._waiting += 1
        for (twin, _), queue in queues.items():
            self._groups[twin].by_cover.append((queue[0], queue))
        for twin, group in self._groups.items():
            heapify(group.by_cover)
            self._enter(twin)
        if pilot is not None:
            self.returned([pilot])

    def __bool__(self) -> bool:
        return self._waiting > 0

    def evidence(self, twin: Twin) -> Evidence:
        """What a twin group has shown, before this run and if every earlier wave returned."""
        group = self._groups.get(twin)
        return group.seen if group else self._shown.get(twin, Evidence())

    def returned(self, devices: Sequence[Device]) -> None:
        """Count a wave as returned: from here on its devices are evidence for their twins."""
        for twin, count in Counter(twin_of(device) for device in devices).items():
            group = self._groups.setdefault(twin, _Group(None, self.evidence(twin)))
            group.seen = group.seen.plus(count)
            group.easiest = None
            self._enter(twin)

    def take(self, pace: Pace) -> list[Device]:
        """The next wave: in order, whoever is apart from its cover, has an easier twin's proof
        (or needs none), and still fits the accepted exposure and the widest wave."""
        taken: list[Device] = []
        covers: set[str] = set()
        passed: dict[Twin, list[deque[int]]] = {}
        total = 0.0
        fronts = [
            (*first, number, seen)
            for number, seen in enumerate(list(self._alike))
            if (first := self._front(seen))
        ]
        heapify(fronts)
        while fronts and len(taken) < pace.widest_wave:
            position, twin, number, seen = heappop(fronts)
            risk = rate(Evidence(*seen), pace.confidence)
            if taken and not fits(total + risk, pace.stranded_at_most):
                continue  # so it is for all groups with this evidence
            device, group = self._devices[position], self._groups[twin]
            aside = passed.setdefault(twin, [])
            if group.easiest is not None and device.reach.rank > group.easiest:
                aside += [queue for _, queue in group.by_cover]  # whoever follows is no easier
                group.by_cover.clear()
            else:
                _, queue = heappop(group.by_cover)
                if device.cover is None or device.cover not in covers:
                    taken.append(device)
                    total += risk
                    queue.popleft()
                if device.cover is not None:
                    covers.add(device.cover)
                    aside.append(queue)
                elif queue:
                    heappush(group.by_cover, (queue[0], queue))
            self._enter(twin)
            if front := self._front(seen):
                heappush(fronts, (*front, number, seen))
        for twin, queues in passed.items():
            for queue in filter(None, queues):
                heappush(self._groups[twin].by_cover, (queue[0], queue))
            self._enter(twin)
        self._waiting -= len(taken)
        return taken

    def _enter(self, twin: Twin) -> None:
        """Put a group where its evidence and its first device say. Earlier places of it stay
        behind; `_front` throws them away when it meets them."""
        group = self._groups[twin]
        if group.first is not None:
            heappush(self._alike.setdefault(group.counts, []), (group.first, twin))

    def _front(self, seen: Counts) -> tuple[int, Twin] | None:
        """The first position of all groups with this evidence."""
        places = self._alike.get(seen, [])
        while places:
            position, twin = places[0]
            group = self._groups[twin]
            if group.counts == seen and group.first == position:
                return places[0]
            heappop(places)
        self._alike.pop(seen, None)
        return None
