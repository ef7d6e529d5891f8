"""What each family is given, and how it comes back."""

from __future__ import annotations

from typing import Any

import pytest

from migrate.dialects.carrying import bundle_faults
from migrate.model.playbook import new_side, old_side
from migrate.model.secrets import SecretRef
from migrate.model.settings import DEPENDENT, SECRETS, Setting
from migrate.planning.bundles import bundle, parts_for, resolved, side_settings, way_back
from tests.dialects.samples import NAMES, shipped
from tests.model.helpers import playbook_of
from tests.planning.samples import (
    NEW_BROKER,
    NEW_NET,
    OLD_BROKER,
    OLD_NET,
    OLD_WIFI,
    WHOLE,
    WIFI,
    device,
    resolver,
)

NEW_REF, OLD_REF = SecretRef(env="NEW_WIFI"), SecretRef(env="OLD_WIFI")
S = Setting


@pytest.mark.parametrize("name", NAMES)
def test_a_whole_change_is_one_bundle(name: str) -> None:
    dialect, playbook = shipped(name), playbook_of(WHOLE)
    parts = parts_for(dialect, playbook.changed)
    assert parts == ("wifi", "broker", "group")
    given = bundle(dialect, new_side(playbook), parts, "lamp")
    assert given == {
        S.WIFI_SSID: "loft",
        S.WIFI_SECRET: NEW_REF,
        S.BROKER_HOST: "198.51.100.2",
        S.BROKER_PORT: 1883,
        S.BROKER_TLS: False,
        S.BROKER_USERNAME: "house",
        S.BROKER_PASSWORD: SecretRef(env="NEW_BROKER"),
        S.GROUP_TOPIC: "house",
    }
    for dependent in DEPENDENT:
        there = [setting for setting in dependent if setting in given]
        assert there in ([], list(dependent)), "dependent settings are given together"
    values = resolved(given, resolver())
    assert bundle_faults(dialect, device(dialect=name), "http", values) == []


@pytest.mark.parametrize("name", NAMES)
def test_its_way_back_reads_what_can_be_read_and_declares_the_rest(name: str) -> None:
    dialect, playbook = shipped(name), playbook_of(WHOLE)
    given = bundle(dialect, new_side(playbook), parts_for(dialect, playbook.changed), "lamp")
    back = way_back(dialect, old_side(playbook), given, "lamp")
    # The manuals (docs/manuals): every family reports all but the two secrets.
    assert set(back.read) == set(given) - SECRETS
    assert back.known == {S.WIFI_SECRET: OLD_REF, S.BROKER_PASSWORD: ""}
    assert back.lost == ()
    assert set(back.known) | set(back.read) == set(given)


@pytest.mark.parametrize("name", NAMES)
def test_only_what_changes_is_given(name: str) -> None:
    dialect = shipped(name)
    playbook = playbook_of(f"[group]\ntopic = 'house'\n[old]\n{OLD_WIFI}{OLD_BROKER}")
    parts = parts_for(dialect, playbook.changed)
    given = bundle(dialect, new_side(playbook), parts, "lamp")
    assert given == {S.GROUP_TOPIC: "house"}
    assert way_back(dialect, old_side(playbook), given, "lamp").read == (S.GROUP_TOPIC,)


@pytest.mark.parametrize("name", NAMES)
def test_a_name_never_goes_back_without_its_lost_passphrase(name: str) -> None:
    # An SSID sent alone makes the device restart at once (common practice, no source).
    dialect = shipped(name)
    playbook = playbook_of(f"{WIFI}{NEW_BROKER}[old]\n{OLD_NET}{OLD_BROKER}{NEW_NET}")
    given = bundle(dialect, new_side(playbook), parts_for(dialect, playbook.changed), "lamp")
    back = way_back(dialect, old_side(playbook), given, "lamp")
    assert back.lost == (S.WIFI_SECRET,)
    # Nor does the old broker's address, which the new network may not lead to.
    assert back.known == {}
    assert back.read == ()


@pytest.mark.parametrize("name", NAMES)
def test_a_lost_broker_leaves_the_network_its_way_back(name: str) -> None:
    dialect = shipped(name)
    playbook = playbook_of(f"{WIFI}{NEW_BROKER}[old]\n{OLD_NET}{OLD_WIFI}{NEW_NET}")
    given = bundle(dialect, new_side(playbook), parts_for(dialect, playbook.changed), "lamp")
    back = way_back(dialect, old_side(playbook), given, "lamp")
    assert back.lost == (S.BROKER_PASSWORD,)
    assert back.known == {S.WIFI_SECRET: OLD_REF}
    assert back.read == (S.WIFI_SSID,)


def test_a_setting_without_a_word_is_left_out_only_if_neutral() -> None:
    # A dialect must know broker.password to know a broker, so only tls and username can miss.
    def no_tls(data: dict[str, Any]) -> None:
        del data["settings"]["broker.tls"]
        del data["settings"]["broker.username"]

    dialect = shipped("larch", no_tls)
    open_ = playbook_of('[broker]\nhost = "198.51.100.2"\n')
    given = bundle(dialect, new_side(open_), ("broker",), "lamp")
    assert set(given) == {S.BROKER_HOST, S.BROKER_PORT, S.BROKER_PASSWORD}
    secured = playbook_of('[broker]\nhost = "198.51.100.2"\ntls = true\nusername = "u"\n')
    kept = bundle(dialect, new_side(secured), ("broker",), "lamp")
    assert kept[S.BROKER_TLS] is True
    assert kept[S.BROKER_USERNAME] == "u"
    faults = bundle_faults(dialect, device(), "http", resolved(kept, resolver()))
    assert faults == ["larch has no word for broker.tls", "larch has no word for broker.username"]


def test_unreadable_settings_come_back_as_declared() -> None:
    def blind(data: dict[str, Any]) -> None:
        for word in data["settings"].values():
            word.pop("read", None)

    dialect, playbook = shipped("larch", blind), playbook_of(WHOLE)
    given = bundle(dialect, new_side(playbook), parts_for(dialect, playbook.changed), "lamp")
    back = way_back(dialect, old_side(playbook), given, "lamp")
    assert back.read == ()
    assert back.known == {
        S.WIFI_SSID: "attic",
        S.WIFI_SECRET: OLD_REF,
        S.BROKER_HOST: "192.0.2.2",
        S.BROKER_PORT: 1883,
        S.BROKER_TLS: False,
        S.BROKER_USERNAME: "",
        S.BROKER_PASSWORD: "",
    }
    assert back.lost == (S.GROUP_TOPIC,)


def test_a_side_says_only_what_it_has() -> None:
    playbook = playbook_of("[group]\ntopic = 'house'\n[old]\nwifi = { ssid = 'attic' }\n")
    assert side_settings(old_side(playbook), ("wifi", "broker", "group"), "lamp") == {
        S.WIFI_SSID: "attic"
    }
    assert side_settings(new_side(playbook), ("group",), "lamp") == {S.GROUP_TOPIC: "house"}
