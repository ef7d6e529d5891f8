"""fleet.toml: what it may say, and the words for everything that is wrong in one."""

from __future__ import annotations

from ipaddress import IPv4Address

import pytest
from hypothesis import given
from hypothesis import strategies as st

from migrate.model.fleet import Fleet, Reach
from migrate.model.parsing import parse_fleet, validate
from migrate.model.problems import BadFile
from tests.model.helpers import BASE, fleet_of, fleet_problems

WHOLE = """
title = "the old mill"

[[device]]
name = "hall lamp"
mac = "00:00:5e:00:53:01"
dialect = "larch"
address = "192.0.2.11"
port = 8080
place = "hall"
reach = "ladder"
cover = "hall lights"
login = { username = "owner", password = { file = "larch.secret" } }

[[device]]
name = "no"
mac = "00-00-5E-00-53-02"
dialect = "sedge"
via = "mqtt"
topic = "00123456"
feeds = ["access point", "broker"]
"""


def one(lines: str = "", name: str = "plug", mac: str = "00-00-5E-00-53-01") -> str:
    """A device with more lines in it; a line may take the place of a needed key."""
    given_keys = {line.partition("=")[0].strip() for line in lines.splitlines()}
    needed = {"name": f'"{name}"', "mac": f'"{mac}"', "dialect": '"larch"'}
    kept = "".join(f"{key} = {text}\n" for key, text in needed.items() if key not in given_keys)
    return f"[[device]]\n{kept}{lines}\n"


def test_a_whole_fleet() -> None:
    fleet = fleet_of(WHOLE)
    lamp, plug = fleet.device
    assert fleet.title == "the old mill"
    assert lamp.mac == "00-00-5E-00-53-01"
    assert lamp.address == IPv4Address("192.0.2.11")
    assert (lamp.port, lamp.reach, lamp.reach.rank, lamp.via) == (8080, Reach.LADDER, 1, "http")
    assert lamp.login is not None
    assert lamp.login.secret.file == str(BASE / "larch.secret")
    assert not lamp.carrier
    assert plug.carrier
    assert plug.feeds == ("access point", "broker")
    # Text stays the text it is: no number, no false.
    assert (plug.name, plug.topic) == ("no", "00123456")
    assert fleet.by_name("no") is plug
    assert fleet.by_name("nobody") is None


def test_reach_goes_from_easy_to_hard() -> None:
    assert [reach.rank for reach in (Reach.TABLE, Reach.LADDER, Reach.TOOLS)] == [0, 1, 2]


def test_a_byte_order_mark_is_no_part_of_the_text() -> None:
    assert fleet_of("\ufeff" + WHOLE) == fleet_of(WHOLE)


def test_an_unknown_key_and_the_nearest() -> None:
    (problem,) = fleet_problems(one('adress = "192.0.2.1"'))
    assert problem.key == "device[0].adress"
    assert problem.device == "plug"
    assert problem.remedy == "did you mean 'address'?"
    (problem,) = fleet_problems(one('login = { username = "a", pasword = { env = "A" } }'))
    assert problem.key == "device[0].login.pasword"
    assert problem.remedy == "did you mean 'password'?"
    (problem,) = fleet_problems('titel = "a"\n' + one())
    assert problem.key == "titel"
    assert problem.remedy == "did you mean 'title'?"
    (problem,) = fleet_problems(one("zzzzzz = 1"))
    assert problem.remedy.startswith("known here: address, channels, cover, dialect")


@pytest.mark.parametrize(
    ("line", "key", "words"),
    [
        ('port = "80"', "port", "integer"),
        ("port = 80.5", "port", "integer"),
        ("port = true", "port", "integer"),
        ("port = 0", "port", "greater than or equal to 1"),
        ("port = 65536", "port", "less than or equal to 65535"),
        ("name = 5", "name", "string"),
        ("name = no-quotes", None, "is not TOML"),
        ('name = "   "', "name", "not blank"),
        ('name = "bell\\u0007"', "name", "printable"),
        ('name = ""', "name", "at least 1 character"),
        ("mac = 5", "mac", "must be text such as"),
        ('mac = "00-00-5E-00-53"', "mac", "six octets"),
        ('mac = "01-00-5E-90-10-01"', "mac", "group address"),
        ('address = "192.0.2"', "address", "four numbers"),
        ('address = "2001:db8::1"', "address", "four numbers"),
        ('address = "192.0.2.011"', "address", "four numbers"),
        ("address = 3221225985", "address", "IPv4"),
        ('topic = "hall/+"', "topic", "wildcard"),
        ('topic = "#"', "topic", "wildcard"),
        ('topic = ""', "topic", "empty"),
        ('via = "smoke"', "via", "'http' or 'mqtt'"),
        ('reach = "far"', "reach", "table, ladder, tools"),
        ("reach = 1", "reach", "table, ladder, tools"),
        ('feeds = "access point"', "feeds", "must be a list"),
        ("feeds = [1]", "feeds[0]", "string"),
        ("login = 5", "login", "dictionary"),
        ('login = { username = "a" }', "login.password", "missing"),
        ('login = { username = "a", password = {} }', "login.password", "exactly one"),
    ],
)
def test_wrong_values_name_file_key_and_device(line: str, key: str | None, words: str) -> None:
    (problem,) = fleet_problems(one(line))
    assert words in problem.what + problem.remedy
    if key is not None:
        assert problem.key == f"device[0].{key}"
        assert problem.device


