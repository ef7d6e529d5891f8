"""What is refused before anything is sent: every reason, for every device, in one pass."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from migrate.dialects.carrying import bundle_faults
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Device, Fleet
from migrate.model.playbook import Playbook, new_side, old_side
from migrate.model.problems import Problem, Refused, SecretTrouble
from migrate.model.secrets import Secret, SecretRef
from migrate.model.settings import SECRETS, Bundle, FrozenBundle, Setting, Value
from migrate.model.wifi import secret_fault
from migrate.planning.addressing import GIVE_ADDRESSES, fixed_address, left_behind, untold
from migrate.planning.bundles import PARTS, bundle, parts_for, way_back
from migrate.planning.waves import NETWORK_PARTS, carriers_in_order

Resolve = Callable[[SecretRef], Secret]


def resolved(frozen: FrozenBundle, resolve: Resolve) -> dict[Setting, Value]:
    """A bundle with its secrets in it, for composing. Raises what `resolve` raises."""
    values: dict[Setting, Value] = {}
    for setting, value in frozen.items():
        if isinstance(value, SecretRef):
            values[setting] = resolve(value)
        elif setting in SECRETS:
            values[setting] = Secret(str(value))
        else:
            values[setting] = value
    return values


def playbook_refusals(playbook: Playbook, resolve: Resolve, where: str) -> list[Problem]:
    """Refusals that concern the change as a whole."""
    problems = []
    for wifi, key in ((playbook.wifi, "wifi"), (playbook.old.wifi, "old.wifi")):
        if wifi and wifi.secret and (fault := secret_fault(resolve(wifi.secret).reveal())):
            problems.append(
                Problem(fault, f"put the right one into the {wifi.secret}", where, f"{key}.secret")
            )
    old, new = playbook.old, playbook.wifi
    if new and old.wifi and new.ssid == old.wifi.ssid:
        problems.append(
            Problem(
                "old and new network have the same name: devices cannot be on both, and none can "
                "be verified before the access point is changed",
                "give the new network another SSID while both are on air",
                where,
                "wifi.ssid",
            )
        )
    # Together with another change a part may be declared as it was: it is then written anew.
    for part in ("broker", "group"):
        same = getattr(playbook, part) == getattr(playbook.old, part)
        if same and playbook.changed == (part,):
            problems.append(
                Problem(f"the new {part} is the old one", "declare what changes", where, part)
            )
    return problems


def device_refusals(
    device: Device, dialect: Dialect, playbook: Playbook, resolve: Resolve
) -> list[Problem]:
    """Refusals that concern one device."""
    old, new = old_side(playbook), new_side(playbook)
    changed = playbook.changed
    parts = parts_for(dialect, changed)
    problems: list[Problem] = []

    def refuse(what: str, remedy: str) -> None:
        problems.append(Problem(what, remedy, device=device.name))

    if device.via not in dialect.transports:
        refuse(
            f"is to be moved over {device.via}, but dialect {dialect.name} has only "
            f"{' and '.join(dialect.transports)}",
            f"set via to {dialect.transports[0]}, or describe {device.via} in the dialect",
        )
        return problems
    if not parts:
        refuse(
            f"dialect {dialect.name} has no word for anything that changes",
            "describe the settings in the dialect, or take the device out of the fleet file",
        )
        return problems
    if "wifi" in changed and "wifi" not in parts:
        refuse(
            f"dialect {dialect.name} has no word for the Wi-Fi network: the device would stay",
            "describe wifi.ssid and wifi.secret in the dialect",
        )
    if "broker" in changed and "broker" not in parts and device.via == "mqtt":
        refuse(
            f"dialect {dialect.name} has no word for the broker: the device would stay at the old "
            "one, and be looked for at the new one",
            "describe broker.host and the rest in the dialect, or move the device over http",
        )
    problems += _findable(device, dialect, playbook)
    given = bundle(dialect, new, parts, device.name)
    values = resolved(given, resolve)
    for fault in bundle_faults(dialect, device, device.via, values):
        refuse(fault, "choose another value for the new side, or leave the device out")
    back = way_back(dialect, old, given, device.name)
    if back.lost and device.name not in playbook.old.no_way_back:
        missing = ", ".join(sorted(back.lost))
        refuse(
            f"no way back: {missing} of the old side can neither be read nor is it declared",
            f"declare it under [old.{_part_of(back.lost[0])}], or accept it by name: "
            f'no_way_back = ["{device.name}"]',
        )
    for fault in bundle_faults(dialect, device, device.via, resolved(back.known, resolve)):
        refuse(f"the way back: {fault}", "correct the old side, or leave the device out")
    if "controller" in device.feeds:
        refuse(
            "feeds the machine that migrate runs on: its restart would end the run",
            "run migrate on another machine, or move this device by hand",
        )
    return problems


def fleet_refusals(fleet: Fleet, where: str) -> list[Problem]:
    """Names in `feeds` that mean nothing, and devices that feed each other."""
    names = {device.name for device in fleet.device}
    problems = [
        Problem(
            f"feeds {fed!r}, which is neither a device nor one of {', '.join(NETWORK_PARTS)}",
            "correct the name",
            where,
            "feeds",
            device.name,
        )
        for device in fleet.device
        for fed in device.feeds
        if fed not in names and fed not in NETWORK_PARTS
    ]
    try:
        carriers_in_order([device for device in fleet.device if device.carrier])
    except Refused as error:
        problems += [replace(problem, where=where) for problem in error.problems]
    return problems


def all_refusals(
    fleet: Fleet,
    playbook: Playbook,
    dialects: Mapping[str, Dialect],
    resolve: Resolve,
    files: Sequence[str] = ("fleet", "playbook"),
) -> list[Problem]:
    """Every refusal; empty means the plan may be made. Raises SecretTrouble with every secret
    that cannot be had: without them nothing can be proven."""
    _have_secrets(playbook, resolve)
    problems = fleet_refusals(fleet, files[0]) + playbook_refusals(playbook, resolve, files[1])
    names = {device.name for device in fleet.device}
    problems += [
        Problem(f"{name!r} is not in the fleet", "correct it", files[1], "old.no_way_back")
        for name in playbook.old.no_way_back
        if name not in names
    ]
    for device in fleet.device:
        problems += device_refusals(device, dialects[device.dialect], playbook, resolve)
    return problems


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


def _have_secrets(playbook: Playbook, resolve: Resolve) -> None:
    old, new = old_side(playbook), new_side(playbook)
    wanted = [side.wifi.secret for side in (old, new) if side.wifi]
    if playbook.broker:
        wanted += [side.broker.password for side in (old, new) if side.broker]
    problems: list[Problem] = []
    for ref in dict.fromkeys(wanted):
        try:
            if ref is not None:
                resolve(ref)
        except SecretTrouble as error:
            problems += error.problems
    if problems:
        raise SecretTrouble(problems)


def _findable(device: Device, dialect: Dialect, playbook: Playbook) -> list[Problem]:
    """How the device will be found, on both sides; a device that cannot be found is not moved."""
    old, new = old_side(playbook), new_side(playbook)
    problems = []
    kept = fixed_address(old, device.name) if playbook.addressing is None else None
    if kept is not None and (what := left_behind(old, new, kept)):
        problems.append(Problem(what, GIVE_ADDRESSES, device=device.name))
    if device.via == "mqtt":
        problems += [
            Problem(
                f"is moved over MQTT, but the {side.name} broker is not declared",
                "add [old.broker] with host and port",
                device=device.name,
            )
            for side in (old, new)
            if side.broker is None
        ]
        # Of a device with a fixed address a lease proves nothing: it may be left over.
        leased = new.leases is not None and fixed_address(new, device.name) is None
        proves = dialect.readings.address is not None or leased
        if playbook.wifi and playbook.proof.address and new.subnet and not proves:
            problems.append(
                Problem(
                    "nothing can prove its new address: the dialect has no address reading and "
                    "the new side no lease file in which it is",
                    "add new.leases for a device that asks DHCP, or set address = false under "
                    "[proof]",
                    device=device.name,
                )
            )
        return problems
    if device.address is None and old.leases is None and not fixed_address(old, device.name):
        problems.append(
            Problem(
                "has no address, and the old side has no lease file to find it in",
                "add address, or old.leases",
                device=device.name,
            )
        )
    if old.subnet and device.address and device.address not in old.subnet:
        problems.append(
            Problem(
                f"address {device.address} is outside the old subnet {old.subnet}",
                "correct the one or the other",
                device=device.name,
            )
        )
    # Within one network only a device that gives up its fixed address comes back elsewhere.
    loses = playbook.addressing is not None and fixed_address(old, device.name) is not None
    missing = untold(new, device.name) if playbook.wifi or loses else []
    if missing:
        problems.append(
            Problem(
                "comes back at an address that nobody can tell: the new side needs "
                + ("both subnet and leases" if len(missing) > 1 else missing[0]),
                "add [new] subnet and leases (the lease file of the new network's DHCP server); "
                "of a device with a fixed address there the subnet will do",
                device=device.name,
            )
        )
    return problems


def _part_of(setting: Setting) -> str:
    return next((part for part, settings in PARTS.items() if setting in settings), "wifi")
