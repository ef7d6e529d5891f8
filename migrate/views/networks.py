"""Networks and brokers in words; names octet by octet where they are not plain, secrets masked."""

from __future__ import annotations

from migrate.model.secrets import SecretRef
from migrate.model.settings import FrozenValue
from migrate.planning.adrift import Network, Wanted
from migrate.views.lines import harmless


def ssid_in_words(ssid: str) -> str:
    """A network's name in quotes, with its octets in hexadecimal where it is not plain: anything
    but printable ASCII, a quote in it, or blanks that are easily overlooked.

    An SSID is octets (IEEE Std 802.11); two that look alike may be two networks."""
    plain = ssid.isascii() and ssid.isprintable() and '"' not in ssid and "\\" not in ssid
    told = f'"{harmless(ssid)}"'
    if plain and ssid == " ".join(ssid.split()):
        return told
    octets = ssid.encode("utf-8", "surrogatepass").hex(" ").upper()
    return f"{told} (octets {octets})"


def key_in_words(secret: FrozenValue | None, what: str = "passphrase") -> str:
    """Where a passphrase or password is kept; never what it is."""
    if isinstance(secret, SecretRef):
        place = harmless(str(secret))
        return f"the {what} that is {place}" if secret.prompt else f"the {what} in the {place}"
    if secret == "":
        return f"no {what}"
    return f"a {what} that is not known here"


def network_in_words(network: Network) -> str:
    """`"loft", with the passphrase in the environment variable NEW_WIFI`."""
    # A network whose passphrase was not declared is not therefore an open one.
    return f"{ssid_in_words(network.ssid)}, with {key_in_words(network.secret)}"


def broker_in_words(broker: Wanted) -> str:
    """`198.51.100.2, port 1883, as user house with the password in the file x`."""
    told = harmless(broker.host)
    if broker.port is not None:
        told += f", port {broker.port}"
    if broker.tls:
        told += ", over TLS"
    if broker.username:
        told += f", as user {harmless(broker.username)} with "
        return told + key_in_words(broker.password, "password")
    return told
