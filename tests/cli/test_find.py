"""`migrate find` as a real command, against devices of the lab on loopback."""

from __future__ import annotations

import tomllib
from difflib import ndiff
from pathlib import Path

import pytest
from typer.testing import CliRunner

from migrate.cli.app import app
from migrate.model.problems import Exit

from .house import LAMP, LIGHT, PLUG, House, house
from .paper import Ended
from .starter import Starter

RUN = CliRunner()
OWNERS = """# The shed, as I know it.
title   =   "Shed"   # my own spacing

[[device]]
mac = "00:00:5e:00:53:03"   # colons are mine
name = "shed-light"
dialect = "sedge"
address = "127.20.9.9" # where it was in spring
reach = "ladder"

[[device]]
name = "gone"
mac = "00-00-5E-00-53-77"
dialect = "sedge"
"""


async def ended_by(one: House, *args: str | Path) -> Ended:
    """A command that keeps no state, to its end."""
    async with one.begun(*args) as command:
        return await command.ended()


async def test_from_nothing_to_a_fleet_file_and_again(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter) as one:
        fleet = tmp_path / "found" / "fleet.toml"
        light, port = one.unit(LIGHT), str(one.unit(LIGHT).http_port)
        assert light.address
        asked: list[str | Path] = [
            "find",
            "--fleet",
            fleet,
            "--dialect",
            "rowan",
            "--dialect",
            "sedge",
        ]
        asked += ["--dialect", "larch", "--seconds", "0.5", "--playbook", one.playbook]
        asked += ["--range", f"{light.address}/32", "--port", port]
        look = await ended_by(one, *asked)
        assert look.code == Exit.DONE, look.all
        assert "3 devices answered and told who they are" in look.out
        assert "Add --write" in look.out
        assert not fleet.exists()
        wrote = await ended_by(one, *asked, "--write")
        assert wrote.code == Exit.DONE, wrote.all
        devices = {d["mac"]: d for d in tomllib.loads(fleet.read_text())["device"]}
        assert devices.keys() == {unit.spec.mac for unit in one.lab.units.values()}
        assert devices[light.spec.mac]["address"] == str(light.address)
        assert devices[light.spec.mac]["via"] == "http"
        assert devices[one.unit(PLUG).spec.mac]["topic"] == PLUG
        assert devices[one.unit(PLUG).spec.mac]["via"] == "mqtt"
        assert {d["reach"] for d in devices.values()} == {"tools"}
        assert {d["firmware"] for d in devices.values()} == {"1.0.0"}
        again = await ended_by(one, *asked, "--write")
        assert again.code == Exit.DONE, again.all
        assert "nothing to write" in again.out
        # It sent nothing that changes anything, and nobody's password to anybody.
        assert one.changed() == [0, 0, 0]


async def test_the_owners_words_stay(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter) as one:
        fleet = tmp_path / "shed" / "fleet.toml"
        fleet.parent.mkdir()
        fleet.write_text(OWNERS)
        fleet.chmod(0o640)
        light = one.unit(LIGHT)
        asked: list[str | Path] = [
            "find",
            "--fleet",
            fleet,
            "--seconds",
            "0.5",
            "--playbook",
            one.playbook,
        ]
        asked += ["--range", f"{light.address}/32", "--port", str(light.http_port)]
        asked += ["--dialect", "sedge", "--dialect", "rowan"]
        look = await ended_by(one, *asked)
        assert f"changed   {LIGHT}  address {light.address}, the file says 127.20.9.9" in look.out
        assert "not seen  gone" in look.out
        assert fleet.read_text() == OWNERS
        wrote = await ended_by(one, *asked, "--write")
        assert wrote.code == Exit.DONE, wrote.all
        after = fleet.read_text()
        lines = [line for line in ndiff(OWNERS.splitlines(), after.splitlines()) if line[0] in "-"]
        assert lines == ['- address = "127.20.9.9" # where it was in spring']
        assert f'address = "{light.address}" # where it was in spring' in after
        assert fleet.stat().st_mode & 0o777 == 0o640
        assert {d["name"] for d in tomllib.loads(after)["device"]} >= {LIGHT, "gone", PLUG}


