"""Changes to an input: what a mutation is made of, whether hypothesis or a die chooses it."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass

TOKENS: tuple[bytes, ...] = (
    b"\x00",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\xed\xa0\x80",
    "\u202e".encode(),
    "\u2028".encode(),
    "\u00e9".encode(),
    "\U0001f33f".encode(),
    b"\x1b[31m",
    b"\x1b]8;;http://x.example\x07",
    b"\xc2\x9b",
    b"\r",
    b"\n",
    b"\t",
    b'"',
    b"'",
    b'"""',
    b"'''",
    b"\\",
    b"\\ud800",
    b"\\u0000",
    b"\\uD800\\uDC00",
    b"[",
    b"]",
    b"[[",
    b"]]",
    b"{",
    b"}",
    b"{}",
    b"[]",
    b"=",
    b".",
    b",",
    b":",
    b"#",
    b"/",
    b"~1",
    b"/-",
    b"../",
    b"NaN",
    b"-Infinity",
    b"Infinity",
    b"1e999",
    b"-1",
    b"-0.0",
    b"0x1F",
    b"9" * 30,
    b"9" * 5000,
    b"nan",
    b"inf",
    b"-inf",
    b"true",
    b"null",
    b"1979-05-27T07:32:00Z",
    b"1979-05-27",
    b"07:32:00.999999",
    b"1979-13-99",
    b"a.b.c.d",
    b"(?P<value>",
    b"(a+)+$",
    b"{1000}",
    b"(?i)",
    b"[[:alpha:]]",
    b"x{e<=1}",
    b"(?<=",
    b"\\p{L}",
    b"{topic}",
    b"{message}",
    b"{nobody}",
    b"00-00-5E-00-53-01",
    b"01-00-5E-00-53-01",
    b"192.0.2.1",
    b"192.0.2.0/33",
    b"256.1.1.1",
    b"2001:db8::1",
    b"22:00-06:00",
    b"__class__",
    b"=1+1",
    b"@SUM(A1)",
    b"<script>",
    b"a" * 300,
)
KINDS = ("insert", "replace", "delete", "repeat", "swap", "flip", "double")


@dataclass(frozen=True)
class Edit:
    """One change. `at` and `to` are places, in thousandths of the input; `token` a word put in."""

    kind: str
    at: int
    to: int
    token: int

    def apply(self, octets: bytes) -> bytes:
        """The input, changed."""
        here, there = (len(octets) * place // 1000 for place in sorted((self.at, self.to)))
        token = TOKENS[self.token % len(TOKENS)]
        part = octets[here:there]
        if self.kind == "insert":
            return octets[:here] + token + octets[here:]
        if self.kind == "replace":
            return octets[:here] + token + octets[here + len(token) :]
        if self.kind == "delete":
            return octets[:here] + octets[here + min(len(part), 40) :]
        if self.kind == "repeat":
            return octets[:there] + part * (1 + self.token % 4) + octets[there:]
        if self.kind == "double":
            return octets[:here] + token * (1 << self.token % 9) + octets[here:]
        if self.kind == "swap":
            return octets[there:] + part + octets[:here]
        if here < len(octets):
            return (
                octets[:here] + bytes([octets[here] ^ (1 << self.token % 8)]) + octets[here + 1 :]
            )
        return octets


def changed(octets: bytes, edits: Iterable[Edit], most: int = 1 << 20) -> bytes:
    """An input after all these changes, of so many octets at most."""
    for edit in edits:
        octets = edit.apply(octets)[:most]
    return octets


def by_chance(dice: random.Random) -> list[Edit]:
    """Some edits, mostly few."""
    return [
        Edit(dice.choice(KINDS), dice.randint(0, 1000), dice.randint(0, 1000), dice.getrandbits(16))
        for _ in range(1 + int(dice.expovariate(0.4)))
    ]
