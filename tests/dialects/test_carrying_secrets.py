"""No refusal and no preview tells a secret."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from migrate.dialects.carrying import bundle_faults, value_faults
from migrate.dialects.compose import preview
from migrate.dialects.parts import Lines
from migrate.dialects.schema import Dialect
from migrate.model.fleet import Transport
from migrate.model.secrets import MASK, Secret
from migrate.model.settings import SECRETS, Setting, Value
from tests.dialects.bundles import (
    TEXTS,
    bundles,
    json_dialects,
    line_dialects,
)
from tests.dialects.samples import DEVICE, DIALECTS, TRANSPORTS, shipped

MARK = "ZqXjV"
"""Five letters that no word of the project holds."""


@st.composite
def marked_bundles(draw: st.DrawFn) -> tuple[Dialect, dict[Setting, Value]]:
    made = draw(st.sampled_from([*DIALECTS.values()]) | line_dialects() | json_dialects())
    assume(made is not None)
    assert made is not None
    bundle = draw(bundles(made))
    parts = st.lists(TEXTS, max_size=3)
    for setting in bundle:
        if setting in SECRETS:
            bundle[setting] = Secret(MARK + MARK.join(draw(parts)) + MARK)
    return made, bundle


@settings(max_examples=250, suppress_health_check=list(HealthCheck))
@given(marked_bundles(), st.sampled_from(TRANSPORTS))
@example(
    (DIALECTS["sedge"], {Setting.WIFI_SSID: "a;b", Setting.WIFI_SECRET: Secret(f"{MARK};")}), "http"
)
def test_no_word_of_a_refusal_or_preview_tells_a_secret(
    made: tuple[Dialect, dict[Setting, Value]], transport: Transport
) -> None:
    dialect, bundle = made
    for fault in bundle_faults(dialect, DEVICE, transport, bundle):
        assert MARK not in fault
        assert MARK.encode().hex() not in fault
    for setting, value in bundle.items():
        assert MARK not in " ".join(value_faults(dialect, setting, value))
    # What has no octets is refused; there is nothing to be shown of it.
    assume(not any("\ud800" <= char <= "\udfff" for v in bundle.values() for char in str(v)))
    shown = preview(dialect, DEVICE, transport, bundle)
    assert MARK not in shown
    hidden = [setting for setting in bundle if setting in SECRETS]
    form = dialect.write.message
    escaped = isinstance(form, Lines) and form.escape == "percent"
    assert escaped or shown.count(MASK) >= len(hidden)


def test_previews() -> None:
    bundle: dict[Setting, Value] = {
        Setting.WIFI_SSID: "new net",
        Setting.WIFI_SECRET: Secret("correct horse"),
    }
    assert preview(DIALECTS["larch"], DEVICE, "http", bundle) == (
        'PATCH /unit/document with body {"network":{"name":"new net","key":"<hidden>"}}'
    )
    assert preview(DIALECTS["sedge"], DEVICE, "http", bundle) == (
        "GET /do?say=station.name=new net;station.key=<hidden>"
    )
    assert preview(DIALECTS["sedge"], DEVICE, "mqtt", bundle) == (
        "publish to sedge/t1/say: station.name=new net;station.key=<hidden>"
    )


@pytest.mark.parametrize("missing", TRANSPORTS)
def test_a_preview_of_a_transport_that_is_not_there_raises(missing: Transport) -> None:
    def change(data: dict[str, Any]) -> None:
        for table in ("write", "read"):
            del data[table][missing]

    with pytest.raises(ValueError, match=f"no {missing}"):
        preview(shipped("larch", change), DEVICE, missing, {Setting.GROUP_TOPIC: "house"})
