"""Values that would not arrive as they are, and bundles that do not fit one message."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from migrate.dialects.carrying import bundle_faults, prove, topic_faults
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device
from migrate.model.problems import Problem
from migrate.model.secrets import Secret
from migrate.model.settings import Bundle, FrozenBundle, FrozenValue, Setting
from migrate.model.wifi import secret_fault
from migrate.planning.refusals.case import Alike, Case
from migrate.planning.refusals.secrets import resolved

TOLD_ELSEWHERE = {Setting.BROKER_TLS: "brokers", Setting.ADDRESS: "addresses"}
"""Settings whose missing word is refused in the room of that name, in words of its own."""


def refusals(case: Case) -> Iterator[Problem]:
    """Each bundle is judged once for all that are given it; paths and topics for each device."""
    for alike in case.moved:
        values = resolved(_to_be_told(alike), case.resolve)
        forward = prove(alike.dialect, alike.via, values)
        back = prove(alike.dialect, alike.via, resolved(alike.back.known, case.resolve))
        for device in alike.devices:
            faults = forward.faults(device)
            if alike.via == "mqtt":
                faults += topic_faults(alike.dialect, device)
            for fault in faults:
                yield Problem(
                    fault,
                    "choose another value for the new side, or leave the device out",
                    device=device.name,
                )
            for fault in back.faults(device):
                yield Problem(
                    f"the way back: {fault}",
                    "correct the old side, or leave the device out",
                    device=device.name,
                )


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


def _to_be_told(alike: Alike) -> FrozenBundle:
    missing = {setting for setting in TOLD_ELSEWHERE if setting not in alike.dialect.settings}
    told: Mapping[Setting, FrozenValue] = alike.given
    return {setting: value for setting, value in told.items() if setting not in missing}
