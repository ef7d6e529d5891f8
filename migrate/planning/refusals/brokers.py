"""Whether the new broker lets all of them in: how many, over TLS, and by which certificate."""

from __future__ import annotations

from collections.abc import Iterator

from migrate.model.playbook import Broker
from migrate.model.problems import Problem
from migrate.model.settings import Setting
from migrate.planning.refusals.case import Case

OWN_CLIENTS = 1
"""Connections that migrate itself holds to a broker."""


def refusals(case: Case) -> Iterator[Problem]:
    """The broker that the devices are moved to."""
    broker = case.playbook.broker
    if broker is None:
        return
    yield from clients(case)
    yield from _tls(case, broker)
    if broker.certificate is not None:
        # Read when it is needed: the library is large, and most brokers come without.
        from migrate.planning.refusals.certificates import certificate_refusals

        yield from certificate_refusals(broker, case.created, case.certificates)


def clients(case: Case) -> Iterator[Problem]:
    """More devices than the new broker lets in at once."""
    broker = case.playbook.broker
    if broker is None or broker.most_clients is None:
        return
    devices = sum(len(alike.devices) for alike in case.with_part("broker"))
    needed = broker.clients_there + devices + OWN_CLIENTS
    if needed > broker.most_clients:
        yield case.about_change(
            f"the broker {broker.host} lets in {broker.most_clients} at once, and {needed} will be "
            f"there: {broker.clients_there} others, {devices} devices, and migrate itself",
            f"raise its limit by {needed - broker.most_clients}, or leave devices out",
            "broker.most_clients",
        )


def _tls(case: Case, broker: Broker) -> Iterator[Problem]:
    if not broker.tls:
        return
    for alike in case.with_part("broker"):
        if Setting.BROKER_TLS not in alike.dialect.settings:
            for device in alike.devices:
                yield Problem(
                    f"the new broker asks for TLS, which dialect {alike.dialect.name} has no word "
                    "for (broker.tls): the device would come without it and not be let in",
                    "let the broker listen without TLS for such devices, on a port of its own, or "
                    "describe broker.tls in the dialect if the manual has it",
                    device=device.name,
                )
