"""Looks for canaries in whatever was written, however they are spelled there.

Deliberately not the tool's own redactor: standard library alone, one search for each spelling.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from urllib.parse import quote, quote_plus


def spellings(secret: str, ssids: tuple[str, ...]) -> Iterator[tuple[str, bytes]]:
    """Every spelling looked for, with its name."""
    octets = secret.encode()
    yield "plain", octets
    yield "URL (RFC 3986)", quote(secret, safe="").encode()
    yield "URL, slash left", quote(secret).encode()
    yield "form", quote_plus(secret).encode()
    yield "JSON (RFC 8259)", json.dumps(secret)[1:-1].encode()
    yield "JSON in JSON", json.dumps(json.dumps(secret)[1:-1])[1:-1].encode()
    yield "Python", repr(secret)[1:-1].encode()
    yield "HTML", html.escape(secret).encode()
    yield "hexadecimal", octets.hex().encode()
    yield "HEXADECIMAL", octets.hex().upper().encode()
    yield "base64 (RFC 4648)", base64.b64encode(octets).rstrip(b"=")
    yield "base64, URL", base64.urlsafe_b64encode(octets).rstrip(b"=")
    for user in ("owner", "house"):
        # RFC 7617: base64 of user, colon, password.
        yield f"login of {user}", base64.b64encode(f"{user}:{secret}".encode()).rstrip(b"=")
    if 8 <= len(secret) <= 63:
        for ssid in ssids:
            # IEEE Std 802.11, passphrase to PSK.
            key = hashlib.pbkdf2_hmac("sha1", octets, ssid.encode(), 4096, 32).hex()
            yield f"key for {ssid}", key.encode()
            yield f"KEY for {ssid}", key.upper().encode()


def leaks(text: bytes, secrets: Mapping[str, str], ssids: tuple[str, ...]) -> list[str]:
    """Which secrets are in the text, and how they are spelled there."""
    return [
        f"{name}: {spelling}"
        for name, secret in secrets.items()
        for spelling, octets in spellings(secret, ssids)
        if octets in text
    ]


def leaks_in_folder(
    folder: Path, secrets: Mapping[str, str], ssids: tuple[str, ...]
) -> dict[str, list[str]]:
    """The same for every file below a folder, by path."""
    found = {}
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        if here := leaks(path.read_bytes(), secrets, ssids):
            found[str(path.relative_to(folder))] = here
    return found
