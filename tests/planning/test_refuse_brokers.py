"""Brokers that would not let the devices in. Certificates are made by trustme and cryptography."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import trustme
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import NameOID

from migrate.model.playbook import Broker
from migrate.model.problems import Problem
from migrate.planning.refusals.certificates import certificate_refusals
from migrate.ports.files import load
from tests.planning.samples import OLD_NET, device, own_dialect, plan_of, refused

NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
CERTIFICATE, CA = Path("broker.pem"), Path("ca.pem")
HOST = "broker.heron-mill.example.net"


def change(more: str = "") -> str:
    return f'[broker]\nhost = "{HOST}"\n{more}\n[old]\n{OLD_NET}broker = {{ host = "192.0.2.2" }}\n'


def only(problems: tuple[Problem, ...] | list[Problem]) -> Problem:
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def test_how_many_it_lets_in() -> None:
    fleet = [device(f"d{n}", n) for n in range(5)]
    problem = only(refused(fleet, change("most_clients = 10\nclients_there = 6")))
    assert problem.what == (
        f"the broker {HOST} lets in 10 at once, and 12 will be there: 6 others, 5 devices, and "
        "migrate itself"
    )
    assert problem.remedy.startswith("raise its limit by 2")
    assert problem.key == "broker.most_clients"
    plan_of(fleet, change("most_clients = 12\nclients_there = 6"))


def test_only_devices_with_words_for_it_come() -> None:
    def wordless(data: dict[str, dict[str, object]]) -> None:
        for setting in [one for one in data["settings"] if one.startswith("broker.")]:
            del data["settings"][setting]

    own = own_dialect("own", "larch", wordless)
    book = change("most_clients = 2") + "[group]\ntopic = 'house'\n"
    plan_of([device("a", 1), device("b", 2, dialect="own")], book, own=own)


def test_tls_asked_of_a_family_that_has_none() -> None:
    own = own_dialect("own", "larch", lambda data: data["settings"].pop("broker.tls"))
    problem = only(refused([device("lamp", dialect="own")], change("tls = true"), own=own))
    assert problem.device == "lamp"
    assert problem.what.startswith("the new broker asks for TLS, which dialect own has no word for")
    plan_of([device("lamp", dialect="own")], change(), own=own)


def broker(host: str = HOST, ca: bool = False) -> Broker:
    return Broker(host=host, tls=True, certificate=CERTIFICATE, ca=CA if ca else None)


def faults(one: Broker, pem: bytes, ca: bytes = b"", at: datetime | None = None) -> list[Problem]:
    when = (at or NOW).isoformat()
    return list(certificate_refusals(one, when, {CERTIFICATE: pem, CA: ca}))


def made(
    name: str | None, begin: datetime = NOW - timedelta(1), end: datetime = NOW + timedelta(1)
) -> bytes:
    """A certificate as one makes it at home: signed by itself, nothing in it but a name."""
    key = ec.generate_private_key(ec.SECP256R1())
    who = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, HOST)])
    builder = (
        x509.CertificateBuilder()
        .subject_name(who)
        .issuer_name(who)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begin)
        .not_valid_after(end)
    )
    if name is not None:
        builder = builder.add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), False)
    return builder.sign(key, hashes.SHA256()).public_bytes(Encoding.PEM)


def chain_of(one: trustme.LeafCert) -> bytes:
    return b"".join(blob.bytes() for blob in one.cert_chain_pems)


AUTHORITY = trustme.CA()
TODAY = datetime.now(UTC)


@pytest.mark.parametrize(
    ("names", "host", "fits"),
    [
        # RFC 9525 section 6: case does not matter, a wildcard stands for one whole label.
        ((HOST,), HOST, True),
        ((HOST.upper(),), HOST, True),
        (("*.heron-mill.example.net",), HOST, True),
        (("*.example.net",), HOST, False),
        (("other.example.net",), HOST, False),
        (("192.0.2.9",), "192.0.2.9", True),
        (("192.0.2.9",), "192.0.2.8", False),
        ((HOST,), "192.0.2.9", False),
        (("broker",), "broker", True),
    ],
)
@pytest.mark.parametrize("with_ca", [False, True])
def test_names(names: tuple[str, ...], host: str, fits: bool, with_ca: bool) -> None:
    pem = chain_of(AUTHORITY.issue_cert(*names))
    found = faults(broker(host, ca=with_ca), pem, AUTHORITY.cert_pem.bytes(), TODAY)
    if fits:
        assert found == []
        return
    problem = only(found)
    assert problem.what == (
        f"the broker's certificate is for {', '.join(names)}, and the devices are told {host}"
    )
    assert problem.where == str(CERTIFICATE)


def test_a_common_name_is_no_name() -> None:
    # RFC 9525 section 6.3: the subject's common name does not count.
    assert "is for no name at all" in only(faults(broker(), made(None))).what


def test_dates() -> None:
    late = made(HOST, NOW - timedelta(9), NOW - timedelta(1))
    assert only(faults(broker(), late)).what == (
        "the broker's certificate has expired: it was good until 2026-05-31 12:00 UTC"
    )
    early = made(HOST, NOW + timedelta(1), NOW + timedelta(9))
    assert "is not good before 2026-06-02 12:00 UTC" in only(faults(broker(), early)).what
    assert faults(broker(), made(HOST)) == []
    # A time without a zone is UTC.
    assert (
        list(certificate_refusals(broker(), "2026-06-01T12:00:00", {CERTIFICATE: made(HOST)})) == []
    )


def test_who_signs() -> None:
    stranger = trustme.CA()
    pem = chain_of(AUTHORITY.issue_cert(HOST))
    problem = only(faults(broker(ca=True), pem, stranger.cert_pem.bytes(), TODAY))
    assert problem.what == "nothing in ca.pem signs the broker's certificate"
    both = stranger.cert_pem.bytes() + AUTHORITY.cert_pem.bytes()
    assert faults(broker(ca=True), pem, both, TODAY) == []
    # One that signs itself, as at home, is its own authority.
    own = made(HOST)
    assert faults(broker(ca=True), own, own) == []
    # One more between, which the broker sends along.
    between = AUTHORITY.create_child_ca()
    pem = chain_of(between.issue_cert(HOST))
    assert faults(broker(ca=True), pem, AUTHORITY.cert_pem.bytes(), TODAY) == []


def test_an_authority_that_has_expired() -> None:
    gone = made("authority", NOW - timedelta(9), NOW - timedelta(2))
    problem = only(faults(broker(ca=True), made(HOST), gone))
    assert (problem.where, "each has expired" in problem.what) == (str(CA), True)


@pytest.mark.parametrize("pem", [b"", b"\xff\x00", b"-----BEGIN CERTIFICATE-----\nAAAA\n"])
def test_what_is_no_certificate(pem: bytes) -> None:
    problem = only(faults(broker(), pem))
    assert (problem.what, problem.where) == ("holds no certificate in PEM", str(CERTIFICATE))
    problem = only(faults(broker(ca=True), made(HOST), pem))
    assert problem.where == str(CA)


def test_a_file_that_is_not_there_is_refused_when_planning_and_only_then(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text(
        '[[device]]\nname = "a"\nmac = "00-00-5E-00-53-01"\ndialect = "larch"\n'
        'address = "192.0.2.9"\n'
    )
    book = tmp_path / "book.toml"
    book.write_text(change('tls = true\ncertificate = "broker.pem"\nca = "ca.pem"'))
    inputs = load(tmp_path / "fleet.toml", book)
    assert inputs.certificates == {}
    told = {one.where: one.what for one in refused(inputs.fleet.device, inputs.playbook)}
    assert told == {str(tmp_path / "broker.pem"): "cannot be read"}
    (tmp_path / "broker.pem").write_bytes(made(HOST))
    assert set(load(tmp_path / "fleet.toml", book).certificates) == {tmp_path / "broker.pem"}
