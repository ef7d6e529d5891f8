"""Server side of HTTP authentication: basic (RFC 7617) and digest (RFC 7616)."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import re
import secrets

_PARAMETER = re.compile(r'([A-Za-z0-9*_-]+)\s*=\s*(?:"((?:[^"\\]|\\.)*)"|([^\s,"]+))')


def basic_is_right(header: str, user: str, password: str) -> bool:
    """Whether an Authorization header carries this user and password."""
    scheme, _, given = header.partition(" ")
    if scheme.lower() != "basic":
        return False
    try:
        decoded = base64.b64decode(given.strip(), validate=True)
    except (binascii.Error, ValueError):
        return False
    return hmac.compare_digest(decoded, f"{user}:{password}".encode())


def digest_response(
    *,
    user: str,
    realm: str,
    password: str,
    method: str,
    uri: str,
    nonce: str,
    nc: str,
    cnonce: str,
) -> str:
    """The response value for algorithm MD5 and qop auth (RFC 7616, section 3.4.1)."""

    def digest(what: str) -> str:
        return hashlib.md5(what.encode(), usedforsecurity=False).hexdigest()

    secret = digest(f"{user}:{realm}:{password}")
    return digest(f"{secret}:{nonce}:{nc}:{cnonce}:auth:{digest(f'{method}:{uri}')}")


class DigestGate:
    """Hands out nonces and checks answers to them; a count is never taken twice."""

    def __init__(self, realm: str, user: str, password: str) -> None:
        self._realm = realm
        self._user = user
        self._password = password
        self._counts: dict[str, int] = {}

    def challenge(self, *, stale: bool = False) -> str:
        """A WWW-Authenticate value with a fresh nonce."""
        nonce = secrets.token_urlsafe(24)
        if len(self._counts) >= 64:
            self._counts.pop(next(iter(self._counts)))
        self._counts[nonce] = 0
        tail = ", stale=true" if stale else ""
        return f'Digest realm="{self._realm}", qop="auth", algorithm=MD5, nonce="{nonce}"{tail}'

    def refusal(self, header: str, method: str, target: str) -> str | None:
        """None if the Authorization header is right, else the challenge to answer with."""
        scheme, _, rest = header.partition(" ")
        if scheme.lower() != "digest":
            return self.challenge()
        given = {
            name.lower(): re.sub(r"\\(.)", r"\1", quoted) if quoted else plain
            for name, quoted, plain in _PARAMETER.findall(rest)
        }
        nonce, nc = given.get("nonce", ""), given.get("nc", "")
        wanted = digest_response(
            user=self._user,
            realm=self._realm,
            password=self._password,
            method=method,
            uri=target,
            nonce=nonce,
            nc=nc,
            cnonce=given.get("cnonce", ""),
        )
        right = (
            given.get("username") == self._user
            and given.get("realm") == self._realm
            and given.get("uri") == target
            and given.get("qop") == "auth"
            and given.get("algorithm", "MD5").upper() == "MD5"
            and re.fullmatch(r"[0-9a-fA-F]{8}", nc) is not None
            and hmac.compare_digest(given.get("response", "").lower().encode(), wanted.encode())
        )
        if not right:
            return self.challenge()
        if nonce not in self._counts or int(nc, 16) <= self._counts[nonce]:
            return self.challenge(stale=True)
        self._counts[nonce] = int(nc, 16)
        return None
