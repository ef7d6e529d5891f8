"""Fleets, playbooks and plans that the tests of planning and journal share."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import Any

import pytest
from hypothesis import strategies as st

from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device, Fleet, Reach
from migrate.model.playbook import Pace, Playbook
from migrate.model.problems import Problem, Refused
from migrate.model.secrets import Secret, SecretRef
from migrate.planning.exposure import Evidence, Twin, fits, rate
from migrate.planning.gates import Standing
from migrate.planning.make import make_plan
from migrate.planning.plan import Plan, Source, Sources
from migrate.planning.waves import NETWORK_PARTS
from tests.dialects.samples import Change, shipped
from tests.model.helpers import playbook_of

NEW, OLD, BROKER = "quagmire xylophone", "former zeppelin", "broker kumquat"
CANARIES = {"NEW_WIFI": NEW, "OLD_WIFI": OLD, "NEW_BROKER": BROKER}
OLD_NET = 'subnet = "192.0.2.0/24"\nleases = "old.leases"\n'
NEW_NET = '[new]\nsubnet = "198.51.100.0/24"\nleases = "new.leases"\n'
WIFI = '[wifi]\nssid = "loft"\nsecret = { env = "NEW_WIFI" }\n'
OLD_WIFI = 'wifi = { ssid = "attic", secret = { env = "OLD_WIFI" } }\n'
NEW_BROKER = (
    '[broker]\nhost = "198.51.100.2"\nusername = "house"\npassword = { env = "NEW_BROKER" }\n'
)
OLD_BROKER = 'broker = { host = "192.0.2.2" }\n'
WHOLE = (
    f"{WIFI}{NEW_BROKER}[group]\ntopic = 'house'\n[old]\n{OLD_NET}{OLD_WIFI}{OLD_BROKER}{NEW_NET}"
)


@cache
def dialects() -> Mapping[str, Dialect]:
    return {name: shipped(name) for name in ("larch", "rowan", "sedge")}


def mac(number: int) -> str:
    """RFC 7042 documentation range for 256 devices; beyond that locally administered."""
    if number < 256:
        return f"00-00-5E-00-53-{number:02X}"
    return f"02-00-5E-{number >> 16:02X}-{number >> 8 & 255:02X}-{number & 255:02X}"


def device(name: str = "lamp", number: int = 1, **more: Any) -> Device:
    keys: dict[str, Any] = {
        "name": name,
        "mac": mac(number),
        "dialect": "larch",
        "topic": name,
        "address": f"192.0.2.{number % 250 + 1}",
        **more,
    }
    return Device.model_validate(keys)


def fleet(*devices: Device) -> Fleet:
    return Fleet(device=devices)


def resolver(**secrets: str) -> Callable[[SecretRef], Secret]:
    known = CANARIES | secrets
    return lambda ref: Secret(known[ref.env or ""])


def sources(names: Iterable[str] = ("larch", "rowan", "sedge")) -> Sources:
    def source(path: str) -> Source:
        return Source(path=path, sha256=hashlib.sha256(path.encode()).hexdigest())

    return Sources(
        fleet=source("fleet.toml"),
        playbook=source("playbook.toml"),
        dialects={name: source(f"{name}.toml") for name in names},
    )


def plan_of(
    devices: Iterable[Device],
    playbook: str | Playbook = WHOLE,
    resolve: Callable[[SecretRef], Secret] | None = None,
    own: Mapping[str, Dialect] | None = None,
    *,
    accepts_carriers: bool = True,
) -> Plan:
    """A plan; its owner accepts every carrier that feeds its own way back, unless told not to."""
    devices = tuple(devices)
    change = playbook_of(playbook) if isinstance(playbook, str) else playbook
    if accepts_carriers:
        names = tuple(one.name for one in devices if one.carrier)
        old = change.old.model_copy(update={"feeds_own_way_back": names})
        change = change.model_copy(update={"old": old})
    return make_plan(
        fleet(*devices),
        change,
        {**dialects(), **(own or {})},
        resolve or resolver(),
        sources(),
        created="2026-01-01T00:00:00+00:00",
        tool="migrate 0",
    )


def refused(
    devices: Iterable[Device],
    playbook: str | Playbook = WHOLE,
    resolve: Callable[[SecretRef], Secret] | None = None,
    own: Mapping[str, Dialect] | None = None,
) -> tuple[Problem, ...]:
    """The problems of a refused plan; each has a remedy, none tells a secret (invariant 10)."""
    with pytest.raises(Refused) as trouble:
        plan_of(devices, playbook, resolve, own, accepts_carriers=False)
    for problem in trouble.value.problems:
        assert problem.what
        assert problem.remedy
        assert not any(secret in repr(problem) for secret in CANARIES.values())
    return trouble.value.problems


def own_dialect(name: str, like: str, change: Change) -> Mapping[str, Dialect]:
    """A dialect under another name, made from a shipped one."""

    def renamed(data: dict[str, Any]) -> None:
        data["name"] = name
        change(data)

    return {name: shipped(like, renamed)}


@st.composite
def fleets(
    draw: st.DrawFn, most: int = 80, *, loops: bool = False, carriers: bool = True
) -> tuple[Device, ...]:
    """Random fleets. Without `loops` a device only feeds devices that stand before it."""
    count = draw(st.integers(1, most))
    twins = draw(st.integers(1, 4))
    covers = draw(st.integers(1, 6))
    feeding = draw(st.sampled_from((0.0, 0.1, 0.5))) if carriers else 0.0
    rng = draw(st.randoms(use_true_random=False))
    made = []
    for number in range(count):
        feeds: list[str] = []
        if rng.random() < feeding:
            pool = [f"d{n}" for n in range(count if loops else number)]
            feeds = rng.sample(pool, min(len(pool), rng.randint(0, 2)))
            feeds += rng.sample(NETWORK_PARTS[:3], 1) if rng.random() < 0.5 or not feeds else []
        made.append(
            device(
                f"d{number}",
                number,
                dialect=rng.choice(("larch", "rowan", "sedge")),
                firmware=rng.choice([None, *map(str, range(twins))]),
                via=rng.choice(("http", "mqtt")),
                reach=rng.choice(list(Reach)),
                cover=f"c{rng.randrange(covers)}" if rng.random() < 0.4 else None,
                load="a heater" if rng.random() < 0.2 else None,
                feeds=tuple(feeds),
            )
        )
    return tuple(draw(st.permutations(made)))


def paces() -> st.SearchStrategy[Pace]:
    return st.builds(
        Pace,
        stranded_at_most=st.sampled_from((1, 1, 2, 3, 10)),
        confidence=st.sampled_from((0.6, 0.9, 0.95, 0.99)),
        widest_wave=st.sampled_from((1, 2, 5, 50)),
    )


def evidence() -> st.SearchStrategy[dict[Twin, Evidence]]:
    """What some twins of `fleets` have shown before; often nothing."""
    twins = st.tuples(st.sampled_from(("larch", "rowan", "sedge")), st.sampled_from(("0", "1")))
    had = st.builds(Evidence, st.sampled_from((0, 1, 5, 40)), st.sampled_from((0, 0, 1)))
    return st.dictionaries(twins, had, max_size=3)


def check_together(
    together: list[Device],
    before: list[Device],
    everybody: Iterable[Device],
    had: Mapping[Twin, Evidence] | None = None,
) -> None:
    """Invariants 7 and 9 for devices that go together after others have settled, in other words
    than the code: from DESIGN.md alone. `had`: what twins had shown before."""
    covers = [one.cover for one in together if one.cover]
    assert len(covers) == len(set(covers)), "two of one cover at once"
    gone = {one.name for one in before}
    for one in together:
        if one.feeds:
            assert len(together) == 1, "a carrier goes alone"
            for other in everybody:
                if not other.feeds or other.name in one.feeds:
                    assert other.name in gone or other.name == one.name, "before its dependants"
        twins = [
            other
            for other in everybody
            if (other.dialect, other.firmware) == (one.dialect, one.firmware)
        ]
        easier = [other for other in twins if other.reach.rank < one.reach.rank]
        proved = had and had.get((one.dialect, one.firmware or "unknown"), Evidence()).returns
        if any(not other.feeds for other in easier) and not proved:
            assert any(other.name in gone for other in easier), "no easier twin was first"


def risk_of(
    together: Iterable[Device],
    before: Iterable[Device],
    faults: Mapping[Any, int],
    pace: Pace,
    had: Mapping[Twin, Evidence] | None = None,
) -> float:
    seen = list(before)
    return sum(
        rate(
            (had or {})
            .get((one.dialect, one.firmware or "unknown"), Evidence())
            .plus(
                sum((b.dialect, b.firmware) == (one.dialect, one.firmware) for b in seen),
                faults.get((one.dialect, one.firmware), 0),
            ),
            pace.confidence,
        )
        for one in together
    )


def narrow(together: list[Device], total: float, pace: Pace) -> bool:
    """Invariant 8; one device always may go."""
    return len(together) == 1 or fits(total, pace.stranded_at_most)


def all_waiting(plan: Plan) -> dict[str, Standing]:
    return {one.name: Standing() for one in plan.devices}
