"""playbook.toml: the declared change, and the words for everything that is wrong in one."""

from __future__ import annotations

from ipaddress import IPv4Network
from pathlib import Path

import pytest
from pydantic import ValidationError

from migrate.model.playbook import Playbook, new_side, old_side
from tests.model.helpers import BASE, playbook_of, playbook_problems

WHOLE = """
title = "new router"

[wifi]
ssid = "00123456"
secret = { env = "NEW_WIFI" }

[broker]
host = "198.51.100.2"
port = 8883
tls = true
ca = "ca.pem"
username = "no"
password = { file = "broker.secret" }

[old]
subnet = "192.0.2.0/24"
leases = "old.leases"
wifi = { ssid = "old-net", secret = { env = "OLD_WIFI" } }
broker = { host = "192.0.2.2" }
group = { topic = "house" }

[new]
subnet = "198.51.100.0/24"

[pace]
stranded_at_most = 2
confidence = 0.9
deadline_seconds = { least = 10, most = 60 }

[gate]
on_fault = "roll-back-wave"
"""
SECRET = "quagmire xylophone"
SMALL = '[group]\ntopic = "house"\n'


def test_a_whole_playbook() -> None:
    playbook = playbook_of(WHOLE)
    assert playbook.wifi is not None
    assert playbook.broker is not None
    # Text stays the text it is: no number, no false.
    assert playbook.wifi.ssid == "00123456"
    assert playbook.broker.username == "no"
    assert playbook.broker.ca == BASE / "ca.pem"
    assert playbook.changed == ("wifi", "broker")
    assert playbook.pace.deadline_seconds.least == 10
    assert playbook.gate.on_fault == "roll-back-wave"


def test_what_is_not_changed_is_the_same_on_both_sides() -> None:
    playbook = playbook_of(WHOLE)
    old, new = old_side(playbook), new_side(playbook)
    assert (old.name, new.name) == ("old", "new")
    assert old.subnet == IPv4Network("192.0.2.0/24")
    assert new.subnet == IPv4Network("198.51.100.0/24")
    assert old.leases == new.leases == BASE / "old.leases"
    assert old.group == new.group
    assert old.group is not None
    assert (old.wifi and old.wifi.ssid, new.wifi and new.wifi.ssid) == ("old-net", "00123456")
    assert new.broker == playbook.broker


def test_the_defaults() -> None:
    playbook = playbook_of(SMALL)
    assert playbook.changed == ("group",)
    assert playbook.gate.on_fault == "hold"
    assert playbook.pace.stranded_at_most == 1
    assert playbook.pace.confidence == 0.95
    assert playbook.proof.address


@pytest.mark.parametrize("text", ["", 'title = "a"', '[old.group]\ntopic = "house"'])
def test_a_playbook_declares_a_change(text: str) -> None:
    (problem,) = playbook_problems(text)
    assert "declares no change" in problem.what
    assert "[wifi], [broker], [group] or [addressing]" in problem.remedy


def test_wifi_without_a_secret() -> None:
    (problem,) = playbook_problems('[wifi]\nssid = "new-net"')
    assert "no secret" in problem.what
    assert "env = " in problem.remedy


# IEEE Std 802.11: 32 octets; eleven characters of three octets, nine of four (RFC 3629).
@pytest.mark.parametrize("ssid", ["x" * 33, "\u20ac" * 11, "\U0001f33f" * 9])
def test_ssids_are_counted_in_octets(ssid: str) -> None:
    (problem,) = playbook_problems(f'[wifi]\nssid = "{ssid}"\nsecret = {{ env = "A" }}')
    assert problem.key == "wifi.ssid"
    assert f"{len(ssid.encode())} octets" in problem.what


@pytest.mark.parametrize(
    "text",
    [
        f'[wifi]\nssid = "a"\nsecret = "{SECRET}"',
        f'[wifi]\nssid = "a"\nsecret = ["{SECRET}"]',
        f'[wifi]\nssid = "a"\nsecret = {{ text = "{SECRET}" }}',
        f'[wifi]\nssid = "a"\nsecret = {{ env = "{SECRET}" }}',
        f'[wifi]\nssid = "a"\nsecret = {{ env = ["{SECRET}"] }}',
        f'[wifi]\nssid = "a"\npassphrase = "{SECRET}"\nsecret = {{ env = "A" }}',
        f'[broker]\nhost = "192.0.2.2"\nusername = "u"\npassword = "{SECRET}"',
        f'[broker]\nhost = "192.0.2.2"\n[broker.own]\nusername = "u"\npassword = "{SECRET}"',
        f'{SMALL}[old.wifi]\nssid = "a"\nsecret = "{SECRET}"',
        f'[wifi]\nssid = "a"\nsecret = "{SECRET}',
        f'[wifi]\nssid = "a"\nsecret = {SECRET}',
        f'wifi = "{SECRET}"',
    ],
)
def test_a_secret_as_text_is_never_repeated(text: str) -> None:
    for problem in playbook_problems(text):
        assert not any(word in str(problem) for word in SECRET.split())