def test_a_device_without_a_name_is_counted() -> None:
    (problem,) = fleet_problems(one() + '[[device]]\nmac = "00-00-5E-00-53-02"\ndialect = "larch"')
    assert problem.key == "device[1].name"
    assert problem.device == "number 2"
    assert problem.remedy == "add name = ..."


def test_mqtt_needs_a_topic() -> None:
    (problem,) = fleet_problems(one('via = "mqtt"'))
    assert "topic" in problem.what
    assert (problem.key, problem.device) == ("device[0]", "plug")


@pytest.mark.parametrize(
    ("first", "second", "key"),
    [
        (one(), one(mac="00-00-5E-00-53-02"), "name"),
        (one(), one(name="other", mac="00:00:5e:00:53:01"), "mac"),  # another spelling
        (
            one('topic = "t"'),
            one('topic = "t"', name="other", mac="00-00-5E-00-53-02"),
            "topic",
        ),
    ],
)
def test_what_every_device_has_for_itself(first: str, second: str, key: str) -> None:
    (problem,) = fleet_problems(first + second)
    assert problem.key == f"device[1].{key}"
    assert problem.device == ("plug" if key == "name" else "other")
    assert "already that of device plug" in problem.what
    assert problem.remedy == f"give it its own {key}"


def test_every_double_is_told_at_once() -> None:
    problems = fleet_problems(one() * 3)
    assert [problem.key for problem in problems] == [
        "device[1].name",
        "device[1].mac",
        "device[2].name",
        "device[2].mac",
    ]


def test_two_families_may_use_one_topic_word() -> None:
    other = one('topic = "t"\ndialect = "sedge"', name="other", mac="00-00-5E-00-53-02")
    assert len(fleet_of(one('topic = "t"') + other).device) == 2


@pytest.mark.parametrize("text", ["", 'title = "a"', "device = []"])
def test_a_fleet_has_a_device(text: str) -> None:
    (problem,) = fleet_problems(text)
    assert problem.key == "device"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('[[device]]\nname = "a\nmac = 1', "line 2"),
        ("[[device]]\n\nname: plug", "line 3"),
        ("[[device]\n", "line 1"),
        ('title = "a"\ntitle = "b"\n', "line 2"),
        ("a\0 = 1", "line 1"),
        ('[[device]]\n<html lang="en">', "line 2"),
    ],
)
def test_not_toml_names_the_line(text: str, line: str) -> None:
    (problem,) = fleet_problems(text)
    assert problem.what.startswith("is not TOML: ")
    assert line in problem.what


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 5000 + "]" * 5000,
        "a = " + "{a=" * 5000 + "1" + "}" * 5000,
        ".".join("a" * 5000) + " = 1",  # no brackets at all, and as deep
        "[" + ".".join("a" * 5000) + "]\nb = 1",
    ],
)
def test_deeply_nested(text: str) -> None:
    (problem,) = fleet_problems(text)
    assert "nested too deeply" in problem.what


def test_a_number_that_no_computer_reads() -> None:
    (problem,) = fleet_problems(one("port = " + "9" * 10_000))
    assert "is not TOML" in problem.what
    assert len(str(problem)) < 500


def test_a_password_as_text_is_not_repeated() -> None:
    text = "quagmire xylophone"
    (problem,) = fleet_problems(one(f'login = {{ username = "owner", password = "{text}" }}'))
    assert problem.key == "device[0].login.password"
    assert "env = " in problem.remedy
    assert text not in str(problem)


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(["00-00-5E-00-53-01", "plug", "larch", "mqtt", "table", "192.0.2.1"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["name", "mac", "dialect", "via", "login", "env", "device", "title"]),
            inner,
            max_size=5,
        )
    ),
    max_leaves=20,
)


@given(st.dictionaries(st.sampled_from(["device", "title"]), VALUES))
def test_any_data_is_a_fleet_or_a_bad_file(data: dict[str, object]) -> None:
    try:
        fleet = validate(data, Fleet, "fleet.toml", BASE)
    except BadFile as error:
        problems = error.problems
    else:
        problems = ()
        assert [device.name for device in fleet.device]
    assert all(problem.where == "fleet.toml" and problem.what for problem in problems)


@given(st.text())
def test_any_text_is_a_fleet_or_a_bad_file(text: str) -> None:
    for where in ("fleet.toml", "fleet.csv"):
        with pytest.raises(BadFile):
            parse_fleet(text, where, BASE)
