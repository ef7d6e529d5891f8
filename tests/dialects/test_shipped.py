"""The shipped dialects say what the manuals in docs/manuals say."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from migrate.dialects.carrying import bundle_faults
from migrate.dialects.compose import ask, write
from migrate.dialects.messages import HttpRequest, MqttRequest
from migrate.dialects.schema import Dialect
from migrate.model.parsing import parse_toml
from migrate.model.secrets import Secret
from migrate.model.settings import FLAGS, NUMBERS, SECRETS, Setting, Value
from tests.dialects.samples import NAMES, SHIPPED, device, shipped

MANUALS = Path(__file__).parents[2] / "docs" / "manuals"


ONLY_IN_DOCS = "alder"
"""The manual page from which docs/writing-a-dialect.md writes a dialect."""


def test_the_list_is_whole() -> None:
    assert sorted(path.stem for path in SHIPPED.glob("*.toml")) == sorted(NAMES)
    assert sorted(path.stem for path in MANUALS.glob("*.md")) == sorted(
        [*NAMES, "README", ONLY_IN_DOCS]
    )


@pytest.mark.parametrize("name", NAMES)
def test_it_loads(name: str) -> None:
    text = (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")
    dialect = parse_toml(text, Dialect, f"{name}.toml", Path("home"))
    assert dialect.name == name
    assert dialect.transports == ("http", "mqtt")
    assert dialect == shipped(name)


@pytest.mark.parametrize("name", NAMES)
def test_it_agrees_with_its_manual(name: str) -> None:
    dialect, manual = shipped(name), (MANUALS / f"{name}.md").read_text(encoding="utf-8")
    (octets,) = set(re.findall(r"\*\*(\d+)\s+octets\*\*", manual))
    assert dialect.carries.message_octets == int(octets)
    first, last = re.findall(r"channels (\d+) to (\d+)", manual)[0]
    assert dialect.radio.channels == tuple(range(int(first), int(last) + 1))
    assert dialect.radio.bands == ("2.4 GHz",)
    assert dialect.radio.finds_hidden == ("Hidden networks are found" in manual)
    assert ("wpa3-sae" in dialect.radio.security) == ("WPA3-SAE" in manual)
    auth = {"basic": "basic authentication", "digest": "digest", "none": "No authentication"}
    assert re.search(auth[dialect.http.auth].replace(" ", r"\s+"), manual)
    assert dialect.presence is not None
    topics = [dialect.presence.topic]
    for place in (dialect.write.mqtt, dialect.read.mqtt):
        assert place is not None
        topics += [place.topic, place.reply]
    for topic in topics:
        assert topic.replace("{topic}", "T") in manual
    for word in (dialect.presence.online, dialect.presence.offline):
        assert f"`{word}`" in manual
    for place_of in (dialect.write, dialect.read):
        assert place_of.http is not None
        assert f"{place_of.http.method} {place_of.http.path}" in manual
    for setting, term in dialect.settings.items():
        # The last part of a pointer is the member's name in the manual.
        assert term.name.rpartition("/")[2] in manual
        assert (term.read is None) == (setting in SECRETS)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("transport", ["http", "mqtt"])
def test_a_usual_change_fits(name: str, transport: str) -> None:
    dialect = shipped(name)
    values: dict[Setting, Value] = {
        Setting.WIFI_SSID: "new-net",
        Setting.WIFI_SECRET: Secret("correct horse battery"),
        Setting.BROKER_HOST: "198.51.100.2",
        Setting.BROKER_PORT: 1883,
        Setting.BROKER_TLS: False,
        Setting.BROKER_USERNAME: "house",
        Setting.BROKER_PASSWORD: Secret("another secret"),
        Setting.GROUP_TOPIC: "house",
    }
    assert all(setting in dialect.settings for setting in values)
    assert bundle_faults(dialect, device(), "http", values) == []
    assert bundle_faults(dialect, device(), "mqtt", values) == []
    sent = write(dialect, device(), "mqtt" if transport == "mqtt" else "http", values)
    assert isinstance(sent, MqttRequest if transport == "mqtt" else HttpRequest)
    for printed in (repr(sent), str(sent), f"{sent}"):
        assert "horse" not in printed
        assert "another" not in printed
        assert "new-net" not in printed


def test_requests_as_the_manuals_write_them() -> None:
    bundle: dict[Setting, Value] = {
        Setting.WIFI_SSID: "new-net",
        Setting.WIFI_SECRET: Secret("correct horse"),
    }
    assert write(shipped("larch"), device(), "http", bundle) == HttpRequest(
        "PATCH",
        "/unit/document",
        (("Content-Type", "application/merge-patch+json"),),
        b'{"network":{"name":"new-net","key":"correct horse"}}',
    )
    assert write(shipped("sedge"), device(), "http", bundle) == HttpRequest(
        "GET", "/do?say=station.name%3Dnew-net%3Bstation.key%3Dcorrect%20horse", (), b""
    )
    assert write(shipped("rowan"), device(), "mqtt", bundle, 7) == MqttRequest(
        "rowan/t1/call",
        b'{"jsonrpc":"2.0","id":7,"method":"settings.merge",'
        b'"params":{"wifi_name":"new-net","wifi_key":"correct horse"}}',
        "rowan/t1/return",
        7,
    )


def test_reads_and_restarts_as_the_manuals_write_them() -> None:
    larch, rowan, sedge = (shipped(name) for name in NAMES)
    assert ask(larch, larch.read, device(), "mqtt") == MqttRequest(
        "larch/t1/show", b"", "larch/t1/document"
    )
    assert ask(larch, larch.read, device(), "http") == HttpRequest("GET", "/unit/document", (), b"")
    assert ask(rowan, rowan.read, device(), "http", 3) == HttpRequest(
        "POST",
        "/call",
        (("Content-Type", "application/json"),),
        b'{"jsonrpc":"2.0","id":3,"method":"settings.show"}',
        3,
    )
    assert ask(sedge, sedge.read, device(), "http") == HttpRequest("GET", "/do?say=report", (), b"")
    assert sedge.restart is not None
    assert ask(sedge, sedge.restart, device(), "mqtt") == MqttRequest(
        "sedge/t1/say", b"restart", "sedge/t1/reply"
    )


def test_numbers_and_flags_go_in_the_familys_own_way() -> None:
    bundle: dict[Setting, Value] = {Setting.BROKER_PORT: 8883, Setting.BROKER_TLS: True}
    assert {*bundle} == NUMBERS | FLAGS
    larch = write(shipped("larch"), device(), "mqtt", bundle)
    sedge = write(shipped("sedge"), device(), "mqtt", bundle)
    assert isinstance(larch, MqttRequest)
    assert isinstance(sedge, MqttRequest)
    assert larch.payload == b'{"broker":{"port":8883,"secure":true}}'
    assert sedge.payload == b"mqtt.port=8883;mqtt.secure=yes"


def test_places_are_filled_for_where_they_stand() -> None:
    # RFC 3986 section 3.3: a slash inside a segment of a path is encoded, and so is a blank.
    def own_path(data: dict[str, object]) -> None:
        write_table = data["write"]
        assert isinstance(write_table, dict)
        write_table["http"]["path"] = "/units/{name}/{mac}/a%b c"

    dialect = shipped("larch", own_path)
    bundle: dict[Setting, Value] = {Setting.GROUP_TOPIC: "house"}
    sent = write(dialect, device(name="../hall lamp #1? {x}"), "http", bundle)
    assert isinstance(sent, HttpRequest)
    assert sent.target == (
        "/units/..%2Fhall%20lamp%20%231%3F%20%7Bx%7D/00-00-5E-00-53-01/a%25b%20c"
    )


def test_a_transport_that_is_not_there_raises() -> None:
    def http_only(data: dict[str, object]) -> None:
        for table in ("write", "read"):
            part = data[table]
            assert isinstance(part, dict)
            del part["mqtt"]

    dialect = shipped("larch", http_only)
    assert dialect.transports == ("http",)
    with pytest.raises(ValueError, match="no mqtt"):
        write(dialect, device(), "mqtt", {Setting.GROUP_TOPIC: "house"})
    with pytest.raises(ValueError, match="no mqtt"):
        ask(dialect, dialect.read, device(), "mqtt")
