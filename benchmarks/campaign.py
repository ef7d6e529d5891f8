"""A whole campaign in virtual time: how long it takes against what no store delay could shorten,
and what the coordinator costs.

    python -m benchmarks.campaign [SITES [DEVICES]]      (1,000 sites of 40 devices without numbers)
    python -m benchmarks.campaign 30 10 --together       all in one virtual time, for comparison

Every site is really conducted: the conductor of a single home, its journal on a disk and its own
house of devices in virtual time. That is done first, on all processors, and the journals of a site
are removed when it is over. The campaign is then run by the real coordinator over the store in
memory, and a worker of each site, which takes its site's own time and gives its own account. With
`--together` the houses live in the campaign's own virtual time instead.
"""

from __future__ import annotations

import argparse
import heapq
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from statistics import mean, median
from typing import Any

from benchmarks.campaign_sites import (
    Conducted,
    StandIn,
    campaign_of,
    conduct,
    run_campaign,
    together,
)
from migrate.model.problems import Exit
from migrate.planning.campaign.errands import (
    SiteAccount,
)
from migrate.planning.campaign.plan import (
    CampaignPlan,
    campaign_from_json,
)
from migrate.planning.campaign.standing import Errand, SiteStanding, standing_of
from migrate.planning.campaign.turn import next_turn
from migrate.virtual.clock import run_virtual
from tests.campaign.homes import in_virtual_time
from tests.swarm.story import QUICK


def without_delay(
    plan: CampaignPlan, seconds: Mapping[str, float]
) -> tuple[float, list[str], float]:
    """The same rule, if every site began at the very moment at which the rule lets it, and was
    known to be over at the very moment at which it is.

    When the last site is over; the chain of sites of which each began when the one before it was
    over, up to that last one; and the mean number of sites under way."""
    standings = {site.name: SiteStanding() for site in plan.sites}
    everybody = frozenset(standings)
    under_way: list[tuple[float, str]] = []
    because: dict[str, str] = {}
    now, last = 0.0, ""
    while True:
        for name in next_turn(plan, standings, everybody).sites:
            standings[name] = standing_of([Errand("", "move", 1, "taken")])
            because[name] = last
            heapq.heappush(under_way, (now + seconds[name], name))
        if not under_way:
            break
        now, last = heapq.heappop(under_way)
        standings[last] = standing_of(
            [Errand("", "move", 1, "done", SiteAccount(exit=Exit.DONE, began=True))]
        )
    chain = [last]
    while because[chain[-1]]:
        chain.append(because[chain[-1]])
    return now, chain[::-1], sum(seconds.values()) / now


def longest_after(plan: CampaignPlan, seconds: Mapping[str, float]) -> float:
    """Seconds of the longest chain of sites that come after each other."""
    known: dict[str, float] = {}

    def until(name: str) -> float:
        if name not in known:
            before = max(map(until, plan.by_name[name].after), default=0.0)
            known[name] = before + seconds[name]
        return known[name]

    return max(until(site.name) for site in plan.sites)


