"""Values that would not arrive as they are, and bundles that do not fit one message."""

from __future__ import annotations

from collections.abc import Iterator

from migrate.dialects.carrying import bundle_faults, prove, topic_faults
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device
from migrate.model.problems import Problem
from migrate.model.secrets import Secret
from migrate.model.settings import Bundle, FrozenBundle, Setting
from migrate.model.wifi import secret_fault
from migrate.planning.bundles import resolved
from migrate.planning.refusals.case import Case

FORWARD = "choose another value for the new side, or leave the device out"
BACK = "correct the old side, or leave the device out"
TOPIC = "give the device another topic or name, or leave it out"


def refusals(case: Case) -> Iterator[Problem]:
    """Each bundle is judged once for all that are given it; paths and topics for each device."""
    for alike in case.moved:
        dialect, via = alike.dialect, alike.via
        forward = prove(dialect, via, resolved(_told(dialect, alike.given), case.resolve))
        back = prove(dialect, via, resolved(_told(dialect, alike.back.known), case.resolve))
        judged = [
            (proof, what, remedy)
            for proof, what, remedy in ((forward, "", FORWARD), (back, "the way back: ", BACK))
            if not proof.clear
        ]
        for device in alike.devices:
            if via == "mqtt":
                for fault in topic_faults(dialect, device):
                    yield Problem(fault, TOPIC, device=device.name)
            for proof, what, remedy in judged:
                for fault in proof.faults(device):
                    yield Problem(what + fault, remedy, device=device.name)


def carried(device: Device, dialect: Dialect, values: Bundle, what: str = "") -> list[Problem]:
    """Refusals of one bundle as it stands now, for a last look before the run."""
    problems = [
        Problem(what + fault, "correct the value, then plan anew", device=device.name)
        for fault in bundle_faults(dialect, device, device.via, values)
    ]
    key = values.get(Setting.WIFI_SECRET)
    if isinstance(key, Secret) and (fault := secret_fault(key.reveal())):
        problems.append(Problem(what + fault, "put the right one there", device=device.name))
    return problems


def _told(dialect: Dialect, bundle: FrozenBundle) -> FrozenBundle:
    # A missing word for TLS is refused in `brokers`, in words of its own.
    known = dialect.settings
    return {s: value for s, value in bundle.items() if s in known or s != Setting.BROKER_TLS}
