"""Every refusal by an example: all found in one pass, in words that help, without a secret."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from migrate.model.fleet import Device
from migrate.model.problems import Exit, Problem, SecretTrouble
from migrate.model.secrets import Secret, SecretRef
from migrate.model.settings import Bundle, FrozenBundle, Setting
from migrate.planning.bundles import resolved
from migrate.planning.refusals.carrying import carried
from tests.planning.samples import (
    CANARIES,
    NEW_BROKER,
    NEW_NET,
    OLD_BROKER,
    OLD_NET,
    OLD_WIFI,
    WHOLE,
    WIFI,
    device,
    dialects,
    own_dialect,
    plan_of,
    refused,
    resolver,
)

MOVE = f"{WIFI}[old]\n{OLD_NET}{OLD_WIFI}{OLD_BROKER}{NEW_NET}"


def only(problems: tuple[Problem, ...]) -> Problem:
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def without(*groups: str, like: str = "larch", name: str = "own") -> Mapping[str, Any]:
    def take(data: dict[str, Any]) -> None:
        for setting in list(data["settings"]):
            if setting.partition(".")[0] in groups:
                del data["settings"][setting]

    return own_dialect(name, like, take)


def test_a_sound_fleet_is_not_refused() -> None:
    plan_of([device("a", 1), device("b", 2, dialect="rowan", via="mqtt")])


def test_transport_that_the_dialect_has_not() -> None:
    def silent(data: dict[str, Any]) -> None:
        for part in ("write", "read"):
            del data[part]["mqtt"]

    own = own_dialect("own", "larch", silent)
    problem = only(refused([device("lamp", dialect="own", via="mqtt")], MOVE, own=own))
    assert problem.device == "lamp"
    assert problem.what == "is to be moved over mqtt, but dialect own has only http"
    assert problem.remedy == "set via to http, or describe mqtt in the dialect"


def test_no_word_for_anything_that_changes() -> None:
    problem = only(
        refused(
            [device("lamp", dialect="own")],
            "[group]\ntopic = 'house'\n",
            own=without("group"),
        )
    )
    assert problem.what == "dialect own has no word for anything that changes"


def test_no_word_for_the_network_while_the_network_changes() -> None:
    problem = only(refused([device("lamp", dialect="own")], WHOLE, own=without("wifi")))
    assert problem.what.startswith("dialect own has no word for the Wi-Fi network")


def test_no_word_for_the_broker_by_which_it_is_moved() -> None:
    own = without("broker")
    problem = only(refused([device("lamp", dialect="own", via="mqtt")], WHOLE, own=own))
    assert "no word for the broker" in problem.what
    assert "over http" in problem.remedy
    # Over HTTP it needs no broker, and a change of the network alone leaves it where it is.
    plan_of([device("lamp", dialect="own")], WHOLE, own=own)
    plan_of([device("lamp", dialect="own", via="mqtt")], MOVE, own=own)


def test_mqtt_without_a_declared_broker() -> None:
    playbook = f"{WIFI}[old]\n{OLD_NET}{OLD_WIFI}{NEW_NET}"
    problems = refused([device("lamp", via="mqtt")], playbook)
    assert [p.what for p in problems] == [
        "is moved over MQTT, but the old broker is not declared",
        "is moved over MQTT, but the new broker is not declared",
    ]
    new_only = f"{WIFI}{NEW_BROKER}[old]\n{OLD_NET}{OLD_WIFI}{NEW_NET}"
    whats = [p.what for p in refused([device("lamp", via="mqtt")], new_only)]
    assert whats[0] == "is moved over MQTT, but the old broker is not declared"


def test_nothing_proves_the_new_address_of_an_mqtt_device() -> None:
    def shy(data: dict[str, Any]) -> None:
        del data["readings"]["address"]

    own = own_dialect("own", "larch", shy)
    net = '[new]\nsubnet = "198.51.100.0/24"\n'
    old = f'[old]\nsubnet = "192.0.2.0/24"\n{OLD_WIFI}{OLD_BROKER}'
    lamp = device("lamp", dialect="own", via="mqtt", address=None)
    problem = only(refused([lamp], f"{WIFI}{old}{net}", own=own))
    assert problem.what.startswith("nothing can prove its new address")
    plan_of([lamp], f"{WIFI}{old}{net}[proof]\naddress = false\n", own=own)


def test_http_device_that_nobody_can_find() -> None:
    old = f'[old]\nsubnet = "192.0.2.0/24"\n{OLD_WIFI}'
    problem = only(refused([device("lamp", address=None)], f"{WIFI}{old}{NEW_NET}"))
    assert problem.what == "has no address, and the old side has no lease file to find it in"
    problem = only(refused([device("lamp")], f"{WIFI}[old]\n{OLD_WIFI}"))
    assert problem.what.startswith("comes back at an address that nobody can tell")


def test_address_outside_the_old_subnet() -> None:
    problem = only(refused([device("lamp", address="203.0.113.9")], MOVE))
    assert problem.what == "address 203.0.113.9 is outside the old subnet 192.0.2.0/24"
    assert problem.device == "lamp"


@pytest.mark.parametrize(
    ("dialect", "secret", "words"),
    [
        ("sedge", "semi;colon passphrase", "wifi.secret contains the separator ';' of sedge"),
        ("sedge", " leading blank", "wifi.secret begins or ends with a blank, which sedge drops"),
        ("sedge", "trailing blank ", "wifi.secret begins or ends with a blank, which sedge drops"),
    ],
)
def test_values_that_would_not_arrive(dialect: str, secret: str, words: str) -> None:
    problem = only(
        refused([device("lamp", dialect=dialect)], MOVE, resolver(NEW_WIFI=secret)),
    )
    assert (problem.device, problem.what) == ("lamp", words)
    assert secret not in repr(problem)
    # The other families carry it.
    plan_of([device("lamp")], MOVE, resolver(NEW_WIFI=secret))
    # And nothing is taken back by it either.
    problem = only(refused([device("lamp", dialect=dialect)], MOVE, resolver(OLD_WIFI=secret)))
    assert problem.what == f"the way back: {words}"
    assert secret not in repr(problem)


def test_a_bundle_longer_than_one_message() -> None:
    playbook = WHOLE.replace('username = "house"', f'username = "{"u" * 200}"')
    problem = only(refused([device("lamp", dialect="sedge")], playbook))
    # The length counted by hand: 8 statements, 7 separators (docs/manuals/sedge.md: 255 octets).
    names = (
        "station.name station.key mqtt.host mqtt.port mqtt.secure mqtt.user mqtt.pass mqtt.group"
    )
    values = ["loft", CANARIES["NEW_WIFI"], "198.51.100.2", "1883", "no", "u" * 200]
    values += [CANARIES["NEW_BROKER"], "house"]
    octets = sum(len(f"{n}={v}") for n, v in zip(names.split(), values, strict=True)) + 7
    assert problem.what == (f"the bundle is {octets} octets long; one message of sedge holds 255")


@pytest.mark.parametrize(
    ("secret", "words"),
    [
        ("short 7", "the passphrase has 7 characters; IEEE 802.11 asks for 8 to 63"),
        ("z" * 64, "64 characters must all be hexadecimal digits"),
        ("z" * 65, "the passphrase has 65 characters"),
        ("umlaut ü in it", "a character outside the codes 32..126"),
    ],
)
@pytest.mark.parametrize(("env", "key"), [("NEW_WIFI", "wifi"), ("OLD_WIFI", "old.wifi")])
def test_a_passphrase_against_the_standard(secret: str, words: str, env: str, key: str) -> None:
    # Source: IEEE Std 802.11, 8..63 characters of 32..126, or 64 hex digits.
    problem = only(refused([device("lamp")], MOVE, resolver(**{env: secret})))
    assert words in problem.what
    assert (problem.where, problem.key) == ("playbook.toml", f"{key}.secret")
    assert problem.remedy == f"put the right one into the environment variable {env}"
    assert secret not in repr(problem)


def test_no_way_back_and_its_acceptance_by_name() -> None:
    playbook = f"{WIFI}[old]\n{OLD_NET}{NEW_NET}"
    problem = only(refused([device("lamp")], playbook))
    assert problem.what.startswith("no way back: wifi.secret of the old side")
    assert "[old.wifi]" in problem.remedy
    assert 'no_way_back = ["lamp"]' in problem.remedy
    accepted = playbook.replace("[old]", '[old]\nno_way_back = ["lamp"]')
    (planned,) = plan_of([device("lamp")], accepted).devices
    assert planned.lost == (Setting.WIFI_SECRET,)
    assert planned.way_back == {}
    assert planned.read_back == ()
    # Accepted for one device is not accepted for another.
    assert only(refused([device("lamp"), device("shade", 2)], accepted)).device == "shade"


def test_the_remedy_names_the_part_that_is_lost() -> None:
    playbook = f"{NEW_BROKER}[old]\n{OLD_NET}"
    assert "[old.broker]" in only(refused([device("lamp")], playbook)).remedy


def test_no_way_back_names_somebody_else() -> None:
    problem = only(refused([device("lamp")], MOVE.replace("[old]", '[old]\nno_way_back = ["lam"]')))
    assert problem.what == "'lam' is not in the fleet"
    assert (problem.where, problem.key) == ("playbook.toml", "old.no_way_back")


def test_both_networks_of_one_name() -> None:
    problem = only(refused([device("lamp")], MOVE.replace("loft", "attic")))
    assert problem.what.startswith("old and new network have the same name")
    assert problem.key == "wifi.ssid"


@pytest.mark.parametrize("part", ["broker", "group"])
def test_a_change_that_changes_nothing(part: str) -> None:
    same = {"broker": 'host = "192.0.2.2"', "group": 'topic = "house"'}[part]
    alone = f"[{part}]\n{same}\n[old]\n{OLD_NET}{part} = {{ {same} }}\n"
    problem = only(refused([device("lamp")], alone))
    assert problem.what == f"the new {part} is the old one"
    assert problem.remedy == "declare what changes"
    plan_of([device("lamp")], f"{WIFI}{alone}{OLD_WIFI}{NEW_NET}")


def test_feeding_the_machine_that_runs_it_or_nobody_or_each_other() -> None:
    assert (
        "run migrate on another machine"
        in only(refused([device("plug", feeds=("controller",))], MOVE)).remedy
    )
    problem = only(refused([device("plug", feeds=("acess-point",))], MOVE))
    assert problem.what.startswith("feeds 'acess-point', which is neither a device nor one of ")
    assert (problem.where, problem.device) == ("fleet.toml", "plug")
    circle = [device("a", 1, feeds=("b",)), device("b", 2, feeds=("a",))]
    problem = only(refused(circle, MOVE))
    assert problem.what == "devices feed each other in a circle: a, b"
    assert problem.where == "fleet.toml"


def test_all_reasons_come_in_one_pass() -> None:
    fleet: list[Device] = [
        device("a", 1, feeds=("b",)),
        device("b", 2, feeds=("a", "nothing")),
        device("c", 3, dialect="sedge"),
        device("d", 4, address="203.0.113.9"),
        device("e", 5, via="mqtt"),
        device("f", 6, feeds=("controller",)),
    ]
    playbook = f'{WIFI}[old]\nno_way_back = ["nobody"]\n{OLD_NET}{OLD_WIFI}{NEW_NET}'
    problems = refused(fleet, playbook, resolver(NEW_WIFI="semi;co", OLD_WIFI="short"))
    told = "\n".join(map(str, problems))
    for words in (
        "feeds 'nothing'",
        "in a circle: a, b",
        "7 characters",
        "5 characters",
        "'nobody' is not in the fleet",
        "separator ';' of sedge",
        "203.0.113.9 is outside",
        "the old broker is not declared",
        "the new broker is not declared",
        "feeds the machine that migrate runs on",
    ):
        assert told.count(words) == 1, (words, told)
    assert len(problems) == 10
    assert "semi;co" not in told


def test_missing_secrets_are_told_together_and_by_their_own_exit_code() -> None:
    def locked(ref: SecretRef) -> Secret:
        raise SecretTrouble(Problem(f"the {ref} is not set", "export it"))

    with pytest.raises(SecretTrouble) as trouble:
        plan_of([device("lamp", dialect="sedge", feeds=("nothing",))], WHOLE, locked)
    assert trouble.value.exit is Exit.SECRET
    told = {problem.what for problem in trouble.value.problems}
    assert told == {f"the environment variable {env} is not set" for env in CANARIES}
    assert len(trouble.value.problems) == 3


def test_a_last_look_tells_the_same_faults() -> None:
    lamp, sedge = device("lamp", dialect="sedge"), dialects()["sedge"]
    values: Bundle = {Setting.WIFI_SSID: "a;b", Setting.WIFI_SECRET: Secret("long enough")}
    (problem,) = carried(lamp, sedge, values, "the way back: ")
    assert problem.what == "the way back: wifi.ssid contains the separator ';' of sedge"
    assert problem.device == "lamp"
    assert carried(lamp, sedge, {**values, Setting.WIFI_SSID: "ab"}) == []


def test_resolved_bundles_hide_their_secrets() -> None:
    frozen: FrozenBundle = {
        Setting.WIFI_SECRET: SecretRef(env="NEW_WIFI"),
        Setting.BROKER_PASSWORD: "",
    }
    values = resolved(frozen, resolver())
    assert values == {
        Setting.WIFI_SECRET: Secret(CANARIES["NEW_WIFI"]),
        Setting.BROKER_PASSWORD: Secret(""),
    }
    assert CANARIES["NEW_WIFI"] not in repr(values)
