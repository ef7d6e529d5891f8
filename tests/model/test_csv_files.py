"""fleet.csv: the same fleet from a spreadsheet (RFC 4180), and its own mistakes."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.model.helpers import BASE, fleet_of, fleet_problems

MAC = "00-00-5E-00-53-01"


def test_a_whole_fleet() -> None:
    text = (
        "name, mac, dialect, via, topic, port, feeds, username, password_file, reach\r\n"
        '"hall, lamp",00:00:5e:00:53:01,larch,,,8080,,owner,larch.secret,ladder\r\n'
        "no,00-00-5E-00-53-02,sedge,mqtt,00123456,,router broker,,,\r\n"
        "\r\n"
    )
    fleet = fleet_of(text, "mill.csv")
    lamp, plug = fleet.device
    assert fleet.title == "mill"
    assert (lamp.name, lamp.mac, lamp.port, lamp.reach) == ("hall, lamp", MAC, 8080, "ladder")
    assert lamp.login is not None
    assert (lamp.login.username, lamp.login.secret.file) == ("owner", str(BASE / "larch.secret"))
    assert (plug.name, plug.topic, plug.feeds) == ("no", "00123456", ("router", "broker"))
    assert (plug.port, plug.login, plug.place) == (None, None, "somewhere")


def test_the_mark_that_spreadsheets_put_first() -> None:
    assert fleet_of(f"\ufeffname,mac,dialect\nplug,{MAC},larch", "a.CSV").device[0].name == "plug"


def test_an_unknown_column_and_the_nearest() -> None:
    (problem,) = fleet_problems(f"name,mac,dialekt\nplug,{MAC},larch", "fleet.csv")
    assert problem.key == "dialekt"
    assert problem.remedy == "did you mean 'dialect'?"


def test_a_column_that_stands_twice() -> None:
    text = f"name,mac,dialect,mac\nplug,{MAC},larch,00-00-5E-00-53-02"
    (problem,) = fleet_problems(text, "fleet.csv")
    assert problem.key == "mac"
    assert "twice" in problem.what


def test_too_many_fields_names_the_line_of_the_file() -> None:
    text = f"name,mac,dialect\n\n\nplug,{MAC},larch\nlamp,00-00-5E-00-53-02,larch,more"
    (problem,) = fleet_problems(text, "fleet.csv")
    assert problem.key == "line 5"
    assert "commas" in problem.remedy


@pytest.mark.parametrize(
    ("row", "key", "words"),
    [
        (f"plug,{MAC},,", "dialect", "missing"),
        (f"plug,{MAC}", "dialect", "missing"),
        ("plug,nonsense,larch,", "mac", "six octets"),
        (f"plug,{MAC},larch,eighty", "port", "integer"),
        (f"plug,{MAC},larch,65536", "port", "less than or equal to 65535"),
        (f"plug,{MAC},larch," + "9" * 6000, "port", "integer"),
        (f"plug,{MAC},larch,-1", "port", "integer"),
    ],
)
def test_wrong_values_name_file_key_and_device(row: str, key: str, words: str) -> None:
    (problem,) = fleet_problems(f"name,mac,dialect,port\n{row}", "fleet.csv")
    assert problem.key == f"device[0].{key}"
    assert problem.device == "plug"
    assert words in problem.what + problem.remedy


@pytest.mark.parametrize(
    ("columns", "fields", "key", "words"),
    [
        ("username", "owner", "login.password", "exactly one"),
        ("password_env", "PLUG", "login.username", "at least 1 character"),
        ("username,password_env,password_file", "owner,A,b", "login.password", "exactly one"),
        ("username,password_env", "owner,correct horse", "login.password.env", "not the name"),
    ],
)
def test_logins(columns: str, fields: str, key: str, words: str) -> None:
    text = f"name,mac,dialect,{columns}\nplug,{MAC},larch,{fields}"
    (problem,) = fleet_problems(text, "fleet.csv")
    assert problem.key == f"device[0].{key}"
    assert words in problem.what
    assert "correct horse" not in str(problem)


@pytest.mark.parametrize("text", ["", "\n", "name,mac,dialect\n"])
def test_a_fleet_has_a_device(text: str) -> None:
    (problem,) = fleet_problems(text, "fleet.csv")
    assert problem.key == "device"


@pytest.mark.parametrize(
    "text",
    [
        f'name,mac,dialect\n"plug,{MAC},larch\n',  # a quote that is never closed
        f'name,mac,dialect\n"pl"ug,{MAC},larch\n',
        "name,mac,dialect\nplug" + "x" * 200_000,
    ],
)
def test_not_csv(text: str) -> None:
    (problem,) = fleet_problems(text, "fleet.csv")
    assert problem.what.startswith("is not CSV: ")


# Names come back as the csv module of the standard library wrote them.
@given(
    st.lists(
        st.text(
            st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp", "Zs", "Cf", "Co", "Cn"]),
            min_size=1,
            max_size=30,
        ),
        min_size=1,
        max_size=5,
        unique=True,
    )
)
def test_quoting(names: list[str]) -> None:
    stream = io.StringIO()
    writer = csv.writer(stream, quoting=csv.QUOTE_ALL)
    writer.writerow(["name", "mac", "dialect"])
    for number, name in enumerate(names):
        writer.writerow([name, f"00-00-5E-00-53-{number:02X}", "larch"])
    fleet = fleet_of(stream.getvalue(), "fleet.csv")
    assert [device.name for device in fleet.device] == names
