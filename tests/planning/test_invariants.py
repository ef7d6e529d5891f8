"""Invariants 2, 3, 4, 7, 8 and 9 of DESIGN.md over whole plans: a run on paper, where anything may
happen to any device, judged by rules written down anew; and bundles, judged by decoders that share
nothing with the project."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from migrate.dialects.compose import write
from migrate.dialects.messages import HttpRequest
from migrate.model.fleet import Device
from migrate.model.lifecycle import State
from migrate.model.playbook import Pace
from migrate.model.problems import BadFile, Refused
from migrate.model.settings import SECRETS, Setting
from migrate.planning.bundles import resolved
from migrate.planning.exposure import Evidence, Twin
from migrate.planning.gates import Standing, admit, shut_by
from tests.dialects import decoders
from tests.planning.samples import (
    all_waiting,
    check_together,
    device,
    dialects,
    evidence,
    fleets,
    narrow,
    paces,
    plan_of,
    resolver,
    risk_of,
)
from tests.planning.test_gates import plan_for

ENDS = (State.SETTLED,) * 12 + (State.RETURNED, State.ADRIFT, State.DECLINED)


@settings(max_examples=40, deadline=None)
@given(fleets(most=40), paces(), evidence(), st.randoms(use_true_random=False))
def test_a_run_in_which_anything_may_happen(
    fleet: tuple[Device, ...], pace: Pace, had: dict[Twin, Evidence], fate: Any
) -> None:
    plan, by_name = plan_for(fleet, pace, had), {one.name: one for one in fleet}
    where = all_waiting(plan)
    done = {State.SETTLED, State.DECLINED}
    for index, wave in enumerate(plan.waves):
        earlier = [name for before in plan.waves[:index] for name in before.devices]
        if shut_by(plan, where, index):
            return
        # Invariant 2, before anybody of this wave is sent anything.
        assert all(where[name].written_off or where[name].state in done for name in earlier)
        ready = list(wave.devices)
        while ready:
            admission = admit(plan, where, ready)
            if not admission.admitted:
                return
            together = [by_name[name] for name in admission.admitted]
            settled = [by_name[n] for n, how in where.items() if how.state is State.SETTLED]
            resolved_ = [by_name[n] for n, how in where.items() if how.resolved]
            faults: Counter[tuple[str, str | None]] = Counter()
            for name, how in where.items():
                twin = (by_name[name].dialect, by_name[name].firmware)
                faults[twin] += how.state in (State.RETURNED, State.ADRIFT)
            for one in together:  # invariants 7 and 9
                if one.feeds:
                    check_together([one], resolved_, fleet, had)
            plain = [one.model_copy(update={"feeds": ()}) for one in together]
            check_together(plain, settled, fleet, had)
            total = risk_of(together, settled, faults, pace, had)
            assert narrow(together, total, pace)  # invariant 8
            for name in admission.admitted:
                end = fate.choice(ENDS)
                off = end is not State.SETTLED and fate.random() < 0.5
                where[name] = Standing(end, written_off=off)
            ready = [name for name in ready if name not in admission.admitted]


def texts() -> st.SearchStrategy[str]:
    nasty = st.sampled_from(
        (";", "=", "%", '"', "\\", "\n", " ", "é", "\u202e", "'", "{", "&", "+")
    )
    return st.lists(nasty | st.characters(min_codepoint=32, max_codepoint=126), max_size=90).map(
        "".join
    )


WORDS: Mapping[str, Mapping[Setting, tuple[str, ...]]] = {
    "larch": {
        Setting.WIFI_SSID: ("network", "name"),
        Setting.WIFI_SECRET: ("network", "key"),
        Setting.BROKER_USERNAME: ("broker", "user"),
        Setting.BROKER_PASSWORD: ("broker", "pass"),
    },
    "rowan": {
        Setting.WIFI_SSID: ("wifi_name",),
        Setting.WIFI_SECRET: ("wifi_key",),
        Setting.BROKER_USERNAME: ("broker_user",),
        Setting.BROKER_PASSWORD: ("broker_pass",),
    },
    "sedge": {
        Setting.WIFI_SSID: ("station.name",),
        Setting.WIFI_SECRET: ("station.key",),
        Setting.BROKER_USERNAME: ("mqtt.user",),
        Setting.BROKER_PASSWORD: ("mqtt.pass",),
    },
}
"""The members of docs/manuals/*.md."""


@settings(max_examples=150, deadline=None)
@given(
    texts(), texts().filter(bool), texts().filter(bool), texts(), st.sampled_from(sorted(WORDS)),
    st.sampled_from(("http", "mqtt")),
)  # fmt: skip
def test_every_bundle_of_a_plan_arrives_whole_in_one_message(
    ssid: str, key: str, user: str, password: str, family: str, via: str
) -> None:
    """Invariants 3 and 4: what a plan holds is decoded as it was declared, or there is no plan."""
    declared = f"""
[wifi]
ssid = {json.dumps(ssid)}
secret = {{ env = "NEW_WIFI" }}
[broker]
host = "198.51.100.2"
username = {json.dumps(user)}
password = {{ env = "NEW_BROKER" }}
[old]
subnet = "192.0.2.0/24"
leases = "old.leases"
wifi = {{ ssid = "attic", secret = {{ env = "OLD_WIFI" }} }}
broker = {{ host = "192.0.2.2" }}
[new]
subnet = "198.51.100.0/24"
leases = "new.leases"
"""
    secrets = resolver(NEW_WIFI=key, NEW_BROKER=password)
    one = device("lamp", 1, dialect=family, via=via)
    try:
        plan = plan_of([one], declared, secrets)
    except (Refused, BadFile):
        return
    bundle = plan.devices[0].bundle
    sent = write(dialects()[family], one, plan.devices[0].via, resolved(bundle, secrets), 7)
    if isinstance(sent, HttpRequest):
        payload = sent.body or decoders.query_of(sent.target)["say"].encode()
    else:
        payload = sent.payload
    pairs = getattr(decoders, f"{family}_pairs")(payload)
    words = WORDS[family]
    wanted = {Setting.WIFI_SSID: ssid, Setting.WIFI_SECRET: key, Setting.BROKER_USERNAME: user}
    wanted[Setting.BROKER_PASSWORD] = password
    for setting, value in wanted.items():
        assert pairs[words[setting]] == value, setting
    assert set(SECRETS & bundle.keys()) == {Setting.WIFI_SECRET, Setting.BROKER_PASSWORD}
