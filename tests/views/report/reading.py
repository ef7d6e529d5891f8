"""A report as another reads it: by Python's own parser of HTML, which knows nothing of the tool."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "br", "hr", "img", "link", "input", "wbr"}
"""Elements without an end tag (WHATWG HTML Living Standard, 13.1.2) that could be here."""


@dataclass
class Reader(HTMLParser):
    """Collects what stands in the page, and fails where tags do not close what they opened."""

    elements: Counter[str] = field(default_factory=Counter)
    attributes: list[tuple[str, str, str]] = field(default_factory=list)
    sections: dict[str, list[str]] = field(default_factory=dict)
    headings: list[tuple[int, str]] = field(default_factory=list)
    tables: dict[str, list[list[str]]] = field(default_factory=dict)
    comments: list[str] = field(default_factory=list)
    titles: list[str] = field(default_factory=list)
    open: list[str] = field(default_factory=list)
    style: str = ""

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self._section = ""
        self._caption = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements[tag] += 1
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        known = dict(attrs)
        if tag == "section":
            self._section = known["aria-labelledby"] or ""
        if tag in ("h1", "h2", "h3"):
            self.headings.append((int(tag[1]), ""))
        if tag == "table":
            self._caption = ""
        if tag == "tr" and "tbody" in self.open:
            self.tables.setdefault(self._caption, []).append([])
        if tag in ("td", "th") and "tbody" in self.open:
            self.tables[self._caption][-1].append("")
        if tag == "title":
            self.titles.append("")
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements[tag] += 1
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        last = self.open.pop()
        assert last == tag, f"</{tag}> closes <{last}>, at {self.getpos()}"

    def handle_comment(self, data: str) -> None:
        self.comments.append(data)

    def handle_data(self, data: str) -> None:
        if "style" in self.open:
            self.style += data
            return
        if "title" in self.open:
            self.titles[-1] += data
            return
        self.sections.setdefault(self._section, []).append(data)
        if self.open and self.open[-1] in ("h1", "h2", "h3"):
            level, words = self.headings[-1]
            self.headings[-1] = (level, words + data)
        if "caption" in self.open:
            self._caption += data
        if "tbody" in self.open and self.tables.get(self._caption, [[]])[-1]:
            self.tables[self._caption][-1][-1] += data

    def words(self, section: str | None = None) -> str:
        """What a person reads, in a section or in all, with single blanks."""
        parts = [self.sections.get(section, [])] if section is not None else self.sections.values()
        return " ".join(" ".join("".join(part) for part in parts).split())

    def table(self, caption: str) -> list[list[str]]:
        """The rows of the table whose caption begins so; cells with single blanks."""
        (found,) = [rows for words, rows in self.tables.items() if words.startswith(caption)]
        return [[" ".join(cell.split()) for cell in row] for row in found]


def read(html: str) -> Reader:
    """Read a whole page. Raises AssertionError for what is not well nested."""
    reader = Reader()
    reader.feed(html)
    reader.close()
    assert reader.open == []
    return reader
