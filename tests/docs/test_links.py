"""Documents hang together, and name nothing that has no place in them."""

from __future__ import annotations

import re
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path

import pytest

from .markdown import DOCUMENTS, ROOT, anchors, links, read

EXAMPLES = sorted(path for path in (ROOT / "playbooks").rglob("*") if path.is_file())
MANUALS = sorted((ROOT / "docs" / "manuals").glob("*.md"))
OURS = [*DOCUMENTS, *MANUALS, *EXAMPLES, ROOT / "docs" / "keys.toml", ROOT / ".ci" / "run"]
# RFC 5737: documentation; RFC 1122 section 3.2.1.3: loopback, where the lab really runs.
NETWORKS = [
    IPv4Network(net) for net in ("192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24", "127.0.0.0/8")
]


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_links_lead_somewhere(document: Path) -> None:
    for link in links(read(document)):
        assert "://" not in link, f"{link} leaves the project"
        path, _, anchor = link.partition("#")
        target = document.parent / path if path else document
        assert target.is_file(), f"{link} leads nowhere"
        if anchor:
            assert anchor in anchors(read(target)), f"{link}: no such heading"


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_every_block_is_seen_by_the_tests(document: Path) -> None:
    # Commands and files are taken from blocks that begin at the margin.
    assert not re.search(r"^[ >*-]+```", read(document), re.MULTILINE)
    assert read(document).count("```") % 2 == 0


def test_readme_leads_to_every_document() -> None:
    found = {link.partition("#")[0] for link in links(read(ROOT / "README.md"))}
    wanted = {name_of(path) for path in DOCUMENTS} - {"README.md"}
    assert wanted <= found


@pytest.mark.parametrize("path", OURS, ids=name_of)
def test_nothing_that_has_no_place(path: Path) -> None:
    text = read(path)
    # Whose machine this is, and where packages come from, is nobody's business.
    for word in (r"/(work|home|Users|root|tmp)/", r"pypi|pythonhosted|github\.com|docker\.io"):
        assert not re.search(word, text), word
    for address in re.findall(r"(?<![\d.])\d{1,3}(?:\.\d{1,3}){3}(?![\d.]*\d)", text):
        assert any(IPv4Address(address) in net for net in NETWORKS), address
    # RFC 7042 section 2.1.2: 00-00-5E-00-53-00 to 00-00-5E-00-53-FF are for documentation.
    for mac in re.findall(r"\b[0-9A-F]{2}(?:-[0-9A-F]{2}){5}\b", text):
        assert mac.startswith("00-00-5E-00-53-"), mac
