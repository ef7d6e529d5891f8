"""Secrets: named by reference in files, held in memory only, and never printed.

A `Secret` shows a mask whatever prints it; only `reveal()` gives the text. It leaves migrate in
three places: where a message is composed, where a login is handed to a socket, and on the sheet for
phones, if that was asked for with it.
"""

from __future__ import annotations

import base64
import html
import json
import re
import string
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, ValidationInfo, field_validator, model_validator

from migrate.model.parts import Parts
from migrate.model.wifi import is_psk, psk

MASK: Final = "<hidden>"
_VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


class Secret:
    """A passphrase or password in memory. str, repr, format and pickling never give its text."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> str:
        """The text itself. Only for the octets that go to a device or broker."""
        return self._text

    def __repr__(self) -> str:
        return f"Secret({MASK})"

    def __str__(self) -> str:
        return MASK

    def __format__(self, spec: str) -> str:
        return format(MASK, spec)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Secret) and other._text == self._text

    def __hash__(self) -> int:
        return hash(self._text)

    def __reduce__(self) -> Any:
        raise TypeError("a secret is not written down")


class SecretRef(BaseModel):
    """Where a secret is kept; exactly one of the four places.

    `env` an environment variable; `file` a file only its owner may read (mode 0600), whose one
    trailing line end is dropped; `keyring` the system's key store as "service/user"; `prompt` the
    words to ask the person with.
    """

    # What was given is kept out of pydantic's own words: it may be the secret itself.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, hide_input_in_errors=True)

    env: str | None = None
    file: str | None = None
    keyring: str | None = None
    prompt: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _by_reference(cls, value: Any) -> Any:
        # The words must not repeat the value: it is very likely the secret itself.
        if isinstance(value, str):
            raise ValueError(
                "a secret stands here as text; name where it is kept instead, "
                'such as { env = "NEW_WIFI_PASSPHRASE" } or { file = "wifi.secret" }'
            )
        return value

    @model_validator(mode="after")
    def _exactly_one(self) -> SecretRef:
        given = [place for place in (self.env, self.file, self.keyring, self.prompt) if place]
        if len(given) != 1:
            raise ValueError("needs exactly one of env, file, keyring, prompt")
        return self

    @field_validator("env")
    @classmethod
    def _variable(cls, value: str | None) -> str | None:
        # The name is shown in plans; a passphrase that landed here would be shown as well.
        if value and not _VARIABLE.fullmatch(value):
            raise ValueError(
                "is not the name of an environment variable; a name has letters, digits and "
                "underscores, the secret itself never stands in this file"
            )
        return value

    @field_validator("keyring")
    @classmethod
    def _service_and_user(cls, value: str | None) -> str | None:
        if value is not None and not all(value.partition("/")[::2]):
            raise ValueError('a keyring entry is written "service/user"')
        return value

    @field_validator("file")
    @classmethod
    def _beside_the_file(cls, value: str | None, info: ValidationInfo) -> str | None:
        base = (info.context or {}).get("base")
        return str(Path(base) / value) if value and base else value

    def __str__(self) -> str:
        if self.env:
            return f"environment variable {self.env}"
        if self.file:
            return f"file {self.file}"
        if self.keyring:
            return f"keyring entry {self.keyring}"
        return f"asked for ({self.prompt})"


CUT_LEAST = 4
"""Characters of a secret from which on it is recognised although the text ends before it does."""
SHIFTED_LEAST = 8
"""Octets from which on base64 is looked for that does not begin with the secret."""

LONGEST_WAY = 24
"""Characters: more than one of a secret ever takes (four octets, percent encoded twice: 20)."""

_SIGNS = "%\\&+\ufffd"
"""One of these is in every way of writing a character down that is not the character itself."""

Form = Sequence[tuple[str, ...]]
_URL_SAFE = str.maketrans("+/", "-_")


Resolve = Callable[[SecretRef], Secret]
"""From a reference to the secret itself. Raises SecretTrouble where it cannot be had."""


class Redactor:
    """Takes known secrets out of text that came from elsewhere, however they are spelled there.

    Plain, JSON, URL, HTML, base64, hexadecimal, and the keys derived from them. A secret is looked
    for character by character, since encodings mix: a separator may be percent encoded in a text
    that is plain otherwise. Every character has its ways of being written; a secret is found where
    one way follows the other. Parts of a secret are found as well, in capitals too: see `Parts`.
    """

    def __init__(self, secrets: Iterable[Secret] = ()) -> None:
        self._forms: dict[str, Form] = {}
        self._heads: dict[str, set[str]] = {}
        self._parts = Parts()
        self.learn(secrets)

    def learn(self, secrets: Iterable[Secret], ssids: Iterable[str] = ()) -> None:
        """Know more secrets; with SSIDs also the keys derived from them for these networks."""
        names = tuple(ssids)
        for text in {secret.reveal() for secret in secrets} - {""}:
            octets = text.encode("utf-8", "surrogatepass")
            self._know(text)
            self._know(octets.hex(), octets.hex().upper())
            self._know(*_base64(octets))
            self._parts.learn(text, names)
            if is_psk(text):
                self._know_key(text)
            if 8 <= len(text) <= 63 and text.isascii():
                for key in (psk(text, name) for name in names):
                    self._know_key(key)

    def _know_key(self, key: str) -> None:
        """A pre-shared key in hexadecimal: also in capitals, and its octets in base64."""
        octets = bytes.fromhex(key)
        self._know(key.lower(), key.upper(), *_base64(octets))
        self._parts.learn_octets(octets)

    def _know(self, *spelled: str) -> None:
        for text in spelled:
            self._forms[text] = tuple(_ways(char) for char in text)
            self._heads.setdefault(text[:CUT_LEAST], set()).add(text)

    def _possible(self, text: str) -> Iterable[Form]:
        """The forms that can stand in a text. A fleet may have thousands of logins: where nothing
        is encoded, a secret is looked for only where its first characters stand."""
        if any(sign in text for sign in _SIGNS):
            return self._forms.values()
        windows = {
            text[start : start + length]
            for length in range(1, CUT_LEAST + 1)
            for start in range(len(text) - length + 1)
        }
        heads = windows.intersection(self._heads)
        return [self._forms[whole] for head in heads for whole in self._heads[head]]

    def holds(self, text: str) -> bool:
        """Whether a whole secret stands in the text, however it is spelled."""
        forms = self._possible(text)
        return any(True for form in forms for _ in _spans(form, text, cut=False))

    def clean(self, text: str) -> str:
        """The text with every known secret replaced by the mask."""
        found = {span for form in self._possible(text) for span in _spans(form, text)}
        spans = sorted(found.union(self._parts.spans(text)))
        cleaned, done = "", 0
        for start, end in spans:
            if start >= done:
                cleaned += text[done:start] + MASK
            done = max(done, end)
        return cleaned + text[done:]


def _spans(form: Form, text: str, *, cut: bool = True) -> Iterator[tuple[int, int]]:
    first = re.compile("|".join(re.escape(way) for way in form[0]))
    begin = first.search(text)
    while begin is not None:
        end = _end(form, text, begin.start(), cut=cut)
        if end is not None:
            yield begin.start(), end
        begin = first.search(text, end or begin.start() + 1)


def _end(form: Form, text: str, start: int, *, cut: bool) -> int | None:
    """Where a secret that begins at `start` ends; with `cut`, the end of the text if that cuts it
    off."""
    here = {start}
    for count, ways in enumerate(form):
        if cut and count >= CUT_LEAST and any(_cut(ways, text, at) for at in here):
            return len(text)
        here = {at + len(way) for at in here for way in ways if text.startswith(way, at)}
        if not here:
            return None
    return max(here)


def _cut(ways: Iterable[str], text: str, at: int) -> bool:
    rest = text[at : at + LONGEST_WAY]
    return any(len(rest) < len(way) and way.startswith(rest) for way in ways)


@cache
def _ways(char: str) -> tuple[str, ...]:
    """The ways a character is written down in JSON, URLs, HTML, and in texts inside texts."""
    in_json = json.dumps(char)[1:-1]
    ways = {
        char,
        in_json,
        json.dumps(in_json)[1:-1],
        repr(char)[1:-1],
        html.escape(char),
        f"&#{ord(char)};",
    }
    for case in (str.lower, str.upper):
        octets = case(char.encode("utf-8", "surrogatepass").hex(" ")).split()
        units = case(char.encode("utf-16-be", "surrogatepass").hex(" ", 2)).split()
        ways |= {
            "".join(before + part for part in parts)
            for before, parts in (("%", octets), ("%25", octets), ("\\u", units), ("\\\\u", units))
        }
        ways.add(f"&#x{case(f'{ord(char):x}')};")
    if char in string.punctuation:
        ways |= {"\\" + char, "\\\\" + char}
    if char == " ":
        ways.add("+")
    if not char.isprintable():
        ways.add("\ufffd")
    return tuple(sorted(ways, key=len, reverse=True))


def _base64(octets: bytes) -> Iterator[str]:
    """Base64 of the octets, also where others stand before and after them, as in a login."""
    for before in range(3 if len(octets) >= SHIFTED_LEAST else 1):
        whole = base64.b64encode(b"\0" * before + octets).decode().rstrip("=")
        # Characters that also depend on a neighbour say nothing: they are left out.
        first = (0, 2, 3)[before]
        ends = {len(whole)}
        if len(octets) >= SHIFTED_LEAST and (before + len(octets)) % 3:
            ends.add(len(whole) - 1)
        for last in ends:
            yield whole[first:last]
            yield whole[first:last].translate(_URL_SAFE)
