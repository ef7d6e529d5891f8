"""Recognising a part of a secret in a text, however it is spelled there.

A device may break a secret in two, or write it in capitals. So every run of eight octets of a
secret counts as the secret itself. The text is looked at as it is, decoded once, decoded twice, and
as quoted-printable; in each of these views the runs are looked for by length, so that the cost does
not grow with the number of secrets.
"""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

PART_OCTETS = 8
"""So many octets in a row of a secret tell enough of it to be masked."""
WORD_LEAST = 4
"""Characters of a whole secret, if it is shorter than a part, from which on it is looked for."""
_BASE64_PART = 9
"""Base64 characters (RFC 4648) that eight octets fix for sure, wherever they begin."""

_URL_SAFE = str.maketrans("+/", "-_")
_ENCODED = re.compile(
    r"(?:%[0-9a-f]{2})+|(?:\\u[0-9a-f]{4})+|\\x[0-9a-f]{2}|&#x[0-9a-f]{1,6};|&#[0-9]{1,7};"
    r"|&[a-z]{2,8};|\\[^ux]",
    re.IGNORECASE,
)
_QUOTED_PRINTABLE = re.compile(r"(?:=[0-9a-f]{2})+", re.IGNORECASE)


@dataclass(frozen=True)
class _View:
    """A text as it reads after decoding; each character with where it begins and ends."""

    text: str
    begins: tuple[int, ...]
    ends: tuple[int, ...]


class Parts:
    """Knows the parts of secrets, and finds them."""

    def __init__(self) -> None:
        self._parts: dict[int, set[str]] = {}

    def learn(self, secret: str, known: Iterable[str] = ()) -> None:
        """Know a secret. `known`: texts that everybody may see, such as the name of its network;
        what they hold as well tells nothing, and is no part."""
        seen = [_folded(text) for text in known]
        octets = secret.encode("utf-8", "surrogatepass")
        if len(octets) < PART_OCTETS:
            if len(secret) >= WORD_LEAST:
                self._keep(secret, seen)
            return
        for part in _runs(secret):
            self._keep(part, seen)
        self.learn_octets(octets)

    def learn_octets(self, octets: bytes) -> None:
        """Know octets by their hexadecimal and base64 spellings (RFC 4648)."""
        for part in _windows(octets.hex(), 2 * PART_OCTETS):
            self._keep(part)
        for before in range(3):
            whole = base64.b64encode(b"\0" * before + octets).decode()
            whole = whole[-(-before * 8 // 6) : (before + len(octets)) * 8 // 6]
            for part in _windows(whole, _BASE64_PART):
                self._keep(part)
                self._keep(part.translate(_URL_SAFE))

    def spans(self, text: str) -> list[tuple[int, int]]:
        """Where parts stand in a text, from and to, in order, joined where they touch."""
        found: set[tuple[int, int]] = set()
        for view in _views(text):
            folded = _folded(view.text)
            for length, parts in self._parts.items():
                for start in range(len(folded) - length + 1):
                    if folded[start : start + length] in parts:
                        found.add((view.begins[start], view.ends[start + length - 1]))
        return list(_joined(sorted(found)))

    def _keep(self, part: str, seen: Iterable[str] = ()) -> None:
        folded = _folded(part)
        if not any(folded in text for text in seen):
            self._parts.setdefault(len(folded), set()).add(folded)


def _windows(text: str, length: int) -> Iterator[str]:
    return (text[start : start + length] for start in range(len(text) - length + 1))


def _runs(text: str) -> Iterator[str]:
    """Every run of characters that has eight octets in UTF-8, and not one character more."""
    for start in range(len(text)):
        octets = 0
        for end in range(start, len(text)):
            octets += len(text[end].encode("utf-8", "surrogatepass"))
            if octets >= PART_OCTETS:
                yield text[start : end + 1]
                break


def _folded(text: str) -> str:
    """Character for character: small letters, and one sign for what forms and terminals change."""
    return "".join(_fold(char) for char in text)


def _fold(char: str) -> str:
    if char == "+":
        return " "  # as in a form
    if not char.isprintable():
        return "\ufffd"
    small = char.lower()
    return small if len(small) == 1 else char


def _views(text: str) -> Iterator[_View]:
    raw = _View(text, tuple(range(len(text))), tuple(range(1, len(text) + 1)))
    yield raw
    for pattern in (_ENCODED, _QUOTED_PRINTABLE):
        once = _decoded(raw, pattern)
        if once is not None:
            yield once
            twice = _decoded(once, _ENCODED)
            if twice is not None:
                yield twice


def _decoded(view: _View, pattern: re.Pattern[str]) -> _View | None:
    """A view with every encoded character read once; None if there is none."""
    chars: list[str] = []
    begins: list[int] = []
    ends: list[int] = []
    done = 0
    for found in pattern.finditer(view.text):
        for index in range(done, found.start()):
            chars.append(view.text[index])
            begins.append(view.begins[index])
            ends.append(view.ends[index])
        at = found.start()
        for char, width in _read(found[0]):
            chars.append(char)
            begins.append(view.begins[at])
            ends.append(view.ends[at + width - 1])
            at += width
        done = found.end()
    if not done:
        return None
    chars += view.text[done:]
    begins += view.begins[done:]
    ends += view.ends[done:]
    return _View("".join(chars), tuple(begins), tuple(ends))


def _read(encoded: str) -> Iterator[tuple[str, int]]:
    """The characters of one encoded run, each with the length of what it is written as."""
    if encoded[0] in "%=":
        octets = bytes.fromhex(encoded.replace(encoded[0], ""))
        for char in octets.decode("utf-8", "replace"):
            yield char, 3 * (1 if char == "\ufffd" else len(char.encode("utf-8")))
    elif encoded[:2] in ("\\u", "\\U"):
        units = bytes.fromhex(re.sub(r"\\[uU]", "", encoded))
        for char in units.decode("utf-16-be", "replace"):
            yield char, 12 if ord(char) > 0xFFFF else 6
    elif encoded[:2] in ("\\x", "\\X"):
        yield chr(int(encoded[2:], 16)), len(encoded)
    elif encoded[0] == "\\":
        yield encoded[1], 2
    else:
        char = html.unescape(encoded)
        # An entity that there is not is shown as it is.
        yield (char if len(char) == 1 else "\ufffd"), len(encoded)


def _joined(spans: Iterable[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    begin = end = -1
    for start, stop in spans:
        if start > end:
            if end >= 0:
                yield begin, end
            begin, end = start, stop
        end = max(end, stop)
    if end >= 0:
        yield begin, end
