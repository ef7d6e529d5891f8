"""Legs: when a change is split, when it is joined, and that no state between two legs strands.

What reaches what is checked by a little model of networks and brokers that is written here from
docs/how-it-works.md alone: it follows the bundles of the plans, not the splitting itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from ipaddress import IPv4Network
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from migrate.model.fleet import Device
from migrate.model.problems import Changed, Problem, Refused
from migrate.model.settings import FrozenBundle, Setting
from migrate.planning.legs import OneLeg, legs, same_leg
from migrate.planning.make import make_plans
from migrate.planning.plan import Leg, Plan
from tests.dialects.samples import shipped
from tests.model.helpers import playbook_of

from .samples import (
    NEW_BROKER,
    NEW_NET,
    OLD_BROKER,
    OLD_NET,
    OLD_WIFI,
    WIFI,
    device,
    dialects,
    fleet,
    resolver,
    sources,
)

GROUP, OLD_GROUP = "[group]\ntopic = 'upstairs'\n", "group = { topic = 'house' }\n"
OLD, NEW = IPv4Network("192.0.2.0/24"), IPv4Network("198.51.100.0/24")
SWITCH = '[wifi]\nssid = "attic"\nsecret = { env = "NEW_WIFI" }\n'
LARCH, ROWAN, SEDGE = (
    device("larch", 1, dialect="larch"),
    device("rowan", 2, dialect="rowan"),
    device("sedge", 3, dialect="sedge"),
)
ALL = (LARCH, ROWAN, SEDGE)
BY_MQTT = tuple(one.model_copy(update={"via": "mqtt"}) for one in ALL)


def told(*parts: str, old: str = "", new: str = "", top: str = "") -> str:
    """A playbook: what changes, and more keys of its tables."""
    network = NEW_NET + new if WIFI in parts else f"[new]\n{new}"
    sides = f"[old]\n{OLD_NET}{OLD_WIFI}{OLD_BROKER}{OLD_GROUP}{old}{network}"
    return f"{top}{''.join(parts)}{sides}"


def legs_of(devices: tuple[Device, ...], playbook: str, **secrets: str) -> tuple[OneLeg, ...]:
    return legs(fleet(*devices), playbook_of(playbook), dialects(), resolver(**secrets))


def plans_of(devices: tuple[Device, ...], playbook: str, **secrets: str) -> tuple[Plan, ...]:
    return make_plans(
        fleet(*devices),
        playbook_of(playbook),
        dialects(),
        resolver(**secrets),
        sources(),
        created="2026-01-01T00:00:00+00:00",
        tool="migrate 0",
    )


def shape(plans: tuple[Plan, ...]) -> list[dict[str, set[str]]]:
    """For each leg, the first words of what each device is told."""
    return [
        {one.name: {setting.rpartition(".")[0] for setting in one.bundle} for one in plan.devices}
        for plan in plans
    ]


W, B, G, SW, SG = {"wifi"}, {"broker"}, {"group"}, {"wifi.spare"}, {"group.spare"}
REACHES = "reaches_new_broker = true\n"
LONG_KEY = "7" * 63
CASES: dict[str, tuple[tuple[Device, ...], str, list[dict[str, set[str]]]]] = {
    "network alone: one leg, the old network kept as the spare one": (
        ALL,
        told(WIFI),
        [{"larch": W | SW, "rowan": W, "sedge": W}],
    ),
    "broker alone": (ALL, told(NEW_BROKER), [{"larch": B, "rowan": B, "sedge": B}]),
    "group alone, nobody has a spare slot": (
        (LARCH, SEDGE),
        told(GROUP),
        [{"larch": G, "sedge": G}],
    ),
    "group alone, with a spare slot": (
        ALL,
        told(GROUP),
        [{"rowan": SG}, {"larch": G, "rowan": G | SG, "sedge": G}],
    ),
    "group and network: the group first": (
        (LARCH, SEDGE),
        told(WIFI, GROUP),
        [{"larch": G, "sedge": G}, {"larch": W | SW, "sedge": W}],
    ),
    "network and broker, nothing declared: joined": (
        ALL,
        told(WIFI, NEW_BROKER),
        [{"larch": W | B | SW, "rowan": W | B, "sedge": W | B}],
    ),
    "network and broker, the old network reaches it, all by HTTP: the broker first": (
        ALL,
        told(WIFI, NEW_BROKER, old=REACHES),
        [{"larch": B, "rowan": B, "sedge": B}, {"larch": W | SW, "rowan": W, "sedge": W}],
    ),
    "the same with one device over MQTT: joined": (
        (LARCH, BY_MQTT[1], SEDGE),
        told(WIFI, NEW_BROKER, old=REACHES),
        [{"larch": W | B | SW, "rowan": W | B, "sedge": W | B}],
    ),
    "the new network reaches the old broker: that alone is no reason to split": (
        ALL,
        told(WIFI, NEW_BROKER, new="reaches_old_broker = true\n"),
        [{"larch": W | B | SW, "rowan": W | B, "sedge": W | B}],
    ),
    "everything in one bundle, as asked": (
        ALL,
        told(WIFI, NEW_BROKER, GROUP, top='legs = "joined"\n'),
        [{"larch": W | B | G, "rowan": W | B | G, "sedge": W | B | G}],
    ),
    "subnets that do not tell: no spare network": (
        (LARCH,),
        told(WIFI).replace("198.51.100.0/24", "192.0.2.0/24"),
        [{"larch": W}],
    ),
    "the old passphrase is not declared: no spare network": (
        (LARCH,),
        told(WIFI, old='no_way_back = ["larch"]\n').replace(
            ', secret = { env = "OLD_WIFI" }', "", 1
        ),
        [{"larch": W}],
    ),
    "switchover, spare slots": (
        (LARCH,),
        told(SWITCH),
        [{"larch": SW}, {"larch": W | SW}],
    ),
    "switchover, no spare slots": (
        (SEDGE, ROWAN),
        told(SWITCH, top="switchover = { accept_stranded = 2 }\n"),
        [{"sedge": W, "rowan": W}],
    ),
    "switchover, some have a spare slot": (
        ALL,
        told(SWITCH, top="switchover = { accept_stranded = 2 }\n"),
        [{"larch": SW}, {"rowan": W, "sedge": W}, {"larch": W | SW}],
    ),
    "switchover in one bundle: nobody's spare slot is used": (
        ALL,
        told(SWITCH, top='legs = "joined"\nswitchover = { accept_stranded = 3 }\n'),
        [{"larch": W, "rowan": W, "sedge": W}],
    ),
    "switchover and a broker: the broker first, since the network stays": (
        (LARCH,),
        told(SWITCH, NEW_BROKER),
        [{"larch": B}, {"larch": SW}, {"larch": W | SW}],
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_how_a_change_is_split(case: str) -> None:
    devices, playbook, expected = CASES[case]
    assert shape(plans_of(devices, playbook)) == expected


def test_too_long_for_one_message_it_is_split_where_the_halves_can_be_delivered() -> None:
    """sedge takes 255 octets (docs/manuals/sedge.md)."""
    secrets = {"NEW_WIFI": LONG_KEY, "NEW_BROKER": "b" * 100}
    (joined,) = legs_of(BY_MQTT[2:], told(WIFI, NEW_BROKER), **secrets)
    assert joined.leg.of == 1
    with pytest.raises(Refused) as trouble:
        plans_of(BY_MQTT[2:], told(WIFI, NEW_BROKER), **secrets)
    assert "octets long" in trouble.value.problems[0].what
    first = plans_of(BY_MQTT[2:], told(WIFI, NEW_BROKER, old=REACHES), **secrets)
    assert shape(first) == [{"sedge": B}, {"sedge": W}]
    new = "reaches_old_broker = true\n"
    last = plans_of(BY_MQTT[2:], told(WIFI, NEW_BROKER, new=new), **secrets)
    assert shape(last) == [{"sedge": W}, {"sedge": B}]
    # The second leg begins where the first ended.
    second = legs_of(BY_MQTT[2:], told(WIFI, NEW_BROKER, new=new), **secrets)[1].playbook
    assert second.old.wifi is not None
    assert (second.old.wifi.ssid, str(second.old.subnet)) == ("loft", "198.51.100.0/24")


def test_every_leg_tells_its_number_what_comes_before_it_and_why() -> None:
    plans = plans_of(ALL, told(SWITCH, GROUP, top="switchover = { accept_stranded = 2 }\n"))
    assert [plan.leg.number for plan in plans] == [1, 2, 3, 4, 5]
    assert {plan.leg.of for plan in plans} == {5}
    assert [plan.leg.after for plan in plans] == [None, *(plan.digest for plan in plans[:-1])]
    assert all(plan.leg.argument for plan in plans)
    assert len({plan.leg.what for plan in plans}) == 5
    assert [bool(plan.leg.owner) for plan in plans] == [False, True, False, False, False]
    assert [plan.leg.together for plan in plans] == [False, False, False, True, False]
    assert not any(plan.leg.after_flip for plan in plans)
    alone = plans_of((LARCH,), told(SWITCH))
    assert [plan.leg.after_flip for plan in alone] == [False, True]
    assert "change the passphrase at the access point" in str(alone[1].leg.owner)


def test_all_together_is_one_wave_and_its_exposure_is_every_device() -> None:
    stairs = {"cover": "stairs", "reach": "tools"}
    devices = tuple(device(f"s{n}", n, dialect="sedge", **stairs) for n in range(1, 8))
    (plan,) = plans_of(devices, told(SWITCH, top="switchover = { accept_stranded = 7 }\n"))
    assert [wave.devices for wave in plan.waves] == [tuple(f"s{n}" for n in range(1, 8))]
    assert plan.waves[0].exposure == 7
    assert "7 may have to be opened by hand" in " ".join(plan.leg.argument)


@pytest.mark.parametrize("accepted", [None, 1, 3])
def test_without_spare_slots_all_of_them_must_be_accepted_in_numbers(accepted: int | None) -> None:
    top = "" if accepted is None else f"switchover = {{ accept_stranded = {accepted} }}\n"
    problem = refusal((LARCH, ROWAN, SEDGE), told(SWITCH, top=top))
    assert "of 3 devices 2 cannot be given the new passphrase beside" in problem.what
    assert "rowan, sedge" in problem.what
    assert "accept_stranded = 2" in problem.remedy
    assert problem.key == "switchover.accept_stranded"


def test_with_spare_slots_there_is_nothing_to_accept() -> None:
    top = "switchover = { accept_stranded = 1 }\n"
    assert "every device has a spare" in refusal((LARCH,), told(SWITCH, top=top)).what


@pytest.mark.parametrize(
    ("more", "new", "words"),
    [
        (
            "",
            "pool = { first = '198.51.100.9', last = '198.51.100.9' }\n",
            "1 are free; 2 devices will ask",
        ),
        ("broker = { host = '198.51.100.2', most_clients = 2 }\n", "", "2 at once, and 3 will be"),
        (
            "addressing = { fixed = { larch = '198.51.100.9', sedge = '198.51.100.9' } }\n",
            "",
            "198.51.100.9 is given to larch, sedge",
        ),
    ],
    ids=["pool", "clients", "collision"],
)
def test_what_the_legs_of_a_switchover_share_is_counted_for_all_of_them(
    more: str, new: str, words: str
) -> None:
    """Each leg alone has room enough; the devices of both do not."""
    top = f"switchover = {{ accept_stranded = 1 }}\n{more}"
    sides = f"[old]\n{OLD_NET}{OLD_WIFI.replace('quarry', 'attic')}{OLD_BROKER}{NEW_NET}{new}"
    with pytest.raises(Refused) as trouble:
        plans_of((LARCH, SEDGE), f"{top}{SWITCH}{sides}")
    assert any(words in problem.what for problem in trouble.value.problems)


def other_addresses(old: str = "", new: str = "") -> str:
    """Both sides of a switchover behind which the network has other addresses."""
    return f"[old]\n{OLD_NET}{OLD_WIFI}{OLD_BROKER}{old}{NEW_NET}{new}"


def test_after_the_access_point_a_spare_slot_is_found_at_its_new_address() -> None:
    """Old and new passphrase, and behind the new one other addresses."""
    make, promote = legs_of((LARCH,), SWITCH + other_addresses())
    assert (make.playbook.old.subnet, make.playbook.new.subnet) == (OLD, None)
    assert promote.playbook.old.subnet == promote.playbook.new.subnet == NEW
    assert promote.playbook.old.leases == promote.playbook.new.leases
    assert make.fleet.device[0].address is not None
    assert promote.fleet.device[0].address is None


@pytest.mark.parametrize(
    ("more", "old", "new", "used"),
    [
        (NEW_BROKER, "", "", False),
        (NEW_BROKER, REACHES, "", True),
        (NEW_BROKER, "", "reaches_old_broker = true\n", True),
        ("addressing = { fixed = { larch = '198.51.100.9' } }\n", "", "", False),
        ("", "addressing = { fixed = { larch = '192.0.2.2' } }\n", "", False),
    ],
    ids=["cut off", "reaches new", "reaches old", "new address", "old address"],
)
def test_no_spare_slot_leads_to_where_the_rest_cannot_be_told(
    more: str, old: str, new: str, used: bool
) -> None:
    parts = SWITCH + more if more.startswith("[") else more + SWITCH
    found = legs_of((LARCH,), parts + other_addresses(old, new))
    assert any(one.leg.together for one in found) is not used
    assert any("spare-wifi" in one.playbook.changed for one in found) is used
    if not used:
        assert "Spare slots are not used" in " ".join(found[-1].leg.argument)


def test_a_switchover_to_the_same_passphrase_is_none() -> None:
    same = told(SWITCH.replace("NEW_WIFI", "OLD_WIFI"))
    assert "the same passphrase" in refusal((LARCH,), same).what


def refusal(devices: tuple[Device, ...], playbook: str) -> Problem:
    with pytest.raises(Refused) as trouble:
        plans_of(devices, playbook)
    (problem,) = trouble.value.problems
    return problem


def test_what_no_leg_concerns_is_refused_by_name_once() -> None:
    def only_broker(raw: dict[str, Any]) -> None:
        raw["settings"] = {k: v for k, v in raw["settings"].items() if k.startswith("broker.")}

    bare = {**dialects(), "sedge": shipped("sedge", only_broker)}
    with pytest.raises(Refused) as trouble:
        make_plans(
            fleet(*ALL),
            playbook_of(told(GROUP)),
            bare,
            resolver(),
            sources(),
            created="2026-01-01T00:00:00+00:00",
            tool="migrate 0",
        )
    assert [problem.device for problem in trouble.value.problems] == ["sedge"]


def test_names_in_the_playbook_are_checked_against_the_whole_fleet() -> None:
    """rowan is in both legs of the group, larch and sedge in one: neither name is unknown."""
    assert plans_of(ALL, told(GROUP, old='no_way_back = ["larch", "rowan"]\n'))
    problem = refusal(ALL, told(GROUP, old='no_way_back = ["larhc"]\n'))
    assert "larhc" in problem.what


def test_who_feeds_a_device_that_stays_feeds_what_that_feeds() -> None:
    plug = device("plug", 4, dialect="rowan", feeds=("sedge",))
    sedge = SEDGE.model_copy(update={"feeds": ("broker",)})
    first = legs_of((LARCH, plug, sedge), told(GROUP))[0]
    assert [(one.name, one.feeds) for one in first.fleet.device] == [("plug", ("broker",))]


def test_the_same_leg_is_found_again_or_it_is_said_that_it_is_not() -> None:
    playbook = playbook_of(told(SWITCH))
    one = legs(fleet(LARCH), playbook, dialects(), resolver())[1]
    leg = one.leg.model_copy(update={"after": "0" * 64})
    again = same_leg(leg, fleet(LARCH), playbook, dialects(), resolver())
    assert again.playbook == one.playbook
    assert same_leg(Leg(), fleet(LARCH), playbook, dialects(), resolver()).playbook is playbook
    with pytest.raises(Changed):
        same_leg(leg, fleet(LARCH), playbook_of(told(WIFI)), dialects(), resolver())


def test_a_way_back_from_a_spare_slot_empties_it_and_from_the_first_slot_fills_it() -> None:
    make, promote = plans_of((LARCH,), told(SWITCH))
    first = make.device("larch")
    assert (first.way_back, first.read_back, first.lost) == ({}, (Setting.SPARE_SSID,), ())
    second = promote.device("larch")
    assert set(second.way_back) == {Setting.WIFI_SECRET, Setting.SPARE_SECRET}
    assert set(second.read_back) == {Setting.WIFI_SSID, Setting.SPARE_SSID}
    assert not make.device("larch").restarts
    assert promote.device("larch").restarts


# What reaches what, between the legs


@dataclass(frozen=True)
class State:
    """Where a device is: the networks it knows, and the broker it was told."""

    ssid: str = "attic"
    key: str = "OLD_WIFI"
    spare: tuple[str, str] | None = None
    broker: str = "192.0.2.2"


def after(state: State, bundle: FrozenBundle) -> State:
    """The memory of a device that took a bundle. Slots as docs/manuals/larch.md tells."""

    def env(setting: Setting, before: str) -> str:
        value = bundle.get(setting)
        return before if value is None else str(getattr(value, "env", value))

    spare = state.spare
    if Setting.SPARE_SSID in bundle:
        name, key = str(bundle[Setting.SPARE_SSID]), env(Setting.SPARE_SECRET, "")
        spare = (name, key) if name else None
    return replace(
        state,
        ssid=env(Setting.WIFI_SSID, state.ssid),
        key=env(Setting.WIFI_SECRET, state.key),
        broker=env(Setting.BROKER_HOST, state.broker),
        spare=spare,
    )


@dataclass(frozen=True)
class Air:
    """The networks on air, (name, passphrase), and which brokers are reached from each."""

    networks: dict[tuple[str, str], set[str]]

    def strands(self, state: State, via: str) -> str:
        """Why nobody can reach a device in this state; empty if it can be reached."""
        for known in ((state.ssid, state.key), state.spare):
            if known in self.networks:
                if state.broker in self.networks[known]:
                    return ""
                return f"on {known}, from where it does not reach its broker, moved over {via}"
        return f"neither {state.ssid} nor its spare network lets it in"


OLD_HOST, NEW_HOST = "192.0.2.2", "198.51.100.2"


@st.composite
def changes(draw: st.DrawFn) -> tuple[tuple[Device, ...], str, bool, bool, dict[str, str]]:
    parts = draw(st.sets(st.sampled_from((WIFI, NEW_BROKER, GROUP)), min_size=1))
    to_new, to_old = draw(st.booleans()), draw(st.booleans())
    number = draw(st.integers(1, 4))
    devices = tuple(
        device(
            f"d{n}",
            n + 1,
            dialect=draw(st.sampled_from(("larch", "rowan", "sedge"))),
            via=draw(st.sampled_from(("http", "mqtt"))),
        )
        for n in range(number)
    )
    long = {"NEW_WIFI": LONG_KEY, "NEW_BROKER": "b" * 100}
    secrets = draw(st.sampled_from(({}, long)))
    playbook = told(
        *sorted(parts),
        old=REACHES if to_new else "",
        new="reaches_old_broker = true\n" if to_old else "",
    )
    return devices, playbook, to_new, to_old, secrets


@given(changes())
@settings(max_examples=120)
def test_no_state_between_two_legs_strands_a_device(
    change: tuple[tuple[Device, ...], str, bool, bool, dict[str, str]],
) -> None:
    devices, playbook, to_new, to_old, secrets = change
    long = secrets and WIFI in playbook and NEW_BROKER in playbook
    if long and not (to_new or to_old) and any(one.dialect == "sedge" for one in devices):
        # One message does not hold it, and neither half could be delivered after the other.
        with pytest.raises(Refused, match="octets long"):
            plans_of(devices, playbook, **secrets)
        return
    plans = plans_of(devices, playbook, **secrets)
    air = Air(
        {
            ("attic", "OLD_WIFI"): {OLD_HOST} | ({NEW_HOST} if to_new else set()),
            ("loft", "NEW_WIFI"): {NEW_HOST} | ({OLD_HOST} if to_old else set()),
        }
    )
    if NEW_BROKER not in playbook:
        air.networks["loft", "NEW_WIFI"].add(OLD_HOST)  # one broker, which both sides reach
    if WIFI not in playbook:
        air.networks["attic", "OLD_WIFI"].add(NEW_HOST)
    states = {one.name: State() for one in devices}
    for plan in plans:
        for one in plan.devices:
            states[one.name] = after(states[one.name], one.bundle)
        strands = {one.name: air.strands(states[one.name], one.via) for one in devices}
        assert not any(strands.values()), (plan.leg, strands)
    ends = {(state.ssid, state.key, state.broker) for state in states.values()}
    wanted = ("loft", "NEW_WIFI") if WIFI in playbook else ("attic", "OLD_WIFI")
    assert ends == {(*wanted, NEW_HOST if NEW_BROKER in playbook else OLD_HOST)}


@given(
    st.lists(st.sampled_from(("larch", "rowan", "sedge")), min_size=1, max_size=5),
    st.booleans(),
    st.booleans(),
)
@settings(max_examples=60)
def test_a_switchover_strands_nobody_who_has_a_spare_slot_at_any_moment(
    families: list[str], with_broker: bool, with_group: bool
) -> None:
    """The access point changes where a leg says so. Before it, everybody is on the network with
    the old passphrase, but for those who wait for it all together; after it, with the new one."""
    devices = tuple(device(f"d{n}", n + 1, dialect=one) for n, one in enumerate(families))
    bare = sum(one != "larch" for one in families)
    top = f"switchover = {{ accept_stranded = {bare} }}\n" if bare else ""
    parts = (SWITCH, *([NEW_BROKER] if with_broker else []), *([GROUP] if with_group else []))
    plans = plans_of(devices, told(*parts, top=top))
    old, new = (Air({("attic", key): {OLD_HOST, NEW_HOST}}) for key in ("OLD_WIFI", "NEW_WIFI"))
    air, states, flips = old, {one.name: State() for one in devices}, 0
    waiting: set[str] = set()
    for plan in plans:
        if plan.leg.after_flip:
            air, flips = new, flips + 1
        for one in plan.devices:
            assert not air.strands(states[one.name], one.via), "it must be there to be told"
            states[one.name] = after(states[one.name], one.bundle)
        if plan.leg.together:
            waiting = {one.name for one in plan.devices}
            gone = {name for name, state in states.items() if air.strands(state, "http")}
            assert gone == waiting
            assert len(waiting) == bare
            air, flips = new, flips + 1
        assert not any(air.strands(states[one.name], one.via) for one in devices), plan.leg
    assert flips == 1
    assert {(state.key, state.spare) for state in states.values()} == {("NEW_WIFI", None)}
