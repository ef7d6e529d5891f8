"""`migrate adrift`, and what status, report and a held run tell of devices that nobody finds."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from migrate.journal.store import Journal
from migrate.lab import Fault, FaultKind
from migrate.model.problems import Exit
from migrate.views.networks import ssid_in_words
from tests.views.report.reading import read

from .house import LAMP, house
from .missing import RUN, begun, lost
from .paper import Ended, Paper, checked
from .starter import Starter

HEADS = (
    "What each was given",
    "What they look for",
    "Without a ladder: an access point for a while",
    "What may have happened, likeliest first",
    "By hand, in this order",
)


def flat(ended: Ended) -> str:
    """What it said, however it was wrapped."""
    return " ".join(ended.out.split())


def adrift(paper: Paper) -> Ended:
    return paper.cli("adrift", "--state", paper.state)


def legible(ended: Ended) -> None:
    """80 columns, but for commands and paths, which are to be copied; no blanks at the ends."""
    for line in ended.out.splitlines():
        whole = line.lstrip().startswith("migrate ") or max(map(len, line.split()), default=0) > 40
        assert len(line) <= 80 or whole, line
        assert line == line.rstrip()


def test_nobody_is_adrift(paper: Paper) -> None:
    begun(paper, lambda journal: None)
    told = adrift(paper)
    assert (told.code, told.out.strip()) == (Exit.DONE, "New access point: nobody is adrift")


def test_everything_that_helps(paper: Paper) -> None:
    paper.edit(paper.fleet, 'place = "study"', 'place = "study"\nload = "the aquarium heater"')
    begun(paper, lost("hall-plug", "desk-lamp"))
    told = adrift(paper)
    assert told.code == Exit.HELD, told.all
    legible(told)
    said = flat(told)
    assert [head for head in HEADS if head in told.out] == list(HEADS)
    assert [told.out.index(head) for head in HEADS] == sorted(told.out.index(h) for h in HEADS)
    # What it was given, and what it had.
    assert "Sent its settings on 2026-01-01 at 12:34 UTC; its answer: it said yes." in said
    assert 'given, for the new side: wifi.ssid "quarry-loft", wifi.secret <hidden> from' in said
    assert 'had before: wifi.ssid "quarry-attic"' in said
    # What it looks for; two devices, one network, one access point.
    key = "with the passphrase in the environment variable NEW_WIFI"
    assert f'desk-lamp, hall-plug look for "quarry-loft", {key}.' in said
    assert said.count("Take an old router") == 1
    assert "the broker 198.51.100.2, port 1883, as user cottage with the password in the" in said
    assert "2.4 GHz, channels 1 to 11 (best: 1, 6, 11), WPA2-PSK" in said
    assert f"inside 198.51.100.0/24, listed in {paper.folder / 'leases-new'}" in said
    assert 'still looks for "quarry-attic", with the passphrase in the environment variable' in said
    # The walk.
    assert said.count("[ ] desk-lamp, MAC 00-00-5E-00-53-01") == 1
    assert "On it hangs the aquarium heater: see that it may go off and come back" in said
    assert "Opening a device means mains wiring" in said
    assert f"    migrate resume {RUN} --state {paper.state}\n" in told.out


def test_files_that_were_changed_or_are_gone(paper: Paper) -> None:
    begun(paper, lost("desk-lamp"))
    paper.fleet.write_text(paper.fleet.read_text() + "\n")
    changed = adrift(paper)
    assert changed.code == Exit.HELD
    assert f"({paper.fleet} was changed since the plan was frozen)" in flat(changed)
    paper.playbook.unlink()
    gone = adrift(paper)
    assert gone.code == Exit.HELD
    assert f"({paper.playbook} cannot be read: No such file or directory)" in flat(gone)
    for told in (changed, gone):
        legible(told)
        assert "it cannot be told here what the radios of these devices can join" in flat(told)
        # What the journal has is told all the same.
        assert 'desk-lamp looks for "quarry-loft", with the passphrase in the' in flat(told)
        assert "inside the subnet in the playbook" in flat(told)
        assert "channels 1 to" not in told.out


def test_one_that_was_cut_off_and_one_that_is_written_off(paper: Paper) -> None:
    def steps(journal: Journal) -> None:
        lost("desk-lamp")(journal)
        journal.write_off("desk-lamp")

    begun(paper, steps)
    told = adrift(paper)
    assert told.code == Exit.DONE
    assert "desk-lamp is adrift, written off: study" in told.out
    journal = Journal.open(
        paper.state / "runs" / RUN / "journal.sqlite3", lambda: datetime(2026, 1, 2, tzinfo=UTC)
    )
    journal.intend("hall-plug", journal.plan.device("hall-plug").bundle)
    journal.close()
    told = adrift(paper)
    assert told.code == Exit.HELD
    assert "they may be well" in flat(told)
    assert "hall-plug is sending: somewhere" in told.out
    assert "its answer: none is known" in flat(told)
    assert "--write-off hall-plug" in told.out


def test_status_and_report_tell_it_shortly(paper: Paper) -> None:
    begun(paper, lost("desk-lamp"))
    status = paper.cli("status", "--state", paper.state)
    assert status.code == 0
    assert 'desk-lamp looks for "quarry-loft", with the passphrase in the' in flat(status)
    go_on = f"migrate adrift {RUN} --state {paper.state}\n      what the missing look for"
    assert go_on in status.out
    report = read(paper.cli("report", "--to", "-", "--state", paper.state).out)
    assert (2, "Not found, and how to get it back") in report.headings
    for head in HEADS:
        assert (3, head) in report.headings
    assert "desk-lamp, MAC 00-00-5E-00-53-01: within reach." in report.words("missing")
    assert f"migrate resume {RUN} --state {paper.state}" in report.words("missing")


def test_a_report_of_a_run_in_which_all_were_found_does_not_speak_of_it(paper: Paper) -> None:
    begun(paper, lambda journal: None)
    report = read(paper.cli("report", "--to", "-", "--state", paper.state).out)
    assert "missing" not in report.sections


def test_hostile_names_words_and_places_are_harmless(paper: Paper) -> None:
    """Names in files are printable or refused; a network's name and a device's words are not."""
    ssid = "a`|\\u202Eb"
    paper.edit(paper.playbook, '"quarry-loft"', f'"{ssid}"')
    paper.edit(paper.fleet, '"study"', '"[red]study[/red] *x* `y` <b>"')
    begun(
        paper, lost("desk-lamp", words="\x1b]0;pwned\x07 <script> [x](http://192.0.2.9)"), "\x1b[2J"
    )
    told = adrift(paper)  # checked: no escape in it
    assert told.code == Exit.HELD
    assert "[red]study[/red] *x* `y` <b>" in told.out
    assert "\u202e" not in told.out
    assert "(octets 61 60 7C E2 80 AE 62)" in flat(told)
    assert "(octets 1B 5B 32 4A)" in flat(told)
    checked(paper.cli("status", "--state", paper.state))
    report = read(paper.cli("report", "--to", "-", "--state", paper.state).out)
    assert report.elements["script"] == 0
    assert "[red]study[/red] *x* `y` <b>" in report.words("missing")


@pytest.mark.parametrize(
    ("ssid", "words"),
    [
        ("loft", '"loft"'),
        ("The Loft_5", '"The Loft_5"'),
        # A blank at the end, two blanks, and a letter that only looks like an o (U+043E).
        ("loft ", '"loft " (octets 6C 6F 66 74 20)'),
        ("a  b", '"a  b" (octets 61 20 20 62)'),
        ("l\u043eft", '"l\u043eft" (octets 6C D0 BE 66 74)'),
        ("a\tb", '"a\ufffdb" (octets 61 09 62)'),
        ('a"b', '"a"b" (octets 61 22 62)'),
    ],
)
def test_a_name_is_told_octet_by_octet_where_it_is_not_plain(ssid: str, words: str) -> None:
    """UTF-8 by RFC 3629, written out by hand."""
    assert ssid_in_words(ssid) == words


async def test_a_device_that_is_lost_and_comes_back(tmp_path: Path, starter: Starter) -> None:
    """On the wire: the run is held and says shortly what is sought; the command tells the rest;
    once the device is back, nobody is adrift."""
    fault = Fault(FaultKind.NO_RETURN, times=1)
    async with house(tmp_path, starter, (LAMP, fault), most=1) as one:
        one.plan()
        held = await one.run()
        assert held.code == Exit.HELD, held.all
        run = f"{one.run_folder.name} --state {one.state}"
        assert f'{LAMP} looks for "quarry-loft", with the passphrase in the' in flat(held)
        assert f"migrate adrift {run}" in held.out
        told = await one.there("adrift")
        assert told.code == Exit.HELD, told.all
        assert f"{LAMP} is adrift" in told.out
        assert f"[ ] {LAMP}, MAC {one.unit(LAMP).spec.mac}: within reach." in told.out
        # The lab's own truth: this is the network it was given, and has.
        assert one.unit(LAMP).store.wifi_name == "quarry-loft"
        await one.unit(LAMP).power_cycle()
        assert (await one.there("resume")).code == Exit.DONE
        back = await one.there("adrift")
        assert (back.code, "nobody is adrift" in back.out) == (Exit.DONE, True)


def test_a_lease_file_that_is_not_there_is_told_before_and_after(paper: Paper) -> None:
    """A typo in it costs a pilot otherwise: nobody is found by a file that is not there."""
    missing = "the lease file of the new side cannot be read"
    paper.plan()
    for more in ([], ["--dry-run"]):
        tried = paper.cli("run", paper.plan_file, "--state", paper.state, *more)
        assert tried.code == Exit.UNREACHABLE  # no device is there either
        assert missing in flat(tried)
    begun(paper, lost("desk-lamp"))
    assert missing in flat(paper.cli("adrift", RUN, "--state", paper.state))
    (paper.folder / "leases-new").write_text("")
    assert missing not in flat(paper.cli("adrift", RUN, "--state", paper.state))
