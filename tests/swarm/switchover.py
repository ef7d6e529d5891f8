"""Stories of one access point that changes its passphrase: one step for all, and an owner who
changes it when told; or too early, too late, back again, or not at all while saying so.

The tool has the owner's word alone. What it must not believe all the same, and what it may ask for
only when it is true, is checked here by what units hold and where they are.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from random import Random
from typing import Any

from migrate.engine.tidings import Outcome
from migrate.journal.store import Journal
from migrate.lab.firmware.base import Store
from migrate.model.problems import Exit
from migrate.planning.make import make_plans
from migrate.planning.plan import Plan
from migrate.ports.protocols import SideName
from migrate.virtual.access_point import AccessPoint
from migrate.virtual.networks import VirtualNetwork
from migrate.virtual.unit import VirtualUnit

from .invariants import Broken, Invariants, Seen
from .scenario import OLD_NET, SECRETS, Change, Scenario, draw
from .story import Story, Work, resolve

CHANGES: tuple[tuple[Change, ...], ...] = (
    ("wifi",),
    ("wifi",),
    ("wifi", "broker"),
    ("wifi", "group"),
    ("wifi", "broker", "group"),
)
HABITS = ("right", "right", "late", "silent", "early", "liar", "wavering")
"""What an owner does with the access point: changes it when told and says so; says so first and
changes it later; changes it and forgets to say so; changes it unasked; says so unasked; changes it
when told, and back, and again."""


def draw_switchover(seed: int) -> Scenario:
    """The house of a seed, in which one access point changes its passphrase."""
    random, drawn = Random(f"switchover {seed}"), draw(seed)  # noqa: S311
    habit = random.choice(HABITS)
    events = list(drawn.events)
    if habit == "early":
        events.append((random.uniform(2, 90), "flip", 0.0))
    return replace(
        drawn,
        change=random.choice(CHANGES),
        new_ssid="quay-old",
        accept=len(drawn.devices),
        events=tuple(events),
        habit=habit,
        # Nobody is told of more than what the passphrase takes with it.
        presence=False,
    )


class SwitchoverInvariants(Invariants):
    """As always, but for what one step for all cannot hold: waves, covers, exposure and reach."""

    ap: AccessPoint

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self.sent: dict[str, float] = {}
        self.was_back: dict[str, float] = {}

    def _moved(self, name: str, was: Seen, now: Seen, fresh: dict[str, Seen]) -> None:
        if now.state == "returned":
            self.was_back[name] = self.house.loop.time()
        if now.state == "sending":
            self.sent[name] = self.house.loop.time()
            # For the first time; one that was told before may be told again, on the owner's word.
            if was.state == "waiting" and not was.sent_at and self.word() == "flipped":
                raise Broken(f"s: {name} is told after the access point was said to be changed")
        super()._moved(name, was, now, fresh)

    def _may_go(self, name: str, now: Seen, fresh: dict[str, Seen]) -> None:
        if now.direction != "forward":
            raise Broken(f"s: {name} is taken back, which nobody could see through")
        known = {one for (one,) in self._all("SELECT name FROM way_back")}
        for one, row in fresh.items():
            if one not in known and not row.written_off:
                raise Broken(f"s: {name} is told, and {one} was never found")

    def word(self) -> str:
        """The owner's word as the disk has it last."""
        found = self._all(
            "SELECT kind FROM event WHERE kind IN ('flipped', 'not flipped') "
            "ORDER BY seq DESC LIMIT 1"
        )
        return str(found[0][0]) if found else ""

    def asked_to_change(self) -> None:
        """The owner is told to change the access point now: nobody must be left behind by it, as
        far as could be seen in the soak before."""
        scenario, weather, now = self.scenario, self.scenario.weather, self.house.loop.time()
        for name, row in self.rows().items():
            unit = self.house.units[name]
            if row.written_off or name in self.touched:
                continue
            if row.state not in ("away", "settled"):
                raise Broken(f"s: to be changed now, and {name} is {row.state}")
            # Lost packets can look like absence.
            sure = not (weather.lost or weather.deaf or weather.unheard or weather.garbled)
            there = (
                unit.network is not None and now - unit.joined_at > scenario.soak + scenario.reply
            )
            if sure and there and self._by_old_key(unit):
                raise Broken(f"s: to be changed now, and {name} is there by the old passphrase")

    def _by_old_key(self, unit: VirtualUnit) -> bool:
        return self.house.where(unit.name) == "old" and unit.store.wifi_key == SECRETS["OLD_WIFI"]

    def _soaked(self, name: str, wanted: Store) -> None:
        """6, where the owner's word is true. Where it is not, a device may have come by the old
        passphrase, which nobody can see; but not one that never left, or was back and did not leave
        again."""
        reads = self.reads[name]
        if self.ap.now == "new" or (reads and reads[-1][1] == "new"):
            super()._soaked(name, wanted)
            return
        unit = self.house.units[name]
        if name not in self.sent:
            raise Broken(f"s: {name} counts as arrived, and was never told anything")
        known_old = max(self.sent[name], self.was_back.get(name, 0.0))
        # With a clock that was set, or an answer that was given long ago, nobody can reckon when it
        # restarted.
        reckoned = not self.house.offset and not self.scenario.weather.late
        if unit.booted_at < known_old and name not in self.touched and reckoned:
            raise Broken(f"s: {name} counts as arrived, and never left since it was known old")
        self.house.chance.count("owner: was believed wrongly")
        self.touched.add(name)

    def at_rest(self) -> None:
        """Said to be done: each device has the new passphrase."""
        for name, row in self.rows().items():
            if name in self.touched or row.written_off:
                continue
            key = self.house.units[name].store.wifi_key
            if row.state != "settled" or key != SECRETS["NEW_WIFI"]:
                raise Broken(f"s: said to be done, and {name} is {row.state}, or has another key")


