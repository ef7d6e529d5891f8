"""The sheet for devices that nobody can find: what is on it, and what is not."""

from __future__ import annotations

import base64
import hashlib
import re
from html import unescape
from pathlib import Path

import pytest

from migrate.model.problems import Exit
from tests.cli.conftest import paper
from tests.cli.missing import RUN, begun, lost
from tests.cli.paper import SECRETS, Ended, Paper
from tests.views.sheets.mill import mill

__all__ = ["paper"]


def recovery(paper: Paper, *more: str | Path) -> Ended:
    return paper.cli("sheet", "recovery", "--state", paper.state, *more)


def written(ended: Ended) -> str:
    """The sheet that a command has written, which it names last."""
    assert ended.code == Exit.DONE, ended.all
    return Path(ended.out.split("\n")[-2]).read_text(encoding="utf-8")


def words(html: str) -> str:
    """What a reader sees of it, on one line."""
    body = html[html.index("<body") :]
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", body)).split())


def test_nobody_is_adrift(paper: Paper) -> None:
    begun(paper, lambda journal: None)
    told = recovery(paper)
    assert told.out.startswith("Nobody is adrift: there is no device to bring back.\n")
    said = words(written(told))
    assert "Nobody is adrift: there is no device to bring back." in said
    assert "ladder" not in said


def test_standard_output(paper: Paper) -> None:
    begun(paper, lost("desk-lamp"))
    beside = written(recovery(paper))
    assert words(recovery(paper, "--to", "-").out) == words(beside)
    assert not Path("-").exists()
    # Of the other sheet that which holds no secret.
    sheet = paper.cli("sheet", "phones", paper.playbook, "--to", "-")
    assert (sheet.code, sheet.out[:15]) == (Exit.DONE, "<!doctype html>")
    refused = paper.cli("sheet", "phones", paper.playbook, "--to", "-", "--show-passphrase")
    assert (refused.code, refused.out) == (Exit.BAD_FILE, "")
    assert "a sheet with the passphrase is not written there" in refused.err
    assert not Path("-").exists()


def test_everything_that_is_known(paper: Paper) -> None:
    paper.edit(paper.fleet, 'place = "study"', 'place = "study"\nload = "the aquarium heater"')
    paper.edit(paper.fleet, 'topic = "hall-plug"', 'topic = "hall-plug"\nreach = "ladder"')
    begun(paper, lost("desk-lamp", "hall-plug"))
    told = recovery(paper)
    place = paper.state / "runs" / RUN / "recovery.html"
    assert told.out == f"2 devices in 2 places: 2 adrift\n{place}\n"
    assert place.stat().st_mode & 0o777 == 0o600
    html = written(told)
    said = words(html)
    for one in (
        "New access point, run " + RUN,
        "Opening a device means mains wiring",
        f"migrate resume {RUN} --state {paper.state}",
        'study adrift MAC 00-00-5E-00-53-01 within reach looks for network 1, "quarry-loft"',
        "somewhere adrift MAC 00-00-5E-00-53-02 ladder looks for network 1",
        "On it hangs the aquarium heater: see that it may go off",
        "Last words: on neither side for 180 s.",
        'wifi.ssid "quarry-loft", wifi.secret <hidden> from environment variable NEW_WIFI',
        'It had before: wifi.ssid "quarry-attic"',
        "Take an old router, or the hotspot of a phone.",
        "it took its settings, and the network does not let it in",
        "2.4 GHz, channels 1 to 11 (best: 1, 6, 11), WPA2-PSK",
        "--write-off desk-lamp",
    ):
        assert one in said, one
    # On top, and again where a ladder is needed; not at the table.
    assert said.count("A ladder stands on firm ground") == 2
    # A box for the device, one for each cause and for something else, three for what became of it.
    boxes = html.count('<input type="checkbox">')
    steps = 6
    assert boxes == steps + sum(1 + html_causes + 1 + 3 for html_causes in (4, 4))
    assert not [secret for secret in SECRETS.values() if secret in html]


