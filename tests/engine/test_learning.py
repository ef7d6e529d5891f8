"""What a run knows of secrets: those of its leg, and those that other legs gave its devices."""

from __future__ import annotations

from migrate.engine.crew import learn_secrets, muster
from migrate.model.secrets import Redactor
from migrate.planning.make import make_plans
from migrate.ports.files import Inputs
from tests.model.helpers import playbook_of
from tests.planning.samples import (
    NEW_NET,
    OLD,
    OLD_BROKER,
    OLD_NET,
    OLD_WIFI,
    WIFI,
    device,
    dialects,
    fleet,
    resolver,
    sources,
)


def test_a_leg_still_knows_the_passphrase_that_another_leg_left_behind() -> None:
    """Of a group topic and a network the group goes first: its leg is not about passphrases, but a
    device may tell one."""
    declared = f"[group]\ntopic = 'house'\n{WIFI}[old]\n{OLD_NET}{OLD_WIFI}{OLD_BROKER}{NEW_NET}"
    inputs = Inputs(fleet(device()), playbook_of(declared), dialects(), sources())
    first, *rest = make_plans(
        inputs.fleet,
        inputs.playbook,
        inputs.dialects,
        resolver(),
        inputs.sources,
        created="2026-01-01T00:00:00+00:00",
        tool="migrate 0",
    )
    assert rest
    assert not any(setting.startswith("wifi") for setting in first.devices[0].bundle)
    for plan in (first, *rest):
        crew, redactor = muster(plan, inputs, resolver()), Redactor()
        learn_secrets(crew, redactor)
        assert OLD not in redactor.clean(f"my key was {OLD}")
