"""A broker as this tool itself reaches it, and words for what can be wrong with it.

No exception of a library is ever shown: its words may hold a secret.
"""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import aiomqtt
from aiomqtt.exceptions import MqttConnectError

from migrate.model.secrets import Secret
from migrate.ports.mqtt_client import Lost

_REFUSED_LOGIN = {4, 5, 134, 135}
"""Return codes for a wrong or missing login: MQTT 3.1.1 table 3.1 and MQTT 5.0 section 3.2.2.2."""
_UNKNOWN_VERSION = {1, 132}
"""The broker does not speak this version of the protocol: the same places."""
_REFUSALS = {
    128: "it gives no reason",
    131: "by a rule of its own",
    135: "not authorized",
    143: "the topic filter is not valid there",
    144: "the topic name is not valid there",
    151: "a quota is exceeded",
    153: "the payload has the wrong format",
}
"""Reasons in PUBACK and SUBACK: MQTT 5.0 sections 3.4.2.1 and 3.9.3."""
_ENDS = {
    137: "is too busy for another connection",
    139: "shuts down",
    142: "gave the session to another client that has the same client identifier",
    147: "was sent more at once than it takes",
    149: "takes no packet as long as one that it was sent",
    151: "says that a quota is exceeded",
    152: "ended the connection on the word of its administrator",
}
"""Reasons in CONNACK and DISCONNECT: MQTT 5.0 sections 3.2.2.2 and 3.14.2.1."""
_CERTIFICATES = {
    9: (
        "shows a certificate that is not valid yet",
        "see that the clock of this machine and that of the broker are right",
    ),
    10: (
        "shows a certificate that has expired",
        "renew the broker's certificate; see that the clock of this machine is right",
    ),
    **dict.fromkeys(
        (18, 19, 20, 21),
        (
            "shows a certificate that no authority trusted here has issued",
            "give the certificate file of its authority as ca",
        ),
    ),
    **dict.fromkeys(
        (62, 64),
        (
            "shows a certificate for another name than its host",
            "give as host the name or address that stands in the certificate, or renew that",
        ),
    ),
}
"""By what OpenSSL finds (openssl-verification-options(1), X509_STORE_CTX_get_error(3)). It tells
one thing only: the authority comes first, then the dates, then the name."""


@dataclass(frozen=True)
class BrokerAddress:
    """How this tool itself reaches a broker."""

    host: str
    port: int
    tls: bool = False
    ca: Path | None = None
    username: str = ""
    password: Secret | None = None


class BadCa(ValueError):
    """A CA file that cannot be used; the words say why."""


class Unheard(aiomqtt.MqttError):
    """A topic that must be heard, and that the broker does not let this login subscribe to."""

    def __init__(self, topic: str, code: int) -> None:
        super().__init__(f"does not let this login subscribe to {topic} ({refusal(code)})")


def context(broker: BrokerAddress) -> ssl.SSLContext:
    """The TLS that a broker is asked for: certificate and name are checked. Raises BadCa."""
    try:
        return ssl.create_default_context(cafile=str(broker.ca) if broker.ca else None)
    except ssl.SSLError:
        raise BadCa(f"its CA file {broker.ca} holds no certificate in PEM form") from None
    except (OSError, ValueError) as error:
        words = getattr(error, "strerror", None) or "not a path"
        raise BadCa(f"its CA file {broker.ca} cannot be read: {words}") from None


def is_refused_login(error: BaseException) -> bool:
    """Whether the broker does not let this login in."""
    return isinstance(error, MqttConnectError) and _code(error) in _REFUSED_LOGIN


def is_wrong_certificate(error: BaseException) -> bool:
    """Whether the broker was reached, and its certificate does not verify."""
    return any(isinstance(one, ssl.SSLCertVerificationError) for one in _causes(error))


def may_be_older(error: BaseException) -> bool:
    """Whether a broker that failed to answer so may know only an older version of the protocol: it
    says so, or, as some do, it ends the connection or is silent."""
    if isinstance(error, MqttConnectError):
        return _code(error) in _UNKNOWN_VERSION
    return any(isinstance(one, Lost | TimeoutError) for one in _causes(error))


def why(error: BaseException, seconds: float) -> tuple[str, str]:
    """Why a connection could not be had, or ended, after "the broker ..."; and what to do, empty
    where nothing more than to check host, port and login can be said."""
    if is_refused_login(error):
        return "refuses the user name or password", ""
    if isinstance(error, BadCa):
        return f"cannot be checked: {error}", ""
    if isinstance(error, Unheard):
        return str(error), "let it read that topic, by the access rules of the broker"
    causes = list(_causes(error))
    for one in causes:
        if isinstance(one, ssl.SSLCertVerificationError):
            plain = f"shows a certificate that does not verify ({one.verify_message})"
            words, remedy = _CERTIFICATES.get(one.verify_code, (plain, ""))
            return words, remedy
        if isinstance(one, ssl.SSLError):
            return "does not speak TLS as asked", ""
    for one in causes:
        if words := _ENDS.get(_code(one), ""):
            return words, ""
        if isinstance(one, TimeoutError):
            return f"does not answer within {seconds:g} s", ""
    if isinstance(error, Lost):
        return (
            "ends the connection without a word",
            "see that host and port are those of the broker, and whether it asks for TLS, or for a "
            "certificate of the client",
        )
    return "cannot be reached", ""


def refusal(code: int) -> str:
    """A reason code of PUBACK or SUBACK in words."""
    return _REFUSALS.get(code, f"reason {code}")


def _code(error: BaseException) -> int:
    code = getattr(error, "rc", None)
    number = getattr(code, "value", code)
    return number if isinstance(number, int) else -1


def _causes(error: BaseException) -> Iterator[BaseException]:
    cause: BaseException | None = error
    while cause is not None:
        yield cause
        cause = cause.__cause__ or cause.__context__
