"""Sights become devices, whatever their order; contradictions are told and nothing is chosen."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address

import networkx as nx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.model.fleet import Device
from migrate.model.sights import Sight, Source
from migrate.planning.finding.difference import compare, name_for
from migrate.planning.finding.merge import Found, gather

A, B, C = (f"00-00-5E-00-53-{number:02X}" for number in (1, 2, 3))
NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)
PLACES = ["192.0.2.11", "192.0.2.12", "192.0.2.13"]


def lease(mac: str, address: str, name: str = "") -> Sight:
    return Sight(Source.LEASES, mac, address, name, at=NOON)


def answer(mac: str, address: str, dialect: str = "sedge", firmware: str = "1.0") -> Sight:
    return Sight(Source.SWEEP, mac, address, dialect=dialect, firmware=firmware, proven=True)


def word(mac: str, topic: str, dialect: str = "sedge", address: str | None = None) -> Sight:
    return Sight(
        Source.PRESENCE, mac, address, topic=topic, dialect=dialect, firmware="1.0", proven=True
    )


def test_several_sources_about_one_device_are_one_device() -> None:
    seen = gather(
        [
            lease(A, PLACES[0], "desk-lamp"),
            Sight(Source.NEIGHBOURS, A, PLACES[0]),
            Sight(Source.DNS_SD, None, PLACES[0], "Desk Lamp"),
            answer(A, PLACES[0]),
            word(A, "lamps-1"),
        ]
    )
    (one,) = seen.devices
    assert one.mac == A
    assert one.addresses == (PLACES[0],)
    assert one.topic == "lamps-1"
    assert one.name in ("desk-lamp", "Desk Lamp")
    assert one.over == ("http", "mqtt")
    assert one.sources == ("dns-sd", "leases", "neighbours", "presence", "sweep")
    assert (seen.others, seen.mute, seen.conflicts) == ((), (), ())


def test_what_only_claims_is_no_device() -> None:
    seen = gather([lease(A, PLACES[0]), Sight(Source.DNS_SD, None, PLACES[1], "a printer")])
    assert not seen.devices
    assert [one.mac for one in seen.others] == [A]
    assert [one.name for one in seen.mute] == ["a printer"]


@pytest.mark.parametrize(
    ("sights", "kind", "barred"),
    [
        ([answer(A, PLACES[0]), answer(A, PLACES[1])], "two addresses", True),
        ([answer(A, PLACES[0]), answer(A, PLACES[0], "rowan")], "two dialects", True),
        ([answer(A, PLACES[0]), answer(A, PLACES[0], firmware="2")], "two firmwares", True),
        ([word(A, "lamp"), word(B, "lamp")], "two MACs", True),
        ([word(A, "lamp"), word(A, "plug")], "two topics", True),
        ([lease(A, PLACES[0]), answer(B, PLACES[0])], "another answers", False),
    ],
)
def test_contradictions_are_told(sights: list[Sight], kind: str, barred: bool) -> None:
    seen = gather(sights)
    assert [one.kind for one in seen.conflicts] == [kind]
    assert seen.barred(seen.devices[0].mac) is barred
    assert bool(compare(seen, ()).unsure) is barred
    assert bool(compare(seen, ()).new) is not barred


def test_one_that_answers_on_its_way_to_another_address_is_two_addresses() -> None:
    """An old lease beside the new one is no contradiction: leases claim, devices answer."""
    old, new = lease(A, PLACES[0]), lease(A, PLACES[1])
    seen = gather([old, new, answer(A, PLACES[1])])
    assert not seen.conflicts
    assert seen.devices[0].addresses[0] == PLACES[1]


def test_locally_administered() -> None:
    """IEEE Std 802: bit 1 of the first octet; 02 has it, 00 has not."""
    for first, local in (("02", True), ("00", False), ("06", True), ("DA", True), ("DC", False)):
        assert Found(f"{first}-00-5E-00-53-01").randomised is local


SIGHTS = st.lists(
    st.builds(
        Sight,
        source=st.sampled_from(list(Source)),
        mac=st.sampled_from([A, B, C, None]),
        address=st.sampled_from([*PLACES, None]),
        name=st.sampled_from(["", "lamp", "plug"]),
        topic=st.sampled_from([None, "lamp", "plug"]),
        dialect=st.sampled_from([None, "sedge", "rowan"]),
        firmware=st.sampled_from([None, "1.0", "2.0"]),
        proven=st.booleans(),
        at=st.sampled_from([None, NOON, NOON + timedelta(hours=1)]),
    ),
    max_size=12,
)


@given(SIGHTS, st.randoms(use_true_random=False))
def test_the_order_of_sights_says_nothing(sights: list[Sight], random: object) -> None:
    other = list(sights)
    random.shuffle(other)  # type: ignore[attr-defined]
    assert gather(sights) == gather(other)
    assert gather([*sights, *sights]) == gather(sights)


@given(SIGHTS)
def test_every_mac_is_one_device(sights: list[Sight]) -> None:
    """Reference: connected components of MACs and what is said of them (networkx)."""
    graph: nx.Graph = nx.Graph()
    for number, sight in enumerate(sights):
        graph.add_node(number)
        if sight.mac:
            graph.add_edge(number, sight.mac)
    groups = [part for part in nx.connected_components(graph) if any(p in (A, B, C) for p in part)]
    seen = gather(sights)
    found = [one.mac for one in (*seen.devices, *seen.others)]
    assert sorted(found) == sorted(p for part in groups for p in part if isinstance(p, str))
    proven = {sight.mac for sight in sights if sight.proven and sight.mac}
    assert {one.mac for one in seen.devices} >= proven


def test_a_fleet_is_compared_by_mac() -> None:
    fleet = [
        Device(name="lamp", mac=A, dialect="sedge", address=IPv4Address(PLACES[0]), firmware="0.9"),
        Device(name="plug", mac=B, dialect="sedge", topic="plug"),
        Device(name="gone", mac="00-00-5E-00-53-77", dialect="sedge"),
    ]
    seen = gather([answer(A, PLACES[2]), word(B, "plug"), word(C, "porch"), lease(C, PLACES[1])])
    told = compare(seen, fleet)
    assert [(one.name, one.key, one.before, one.now) for one in told.changed] == [
        ("lamp", "address", PLACES[0], PLACES[2]),
        ("lamp", "firmware", "0.9", "1.0"),
        ("plug", "firmware", None, "1.0"),
    ]
    assert [one.name for one in told.vanished] == ["gone"]
    assert [(one.name, one.found.mac) for one in told.new] == [("porch", C)]
    assert told.as_before == 0


def test_a_lease_alone_changes_nothing_in_a_file() -> None:
    fleet = [Device(name="lamp", mac=A, dialect="sedge", address=IPv4Address(PLACES[0]))]
    told = compare(gather([lease(A, PLACES[1])]), fleet)
    assert (told.new, told.changed, told.vanished) == ((), (), ())
    assert told.as_before == 1


def test_a_topic_that_the_file_gives_to_another_mac_is_unsure() -> None:
    fleet = [Device(name="plug", mac=B, dialect="sedge", topic="plug")]
    told = compare(gather([word(A, "plug")]), fleet)
    assert [one.mac for one in told.unsure] == [A]
    assert not told.new


def test_a_left_over_lease_gives_nobody_the_address_of_another() -> None:
    """A lives, by MQTT; B answers at the address that a lease still says is A's."""
    fleet = [Device(name="a", mac=A, dialect="sedge", address=IPv4Address(PLACES[1]), topic="a",
                    firmware="1.0")]  # fmt: skip
    told = compare(gather([lease(A, PLACES[0]), word(A, "a"), answer(B, PLACES[0])]), fleet)
    assert told.changed == ()
    assert [one.found.addresses for one in told.new] == [(PLACES[0],)]


