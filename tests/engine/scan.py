"""Looks for canaries, and parts of them, in whatever was written, however they are spelled there.

Deliberately not the tool's own redactor, and the other way round: it decodes whatever can be
decoded, by the standard library alone, and looks in the result for eight octets in a row of a
secret, capitals and small letters alike.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import quopri
import re
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path
from urllib.parse import quote, quote_plus, unquote_to_bytes

RUN = 8
"""Octets in a row of a secret that may stand nowhere."""


def spellings(secret: str, ssids: tuple[str, ...]) -> Iterator[tuple[str, bytes]]:
    """Ways in which a secret can be written, with their names: each is to be found."""
    octets = secret.encode()
    yield "plain", octets
    yield "upper case", secret.upper().encode()
    yield "URL (RFC 3986)", quote(secret, safe="").encode()
    yield "URL, slash left", quote(secret).encode()
    yield "URL, every octet", "".join(f"%{octet:02X}" for octet in octets).encode()
    yield "URL, every octet, small", "".join(f"%{octet:02x}" for octet in octets).encode()
    yield "URL, twice", quote(quote(secret, safe=""), safe="").encode()
    yield "form", quote_plus(secret).encode()
    yield "JSON (RFC 8259)", json.dumps(secret)[1:-1].encode()
    yield "JSON, every character", "".join(f"\\u{ord(char):04x}" for char in secret).encode()
    yield "JSON, EVERY CHARACTER", "".join(f"\\u{ord(char):04X}" for char in secret).encode()
    yield "JSON in JSON", json.dumps(json.dumps(secret)[1:-1])[1:-1].encode()
    yield "Python", repr(secret)[1:-1].encode()
    yield "HTML", html.escape(secret).encode()
    yield "HTML, numbers", "".join(f"&#{ord(char)};" for char in secret).encode()
    yield "HTML, hexadecimal", "".join(f"&#x{ord(char):X};" for char in secret).encode()
    yield "quoted-printable (RFC 2045)", quopri.encodestring(octets, quotetabs=True).strip()
    yield "hexadecimal", octets.hex().encode()
    yield "HEXADECIMAL", octets.hex().upper().encode()
    yield "hexadecimal, blanks between", octets.hex(" ").encode()
    yield "base64 (RFC 4648)", base64.b64encode(octets).rstrip(b"=")
    yield "base64, URL", base64.urlsafe_b64encode(octets).rstrip(b"=")
    for before in ("x", "xy", "xyz"):
        # In the middle of a longer text: each alignment.
        longer = base64.b64encode(f"{before}{secret}, and more".encode())
        yield f"base64 behind {len(before)}", longer
    for user in ("owner", "house"):
        # RFC 7617: base64 of user, colon, password.
        yield f"login of {user}", base64.b64encode(f"{user}:{secret}".encode()).rstrip(b"=")
    if len(octets) > 2 * RUN:
        yield "first half", octets[: len(octets) // 2]
        yield "second half", octets[len(octets) // 2 :]
        yield "eight octets", octets[5 : 5 + RUN]
        yield "eight octets in base64", base64.b64encode(b"ab" + octets[5 : 5 + RUN] + b"cd")
    for name, key in _keys(secret, ssids):
        yield f"key for {name}", key.hex().encode()
        yield f"KEY for {name}", key.hex().upper().encode()
        yield f"key for {name} in base64", base64.b64encode(key)
        yield f"key for {name} in a longer base64", base64.b64encode(b"k=" + key + b".")
        yield f"octets of the key for {name}", key


@cache
def _keys(secret: str, ssids: tuple[str, ...]) -> tuple[tuple[str, bytes], ...]:
    if not 8 <= len(secret.encode()) <= 63:
        return ()
    # IEEE Std 802.11, passphrase to PSK.
    return tuple(
        (ssid, hashlib.pbkdf2_hmac("sha1", secret.encode(), ssid.encode(), 4096, 32))
        for ssid in ssids
    )


@cache
def _runs(secret: str, ssids: tuple[str, ...]) -> tuple[dict[int, frozenset[bytes]], ...]:
    """What tells a secret, by length: its own runs, and those of the keys derived from it."""
    octets = secret.encode().lower()
    length = min(RUN, len(octets))
    own = {length: frozenset(_windows(octets, length))}
    keys = [run for _, key in _keys(secret, ssids) for run in _windows(key.lower(), RUN)]
    return own, {RUN: frozenset(keys)}


def _windows(octets: bytes, length: int) -> Iterator[bytes]:
    return (octets[start : start + length] for start in range(len(octets) - length + 1))


def leaks(text: bytes, secrets: Mapping[str, str], ssids: tuple[str, ...]) -> list[str]:
    """Which secrets, or keys, or parts of them are in the text, and how it had to be decoded."""
    wanted = {name: _runs(secret, ssids) for name, secret in secrets.items()}
    lengths = {length for own, keys in wanted.values() for length in (*own, *keys)}
    found = []
    for decoded, octets in _readings(text):
        small = octets.lower()
        there = {length: set(_windows(small, length)) for length in lengths}
        for name, (own, keys) in wanted.items():
            for what, runs in (("", own), (", its key", keys)):
                if any(not there[length].isdisjoint(parts) for length, parts in runs.items()):
                    found.append(f"{name}{what}: {decoded}")
    return found


def _readings(text: bytes) -> Iterator[tuple[str, bytes]]:
    """The text as it is, as every decoding reads it, and as every decoding reads that."""
    yield "plain", text
    for name, decode in DECODINGS.items():
        once = decode(text)
        if once and once != text:
            yield name, once
            for then, again in DECODINGS.items():
                twice = again(once)
                if twice and twice not in (once, text):
                    yield f"{name}, {then}", twice


def _json(text: bytes) -> bytes:
    return _ESCAPE.sub(_escape, text)


def _escape(found: re.Match[bytes]) -> bytes:
    whole = found[0]
    if whole[1:2] in b"uU" and len(whole) > 2:
        return chr(int(whole[2:], 16)).encode("utf-8", "replace")
    if whole[1:2] in b"xX" and len(whole) > 2:
        return bytes.fromhex(whole[2:].decode())
    return whole[1:]


def _html(text: bytes) -> bytes:
    return html.unescape(text.decode("utf-8", "replace")).encode("utf-8", "replace")


def _form(text: bytes) -> bytes:
    return unquote_to_bytes(text.replace(b"+", b" "))


def _printable(text: bytes) -> bytes:
    return quopri.decodestring(text)


def _hexadecimal(text: bytes) -> bytes:
    runs = [run.replace(b" ", b"").replace(b":", b"") for run in _HEX.findall(text)]
    # It may begin in the middle of an octet.
    shifted = [run[at:] for run in runs for at in (0, 1)]
    return b"|".join(bytes.fromhex(run[: len(run) // 2 * 2].decode()) for run in shifted)


def _base64(text: bytes) -> bytes:
    plain = text.replace(b"-", b"+").replace(b"_", b"/")
    return b"|".join(
        base64.b64decode(run[at:][: (len(run) - at) // 4 * 4])
        for run in (run + b"AAA" for run in _BASE64.findall(plain))
        for at in range(4)
    )


_ESCAPE = re.compile(rb"\\(?:[uU][0-9a-fA-F]{4}|[xX][0-9a-fA-F]{2}|.)", re.DOTALL)
_HEX = re.compile(rb"(?:[0-9a-fA-F]{2}[ :]?){8,}[0-9a-fA-F]?")
_BASE64 = re.compile(rb"[A-Za-z0-9+/]{10,}")

DECODINGS: dict[str, Callable[[bytes], bytes]] = {
    "URL": unquote_to_bytes,
    "form": _form,
    "escapes": _json,
    "HTML": _html,
    "quoted-printable": _printable,
    "hexadecimal": _hexadecimal,
    "base64": _base64,
}


def leaks_in_folder(
    folder: Path, secrets: Mapping[str, str], ssids: tuple[str, ...]
) -> dict[str, list[str]]:
    """The same for every file below a folder, by path; names of files are looked at as well."""
    found = {}
    for path in sorted(folder.rglob("*")):
        octets = path.read_bytes() if path.is_file() else b""
        if here := leaks(str(path.name).encode() + b"\n" + octets, secrets, ssids):
            found[str(path.relative_to(folder))] = here
    return found