def test_the_order_is_that_of_the_walk(tmp_path: Path) -> None:
    """Places with what feeds others first; then by the easiest device of each."""
    paper = mill(tmp_path)
    html = written(recovery(paper))
    adrift = paper.cli("adrift", "--state", paper.state).out
    walked = re.findall(r"\[ \] (unit-\d\d), MAC", adrift)
    assert len(walked) == 30
    assert re.findall(r"<span>(unit-\d\d)</span>", html) == walked
    assert walked[0] == "unit-09"
    assert re.search(r"By the spare slot unit-.* and \d+ more also try ", words(html))
    assert html.count('<fieldset class="box">') == 30
    assert html.count('<section class="place"') == 12


def test_files_that_were_changed(paper: Paper) -> None:
    begun(paper, lost("desk-lamp"))
    paper.fleet.write_text(paper.fleet.read_text() + "\n")
    said = words(written(recovery(paper)))
    assert "was changed since the plan was frozen" in said
    assert "Set it to 2.4 GHz, channel 1, 6 or 11" in said
    assert 'looks for network 1, "quarry-loft"' in said


def test_hostile_words_are_text(paper: Paper) -> None:
    paper.edit(paper.playbook, '"quarry-loft"', '"a`|\\u202Eb</style>"')
    paper.edit(paper.playbook, '"New access point"', '"</title><script>alert(1)</script>\'\\""')
    paper.edit(paper.fleet, '"study"', "\"[x](http://192.0.2.9) <b onclick='1'>&amp;\"")
    begun(paper, lost("desk-lamp", words="\x1b[2J <script>alert(2)</script> \u202e"), "\x1b[2J")
    html = written(recovery(paper))
    assert "<script" not in html
    assert "<b onclick" not in html
    assert html.count("</style>") == 1
    assert not [char for char in html if not char.isprintable() and char != "\n"]
    said = words(html)
    assert "[x](http://192.0.2.9) <b onclick='1'>&amp;" in said
    assert "octets 61 60 7C E2 80 AE 62" in said


def test_the_policy_is_that_of_its_style(paper: Paper) -> None:
    """W3C Content Security Policy Level 3: the SHA-256 of the style, worked out here anew."""
    begun(paper, lost("desk-lamp"))
    html = written(recovery(paper))
    style = re.findall(r"<style>(.*?)</style>", html, re.DOTALL)
    policy = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]*)"', html)
    digest = base64.b64encode(hashlib.sha256(style[0].encode()).digest()).decode()
    assert unescape(policy[0]) == (
        f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )
    assert " style=" not in html
    assert "http:" not in html
    assert "https:" not in html


def test_only_a_sheet_is_written_over(paper: Paper, tmp_path: Path) -> None:
    begun(paper, lost("desk-lamp"))
    place = tmp_path / "sheets" / "mine.html"
    assert recovery(paper, "--to", place).code == Exit.DONE
    assert recovery(paper, "--to", place).code == Exit.DONE
    before = paper.playbook.read_text()
    refused = recovery(paper, "--to", paper.playbook)
    assert refused.code == Exit.BAD_FILE
    assert "is there already, and is no sheet" in refused.err
    assert paper.playbook.read_text() == before
    folder = recovery(paper, "--to", tmp_path)
    assert folder.code == Exit.BAD_FILE


@pytest.mark.parametrize("name", ["no-such-run", "../x"])
def test_a_run_that_is_not_there(paper: Paper, name: str) -> None:
    begun(paper, lost("desk-lamp"))
    told = recovery(paper, name)
    assert (told.code, "there is no run" in told.err) == (Exit.BAD_FILE, True)


def test_a_change_that_leaves_the_network(paper: Paper) -> None:
    text = paper.playbook.read_text()
    paper.playbook.write_text(text[: text.index("[wifi]")] + text[text.index("[broker]") :])
    begun(paper, lost("desk-lamp"))
    said = words(written(recovery(paper)))
    assert "Nothing that was given takes a device to another network" in said
    assert "Take an old router" not in said
    assert 'looks for network 1, "quarry-attic"' in said
