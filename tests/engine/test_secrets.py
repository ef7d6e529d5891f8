"""No secret in anything that is written or told, however it is spelled: invariant 10."""

from __future__ import annotations

import base64
import logging
import traceback
from dataclasses import replace
from urllib.parse import quote

import pytest

from migrate.lab import Fault, FaultKind, Unit
from migrate.lab.firmware.base import Facts
from migrate.model.lifecycle import State
from migrate.model.problems import Exit, Trouble
from migrate.views.report import report

from .harness import FAMILIES, SECRETS, Dev, House, HouseMaker, Pace
from .scan import leaks, leaks_in_folder, spellings

SSIDS = ("old-net", "new-net")
PACE = Pace(soak_seconds=0.15, least=2.5, most=2.5, reply_seconds=0.8, look_seconds=0.1)


def blabs(unit: Unit, words: str) -> None:
    """The device declines, and says these words."""
    truth = unit._facts

    def facts() -> Facts:
        return replace(truth(), declines=words)

    unit._facts = facts  # type: ignore[method-assign]


async def everything_told(house: House, capsys: pytest.CaptureFixture[str]) -> bytes:
    captured = capsys.readouterr()
    told = "\n".join(repr(tidings) for _, tidings in house.told)
    return "\n".join([told, captured.out, captured.err]).encode()


def test_the_scan_finds_what_it_is_to_find() -> None:
    """A search that finds nothing would make every other test here pass."""
    secrets = {**SECRETS, "short": "sh0rt7!"}
    for secret in secrets.values():
        for name, octets in spellings(secret, SSIDS):
            found = leaks(b"before " + octets + b" after", {"it": secret}, SSIDS)
            assert found, f"{name} of {secret}"
            assert all(words.startswith("it") for words in found)
        assert leaks(b"nothing to see", {"it": secret}, SSIDS) == []


def test_the_scan_finds_nothing_where_there_is_nothing() -> None:
    """Seven octets of each, and each of another secret's spellings, are no leak."""
    for secret in SECRETS.values():
        assert (
            leaks(secret[:7].encode() + b"/" + secret[8:15].encode(), {"it": secret}, SSIDS) == []
        )
        for other in set(SECRETS.values()) - {secret}:
            for name, octets in spellings(other, SSIDS):
                assert leaks(octets, {"it": secret}, SSIDS) == [], name


async def test_devices_that_say_what_they_were_told(
    make_house: HouseMaker, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    """Each family declines in words that hold the new passphrase, spelled in many ways. Nothing
    was resolved in this process before: a resumed run has read no secret when it begins."""
    caplog.set_level(logging.DEBUG)
    key = SECRETS["new-wifi"]
    spelled = {
        "plain": f"no: {key}",
        "url": f"no: {quote(key, safe='')}",
        "base64": f"no: {base64.b64encode(key.encode()).decode()}",
        "hex": f"no: {key.encode().hex()}",
    }
    devices = [
        Dev(f"{family}-{way}", family, "mqtt" if family == "rowan" else "http", login=True)
        for family in FAMILIES
        for way in spelled
        # An answer in lines of text ends where its line ends, and none of these has one.
    ]
    async with make_house(Dev("a-pilot", "larch", login=True), *devices, pace=PACE) as house:
        for device in devices:
            blabs(house.unit(device.name), spelled[device.name.partition("-")[2]])
        outcome = await house.forward()
        assert outcome.exit is Exit.HELD
        assert {house.states()[device.name] for device in devices} == {State.DECLINED}
        # It did say something, and it is shown without the secret.
        assert {"<hidden>" in house.note(device.name) for device in devices} == {True}
        (house.state / "report.html").write_text(report(house.journal, "run"))
        (house.state / "plan.json").write_text(house.plan.to_json())
        assert leaks_in_folder(house.state, SECRETS, SSIDS) == {}
        told = await everything_told(house, capsys)
        assert leaks(told + repr(outcome).encode(), SECRETS, SSIDS) == []
        own = [r for r in caplog.records if not r.name.startswith(("migrate.lab", "amqtt"))]
        logged = "\n".join(f"{r.getMessage()} {r.args!r}" for r in own)
        assert leaks(logged.encode(), SECRETS, SSIDS) == []


async def test_a_whole_life(make_house: HouseMaker, capsys: pytest.CaptureFixture[str]) -> None:
    """There and back with faults, over both transports, with logins and TLS; and what is left."""
    devices = [
        Dev("a-pilot", "larch", login=True),
        Dev("lamp", "larch", "mqtt"),
        Dev("plug", "rowan", login=True, fault=Fault(FaultKind.HALF_JSON, 1, "writes")),
        Dev("fan", "sedge", fault=Fault(FaultKind.ANSWERS_500, 1, "writes")),
        Dev("rail", "sedge", "mqtt", fault=Fault(FaultKind.RETURNS_TO_OLD, 1)),
        Dev("gone", "rowan", "mqtt", fault=Fault(FaultKind.NO_RETURN)),
    ]
    more = {"change": ("wifi", "broker", "group"), "secure": True, "old_login": True}
    async with make_house(*devices, pace=PACE, **more) as house:
        for again in ((), ("fan", "rail")):
            await house.forward(*again)
            await house.unit("gone").power_cycle()
            (house.state / f"report-{len(again)}.html").write_text(report(house.journal, "run"))
        await house.back("lamp")
        (house.state / "plan.json").write_text(house.plan.to_json())
        # The journal is looked at while it is open, with what is not yet in its main file.
        assert (house.journal.path.with_name("journal.sqlite3-wal")).stat().st_size > 0
        assert leaks_in_folder(house.state, SECRETS, SSIDS) == {}
        assert leaks(await everything_told(house, capsys), SECRETS, SSIDS) == []
        for path in (house.fleet, house.playbook):
            assert leaks(path.read_bytes(), SECRETS, SSIDS) == []


@pytest.mark.parametrize(
    "trouble",
    ["missing", "readable", "too short", "not to be carried", "broker refuses", "no device"],
)
async def test_troubles_do_not_quote_secrets(make_house: HouseMaker, trouble: str) -> None:
    """The words, the repr and the whole traceback of what is raised."""
    devices = [Dev("a-pilot", "larch", login=True), Dev("fan", "sedge", "mqtt")]
    wrong = {"wrong": "an0ther & word = 77%"}
    async with make_house(*devices, change=("wifi", "broker"), pace=PACE) as house:
        secrets = house.folder / "secrets"
        if trouble == "missing":
            (secrets / "new-wifi").unlink()
        elif trouble == "readable":
            (secrets / "new-wifi").chmod(0o644)
        elif trouble == "too short":
            (secrets / "new-wifi").write_text("sh0rt7!\n")
            wrong["wrong"] = "sh0rt7!"
        elif trouble == "not to be carried":
            (secrets / "old-wifi").write_text("s3parated;by a sign\n")
            wrong["wrong"] = "s3parated;by a sign"
        elif trouble == "broker refuses":
            (secrets / "new-broker").write_text(wrong["wrong"] + "\n")
        else:
            await house.unit("fan").power_off()
            await house.unit("a-pilot").power_off()
        with pytest.raises(Trouble) as raised:
            await house.forward()
        words = "".join(traceback.format_exception(raised.value))
        words += repr(raised.value) + repr(raised.value.problems)
        assert leaks(words.encode(), {**SECRETS, **wrong}, SSIDS) == []
        assert leaks_in_folder(house.state, {**SECRETS, **wrong}, SSIDS) == {}
        assert [unit.messages_that_changed for unit in house.lab.units.values()] == [[], []]
