"""The invariants, checked after every step by what the units hold and what lies on the disk.

Nothing of the engine, the planning or the life cycle is used here: the journal is read as a plain
SQLite file, messages as octets, units as they really are. Numbers are those of DESIGN's list.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, replace
from math import comb
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from migrate.lab.firmware.base import Store
from migrate.virtual.house import House
from migrate.virtual.unit import VirtualUnit

from .scenario import SECRETS, Drawn, Scenario

AWAY = {"sending", "away", "seen", "adrift"}
DONE = {"settled", "restored", "declined"}
RANK = {"table": 0, "ladder": 1, "tools": 2}


class Broken(AssertionError):
    """An invariant does not hold."""


@dataclass
class Seen:
    """One device as the disk had it last."""

    direction: str = "forward"
    state: str = "waiting"
    written_off: int = 0
    sent_at: str | None = None
    given: str | None = None
    wave: int = 0
    note: str = ""


class Invariants:
    """Looks at one story from outside."""

    def __init__(self, scenario: Scenario, house: House, waves: list[list[str]]) -> None:
        self.scenario = scenario
        self.house = house
        self.waves = waves
        self.drawn: dict[str, Drawn] = {one.name: one for one in scenario.devices}
        self.first = {name: unit.store for name, unit in house.units.items()}
        self.seen: dict[str, Seen] = {name: Seen() for name in self.drawn}
        self.faults: dict[str, int] = dict.fromkeys(self.drawn, 0)
        self.sent_back: set[str] = set()
        self.turns: dict[tuple[str, str, str], int] = {}
        self.reads: dict[str, list[tuple[float, str | None, Store | None]]]
        self.reads = {name: [] for name in self.drawn}
        self.touched: set[str] = set()
        """Devices that somebody moved behind the tool's back; where they are is not its doing."""
        self.last_event = 0
        self.checks = 0
        self.path: Path | None = None
        self._db: sqlite3.Connection | None = None
        house.watchers.append(self._happened)

    # What is on the disk

    def open(self, path: Path) -> None:
        """Look at this journal from now on."""
        self.path = path
        self._db = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, isolation_level=None)

    def close(self) -> None:
        """Let go of it."""
        if self._db is not None:
            self._db.close()

    def _all(self, sql: str, *args: Any) -> list[tuple[Any, ...]]:
        assert self._db is not None
        return self._db.execute(sql, args).fetchall()

    def rows(self) -> dict[str, Seen]:
        """Every device as it is on the disk."""
        found = self._all(
            "SELECT name, direction, state, written_off, sent_at, given, wave, note FROM device"
        )
        return {name: Seen(*rest) for name, *rest in found}

    def target(self, name: str) -> Store:
        """What a unit must hold on the new side, by the owner's words."""
        store = self.first[name]
        if "wifi" in self.scenario.change:
            store = replace(store, wifi_name=self.scenario.new_ssid, wifi_key=SECRETS["NEW_WIFI"])
        if "broker" in self.scenario.change:
            store = replace(
                store,
                broker_host="broker.new.test",
                broker_port=1884,
                broker_user="house",
                broker_password=SECRETS["NEW_BROKER"],
            )
        return replace(store, group="new-group") if "group" in self.scenario.change else store

    # After every step

    def committed(self) -> None:
        """Something is durable now that was not before."""
        self.checks += 1
        fresh = self.rows()
        for name, now in fresh.items():
            was = self.seen[name]
            if (was.direction, was.state) != (now.direction, now.state):
                self._moved(name, was, now, fresh)
        self.seen = fresh
        for seq, direction, kind, before in self._all(
            "SELECT seq, direction, kind, before FROM event WHERE seq > ? AND after IS NOT NULL "
            "ORDER BY seq",
            self.last_event,
        ):
            self.last_event = seq
            key = (direction, before, kind)
            self.turns[key] = self.turns.get(key, 0) + 1

    def _moved(self, name: str, was: Seen, now: Seen, fresh: dict[str, Seen]) -> None:
        if now.state == "sending":
            self._may_be_sent(name, now, fresh)
        left = now.state == "sending" or now.direction == "back"
        if was.direction == "forward" and was.state in ("returned", "adrift") and left:
            self.faults[name] += 1
        if now.state == "settled":
            self._soaked(name, self.target(name))
        if now.state == "restored":
            self._soaked(name, self.first[name])

    def _may_be_sent(self, name: str, now: Seen, fresh: dict[str, Seen]) -> None:
        # 1: its way back is on disk, and it is what the unit held.
        back = self._all("SELECT bundle FROM way_back WHERE name = ?", name)
        if not back:
            raise Broken(f"1: {name} is sent something without a way back on disk")
        self._way_back_is_right(name, json.loads(back[0][0]))
        self._may_go(name, now, fresh)

    def _may_go(self, name: str, now: Seen, fresh: dict[str, Seen]) -> None:
        """2, 7, 8, 9: the others are where they must be."""
        others = {one: row for one, row in fresh.items() if one != name}
        # 7: covers.
        cover = self.drawn[name].cover
        for one, row in others.items():
            gone = row.state in AWAY and not row.written_off
            if gone and cover and self.drawn[one].cover == cover:
                raise Broken(f"7: {name} is sent while {one} of its cover is {row.state}")
        if now.direction != "forward":
            self._may_go_back(name, others, fresh)
            return
        # 2: earlier waves.
        for wave in self.waves[: now.wave]:
            for one in wave:
                row = fresh[one]
                if row.state not in DONE and not row.written_off:
                    raise Broken(f"2: {name} is sent while {one} of an earlier wave is {row.state}")
        # 7: carriers.
        off = [o for o, r in others.items() if r.state in AWAY and not r.written_off]
        for one in off:
            if self.drawn[one].feeds or self.drawn[name].feeds:
                raise Broken(f"7: {name} and {one} are away together, and one feeds the network")
        for fed in [one for one in self.drawn[name].feeds if one in fresh]:
            row = fresh[fed]
            if row.state not in DONE and not row.written_off:
                raise Broken(f"7: {name} goes before {fed}, which it feeds")
        # 8: exposure.
        total = sum(self._rate(one, fresh) for one in [*off, name])
        if off and total > self.scenario.stranded + 1e-6:
            raise Broken(f"8: {name} with {off}: exposure {total:.3f}")
        # 9: reach.
        twins = [
            one
            for one, drawn in self.drawn.items()
            if (drawn.family, drawn.firmware)
            == (self.drawn[name].family, self.drawn[name].firmware)
            and not drawn.feeds
        ]
        mine = RANK[self.drawn[name].reach]
        easier = [one for one in twins if RANK[self.drawn[one].reach] < mine]
        if easier and not any(fresh[one].state == "settled" for one in easier):
            raise Broken(f"9: {name} goes before any easier twin has proved the move")

    def _may_go_back(self, name: str, others: dict[str, Seen], fresh: dict[str, Seen]) -> None:
        """7 and 8 on the way back, of those that were sent it."""
        off = [o for o in self.sent_back & others.keys() if not others[o].written_off]
        for one in off:
            if fresh[one].state in AWAY and (self.drawn[one].feeds or self.drawn[name].feeds):
                raise Broken(f"7: {name} and {one} are away together, and one feeds the network")
        under_way = [o for o in off if fresh[o].state in ("sending", "away", "seen")]
        if under_way and not any(row.state == "restored" for row in fresh.values()):
            raise Broken(f"8: {name} and {under_way} are taken back, and none has been before")
        self.sent_back.add(name)

    def _rate(self, name: str, fresh: dict[str, Seen]) -> float:
        """Clopper and Pearson 1934: the rate p at which so few faults have a chance of 1 - c."""
        family = self.drawn[name].family
        returns = faults = 0
        for one, row in fresh.items():
            if self.drawn[one].family == family:
                returns += row.state == "settled" and row.sent_at is not None
                faults += self.faults[one]
                faults += row.direction == "forward" and row.state in ("returned", "adrift")
        trials, c = returns + faults, self.scenario.confidence
        if faults == trials:
            return 1.0
        low, high = 0.0, 1.0
        for _ in range(60):
            p = (low + high) / 2
            chance = sum(
                comb(trials, k) * p**k * (1 - p) ** (trials - k) for k in range(faults + 1)
            )
            low, high = (p, high) if chance > 1 - c else (low, p)
        return low

    def _way_back_is_right(self, name: str, bundle: dict[str, Any]) -> None:
        first = self.first[name]
        plain = {
            "wifi.ssid": first.wifi_name,
            "broker.host": first.broker_host,
            "broker.port": first.broker_port,
            "broker.username": first.broker_user,
            "group.topic": first.group,
        }
        for setting, value in bundle.items():
            if setting in plain and value != plain[setting]:
                raise Broken(f"12: the way back of {name} has {setting} {value!r}")

    def _soaked(self, name: str, wanted: Store) -> None:
        """6: it was found right for the soak, by its own answers."""
        if name in self.touched:
            return
        unit, now = self.house.units[name], self.house.loop.time()
        if _bare(unit.store) != _bare(wanted):
            raise Broken(f"6: {name} counts as arrived with {unit.store} instead of {wanted}")
        since, target = None, self._side_of(name, wanted)
        for when, side, stored in reversed(self.reads[name]):
            if side not in target or stored is None or _bare(stored) != _bare(wanted):
                break
            since = when
        # The answer was on its way for a moment.
        slack = self.scenario.reply
        if since is None or now - since < self.scenario.soak - 1e-6:
            span = None if since is None else now - since
            raise Broken(f"6: {name} counts as arrived, well for {span} s only")
        if now - self.reads[name][-1][0] > slack + self.scenario.weather.lateness:
            raise Broken(f"6: {name} counts as arrived, last heard too long ago")

    def _side_of(self, name: str, wanted: Store) -> tuple[str, ...]:
        """Sides on which a unit with these settings must be found, as far as they differ."""
        side = "new" if wanted == self.target(name) else "old"
        tells = "wifi" in self.scenario.change or (
            "broker" in self.scenario.change and self.drawn[name].via == "mqtt"
        )
        return (side,) if tells else ("old", "new")

    # What leaves, and what units do

    def _happened(self, what: str, who: str) -> None:
        if what == "took settings":
            self._took(self.house.units[who])
        elif what == "told its settings":
            self._served(self.house.units[who])

    def _served(self, unit: VirtualUnit) -> None:
        """It has answered a read: where it was then, and what was in force."""
        side = self.house.where(unit.name)
        stored = unit.store if _bare(unit.store) == _bare(unit.running) else None
        self.reads[unit.name].append((self.house.loop.time(), side, stored))

    def _took(self, unit: VirtualUnit) -> None:
        """3, 4: whole bundles only, unchanged. 1, 5: and only what the disk tells of."""
        name = unit.name
        if name in self.touched:
            return
        if _bare(unit.store) not in (_bare(self.target(name)), _bare(self.first[name])):
            raise Broken(f"3: {name} holds neither the one bundle nor the other: {unit.store}")
        row = self._all("SELECT sent_at, given FROM device WHERE name = ?", name)
        if not row or row[0][0] is None or row[0][1] is None:
            raise Broken(f"1: {name} took settings, and the disk knows of no intent")
        secret = [one for one in SECRETS.values() if one in row[0][1]]
        if secret:
            raise Broken(f"10: the journal holds a secret of {name}")

    # At the end

    def accounted_for(self) -> None:
        """5: each device is what the journal says; 12: after a way back, as it was before."""
        for name, row in self.rows().items():
            if name in self.touched:
                continue
            unit = self.house.units[name]
            new = _bare(unit.store) == _bare(self.target(name))
            old = _bare(unit.store) == _bare(self.first[name])
            fits = {
                ("forward", "settled"): new,
                ("back", "restored"): old,
                ("forward", "waiting"): old,
                # Delivered twice, it may have been declined once and taken once.
                ("forward", "declined"): old or (new and self.scenario.weather.twice > 0),
                ("back", "declined"): new or old,
                ("back", "waiting"): new or old,
            }.get((row.direction, row.state), (new or old) and row.given is not None)
            if not fits:
                raise Broken(f"5: {name} is {row.state} ({row.direction}); it holds {unit.store}")


def _bare(store: Store) -> Store:
    """What a bundle can change."""
    return replace(store, pending=frozenset(), output=True)


def kind_of(family: str, method: str, target: str, body: bytes) -> str:
    """What a request asks for, by the families' manuals: read, restart or settings."""
    if family == "larch":
        return "read" if method in ("GET", "show") else "settings"
    if family == "rowan":
        called = json.loads(body).get("method")
        return {"settings.show": "read", "unit.restart": "restart"}.get(called, "settings")
    said = unquote(target.partition("say=")[2]) if target else body.decode("ascii", "replace")
    return {"report": "read", "restart": "restart"}.get(said.strip(), "settings")
