"""Campaigns made up for the views, from the pure types: nothing of a store is needed for them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from migrate.engine.campaign import CampaignScene, scene_of
from migrate.model.campaign import SitePace
from migrate.model.lifecycle import Direction, State
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import (
    DeviceAccount,
    Kind,
    SiteAccount,
    SiteLeg,
    SiteTwin,
)
from migrate.planning.campaign.look import Look, SiteSign, Wanted
from migrate.planning.campaign.plan import CampaignPlan, PlannedSite, freeze_campaign
from migrate.planning.campaign.standing import Errand, Phase
from migrate.planning.campaign.turn import expected_waves
from migrate.planning.plan import Source
from migrate.views.campaign.status import campaign_advice

NOW = 1_795_662_000.0
"""Seconds since 1970: 26 November 2026, 03:00 UTC."""
DEVICES = ("hall-lamp", "porch-light", "cellar-pump", "freezer-plug", "loft-gauge", "door-relay")
S = State
PLAN = "campaign.plan.json"
"""As it is typed."""


def digest(words: str) -> str:
    """Of some words, as a digest looks."""
    return hashlib.sha256(words.encode()).hexdigest()


def site(name: str, devices: int = 6, legs: int = 1, **more: Any) -> PlannedSite:
    """A site; `flip`: somebody changes its access point before its last leg."""
    flip, dialect = more.pop("flip", False), more.pop("dialect", "larch")
    made = tuple(
        SiteLeg(
            digest=digest(f"{name} {number}"),
            devices=devices,
            waves=3,
            after_flip=flip and number == legs - 1,
        )
        for number in range(legs)
    )
    twins = (SiteTwin(dialect=dialect, digest=digest(dialect), firmware="2.1", devices=devices),)
    return PlannedSite(name=name, legs=made, twins=twins, **more)


def campaign(*sites: PlannedSite, title: str = "autumn change", **pace: Any) -> CampaignPlan:
    """A frozen campaign of these sites."""
    draft = CampaignPlan(
        tool="0.1.0",
        title=title,
        created="2026-11-26T01:00:00+00:00",
        source=Source(path="campaign.toml", sha256=digest("campaign")),
        pace=SitePace(**pace),
        sites=sites,
    )
    return freeze_campaign(draft, *expected_waves(draft))


def many(number: int = 1000, devices: int = 40) -> CampaignPlan:
    """So many sites of so many devices, without the time that planning them takes."""
    one = site("home-0", devices)
    sites = tuple(one.model_copy(update={"name": f"home-{n}"}) for n in range(number))
    return campaign(*sites)


def devices(
    states: Iterable[State] | Mapping[str, State],
    direction: Direction = Direction.FORWARD,
    off: Sequence[str] = (),
) -> tuple[DeviceAccount, ...]:
    """Devices in these states; with names of DEVICES, or their own."""
    named = states if isinstance(states, Mapping) else dict(zip(DEVICES, states, strict=False))
    return tuple(
        DeviceAccount(
            name=name,
            state=state,
            direction=direction,
            written_off=name in off,
            sent=state is not State.WAITING,
        )
        for name, state in named.items()
    )


def account(
    exit_: Exit,
    states: Iterable[State] | Mapping[str, State] = (),
    *,
    off: Sequence[str] = (),
    direction: Direction = Direction.FORWARD,
    **more: Any,
) -> SiteAccount:
    """What an errand came to."""
    made = devices(states, direction, off)
    began = any(one.sent for one in made)
    return SiteAccount(exit=exit_, devices=made, **{"began": began, **more})


def commands(scene: CampaignScene) -> list[str]:
    """What is advised, as it is typed."""
    return [one.command for one in campaign_advice(scene, PLAN)]


class Scenes:
    """Makes scenes of one campaign: errands and signs are put in, then looked at."""

    def __init__(self, plan: CampaignPlan, at: float = NOW) -> None:
        self.plan, self.at = plan, at
        self.wanted: Wanted = "run"
        self.errands: dict[str, list[Errand]] = {}
        self.signs = {one.name: SiteSign(at - 4, "0.1.0") for one in plan.sites}

    def errand(
        self,
        name: str,
        phase: Phase,
        told: SiteAccount | None = None,
        kind: Kind = "move",
        times: tuple[float | None, float | None, float | None] = (None, None, None),
    ) -> None:
        """One more for a site. `times`: asked, taken, ended, in seconds from now."""
        mine = self.errands.setdefault(name, [])
        attempt = sum(one.kind == kind for one in mine) + 1
        asked, taken, ended = (None if one is None else self.at + one for one in times)
        assert kind != "plan"
        key = f"{name}/{kind}/{attempt}"
        mine.append(Errand(key, kind, attempt, phase, told, asked, taken, ended))

    def moved(self, *names: str, off: Sequence[str] = ()) -> None:
        """Sites at which every device is there, but for those written off."""
        for name in names:
            states = [S.ADRIFT if one in off else S.SETTLED for one in DEVICES]
            told = account(Exit.DONE, states, off=off)
            self.errand(name, "done", told, times=(-900, -890, -300))

    def under_way(
        self, name: str, *states: State, silent: float = 4.0, kind: Kind = "move"
    ) -> None:
        """A site at work, whose worker tells how far it is."""
        self.errand(name, "taken", kind=kind, times=(-200, -190, None))
        way = Direction.FORWARD if kind == "move" else Direction.BACK
        picture = account(Exit.DONE, states, direction=way) if states else None
        key = self.errands[name][-1].key
        self.signs[name] = SiteSign(self.at - silent, "0.1.0", key, picture)

    def held(self, name: str, *states: State, **more: Any) -> None:
        """A site that waits for the owner."""
        told = account(Exit.HELD, states, **more)
        self.errand(name, "done", told, times=(-1900, -1890, -1200))

    def silent(self, name: str, seconds: float | None) -> None:
        """Its worker was heard of so long ago, or never."""
        if seconds is None:
            del self.signs[name]
        else:
            self.signs[name] = replace(self.signs[name], heard_at=self.at - seconds)

    @property
    def scene(self) -> CampaignScene:
        """What there is to see of it."""
        errands = {name: tuple(mine) for name, mine in self.errands.items()}
        return scene_of(self.plan, Look(self.at, self.wanted, errands, dict(self.signs)))


def mixed() -> Scenes:
    """A campaign with something of everything."""
    scenes = Scenes(
        campaign(
            site("alder"),
            site("birch"),
            site("cedar"),
            site("dogwood", legs=2, flip=True),
            site("elder", after=("cedar",)),
            site("fir"),
            site("gorse"),
            site("hazel"),
            held_at_most=5,
        )
    )
    scenes.moved("alder")
    scenes.under_way("birch", S.SETTLED, S.SETTLED, S.AWAY, S.WAITING, S.WAITING, S.WAITING)
    scenes.held("cedar", S.SETTLED, S.DECLINED, S.ADRIFT, S.WAITING, S.WAITING, S.RETURNED)
    scenes.held("dogwood", *[S.SETTLED] * 6, flip=True, leg=2, of=2)
    scenes.under_way("fir", S.AWAY, silent=185)
    refused = account(Exit.CHANGED)
    scenes.errand("gorse", "done", refused, times=(-600, -590, -588))
    scenes.silent("hazel", None)
    return scenes


def large(number: int = 1000, devices_: int = 40) -> Scenes:
    """Half of the sites are moved, some are under way, a few are held."""
    scenes = Scenes(many(number, devices_))
    names = [f"lamp-{n}" for n in range(devices_)]
    done = account(Exit.DONE, dict.fromkeys(names, S.SETTLED))
    amiss = account(Exit.HELD, {**dict.fromkeys(names, S.SETTLED), names[0]: S.ADRIFT})
    for number, one in enumerate(scenes.plan.sites):
        began = -40_000.0 + number * 30
        times = (began, began + 3, began + 900)
        if number < len(scenes.plan.sites) // 2:
            told = amiss if number % 100 == 7 else done
            told = told.model_copy()  # each its own, as they are from a store
            scenes.errand(one.name, "done", told, times=times)
        elif number < len(scenes.plan.sites) * 11 // 20:
            scenes.under_way(one.name)
            picture = account(Exit.DONE, dict.fromkeys(names, S.AWAY))
            sign = scenes.signs[one.name]
            scenes.signs[one.name] = replace(sign, picture=picture)
    return scenes
