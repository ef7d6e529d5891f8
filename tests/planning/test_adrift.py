"""What a missing device may be looking for, why, and in which order one goes to see.

Orders of likelihood are common practice, no source. Bands and WPA names: IEEE Std 802.11.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from migrate.dialects.parts import Radio
from migrate.model.fleet import Device
from migrate.model.lifecycle import Direction, State
from migrate.model.playbook import Playbook, Slots, new_side, old_side
from migrate.model.secrets import SecretRef
from migrate.model.settings import FrozenBundle, Setting
from migrate.planning.adrift import Cause, Clue, Files, Missing, Network, Search, search_for
from migrate.planning.plan import Plan
from tests.model.helpers import playbook_of

from .samples import (
    NEW_BROKER,
    NEW_NET,
    OLD_BROKER,
    OLD_NET,
    OLD_WIFI,
    WHOLE,
    WIFI,
    dialects,
    plan_of,
)
from .samples import device as one

OLD_KEY, NEW_KEY = SecretRef(env="OLD_WIFI"), SecretRef(env="NEW_WIFI")
OLD, NEW = Network("attic", OLD_KEY), Network("loft", NEW_KEY)
WIFI_ONLY = f"{WIFI}[old]\n{OLD_NET}{OLD_WIFI}{OLD_BROKER}{NEW_NET}"
GROUP_ONLY = f"[group]\ntopic = 'house'\n[old]\n{OLD_NET}{OLD_WIFI}{OLD_BROKER}"
BROKER_ONLY = f"{NEW_BROKER}[old]\n{OLD_NET}{OLD_WIFI}{OLD_BROKER}reaches_new_broker = true\n"
READ: FrozenBundle = {Setting.WIFI_SSID: "attic", Setting.BROKER_HOST: "192.0.2.2"}


def gone(plan: Plan, name: str = "lamp", **more: Any) -> Missing:
    """A device of the plan that was sent its bundle and is adrift."""
    planned = plan.device(name)
    told: dict[str, Any] = {
        "device": planned,
        "state": State.ADRIFT,
        "direction": Direction.FORWARD,
        "given": planned.bundle,
        "sent_at": "2026-01-01T12:00:00+00:00",
        "before": {**planned.way_back, **{s: READ[s] for s in planned.read_back if s in READ}},
        "read": READ,
        **more,
    }
    return Missing(**told)


def files_of(playbook: str | Playbook, devices: Sequence[Device], **radios: Radio) -> Files:
    change = playbook_of(playbook) if isinstance(playbook, str) else playbook
    known = {name: dialect.radio for name, dialect in dialects().items()} | radios
    return Files(
        old_side(change), new_side(change), known, {device.name: device for device in devices}
    )


def search(playbook: str, *devices: Device, **more: Any) -> Search:
    """All these devices are adrift after the change."""
    here = devices or (one(),)
    plan = plan_of(here, playbook)
    lost = [gone(plan, device.name) for device in here]
    return search_for(lost, files_of(playbook, here), **more)


def only(found: Search) -> Clue:
    (clue,) = found.clues
    return clue


def test_a_new_network_and_all_that_goes_with_it() -> None:
    found = search(WHOLE)
    clue = only(found)
    assert (clue.took, clue.kept, clue.spare) == (NEW, OLD, None)
    assert clue.moves
    assert clue.broker is not None
    assert (clue.broker.host, clue.broker.username) == ("198.51.100.2", "house")
    assert clue.prior[Setting.WIFI_SSID] == "attic"
    assert clue.causes == (
        Cause.NOT_LET_IN,
        Cause.NO_POWER,
        Cause.NOT_FOUND,
        Cause.SET_UP,
    )
    (group,) = found.groups
    assert str(group.subnet) == "198.51.100.0/24"
    assert group.leases is not None
    assert group.leases.endswith("new.leases")
    assert group.unchecked == ("bands", "channels", "security")
    assert group.air.bands == ("2.4 GHz",)
    assert found.unsettled


def test_a_new_network_and_the_broker_it_had() -> None:
    clue = only(search(WIFI_ONLY))
    assert clue.took == NEW
    assert clue.broker is not None
    assert clue.broker.host == "192.0.2.2"


def test_a_group_topic_takes_nobody_to_another_network() -> None:
    found = search(GROUP_ONLY)
    clue = only(found)
    assert not clue.moves
    assert (clue.took, clue.kept) == (OLD, None)
    assert clue.causes == (Cause.NO_POWER, Cause.NOT_FOUND)
    assert not found.groups[0].moves


def test_a_new_broker_alone() -> None:
    """Over HTTP a device is found whatever its broker says, so that is less likely there."""
    by_http = only(search(BROKER_ONLY))
    by_mqtt = only(search(BROKER_ONLY, one(via="mqtt")))
    assert by_http.took == by_mqtt.took == OLD
    assert by_http.causes == (Cause.NO_POWER, Cause.BROKER, Cause.NOT_FOUND)
    assert by_mqtt.causes == (Cause.BROKER, Cause.NO_POWER, Cause.NOT_FOUND)


def test_with_the_old_network_in_its_spare_slot_it_is_likelier_off() -> None:
    """Not let in, it would be back on the old network."""
    plan = plan_of([one()], WIFI_ONLY)
    spare = {Setting.SPARE_SSID: "attic", Setting.SPARE_SECRET: OLD_KEY}
    lost = gone(plan, given={**plan.device("lamp").bundle, **spare})
    clue = only(search_for([lost], files_of(WIFI_ONLY, [one()])))
    assert (clue.took, clue.spare) == (NEW, OLD)
    assert clue.causes[:2] == (Cause.NO_POWER, Cause.NOT_LET_IN)
    emptied = {Setting.SPARE_SSID: ""}
    lost = replace(lost, given={**lost.given, **emptied})
    clue = only(search_for([lost], files_of(WIFI_ONLY, [one()])))
    assert clue.spare is None
    assert clue.causes[0] is Cause.NOT_LET_IN


def test_a_spare_slot_that_is_filled_beside_the_network_it_is_on() -> None:
    plan = plan_of([one()], GROUP_ONLY)
    slot = {Setting.SPARE_SSID: "attic", Setting.SPARE_SECRET: NEW_KEY}
    files = files_of(GROUP_ONLY, [one()])
    files = replace(files, new=replace(files.new, slots=Slots(wifi="")))
    clue = only(search_for([gone(plan, given=slot, before={})], files))
    assert not clue.moves
    assert clue.took == OLD
    assert clue.spare == Network("attic", NEW_KEY)  # the same name, another passphrase


def test_a_spare_slot_that_stands_as_the_playbook_says() -> None:
    """Its name is read and never its passphrase: that is the one declared for this name alone."""
    plan = plan_of([one()], GROUP_ONLY)
    files = files_of(GROUP_ONLY, [one()])
    assert files.old.wifi is not None
    cellar = files.old.wifi.model_copy(update={"ssid": "cellar"})
    files = replace(files, new=replace(files.new, slots=Slots(wifi=cellar)))
    for ssid, key in (("cellar", OLD_KEY), ("shed", None)):
        lost = gone(plan, read={**READ, Setting.SPARE_SSID: ssid})
        assert only(search_for([lost], files)).spare == Network(ssid, key)


def test_given_the_network_that_it_had_it_looks_for_no_other() -> None:
    plan = plan_of([one()], WHOLE)
    had = {Setting.WIFI_SSID: "loft", Setting.WIFI_SECRET: NEW_KEY}
    clue = only(search_for([gone(plan, before=had)]))
    assert (clue.took, clue.kept) == (NEW, None)


def switched(state: State, *, flipped: bool) -> Clue:
    """One step for all: the same name, a new passphrase."""
    plan = plan_of([one()], WIFI_ONLY)
    lost = gone(
        plan,
        state=state,
        given={Setting.WIFI_SSID: "attic", Setting.WIFI_SECRET: NEW_KEY},
        before={Setting.WIFI_SSID: "attic", Setting.WIFI_SECRET: OLD_KEY},
    )
    return only(search_for([lost], together=True, flipped=flipped))


def test_one_access_point_that_changes_its_passphrase() -> None:
    clue = switched(State.ADRIFT, flipped=True)
    assert clue.took == Network("attic", NEW_KEY)
    assert clue.kept == OLD  # the same name with the old passphrase: two networks to a device
    assert clue.causes[:3] == (Cause.NOT_LET_IN, Cause.OLD_KEY, Cause.NO_POWER)
    assert switched(State.AWAY, flipped=False).causes[0] is Cause.NOT_CHANGED_YET


def test_on_the_way_back_it_looks_for_the_old_network() -> None:
    plan = plan_of([one()], WHOLE)
    back = gone(plan).before
    lost = gone(plan, direction=Direction.BACK, given=back)
    found = search_for([lost], files_of(WHOLE, [one()]))
    clue = only(found)
    assert clue.way is Direction.BACK
    assert (clue.took, clue.kept) == (OLD, NEW)
    assert clue.prior[Setting.WIFI_SSID] == "loft"
    assert str(found.groups[0].subnet) == "192.0.2.0/24"


def test_a_rollback_that_sent_it_nothing_changes_nothing() -> None:
    """It was adrift before, and was taken over: it still has what it was given on the way there."""
    plan = plan_of([one()], WHOLE)
    clue = only(search_for([gone(plan, direction=Direction.BACK)], files_of(WHOLE, [one()])))
    assert clue.way is Direction.FORWARD
    assert (clue.took, clue.kept) == (NEW, OLD)


def test_a_carrier_and_what_hangs_on_it() -> None:
    plug = one("plug", 2, place="loft", reach="tools", feeds=("lamp", "access-point"))
    lamp, desk = one("lamp", 1, place="hall"), one("desk", 3, place="hall", reach="ladder")
    found = search(WHOLE, lamp, desk, plug)
    clues = {clue.name: clue for clue in found.clues}
    assert clues["plug"].causes[0] is Cause.OUTPUT_OFF
    assert clues["lamp"].behind == ("plug",)
    assert clues["lamp"].causes[0] is Cause.BEHIND
    assert clues["desk"].behind == ()
    (group,) = found.groups
    told = [(cause, [clue.name for clue in here]) for cause, here in group.causes]
    assert told == [
        (Cause.BEHIND, ["lamp"]),
        (Cause.OUTPUT_OFF, ["plug"]),
        (Cause.NOT_LET_IN, ["lamp", "desk", "plug"]),
        (Cause.NO_POWER, ["lamp", "desk", "plug"]),
        (Cause.NOT_FOUND, ["lamp", "desk", "plug"]),
        (Cause.SET_UP, ["lamp", "desk", "plug"]),
    ]
    walk = [(stop.place, [clue.name for clue in stop.clues]) for stop in found.stops]
    assert walk == [("loft", ["plug"]), ("hall", ["lamp", "desk"])]


def test_places_are_walked_by_the_easiest_device_in_them() -> None:
    found = search(
        WHOLE,
        one("a", 1, place="roof", reach="tools"),
        one("b", 2, place="hall", reach="ladder"),
        one("c", 3, place="roof", reach="ladder"),
        one("d", 4, place="hall"),
        one("e", 5, place="cellar", reach="tools"),
    )
    walk = [(stop.place, [clue.name for clue in stop.clues]) for stop in found.stops]
    assert walk == [("hall", ["d", "b"]), ("roof", ["c", "a"]), ("cellar", ["e"])]


def test_one_access_point_for_all_that_look_for_the_same() -> None:
    """What it must be is what all their radios can do: rowan speaks WPA3-SAE as well, the others
    do not; one device is told by its owner to know few channels."""
    devices = (
        one("a", 1),
        one("b", 2, dialect="rowan", channels=(1, 6)),
        one("c", 3, reach="tools"),
    )
    found = search(WHOLE, *devices)
    (group,) = found.groups
    assert group.names == ("a", "b", "c")
    assert group.air.channels == (1, 6)
    assert group.air.security == ("wpa2-psk",)


def test_radios_that_have_nothing_in_common() -> None:
    devices = (one("a", 1), one("b", 2, dialect="rowan"))
    plan = plan_of(devices, WHOLE)
    high = Radio(bands=("5 GHz",), channels=(36,))
    found = search_for([gone(plan, "a"), gone(plan, "b")], files_of(WHOLE, devices, rowan=high))
    assert found.groups[0].air.bands == ()
    assert found.groups[0].air.channels == ()


def test_what_the_playbook_says_of_the_access_point_was_checked() -> None:
    said = 'bands = ["2.4 GHz"]\nchannels = [1]\nsecurity = ["wpa2-psk"]\n'
    found = search(WHOLE.replace("[broker]", f"{said}[broker]", 1))
    assert found.groups[0].unchecked == ()


def test_without_the_files_the_journal_still_knows_most() -> None:
    plan = plan_of([one()], WHOLE)
    found = search_for([gone(plan)], reason="gone")
    clue = only(found)
    assert (clue.took, clue.kept) == (NEW, OLD)
    assert (found.groups[0].subnet, found.groups[0].air.bands) == (None, None)
    assert found.groups[0].unchecked == ()
    assert found.reason == "gone"


def test_where_nothing_was_read_and_no_file_is_left_nothing_is_guessed() -> None:
    plan = plan_of([one()], GROUP_ONLY)
    clue = only(search_for([gone(plan, read={}, before={})]))
    assert (clue.took, clue.kept, clue.spare, clue.broker, clue.own) == (None, None, None, None, "")
    known = only(search_for([gone(plan, before={})]))
    assert known.took == Network("attic", None)  # its name was read; a passphrase never is


def test_an_address_of_its_own() -> None:
    plan = plan_of([one()], WIFI_ONLY)
    given = {**plan.device("lamp").bundle, Setting.ADDRESS: "198.51.100.20"}
    clue = only(search_for([gone(plan, given=given)]))
    assert clue.own == "198.51.100.20"
    assert clue.causes[:2] == (Cause.NOT_LET_IN, Cause.OWN_ADDRESS)
    asks = only(search_for([gone(plan, given={**given, Setting.ADDRESS: ""})]))
    assert asks.own == ""
    assert Cause.OWN_ADDRESS not in asks.causes


def test_one_that_sleeps_is_given_time_first() -> None:
    sleeper = one(via="mqtt", wakes_seconds=600.0)
    plan = plan_of([one()], WHOLE)
    lost = gone(plan)
    planned = lost.device.model_copy(update={"wakes_seconds": sleeper.wakes_seconds})
    assert only(search_for([replace(lost, device=planned)])).causes[0] is Cause.ASLEEP


def test_what_is_written_off_is_told_and_holds_nobody() -> None:
    plan = plan_of([one()], WHOLE)
    found = search_for([gone(plan, written_off=True)])
    assert found.clues
    assert not found.unsettled
    assert not search_for([]).unsettled


def test_every_cause_is_found_somewhere() -> None:
    """None of them is there for nothing."""
    plug = one("plug", 2, feeds=("lamp", "broker"))
    found = [
        search(WHOLE, one(), plug),
        search(BROKER_ONLY),
    ]
    causes = {cause for each in found for clue in each.clues for cause in clue.causes}
    causes |= set(switched(State.ADRIFT, flipped=True).causes)
    causes |= set(switched(State.AWAY, flipped=False).causes)
    assert set(Cause) - causes == {Cause.ASLEEP, Cause.OWN_ADDRESS}  # shown above