async def test_who_asks_for_a_login_is_told_apart(tmp_path: Path, starter: Starter) -> None:
    async with house(tmp_path, starter) as one:
        lamp = one.unit(LAMP)
        look = await ended_by(one,
            "find", "--fleet", tmp_path / "none.toml", "--dialect", "larch",
            "--range", f"{lamp.address}/32", "--port", str(lamp.http_port),
        )  # fmt: skip
        assert look.code == Exit.DONE, look.all
        assert "1 host asked for a login" in look.out
        assert f"{lamp.address}:{lamp.http_port}" in look.out
        # A lease tells whose address that is: so the owner can write it down by hand.
        look = await ended_by(one,
            "find", "--fleet", tmp_path / "none.toml", "--dialect", "larch",
            "--range", f"{lamp.address}/32", "--port", str(lamp.http_port),
            "--leases", tmp_path / "leases-old",
        )  # fmt: skip
        assert f"{lamp.address}:{lamp.http_port}  said to be {lamp.spec.mac} {LAMP}" in look.out


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        (["--range", "10.0.0.0/8"], Exit.REFUSED, "16,777,216 addresses"),
        (["--range", "8.8.8.0/24"], Exit.REFUSED, "not a private network"),
        (["--range", "192.0.2.1/24"], Exit.REFUSED, "no range of IPv4 addresses"),
        (["--range", "all of it"], Exit.REFUSED, "no range of IPv4 addresses"),
        ([], Exit.USAGE, "nothing to ask"),
        (["--broker", "here:there"], Exit.USAGE, "no host and port"),
        (["--broker", "me:word@127.0.0.1:1"], Exit.USAGE, "no login stands in it"),
        (["--broker", "::1"], Exit.USAGE, "no host and port"),
        (["--leases", "none.leases", "--dialect", "sedge"], Exit.UNREACHABLE, "cannot be read"),
        (["--service", "http", "--dialect", "sedge"], Exit.BAD_FILE, "no type of service"),
        (["--leases", "none.leases"], Exit.BAD_FILE, "there is no dialect to ask with"),
        (["--range", "127.0.0.1/32", "--dialect", "oak"], Exit.BAD_FILE, "no dialect 'oak'"),
    ],
)
def test_what_cannot_be_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: list[str], code: Exit, words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = RUN.invoke(app, ["find", *options, "--seconds", "0.1"])
    assert ended.exit_code == code, ended.output
    assert words in " ".join(ended.output.replace("│", " ").split())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("begun", ['title = "Shed"\n', "# mine\n", "\ufeff", "\ufeff# mine\n"])
async def test_a_file_that_was_only_begun_is_gone_on_with(
    begun: str, tmp_path: Path, starter: Starter
) -> None:
    async with house(tmp_path, starter) as one:
        fleet, light = tmp_path / "begun.toml", one.unit(LIGHT)
        fleet.write_text(begun)
        wrote = await ended_by(one,
            "find", "--fleet", fleet, "--dialect", "sedge", "--write",
            "--range", f"{light.address}/32", "--port", str(light.http_port),
        )  # fmt: skip
        assert wrote.code == Exit.DONE, wrote.all
        assert fleet.read_text().startswith(begun)
        data = tomllib.loads(fleet.read_text().removeprefix("\ufeff"))
        assert [device["mac"] for device in data["device"]] == [light.spec.mac]


def test_a_dialect_that_cannot_be_asked_of_strangers_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shipped = Path(__file__).parents[2] / "migrate" / "dialects" / "shipped" / "sedge.toml"
    (tmp_path / "dialects").mkdir()
    own = shipped.read_text().replace('name = "sedge"', 'name = "own"', 1)
    text = own.replace('path = "/', 'path = "/{topic}/')
    assert text != own
    (tmp_path / "dialects" / "own.toml").write_text(text)
    ended = RUN.invoke(app, ["find", "--range", "127.9.9.9/32"])
    assert ended.exit_code == Exit.DONE, ended.output
    assert "own is not asked for there" in ended.output


def test_a_csv_is_compared_and_not_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "fleet.csv").write_text("name,mac,dialect\nshed,00-00-5E-00-53-03,sedge\n")
    ended = RUN.invoke(app, ["find", "--fleet", "fleet.csv", "--range", "127.9.9.9/32", "--write"])
    assert ended.exit_code == Exit.DONE, ended.output
    assert "not seen  shed" in ended.output
