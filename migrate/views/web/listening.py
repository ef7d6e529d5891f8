"""The socket that a page is served by, or in words why there can be none."""

from __future__ import annotations

import errno
import os
import socket
from typing import Final

from migrate.model.problems import PageTrouble, Problem
from migrate.views.web.place import Place

GONE_AFTER: Final = 30_000
"""Milliseconds without an acknowledgement after which a browser counts as gone (RFC 5482; Linux has
it, and gives it to what is accepted): one that went out of reach of the Wi-Fi says no farewell."""


def listen(place: Place) -> socket.socket:
    """A socket that listens there, and nowhere else. Raises PageTrouble."""
    six = place.address.version == 6
    listening: socket.socket | None = None
    try:
        listening = socket.socket(socket.AF_INET6 if six else socket.AF_INET)
        # So that a page which goes on has its port at once; two cannot share one by this.
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if unread := getattr(socket, "TCP_USER_TIMEOUT", None):
            listening.setsockopt(socket.IPPROTO_TCP, unread, GONE_AFTER)
        listening.setblocking(False)
        listening.bind((str(place.address), place.port))
        listening.listen(64)
    except OSError as error:
        if listening is not None:
            listening.close()
        raise PageTrouble(_problem(place, error)) from None
    return listening


def _problem(place: Place, error: OSError) -> Problem:
    another = "name another with --page-at or --at"
    if error.errno == errno.EADDRINUSE:
        what = f"something is served at {place.authority} already"
        return Problem(what, f"look whether it is this page: {place.url}; or {another}")
    if error.errno in (errno.EADDRNOTAVAIL, errno.EAFNOSUPPORT):
        what = f"{place.address} is not an address of this machine"
        return Problem(what, "see its addresses: ip address; then name one of them")
    if error.errno in (errno.EACCES, errno.EPERM):
        what = f"port {place.port} may not be used by you"
        return Problem(what, "name a port above 1023, or none")
    why = os.strerror(error.errno) if error.errno else "no reason is known"
    return Problem(f"no page can be served at {place.authority}: {why}", another)