def test_nor_by_the_models_themselves() -> None:
    with pytest.raises(ValidationError) as trouble:
        Playbook.model_validate({"wifi": {"ssid": "a", "secret": SECRET}})
    assert SECRET not in str(trouble.value)
    assert SECRET not in repr(trouble.value)


def test_an_unknown_key_and_the_nearest() -> None:
    (problem,) = playbook_problems(SMALL + "[pace]\nsoak = 5")
    assert problem.key == "pace.soak"
    assert problem.remedy == "did you mean 'soak_seconds'?"
    (problem,) = playbook_problems(SMALL + "[pace.deadline_seconds]\nleats = 5")
    assert problem.remedy == "did you mean 'least'?"
    (problem,) = playbook_problems(SMALL + '[old.broker]\nhots = "a"\nhost = "b"')
    assert problem.key == "old.broker.hots"
    assert problem.remedy == "did you mean 'host'?"


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ('[group]\ntopic = "a/b"', "group.topic", "slash"),
        ('[group]\ntopic = "+"', "group.topic", "wildcard"),
        ("[group]\ntopic = 5", "group.topic", "string"),
        ('[broker]\nhost = ""', "broker.host", "at least 1 character"),
        ('[broker]\nhost = "a"\nport = "1883"', "broker.port", "integer"),
        ('[broker]\nhost = "a"\nport = 65536', "broker.port", "65535"),
        ('[broker]\nhost = "a"\ntls = "yes"', "broker.tls", "boolean"),
        ('[broker]\nhost = "a"\ntls = 1', "broker.tls", "boolean"),
        ('[broker]\nhost = "a"\nca = "b"', "broker", "TLS"),
        ('[broker]\nhost = "a"\npassword = { env = "A" }', "broker", "without a username"),
        ('[broker]\nhost = "a"\nusername = "a\\u0000"', "broker.username", "U+0000"),
        (SMALL + '[old]\nsubnet = "192.0.2.1/24"', "old.subnet", "192.0.2.0/24"),
        (SMALL + '[old]\nsubnet = "nonsense"', "old.subnet", "192.0.2.0/24"),
        (SMALL + "[old]\nsubnet = 5", "old.subnet", "IPv4Network"),
        (SMALL + "[old]\nleases = 5", "old.leases", "Path"),
        (SMALL + "[pace]\nstranded_at_most = 0", "pace.stranded_at_most", "equal to 1"),
        (SMALL + "[pace]\nconfidence = 1.0", "pace.confidence", "less than 1"),
        (SMALL + "[pace]\nconfidence = 0.5", "pace.confidence", "greater than 0.5"),
        (SMALL + "[pace]\nconfidence = nan", "pace.confidence", "must be"),
        (SMALL + "[pace]\nsoak_seconds = nan", "pace.soak_seconds", "must be"),
        (SMALL + "[pace]\nsoak_seconds = inf", "pace.soak_seconds", "finite"),
        (SMALL + "[pace]\nsoak_seconds = -1", "pace.soak_seconds", "equal to 0"),
        (SMALL + "[pace]\nreply_seconds = 0", "pace.reply_seconds", "greater than 0"),
        (
            SMALL + "[pace]\ndeadline_seconds = { least = 9, most = 8 }",
            "pace.deadline_seconds",
            "least (9) is more than most (8)",
        ),
        (SMALL + '[gate]\non_fault = "panic"', "gate.on_fault", "'hold'"),
        (SMALL + "[[wifi]]", "wifi", "dictionary"),
    ],
)
def test_wrong_values_name_file_and_key(text: str, key: str, words: str) -> None:
    (problem,) = playbook_problems(text)
    assert problem.key == key
    assert words in problem.what + problem.remedy


def test_every_fault_is_told_at_once() -> None:
    problems = playbook_problems('[wifi]\nssid = ""\n[broker]\nport = 0\n[pace]\nsoak = 1')
    assert {problem.key for problem in problems} >= {
        "wifi.ssid",
        "broker.host",
        "broker.port",
        "pace.soak",
    }


def test_paths_are_beside_the_file_unless_they_are_whole() -> None:
    whole = Path("some.leases").absolute()
    playbook = playbook_of(f'{SMALL}[old]\nleases = "{whole.as_posix()}"\n[new]\nleases = "a"')
    assert playbook.old.leases == whole
    assert playbook.new.leases == BASE / "a"