class SwitchoverStory(Story):
    """The owner stands at the access point."""

    watched_by = SwitchoverInvariants
    invariants: SwitchoverInvariants

    def _networks(self) -> tuple[VirtualNetwork, VirtualNetwork]:
        old = VirtualNetwork("old", "quay-old", SECRETS["OLD_WIFI"], OLD_NET)
        new = VirtualNetwork("new", "quay-old", SECRETS["NEW_WIFI"], OLD_NET)
        self.ap = AccessPoint(old, new)
        self.to_say = False
        self.off: set[str] = set()
        self.calm_rounds = 0
        return old, new

    def _brokers(self, *, both: bool) -> Any:
        return super()._brokers(both=False)  # one network: what reaches the one reaches the other

    def _plan(self) -> Plan:
        inputs = self.inputs
        (plan,) = make_plans(
            inputs.fleet,
            inputs.playbook,
            inputs.dialects,
            resolve,
            inputs.sources,
            created=self.house.now().isoformat(timespec="seconds"),
            tool="swarm",
        )
        return plan

    def _build(self) -> None:
        super()._build()
        self.invariants.ap = self.ap

    def _blackout(self, side: SideName, seconds: float) -> None:
        self.ap.blackout(self.house, seconds)

    def _befall(self, what: str, much: float) -> None:
        if what == "flip":
            if self.house.loop.time() <= self.scenario.calm_at:
                self._change("new", "owner: changes it unasked")
            return
        super()._befall(what, much)

    def _change(self, to: SideName, why: str) -> None:
        if self.ap.now != to:
            self.chance.count(why)
            self.ap.change(self.house, to)

    # The owner

    def _owner_says(self, journal: Journal) -> None:
        for name in sorted(self.off):
            if not journal.row(name).written_off:
                journal.write_off(name)
        if self.to_say:
            journal.flip()
            self.to_say = False

    def _heard_out(self, outcome: Outcome) -> None:
        if outcome.flip:
            self.chance.count("owner: is told to change it")
            self.invariants.asked_to_change()
        if outcome.done:
            self.invariants.at_rest()

    def _decide(self, outcome: Outcome | None, *, calm: bool) -> Work | None:
        if outcome is not None and outcome.done:
            return None
        asked = outcome is not None and outcome.flip
        if calm:
            self._see_to_it(asked=asked, unread=outcome is not None and self._unread(outcome))
        else:
            self._as_is_the_habit(asked=asked)
            if self.random.random() < 0.05:
                return lambda conductor: conductor.back()  # which is refused, and harms nobody
        again = self._again() if calm or self.random.random() < 0.6 else []
        return lambda conductor: conductor.forward(again)

    def _unread(self, outcome: Outcome) -> bool:
        return outcome.exit is Exit.UNREACHABLE

    def _again(self) -> list[str]:
        """Those that seemed to have taken nothing of what they were sent may be told again too."""
        return [
            name
            for name, row in self.invariants.rows().items()
            if row.state in ("declined", "returned") or (row.state == "waiting" and row.sent_at)
        ]

    def _as_is_the_habit(self, *, asked: bool) -> None:
        random, habit = self.random, self.scenario.habit
        if habit in ("right", "wavering") and asked:
            self._change("new", "owner: changes it when told")
            self.to_say = True
        elif habit == "wavering" and self.ap.now == "new" and random.random() < 0.3:
            self._change("old", "owner: changes it back")
        elif habit == "late" and asked:
            self.to_say = True
            self.house.later(
                random.uniform(3, 150), lambda: self._change("new", "owner: changes it late")
            )
        elif habit == "silent":
            if asked:
                self._change("new", "owner: changes it when told")
            self.to_say = self.ap.now == "new" and random.random() < 0.4
        elif habit == "early":
            self.to_say = self.ap.now == "new" and random.random() < 0.6
        elif habit == "liar" and (asked or random.random() < 0.3):
            self.chance.count("owner: says so, and it is not true")
            self.to_say = True
        if random.random() < 0.04:
            self.off.update(random.sample(self._again(), min(1, len(self._again()))))

    def _see_to_it(self, *, asked: bool, unread: bool) -> None:
        """In fair weather the owner reads what stands there, and does it."""
        rows = {n: row for n, row in self.invariants.rows().items() if not row.written_off}
        said = self.invariants.word() == "flipped"
        behind = [
            name for name, row in rows.items() if row.state in ("waiting", "declined", "returned")
        ]
        there = [name for name in behind if self.house.where(name) == "old"]
        self.calm_rounds += 1
        if self.ap.now == "new":
            moved = self.invariants.touched.intersection(behind)
            self._write_off(moved, "owner: writes off one moved by hand")
        if unread and self.ap.now == "new":
            self._change("old", "owner: changes it back")
        elif unread:
            moved = self.invariants.touched.intersection(rows)
            self._write_off(moved, "owner: writes off one moved by hand")
        elif asked:
            self._change("new", "owner: changes it when told")
            self.to_say = True
        elif self.ap.now == "new" and said:
            self._who_did_not_come(rows, behind)
        elif self.ap.now == "new":
            self.to_say = True
        elif said and not there:
            self._change("new", "owner: changes it late")
        elif not there:
            # Whoever is named as left behind is gone: by the new passphrase, where else.
            self._change("new", "owner: changes it although some are named")
            self.to_say = True

    def _who_did_not_come(self, rows: dict[str, Seen], behind: list[str]) -> None:
        """The access point is changed, the tool knows it, and some are still missing."""
        opened = [n for n in rows if self.house.units[n].store.wifi_key != SECRETS["NEW_WIFI"]]
        lost = [name for name in opened if rows[name].state == "adrift"]
        self._write_off(lost, "owner: opens one that is lost")
        left = [name for name in behind if name in opened]
        if left and self.random.random() < 0.5:
            self._change("old", "owner: changes it back")
        elif left:
            self._write_off(left, "owner: writes off who was left behind")
        elif behind and self.calm_rounds > 6:
            self._write_off(behind, "owner: writes off one that came and is not proven")

    def _write_off(self, names: Iterable[str], why: str) -> None:
        for name in sorted(names):
            self.chance.count(why)
            self.off.add(name)
