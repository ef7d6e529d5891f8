"""Secrets: named by reference in files, held in memory only, and never printed.

A `Secret` shows a mask whatever prints it; only `reveal()` gives the text, and it is called in
two places: where a message is composed, and where a login is handed to a socket.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote, quote_plus

from pydantic import BaseModel, ConfigDict, ValidationInfo, field_validator, model_validator

from migrate.model.wifi import psk

MASK: Final = "<hidden>"


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

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

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


class Redactor:
    """Takes known secrets out of text that came from elsewhere, in every usual encoding."""

    def __init__(self, secrets: Iterable[Secret] = ()) -> None:
        self._forms: list[str] = []
        self.learn(secrets)

    def learn(self, secrets: Iterable[Secret], ssids: Iterable[str] = ()) -> None:
        """Know more secrets; with SSIDs also the keys derived from them for these networks."""
        names = tuple(ssids)
        forms = set(self._forms)
        for text in {secret.reveal() for secret in secrets}:
            if text:
                forms |= spellings(text)
                if 8 <= len(text) <= 63:
                    forms |= {key for ssid in names for key in _hex_cases(psk(text, ssid))}
        # Longest first, so that a form inside another leaves no tail behind.
        self._forms = sorted(forms, key=len, reverse=True)

    def clean(self, text: str) -> str:
        """The text with every known secret replaced by the mask."""
        for form in self._forms:
            text = text.replace(form, MASK)
        return text


def spellings(text: str) -> set[str]:
    """The usual ways a text is written down: plain, JSON, URL, base64, hexadecimal."""
    octets = text.encode("utf-8", "surrogatepass")
    plain_base64 = base64.b64encode(octets).decode()
    return {
        text,
        json.dumps(text)[1:-1],
        json.dumps(text, ensure_ascii=False)[1:-1],
        quote(text, safe="", errors="replace"),
        quote(text, errors="replace"),
        quote_plus(text, errors="replace"),
        plain_base64,
        plain_base64.rstrip("="),
        base64.urlsafe_b64encode(octets).decode(),
        *_hex_cases(octets.hex()),
    }


def _hex_cases(digits: str) -> set[str]:
    return {digits, digits.upper()}
