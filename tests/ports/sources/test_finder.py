"""Finding again: every way at once, and what none of them may do."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from ipaddress import IPv4Network
from pathlib import Path

import pytest
import zeroconf

from migrate.dialects.messages import HttpRequest, Reply, Request
from migrate.model.playbook import Search
from migrate.model.sights import Sight, Source
from migrate.ports.files import load_dialect
from migrate.ports.protocols import At, NotDelivered, SideName
from migrate.ports.sources.finder import AskingFinder, EveryWay, NeighbourFinder
from migrate.ports.sources.identify import Closed, identify, sweep

A, B = "00-00-5E-00-53-01", "00-00-5E-00-53-02"
NET = IPv4Network("198.51.100.0/28")


class Street:
    """Whoever lives at an address answers there; who asked for a login is noted."""

    def __init__(self, homes: dict[str, str]) -> None:
        self.homes = homes
        self.asked: list[At] = []
        self.at_once = self.most = 0
        self.changed = asyncio.Event()

    async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
        self.asked.append(at)
        self.at_once += 1
        self.most = max(self.most, self.at_once)
        await asyncio.sleep(0)
        self.at_once -= 1
        assert isinstance(request, HttpRequest)
        said = self.homes.get(at.address)
        if said is None:
            raise NotDelivered("nobody")
        if said == "closed":
            return Reply(b"", 401)
        if said == "stranger":
            return Reply(b"<html>A printer</html>", 200)
        self.changed.set()
        return Reply(f"ok\nunit.mac: {said}\nunit.build: 1.0\n".encode(), 200)


DIALECTS = {name: load_dialect(name, Path())[0] for name in ("sedge", "larch")}


def asking(street: Street, *ways: str, shy: tuple[str, ...] = ()) -> AskingFinder:
    search = Search(ways=ways)  # type: ignore[arg-type]
    return AskingFinder(search, NET, DIALECTS, street, shy)


async def told(finder: AskingFinder, mac: str) -> Sequence[str]:
    """Ask until it knows."""
    async with asyncio.timeout(5):
        while not (found := await finder.addresses(mac, "new")):  # noqa: ASYNC110
            await asyncio.sleep(0)
    return found


async def test_a_sweep_finds_by_mac_whoever_else_answers() -> None:
    street = Street({"198.51.100.3": "stranger", "198.51.100.5": B, "198.51.100.7": A})
    finder = asking(street, "sweep")
    assert await told(finder, A) == ("198.51.100.7",)
    assert await told(finder, B) == ("198.51.100.5",)
    assert await finder.addresses(A, "old") == ()
    # Only the declared network was asked, and nobody was logged in to.
    assert {at.address for at in street.asked} == {str(host) for host in NET.hosts()}
    assert all(at.password is None and at.auth == "none" for at in street.asked)
    await finder.stop()


async def test_a_device_with_a_login_is_not_looked_for_by_asking_around() -> None:
    """Its password would go to whoever says that it is that device."""
    street = Street({"198.51.100.7": A, "198.51.100.5": B})
    finder = asking(street, "sweep", shy=(A,))
    await told(finder, B)
    await asyncio.wait_for(street.changed.wait(), 5)
    assert await finder.addresses(A, "new") == ()
    await finder.stop()


async def test_nothing_is_asked_unless_it_was_allowed() -> None:
    street = Street({"198.51.100.7": A})
    finder = asking(street, "leases")
    assert await finder.addresses(A, "new") == ()
    assert street.asked == []
    await finder.stop()


async def test_neighbours_are_claims_inside_the_declared_network() -> None:
    table = [
        Sight(Source.NEIGHBOURS, A, "198.51.100.7"),
        Sight(Source.NEIGHBOURS, A, "203.0.113.7"),
        Sight(Source.NEIGHBOURS, B, "198.51.100.5"),
    ]

    async def read() -> Sequence[Sight]:
        return table

    finder = NeighbourFinder({"new": NET}, read)
    assert await finder.addresses(A, "new") == ["198.51.100.7"]
    assert await finder.addresses(A, "old") == ()
    assert await finder.addresses("00-00-5E-00-53-09", "new") == []


async def test_every_way_says_an_address_once() -> None:
    class Says:
        def __init__(self, *found: str) -> None:
            self.found = found

        async def addresses(self, mac: str, side: SideName) -> Sequence[str]:
            return self.found

    every = EveryWay([Says("a", "b"), Says(), Says("b", "c")])
    assert await every.addresses(A, "new") == ["a", "b", "c"]


async def test_a_sweep_is_bounded_and_can_be_broken_off() -> None:
    street = Street({})
    hosts = [str(host) for host in IPv4Network("198.51.100.0/24").hosts()]
    asked = [one async for one in sweep(hosts, DIALECTS, street, 1, at_once=8)]
    assert sorted(address for address, _ in asked) == sorted(hosts)
    assert street.most <= 8
    began = sweep(hosts, DIALECTS, street, 1, at_once=8)
    async for _ in began:
        break
    await began.aclose()  # type: ignore[attr-defined]
    assert not [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]


async def test_a_mistake_ends_a_sweep_and_is_not_waited_for() -> None:
    class Spoilt(Street):
        async def exchange(self, request: Request, at: At, seconds: float) -> Reply:
            raise ZeroDivisionError

    swept = sweep(["198.51.100.3", "198.51.100.5"], DIALECTS, Spoilt({}), 1)
    with pytest.raises(ZeroDivisionError):
        await asyncio.wait_for(anext(swept), 5)


@pytest.mark.parametrize(("home", "kind"), [("closed", Closed), ("stranger", type(None))])
async def test_who_is_no_device_is_none(home: str, kind: type) -> None:
    street = Street({"198.51.100.3": home})
    assert isinstance(await identify("198.51.100.3", DIALECTS.values(), street, 1), kind)


async def test_while_the_table_is_read_again_what_was_known_counts() -> None:
    """Where the kernel is asked by a command, that takes a moment (macOS)."""
    asked, go_on = asyncio.Event(), asyncio.Event()
    first = True

    async def table() -> Sequence[Sight]:
        nonlocal first
        if not first:
            asked.set()
            await go_on.wait()
        first = False
        return [Sight(Source.NEIGHBOURS, A, "198.51.100.5")]

    finder = NeighbourFinder({"new": NET}, table)
    assert await finder.addresses(A, "new") == ["198.51.100.5"]
    finder._read_at = -10.0  # so long ago that it is read again
    again = asyncio.create_task(finder.addresses(A, "new"))
    await asked.wait()
    assert await finder.addresses(A, "new") == ["198.51.100.5"]
    go_on.set()
    assert await again == ["198.51.100.5"]


async def test_a_search_that_fails_in_its_own_way_ends_no_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """zeroconf has errors of its own, which are none of the system's (zeroconf.Error)."""

    async def broken(*_: object) -> list[Sight]:
        raise zeroconf.NotRunningException

    monkeypatch.setattr("migrate.ports.sources.finder.browse", broken)
    search = Search(ways=("dns-sd",), services=("_http._tcp",))
    finder = AskingFinder(search, NET, DIALECTS, Street({}), ())
    assert await finder.addresses(A, "new") == ()
    (task,) = finder._tasks.values()
    await asyncio.wait({task})
    assert task.exception() is None
