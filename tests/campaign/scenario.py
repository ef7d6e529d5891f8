"""What a seed stands for: sites, what comes after what, how many at once, and what will go wrong.

What is wrong with a site's devices or files is wrong from the first moment until the owner sees to
it, so that what it comes to does not hang on when something was killed: `fair` is the same
campaign without kills, cut lines and late workers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from random import Random
from typing import Literal

from migrate.model.campaign import SitePace
from migrate.virtual.chance import Weather
from migrate.virtual.unit import Flaws
from tests.swarm.scenario import Change, Drawn, Scenario, quiet

NAMES = (
    "alder", "birch", "cedar", "dogwood", "elm", "fir", "ginkgo", "hazel", "ivy", "juniper",
    "katsura", "linden", "maple", "nutmeg", "oak", "pine",
)  # fmt: skip
Wrong = Literal["", "declines", "lost", "reverts", "files"]
"""What is wrong at a site: a device says no, never comes back, comes back as it was; or its files
were changed after the plan was frozen."""
CHANGES: tuple[tuple[Change, ...], ...] = (
    ("wifi",),
    ("broker",),
    ("wifi", "broker"),
    ("wifi", "group"),
    ("broker", "group"),
)
STEPS = ("taken", "leg done", "leg kept", "all done", "ended")
"""Of a worker, between two words to the store."""


class InLegs(Scenario):
    """A change that is asked for as its owner would ask, and so may have several legs."""

    @property
    def joined(self) -> bool:
        """Not by order."""
        return False


@dataclass(frozen=True)
class DrawnSite:
    """One site. `kills`: steps of its conductor's, counted over all its processes, at which its
    worker is killed; `killed_at`: seconds at which it is as well; `killed_between`: steps of the
    worker's own; `cuts`: when its line is cut, and for how long; `late`: seconds until its worker
    is first started."""

    name: str
    scenario: Scenario
    after: tuple[str, ...] = ()
    travel: int = 0
    wrong: Wrong = ""
    kills: tuple[int, ...] = ()
    killed_at: tuple[float, ...] = ()
    killed_between: tuple[str, ...] = ()
    cuts: tuple[tuple[float, float], ...] = ()
    late: float = 0.0


@dataclass(frozen=True)
class DrawnCampaign:
    """A campaign. `coordinator_killed`, `coordinator_cut`: when, and for the latter how long;
    `rivals`: when somebody else starts a second coordinator; `stops`: when the owner has it
    stopped; `then`: what the owner does when all has been done that could be."""

    seed: int
    sites: tuple[DrawnSite, ...]
    pace: SitePace
    coordinator_killed: tuple[float, ...] = ()
    coordinator_cut: tuple[tuple[float, float], ...] = ()
    rivals: tuple[float, ...] = ()
    stops: tuple[float, ...] = ()
    then: Literal["nothing", "mend", "back"] = "nothing"

    @property
    def by_name(self) -> dict[str, DrawnSite]:
        """The sites by name."""
        return {site.name: site for site in self.sites}

    @property
    def fair(self) -> DrawnCampaign:
        """The same, and nobody is killed, late, cut off or stopped."""
        sites = tuple(
            replace(site, kills=(), killed_at=(), killed_between=(), cuts=(), late=0.0)
            for site in self.sites
        )
        nothing = {"coordinator_killed": (), "coordinator_cut": (), "rivals": (), "stops": ()}
        return replace(self, sites=sites, **nothing)  # type: ignore[arg-type]

    def ends(self, also: frozenset[str] = frozenset()) -> tuple[set[str], set[str], set[str]]:
        """Which sites come to be moved, held and refused, if held ones keep back only those that
        come after them. Every other one never begins. `also`: sites that are held as well."""
        held = {s.name for s in self.sites if s.wrong not in ("", "files")} | also
        refused = {s.name for s in self.sites if s.wrong == "files"}
        kept = held | refused
        for _ in self.sites:
            kept |= {s.name for s in self.sites if kept & set(s.after)}
        begun = {s.name for s in self.sites if not (set(s.after) & kept)}
        return {s.name for s in self.sites} - kept, held & begun, refused & begun


def draw(seed: int) -> DrawnCampaign:
    """The campaign of a seed; the same one every time."""
    random = Random(f"campaign {seed}")  # noqa: S311
    count = random.randint(5, 12)
    trouble = random.choice([0.0, 0.5, 1.0])
    versions = random.choice([("1.0",), ("1.0", "1.1"), ("1.0", "1.1", "2.0")])
    wrong = random.choice([0.0, 0.15, 0.3])
    names = random.sample(NAMES, count)
    sites: list[DrawnSite] = []
    for name in names:
        sites.append(_site(random, name, sites, versions, wrong, trouble))
    random.shuffle(sites)
    span = 60.0 * count
    often = [0, 0, 1, 2, 4] if trouble else [0]
    wait = random.choice([None, None, None, 1, 2])
    return DrawnCampaign(
        seed=seed,
        sites=tuple(sites),
        pace=SitePace(
            held_at_most=random.choice([1, 1, 2, 3]),
            confidence=random.choice([0.6, 0.8, 0.95]),
            most_at_once=random.choice([2, 3, 50]),
            wait_when_held=wait,
        ),
        coordinator_killed=tuple(_times(random, random.choice(often), span)),
        coordinator_cut=tuple(
            (at, random.choice([2.0, 20.0, 90.0]))
            for at in _times(random, random.choice(often) // 2, span)
        ),
        rivals=tuple(_times(random, random.choice(often) // 2, span)),
        stops=tuple(_times(random, random.choice([0, 0, 1]) if trouble else 0, span / 2)),
        then=random.choice(["nothing", "mend", "mend", "back"]),
    )


def _site(
    random: Random,
    name: str,
    before: list[DrawnSite],
    versions: tuple[str, ...],
    wrong: float,
    trouble: float,
) -> DrawnSite:
    many = [number for number in (0, 0, 0, 1, 2) if number <= len(before)]
    what: Wrong = ""
    if random.random() < wrong:
        what = random.choice(["declines", "lost", "reverts", "files"])
    scenario = _scenario(random, versions, what)
    kills: tuple[int, ...] = ()
    times: list[float] = []
    between: list[str] = []
    cuts: list[tuple[float, float]] = []
    if random.random() < trouble:
        most = 30 * len(scenario.devices)
        kills = tuple(random.randrange(1, most) for _ in range(random.choice([0, 1, 1, 3])))
        times = list(_times(random, random.choice([0, 0, 1, 2]), 600))
        between = random.sample(STEPS, random.choice([0, 0, 1, 2]))
        cuts = [
            (at, random.choice([5.0, 30.0, 120.0, 400.0]))
            for at in _times(random, random.choice([0, 0, 1, 2]), 600)
        ]
    return DrawnSite(
        name=name,
        scenario=scenario,
        after=tuple(random.sample([site.name for site in before], random.choice(many))),
        travel=random.choice([0, 10, 60]),
        wrong=what,
        kills=kills,
        killed_at=tuple(times),
        killed_between=tuple(between),
        cuts=tuple(cuts),
        late=random.choice([0.0, 0.0, 0.0, 90.0]) if trouble else 0.0,
    )


def _scenario(random: Random, versions: tuple[str, ...], wrong: Wrong) -> Scenario:
    families = random.sample(["larch", "rowan", "sedge"], random.choice([1, 1, 2]))
    version = random.choice(versions)
    ways = random.choice([("http",), ("mqtt",), ("http", "mqtt")])
    devices = [
        device(number, random.choice(families), random.choice(ways), version)
        for number in range(random.randint(3, 6))
    ]
    if wrong not in ("", "files"):
        number = random.randrange(len(devices))
        flaws = Flaws(**{wrong: 10_000})
        devices[number] = replace(devices[number], flaws=flaws)
    return setting(
        devices,
        random.choice(CHANGES),
        stranded=random.choice([1, 2, 10]),
        confidence=random.choice([0.6, 0.8]),
    )


def device(number: int, family: str, via: str, version: str = "1.0") -> Drawn:
    """A device that has been up for a day, with nothing wrong."""
    return Drawn(
        name=f"device-{number}",
        family=family,
        via=via,
        mac=f"00-00-5E-00-53-{number:02X}",
        firmware=version,
        reach="table",
        cover="",
        feeds=(),
        age=86400.0,
        flaws=Flaws(),
    )


def setting(
    devices: list[Drawn],
    change: tuple[Change, ...],
    *,
    stranded: int,
    confidence: float,
    soak: float = 4.0,
) -> Scenario:
    """A house of these devices in which nothing goes wrong of itself."""
    plain = quiet(0)
    fields = {name: getattr(plain, name) for name in Scenario.__dataclass_fields__}
    fields |= {
        "devices": tuple(devices),
        "change": change,
        "soak": soak,
        "least": 15.0,
        "most": 40.0,
        "reply": 2.0,
        "look": 1.0,
        "stranded": stranded,
        "confidence": confidence,
        "widest": 100,
        "on_fault": "hold",
        "presence": False,
        "weather": Weather(latency=0.1),
    }
    return (Scenario if "wifi" in change and "broker" in change else InLegs)(**fields)


def _times(random: Random, count: int, span: float) -> Iterator[float]:
    for _ in range(count):
        yield random.uniform(0, span)
