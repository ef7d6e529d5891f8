"""Reading our own documents: code blocks, commands, links, headings."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
DOCUMENTS = (
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *sorted((ROOT / "docs").glob("*.md")),
)
_BLOCK = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
_HEADING = re.compile(r"^#{1,6} +(.*)$", re.MULTILINE)


@dataclass(frozen=True)
class Command:
    """A command as a document shows it, and where its output goes."""

    text: str
    arguments: tuple[str, ...]
    target: str | None


def read(path: Path) -> str:
    """A document's text."""
    return path.read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    """The code blocks of one language, in order."""
    return [body for found, body in _BLOCK.findall(text) if found == language]


def lines_typed(text: str) -> list[str]:
    """What a reader is told to type: the lines with a prompt in console blocks."""
    return [
        line.removeprefix("$ ")
        for block in blocks(text, "console")
        for line in block.splitlines()
        if line.startswith("$ ")
    ]


def commands(text: str) -> list[Command]:
    """The `migrate` commands that a document shows, in order."""
    found = []
    for line in lines_typed(text):
        head, _, target = line.partition(" > ")
        program, *arguments = head.split()
        if program == "migrate":
            found.append(Command(line, tuple(arguments), target or None))
    return found


def excerpts(text: str) -> dict[str, str]:
    """What a document shows of a command's output, by the line that is typed: the text block that
    follows its console block."""
    found, typed = {}, ""
    for language, body in _BLOCK.findall(text):
        if language == "text" and typed:
            found[typed] = body
        last = [line for line in body.splitlines() if line.startswith("$ ")]
        typed = last[-1].removeprefix("$ ") if language == "console" and last else ""
    return found


def links(text: str) -> list[str]:
    """Targets of all links, outside code blocks."""
    return _LINK.findall(_BLOCK.sub("", text))


def anchors(text: str) -> set[str]:
    """The anchors that a document's headings make, as code hosts spell them (common practice)."""
    return {
        re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-")
        for heading in _HEADING.findall(_BLOCK.sub("", text))
    }


def table(text: str, heading: str) -> list[list[str]]:
    """The cells of the first table whose first column has this heading, without its head."""
    rows = re.search(rf"^\| {re.escape(heading)} \|.*\n\|[-|]+\n((?:\|.*\n)+)", text, re.MULTILINE)
    assert rows is not None, f"no table begins with {heading!r}"
    return [
        [cell.strip().strip("`") for cell in line.strip().strip("|").split(" | ")]
        for line in rows[1].splitlines()
    ]
