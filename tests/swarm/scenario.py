"""What a seed stands for: a house, a change, the owner's files, and what will go wrong.

Swarm testing (Groce and others, ISSTA 2012): each story has only some of the mishaps, chosen anew,
since a little of everything hides what much of one thing would show.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from ipaddress import IPv4Network
from random import Random
from typing import Literal

from migrate.lab.firmware.base import Store
from migrate.virtual.chance import FAIR, Weather
from migrate.virtual.unit import Flaws

Change = Literal["wifi", "broker", "group"]
CHANGES: tuple[tuple[Change, ...], ...] = (
    ("wifi",),
    ("broker",),
    ("group",),
    ("wifi", "broker"),
    ("wifi", "broker", "group"),
)
OLD_NET, NEW_NET = IPv4Network("192.0.2.0/24"), IPv4Network("198.51.100.0/24")
SECRETS = {
    "OLD_WIFI": "canary old quay + 7%",
    "NEW_WIFI": 'canary new "quay" = 9',
    "OLD_BROKER": "canary-old-broker-41",
    "NEW_BROKER": "canary-new-broker-52",
}
"""Canaries, RFC 5737 addresses, made-up names: nothing here is anybody's."""
MISHAPS = ("lost", "deaf", "unheard", "late", "twice", "garbled")
FLAWS = ("declines", "reverts", "slow", "lost", "flaps", "moves", "swaps", "stale", "impostor")


@dataclass(frozen=True)
class Drawn:
    """One device as it was drawn."""

    name: str
    family: str
    via: str
    mac: str
    firmware: str
    reach: str
    cover: str
    feeds: tuple[str, ...]
    age: float
    flaws: Flaws
    wakes: float | None = None
    awake: float = 8.0
    cleanly: bool = True
    quiet: tuple[str, ...] = ()


@dataclass(frozen=True)
class Scenario:
    """Everything that is decided before the story begins. Times are seconds of virtual time."""

    seed: int
    change: tuple[Change, ...]
    devices: tuple[Drawn, ...]
    soak: float
    least: float
    most: float
    reply: float
    look: float
    stranded: int
    confidence: float
    widest: int
    on_fault: str
    presence: bool
    weather: Weather
    calm_at: float
    events: tuple[tuple[float, str, float], ...]
    cuts: dict[int, str] = field(default_factory=dict)
    disk: tuple[tuple[int, int, str], ...] = ()
    more_flaws: bool = True
    forward_only: bool = False
    new_ssid: str = "quay-new"
    accept: int | None = None
    """Devices that may be stranded by one step for all."""
    habit: str = ""

    @property
    def switches(self) -> bool:
        """Whether one access point changes its passphrase and keeps its name."""
        return self.new_ssid == "quay-old"

    @property
    def joined(self) -> bool:
        """Whether everything is asked for in one bundle."""
        return len(self.change) > 1 or self.accept is not None

    def fleet(self) -> str:
        """The owner's fleet file."""
        return "\n".join(self._fleet_lines()) + "\n"

    def playbook(self) -> str:
        """The owner's playbook."""
        return "\n".join(self._playbook_lines()) + "\n"

    def _fleet_lines(self) -> Iterator[str]:
        for number, device in enumerate(self.devices):
            yield "[[device]]"
            yield f'name = "{device.name}"\nmac = "{device.mac}"\ndialect = "{device.family}"'
            yield f'firmware = "{device.firmware}"\nvia = "{device.via}"\nreach = "{device.reach}"'
            yield f'topic = "t{number}"'
            if device.via == "http":
                yield f'address = "{OLD_NET[20 + number]}"'
            if device.wakes is not None:
                yield f"wakes_seconds = {device.wakes}"
            if device.quiet:
                yield "quiet = [" + ", ".join(f'"{span}"' for span in device.quiet) + "]"
            if device.cover:
                yield f'cover = "{device.cover}"'
            if device.feeds:
                fed = ", ".join(f'"{one}"' for one in device.feeds)
                yield f"feeds = [{fed}]"

    def _playbook_lines(self) -> Iterator[str]:
        yield 'title = "a story"'
        if self.joined:
            yield 'legs = "joined"'
        if "wifi" in self.change:
            yield f'[wifi]\nssid = "{self.new_ssid}"\nsecret = {{ env = "NEW_WIFI" }}'
        if "broker" in self.change:
            yield '[broker]\nhost = "broker.new.test"\nport = 1884\nusername = "house"'
            yield 'password = { env = "NEW_BROKER" }'
        if "group" in self.change:
            yield '[group]\ntopic = "new-group"'
        yield f'[old]\nsubnet = "{OLD_NET}"\nleases = "leases-old"'
        yield 'wifi = { ssid = "quay-old", secret = { env = "OLD_WIFI" } }'
        yield 'group = { topic = "old-group" }'
        carriers = ", ".join(f'"{one.name}"' for one in self.devices if one.feeds)
        yield f"feeds_own_way_back = [{carriers}]"
        yield '[old.broker]\nhost = "broker.old.test"\nport = 1883\nusername = "house"'
        yield 'password = { env = "OLD_BROKER" }'
        if "wifi" in self.change and not self.switches:
            yield f'[new]\nsubnet = "{NEW_NET}"\nleases = "leases-new"'
        yield f"[pace]\nstranded_at_most = {self.stranded}\nconfidence = {self.confidence}"
        yield f"widest_wave = {self.widest}\nsoak_seconds = {self.soak}"
        yield f"deadline_seconds = {{ least = {self.least}, most = {self.most} }}"
        yield f"reply_seconds = {self.reply}\nlook_seconds = {self.look}"
        yield f'[gate]\non_fault = "{self.on_fault}"'
        yield f"[proof]\npresence = {str(self.presence).lower()}"
        if self.accept is not None:
            yield f"[switchover]\naccept_stranded = {self.accept}"

    @property
    def first_store(self) -> Store:
        """What every unit holds when the story begins."""
        return Store(
            wifi_name="quay-old",
            wifi_key=SECRETS["OLD_WIFI"],
            broker_host="broker.old.test",
            broker_port=1883,
            broker_user="house",
            broker_password=SECRETS["OLD_BROKER"],
            group="old-group",
        )