def coordinator_alone(place: Path, *, trace: bool) -> dict[str, float]:
    """In a process of its own: coordinator, store, and a stand-in for each site."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    if trace:
        tracemalloc.start()
    facts = json.loads(place.read_text())
    had = tracemalloc.get_traced_memory()[0] if trace else 0
    plan = campaign_from_json(facts["plan"], str(place))
    of_plan = tracemalloc.get_traced_memory()[0] - had if trace else 0
    works = {name: partial(StandIn, *told) for name, told in facts["sites"].items()}
    marks: list[int] = []

    def begun() -> None:
        if trace:
            tracemalloc.reset_peak()
            marks.append(tracemalloc.get_traced_memory()[0])

    # What is held in memory does not hang on how often it is looked at; to trace it takes long.
    run = partial(run_campaign, plan, works, begun)
    found = run_virtual(run(pause=30.0, beats=(40.0, 40.0)) if trace else run())
    if trace:
        found["plan"] = of_plan
        found["peak"] = tracemalloc.get_traced_memory()[1] - marks[0]
    found["before"] = before * 1024
    found["resident"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    return found


def in_a_process(place: Path, *, trace: bool) -> dict[str, float]:
    """coordinator_alone, there."""
    command = [sys.executable, "-m", "benchmarks.campaign", "--alone", str(place)]
    command += ["--trace"] if trace else []
    done = subprocess.run(command, check=True, capture_output=True, text=True)  # noqa: S603
    return dict(json.loads(done.stdout))


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.campaign", description=__doc__)
    parser.add_argument("sites", type=int, nargs="?", default=1000)
    parser.add_argument("devices", type=int, nargs="?", default=40)
    parser.add_argument("--together", action="store_true")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--alone", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--trace", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.alone:
        print(json.dumps(coordinator_alone(asked.alone, trace=asked.trace)))
        return
    sites, devices = asked.sites, asked.devices
    began = time.monotonic()
    with ProcessPoolExecutor(asked.processes) as pool:
        done = list(pool.map(partial(conduct, devices), range(sites), chunksize=5))
    took = time.monotonic() - began
    plan = campaign_of({one.name: one.plan for one in done})
    seconds = {one.name: sum(one.seconds) for one in done}
    print(
        f"{sites} sites of {devices} devices each, every one really conducted in its own house "
        f"and virtual time, by {asked.processes} processes in {took:.0f} s."
    )
    print(
        f"At most {plan.pace.held_at_most} site held at {plan.pace.confidence:.0%}, at most "
        f"{plan.pace.most_at_once} at once; {sum(bool(s.after) for s in plan.sites)} sites come "
        f"after another; {len({g for s in plan.sites for g in s.groups})} twin groups."
    )
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "campaign.json"
        told = {one.name: (one.seconds, one.accounts) for one in done}
        place.write_text(json.dumps({"plan": plan.to_json(), "sites": told}))
        plain, traced = in_a_process(place, trace=False), in_a_process(place, trace=True)
    _tell(plan, done, seconds, plain, traced)
    if asked.together:
        with (
            tempfile.TemporaryDirectory(dir=QUICK if QUICK.is_dir() else None) as folder,
            in_virtual_time(),
        ):
            _, found = run_virtual(together(sites, devices, Path(folder)))
        print()
        print(f"All in one virtual time: {found['seconds']:.0f} s, {found['looks']:.0f} looks")


def _tell(
    plan: CampaignPlan,
    done: Sequence[Conducted],
    seconds: Mapping[str, float],
    plain: Mapping[str, float],
    traced: Mapping[str, float],
) -> None:
    sites, devices = len(done), plan.sites[0].devices
    best, chain, at_once = without_delay(plan, seconds)
    whole, after = sum(seconds.values()), longest_after(plan, seconds)
    most = plan.pace.most_at_once
    per_link = (plain["seconds"] - best) / len(chain)
    rows: list[tuple[str, Any]] = [
        ("a site alone, in virtual time", f"{median(seconds.values()):.0f} s (median)"),
        ("", ""),
        ("the whole campaign, in virtual time", f"{plain['seconds']:.0f} s"),
        ("  by the same rule, without any delay of the store", f"{best:.0f} s"),
        ("  ... which is the chain of sites, each begun when", ""),
        ("      the one before it was over, of", f"{len(chain)} sites"),
        ("  so the store, its polling and the looks add", f"{plain['seconds'] / best - 1:.1%}"),
        ("  ... for each site of that chain", f"{per_link:.2f} s"),
        ("  from a site's errand given to its being taken", f"{plain['taken_after']:.2f} s (mean)"),
        ("  mean number of sites under way, without delay", f"{at_once:.1f}"),
        ("  the longest chain of sites that come after another", f"{after:.0f} s"),
        (f"  no rule could do it sooner, with {most} at once", f"{max(after, whole / most):.0f} s"),
        ("  one site after another", f"{whole:.0f} s"),
        ("", ""),
        ("processor for planning a site", f"{mean(d.planning for d in done):.3f} s"),
        ("processor for moving a site", f"{mean(d.moving for d in done):.3f} s"),
        (f"  ... for each of its {devices} devices", f"{_per_device(done, devices):.1f} ms"),
        ("", ""),
        ("looks at the store", f"{plain['looks']:.0f}"),
        ("  ... for each second of virtual time", f"{plain['looks'] / plain['seconds']:.2f}"),
        ("coordinator alone, processor", f"{plain['coordinator']:.1f} s"),
        ("  ... for each look", f"{plain['coordinator'] / plain['looks'] * 1e3:.2f} ms"),
        ("  ... for each site", f"{plain['coordinator'] / sites * 1e3:.1f} ms"),
        ("  of that one processor, while the campaign lasts", _part(plain)),
        ("with the store in memory and its stand-ins for sites", f"{plain['processor']:.1f} s"),
        ("", ""),
        ("memory, traced with a look every 30 s", ""),
        ("  the frozen campaign", _mib(traced["plan"])),
        ("  at most, for coordinator and store, beside it", _mib(traced["peak"])),
        ("  ... for each device", f"{traced['peak'] / sites / devices:.0f} octets"),
        ("that process, resident at most", _mib(plain["resident"])),
        ("  ... of which before the campaign was read", _mib(plain["before"])),
    ]
    print()
    for what, how_much in rows:
        print(f"{what:<56}{how_much:>20}".rstrip())


def _per_device(done: Sequence[Conducted], devices: int) -> float:
    return mean(one.moving for one in done) / devices * 1e3


def _part(plain: Mapping[str, float]) -> str:
    return f"{plain['coordinator'] / plain['seconds']:.2%}"


def _mib(octets: float) -> str:
    return f"{octets / 2**20:.1f} MiB"


if __name__ == "__main__":
    main()
