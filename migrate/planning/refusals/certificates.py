"""A broker's certificate against its name, the time, and what signs it.

A name matches as RFC 9525 says: by subjectAltName alone, an address as an address, a wildcard for
one whole label. The library cryptography judges; what a web browser asks of certificates beyond
that is not asked of a broker at home.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePublicKey
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPublicKey
from cryptography.x509.verification import (
    Criticality,
    ExtensionPolicy,
    PolicyBuilder,
    Store,
    Subject,
    VerificationError,
)

from migrate.model.playbook import Broker
from migrate.model.problems import BadFile, Problem


def certificate_refusals(
    broker: Broker, created: str, files: Mapping[Path, bytes]
) -> Iterator[Problem]:
    """What is wrong with a broker's certificate at the ISO 8601 time `created`. `files` are the
    octets of the files that the broker names; one that is not there could not be read."""
    if broker.certificate is None:
        return
    try:
        leaf, *between = _certificates(broker.certificate, files)
        roots = _certificates(broker.ca, files) if broker.ca is not None else []
    except BadFile as error:
        yield from error.problems
        return
    where, at = str(broker.certificate), _time(created)
    problems = list(_dates(leaf, at, where)) or list(_names(broker, leaf, at, where))
    if roots and not problems:
        problems = list(_chain(broker, leaf, between, roots, at))
    yield from problems


def _certificates(path: Path, files: Mapping[Path, bytes]) -> list[x509.Certificate]:
    """Those in a file. Raises BadFile."""
    if path not in files:
        raise BadFile(Problem("cannot be read", "correct the path", str(path)))
    try:
        return x509.load_pem_x509_certificates(files[path])
    except ValueError:
        what = "holds no certificate in PEM"
        raise BadFile(Problem(what, "name the right file; a key is none", str(path))) from None


def _time(created: str) -> datetime:
    time = datetime.fromisoformat(created)
    return time if time.tzinfo else time.replace(tzinfo=UTC)


def _dates(leaf: x509.Certificate, at: datetime, where: str) -> Iterator[Problem]:
    begin, end = leaf.not_valid_before_utc, leaf.not_valid_after_utc
    if at > end:
        what = f"the broker's certificate has expired: it was good until {end:%Y-%m-%d %H:%M} UTC"
        yield Problem(what, "renew it before the devices are sent there", where)
    if at < begin:
        what = f"the broker's certificate is not good before {begin:%Y-%m-%d %H:%M} UTC"
        yield Problem(what, "wait, or issue it anew; is this machine's clock right?", where)


def _names(broker: Broker, leaf: x509.Certificate, at: datetime, where: str) -> Iterator[Problem]:
    # With itself as the only one trusted, a certificate is judged by its name and dates alone.
    if _verifies(leaf, [], [leaf], at, broker.host) is not False:
        return
    names = ", ".join(_named(leaf)) or "no name at all"
    yield Problem(
        f"the broker's certificate is for {names}, and the devices are told {broker.host}",
        "issue it for that name or address as subjectAltName, or tell the devices another host",
        where,
    )


def _named(leaf: x509.Certificate) -> list[str]:
    try:
        found = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (x509.ExtensionNotFound, ValueError):
        return []
    addresses = [str(one) for one in found.get_values_for_type(x509.IPAddress)]
    return [*found.get_values_for_type(x509.DNSName), *addresses]


def _chain(
    broker: Broker,
    leaf: x509.Certificate,
    between: Sequence[x509.Certificate],
    roots: Sequence[x509.Certificate],
    at: datetime,
) -> Iterator[Problem]:
    keys = [one.public_key() for one in (leaf, *between, *roots)]
    if not all(isinstance(key, RSAPublicKey | EllipticCurvePublicKey) for key in keys):
        return  # The library does not follow other keys, so nothing is known against it.
    if _verifies(leaf, between, roots, at, broker.host) is not False:
        return
    late = [one for one in roots if not one.not_valid_before_utc <= at <= one.not_valid_after_utc]
    if len(late) == len(roots):
        yield Problem(
            "no certificate in it is good now: each has expired, or has not begun",
            "name that of the authority which signed the broker's certificate",
            str(broker.ca),
        )
        return
    yield Problem(
        f"nothing in {broker.ca} signs the broker's certificate",
        "name the certificate of the authority that signed it as broker.ca, and put those between "
        "into the certificate's own file",
        str(broker.certificate),
    )


def _verifies(
    leaf: x509.Certificate,
    between: Sequence[x509.Certificate],
    roots: Sequence[x509.Certificate],
    at: datetime,
    host: str,
) -> bool | None:
    """Whether a chain leads from `leaf` to one of `roots`, for that host, at that time. None if no
    certificate can hold such a name (an underscore in it): nothing is known against it then."""
    anything = ExtensionPolicy.permit_all()
    named = anything.require_present(x509.SubjectAlternativeName, Criticality.AGNOSTIC, None)
    signs = anything.require_present(x509.BasicConstraints, Criticality.AGNOSTIC, None)
    policy = PolicyBuilder().store(Store(list(roots))).time(at)
    policy = policy.extension_policies(ca_policy=signs, ee_policy=named)
    try:
        verifier = policy.build_server_verifier(_subject(host))
    except ValueError:
        return None
    try:
        verifier.verify(leaf, list(between))
    except VerificationError:
        return False
    return True


def _subject(host: str) -> Subject:
    try:
        return x509.IPAddress(ip_address(host))
    except ValueError:
        return x509.DNSName(host)
