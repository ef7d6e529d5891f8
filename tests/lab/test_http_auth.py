"""HTTP authentication against the examples of RFC 7616 and RFC 7617."""

from __future__ import annotations

import httpx

from migrate.lab.firmware.http_auth import DigestGate, basic_is_right, digest_response


def test_digest_example_of_the_rfc() -> None:
    """RFC 7616, section 3.9.1, the MD5 line."""
    assert (
        digest_response(
            user="Mufasa",
            realm="http-auth@example.org",
            password="Circle of Life",
            method="GET",
            uri="/dir/index.html",
            nonce="7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v",
            nc="00000001",
            cnonce="f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ",
        )
        == "8ca523f5e9506fed4657c9700eebdbec"
    )


def test_basic_example_of_the_rfc() -> None:
    """RFC 7617, sections 2 and 2.1 (the second is UTF-8)."""
    assert basic_is_right("Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==", "Aladdin", "open sesame")
    assert basic_is_right("Basic dGVzdDoxMjPCow==", "test", "123\N{POUND SIGN}")
    assert not basic_is_right("Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==", "Aladdin", "open")
    assert not basic_is_right("Basic !!", "Aladdin", "open sesame")
    assert not basic_is_right("", "Aladdin", "open sesame")


def _answers(gate: DigestGate, auth: httpx.DigestAuth, target: str = "/call") -> list[str | None]:
    """Let httpx, an independent client, answer the gate's challenges."""
    flow = auth.sync_auth_flow(httpx.Request("POST", f"http://192.0.2.11{target}"))
    refusals = []
    request = next(flow)
    while True:
        refusal = gate.refusal(request.headers.get("authorization", ""), "POST", target)
        refusals.append(refusal)
        headers = {"www-authenticate": refusal} if refusal else {}
        response = httpx.Response(401 if refusal else 200, headers=headers, request=request)
        try:
            request = flow.send(response)
        except StopIteration:
            return refusals


def test_an_independent_client_gets_in() -> None:
    gate = DigestGate("rowan", "owner", "right horse")
    auth = httpx.DigestAuth("owner", "right horse")
    first, second = _answers(gate, auth)
    assert first is not None
    assert second is None
    # The nonce goes on being good, with a higher count.
    assert _answers(gate, auth) == [None]


def test_a_wrong_password_stays_outside() -> None:
    gate = DigestGate("rowan", "owner", "right horse")
    assert None not in _answers(gate, httpx.DigestAuth("owner", "wrong horse"))
    assert None not in _answers(gate, httpx.DigestAuth("guest", "right horse"))


def test_a_count_is_taken_once_and_an_unknown_nonce_is_stale() -> None:
    """RFC 7616, section 3.3 (stale) and 3.4 (nc)."""
    gate = DigestGate("rowan", "owner", "right horse")

    def answer(nonce: str) -> str:
        response = digest_response(
            user="owner",
            realm="rowan",
            password="right horse",
            method="POST",
            uri="/call",
            nonce=nonce,
            nc="00000001",
            cnonce="c",
        )
        return (
            f'Digest username="owner", realm="rowan", nonce="{nonce}", uri="/call", qop=auth, '
            f'nc=00000001, cnonce="c", response="{response}", algorithm=MD5'
        )

    nonce = gate.challenge().split('nonce="')[1].split('"')[0]
    assert gate.refusal(answer(nonce), "POST", "/call") is None
    again = gate.refusal(answer(nonce), "POST", "/call")
    assert again is not None
    assert "stale=true" in again
    unknown = gate.refusal(answer("never-given"), "POST", "/call")
    assert unknown is not None
    assert "stale=true" in unknown