def test_who_speaks_of_another_changes_nothing_of_it() -> None:
    """Anybody may publish under a topic that holds a MAC."""
    fleet = [Device(name="a", mac=A, dialect="sedge", address=IPv4Address(PLACES[0]), topic="a")]
    rumour = Sight(Source.PRESENCE, A, topic="elsewhere", dialect="rowan", firmware="6.6")
    told = compare(gather([rumour, answer(A, PLACES[0])]), fleet)
    assert [(one.key, one.now) for one in told.changed] == [("firmware", "1.0")]


@pytest.mark.parametrize("version", ["1" * 101, "   ", "", "1.0\n[[device]]"])
def test_a_version_that_no_file_can_hold_is_not_told(version: str) -> None:
    """The longest text of a fleet file has 100 characters."""
    (one,) = compare(gather([answer(A, PLACES[0], firmware=version)]), ()).new
    assert one.found.firmware is None


def test_an_impostor_on_a_topic_of_the_file_does_not_take_it() -> None:
    fleet = [
        Device(name="plug", mac=B, dialect="sedge", topic="plug", firmware="1.0"),
        Device(name="lamp", mac=A, dialect="sedge", topic="lamp", firmware="1.0"),
    ]
    told = compare(gather([word(A, "plug")]), fleet)
    assert ([one.mac for one in told.unsure], told.changed) == ([A], ())
    swapped = compare(gather([word(A, "plug"), word(B, "lamp")]), fleet)
    assert [(one.name, one.now) for one in swapped.changed] == [("lamp", "plug"), ("plug", "lamp")]


@given(st.text(max_size=300), st.text(max_size=80), st.sets(st.text(max_size=5), max_size=5))
def test_names_fit_the_fleet_file(host: str, topic: str, taken: set[str]) -> None:
    found = Found(A, name=host, topic=topic, dialect="sedge")
    name = name_for(found, taken)
    assert name not in taken
    assert Device(name=name, mac=A, dialect="sedge").name == name
    assert name_for(found, {*taken, name}) != name