def draw(seed: int) -> Scenario:
    """The scenario of a seed; the same one every time."""
    random = Random(seed)  # noqa: S311
    change = random.choice(CHANGES)
    devices = tuple(_devices(random))
    least = random.choice([15.0, 25.0])
    heavy = random.random() < 0.5
    weather = {
        kind: random.uniform(0.02, 0.2 if heavy else 0.06)
        for kind in MISHAPS
        if random.random() < 0.4
    }
    cuts: dict[int, str] = {}
    for _ in range(random.choice([0, 0, 1, 1, 2, 4])):
        cuts[random.randrange(1, 60 * len(devices))] = random.choice(
            ["cut", "cut", "cut", "stop", "interrupt"]
        )
    disk = []
    for _ in range(random.choice([0, 0, 0, 1, 2])):
        first = random.randrange(1, 30 * len(devices))
        disk.append(
            (first, first + random.choice([1, 1, 3, 12]), random.choice(["full", "broken"]))
        )
    return Scenario(
        seed=seed,
        change=change,
        devices=devices,
        soak=random.choice([4.0, 10.0]),
        least=least,
        most=least * random.choice([2, 3]),
        reply=random.choice([2.0, 4.0]),
        look=random.choice([1.0, 2.0]),
        stranded=random.choice([1, 1, 2, 3, 10]),
        confidence=random.choice([0.6, 0.8, 0.95]),
        widest=random.choice([2, 4, 100]),
        on_fault=random.choice(["hold", "hold", "roll-back-wave", "roll-back-all"]),
        presence=random.random() < 0.2,
        weather=Weather(**weather, latency=random.choice([0.05, 0.3])),
        calm_at=random.choice([100.0, 200.0, 400.0]),
        events=tuple(_events(random, devices)),
        cuts=cuts,
        disk=tuple(disk),
    )


def quiet(seed: int) -> Scenario:
    """The same house and change in which nothing goes wrong of itself."""
    drawn = draw(seed)
    return replace(
        drawn,
        devices=tuple(replace(one, flaws=Flaws()) for one in drawn.devices),
        weather=FAIR,
        events=(),
        cuts={},
        disk=(),
        calm_at=1e9,
        more_flaws=False,
    )


def _devices(random: Random) -> Iterator[Drawn]:
    count = random.choice([1, 2, 3, 3, 4, 4, 5, 6, 8])
    families = random.sample(["larch", "rowan", "sedge"], random.choice([1, 2, 3]))
    ways = random.choice([("http",), ("mqtt",), ("http", "mqtt")])
    kinds = [kind for kind in FLAWS if random.random() < 0.3]
    covers = random.random() < 0.4
    carrier = random.random() < 0.3 and count > 2
    often = random.choice([0.2, 0.5])
    for number in range(count):
        flaws = Flaws(slow_by=random.choice([10.0, 40.0, 120.0]), flap_after=random.uniform(0, 9))
        for kind in kinds:
            if random.random() < often:
                setattr(flaws, kind, random.choice([1, 1, 2, 4]))
        feeds = (
            (f"device-{random.randrange(count - 1)}",) if carrier and number == count - 1 else ()
        )
        yield Drawn(
            name=f"device-{number}",
            family=random.choice(families),
            via=random.choice(ways),
            mac=f"00-00-5E-00-53-{number:02X}",
            firmware="1.0",
            reach="table" if feeds else random.choice(["table", "table", "ladder", "tools"]),
            cover=random.choice(["", "stairs"]) if covers and not feeds else "",
            feeds=feeds,
            age=random.choice([5.0, 300.0, 86400.0]),
            flaws=flaws,
        )


def _events(random: Random, devices: tuple[Drawn, ...]) -> Iterator[tuple[float, str, float]]:
    """At which time what befalls the house, and for how many seconds (or by how many)."""
    for _ in range(random.choice([0, 0, 1, 2])):
        what = random.choice(["blackout old", "blackout new"])
        yield random.uniform(0, 120), what, random.uniform(2, 40)
    for _ in range(random.choice([0, 0, 1, 2])):
        what = random.choice(["broker old", "broker new"])
        yield random.uniform(0, 120), what, random.uniform(0.5, 20)
    for _ in range(random.choice([0, 0, 1, 2])):
        one = random.choice(devices).name
        yield random.uniform(0, 120), f"power {one}", random.uniform(0.5, 30)
    for _ in range(random.choice([0, 0, 0, 1])):
        yield random.uniform(0, 120), f"hand {random.choice(devices).name}", 0.0
    for _ in range(random.choice([0, 0, 0, 1, 2])):
        yield random.uniform(0, 120), "clock", random.choice([-86400.0, -60.0, 60.0, 86400.0])
