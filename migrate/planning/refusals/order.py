"""What feeds what: circles, unknown names, the machine this runs on, and one's own way back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from migrate.model.fleet import Device
from migrate.model.problems import Problem, Refused
from migrate.planning.refusals.case import Case
from migrate.planning.waves import NETWORK_PARTS, carriers_in_order

ITS_NAME = {
    "access-point": "the access point",
    "router": "a router",
    "broker": "the broker",
    "controller": "the machine that migrate runs on",
}


def refusals(case: Case) -> Iterator[Problem]:
    """Everything about feeding."""
    yield from _names_and_circles(case)
    yield from _controller(case)
    yield from _own_way_back(case)
    accepted = case.playbook.old.feeds_own_way_back
    yield from case.strangers(accepted, "old.feeds_own_way_back")


def chains(carriers: Iterable[Device], part: str) -> Mapping[str, tuple[str, ...]]:
    """By device: what stands between it and a part of the network that it feeds, itself first.
    The shortest way, over other devices that feed each other in turn."""
    feeders: dict[str, list[Device]] = {}
    for device in carriers:
        for fed in device.feeds:
            feeders.setdefault(fed, []).append(device)
    found: dict[str, tuple[str, ...]] = {}
    last: list[tuple[str, tuple[str, ...]]] = [(part, ())]
    for fed, way in last:
        for device in feeders.get(fed, ()):
            if device.name not in found:
                found[device.name] = (device.name, *way)
                last.append((device.name, found[device.name]))
    return found


def _controller(case: Case) -> Iterator[Problem]:
    for name, way in chains(case.carriers, "controller").items():
        yield Problem(
            f"{_feeds(way, 'controller')}: its restart would end the run",
            "run migrate on another machine, or move this device by hand",
            device=name,
        )


def _own_way_back(case: Case) -> Iterator[Problem]:
    accepted = frozenset(case.playbook.old.feeds_own_way_back)
    found = {part: chains(case.carriers, part) for part in ("access-point", "router", "broker")}
    for alike in case.moved:
        if not alike.restarts:
            continue
        for device in alike.devices:
            if not device.feeds:
                continue
            parts = [part for part, by_name in found.items() if device.name in by_name]
            if alike.via != "mqtt":
                parts = [part for part in parts if part != "broker"]
            if parts and device.name not in accepted:
                ways = " and ".join(_feeds(found[part][device.name], part) for part in parts)
                yield Problem(
                    f"{ways}, through which it would be taken back: its restart cuts that off, and "
                    "if its output then stays off nobody can tell it anything",
                    f"power {' and '.join(ITS_NAME[part] for part in parts)} from a socket that is "
                    "not switched while the run lasts, and take that out of feeds; or accept it by "
                    f'name: [old] feeds_own_way_back = ["{device.name}"]',
                    device=device.name,
                )


def _feeds(way: tuple[str, ...], part: str) -> str:
    """The chain in words: `feeds hub-plug, which feeds the access point`."""
    return ", which ".join(f"feeds {fed}" for fed in (*way[1:], ITS_NAME[part]))


def _names_and_circles(case: Case) -> Iterator[Problem]:
    for device in case.carriers:
        for fed in device.feeds:
            if fed not in case.by_name and fed not in NETWORK_PARTS:
                yield Problem(
                    f"feeds {fed!r}, which is neither a device nor one of "
                    f"{', '.join(NETWORK_PARTS)}",
                    "correct the name",
                    case.fleet_file,
                    "feeds",
                    device.name,
                )
    try:
        carriers_in_order(case.carriers)
    except Refused as error:
        for problem in error.problems:
            yield replace(problem, where=case.fleet_file)
