"""The frozen campaign: what runs is what was reviewed, to the last digit."""

from __future__ import annotations

import copy
import hashlib
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from migrate.model.problems import BadFile, Changed, Exit
from migrate.planning.campaign.plan import (
    CAMPAIGN_ANEW,
    KEY_CHARACTERS,
    CampaignPlan,
    SiteWave,
    campaign_from_json,
    freeze_campaign,
)
from migrate.planning.campaign.turn import expected_waves
from tests.planning.campaigns import campaign, campaigns, site

WHERE = "campaign.plan.json"
HOSTILE = "xylophone"
MANY = settings(max_examples=60, deadline=None)


def frozen(draft: CampaignPlan) -> CampaignPlan:
    return freeze_campaign(draft, *expected_waves(draft))


def small() -> CampaignPlan:
    return frozen(
        campaign(
            site("alder", "1 2", travel_minutes=5), site("birch", "1", ["alder"]), site("cedar")
        )
    )


def refused(text: str) -> None:
    with pytest.raises(BadFile) as trouble:
        campaign_from_json(text, WHERE)
    (problem,) = trouble.value.problems
    assert (problem.what, problem.where) == ("is not a campaign that migrate planned", WHERE)
    assert problem.remedy == CAMPAIGN_ANEW
    assert HOSTILE not in str(trouble.value)


def changed(text: str) -> None:
    with pytest.raises(Changed) as trouble:
        campaign_from_json(text, WHERE)
    assert trouble.value.exit is Exit.CHANGED
    (problem,) = trouble.value.problems
    assert (problem.what, problem.where) == ("was edited after it was frozen", WHERE)
    assert problem.remedy == CAMPAIGN_ANEW


@MANY
@given(campaigns())
def test_there_and_back(draft: CampaignPlan) -> None:
    plan = frozen(draft)
    text = plan.to_json()
    assert campaign_from_json(text, WHERE) == plan
    assert campaign_from_json(text, WHERE).to_json() == text
    assert text.isascii()
    assert plan.key == plan.digest[:KEY_CHARACTERS]
    # However it is laid out: the digest is over what it says.
    laid_out = json.dumps(json.loads(text), indent=3, sort_keys=True)
    assert campaign_from_json(laid_out, WHERE) == plan


def test_it_is_read_by_people_as_well() -> None:
    lines = small().to_json().splitlines()
    assert sum('"name": "' in line for line in lines) == 3  # a line for each site
    assert sum('"exposure": ' in line for line in lines) == len(small().waves)
    assert lines[1] == '"format": 1,'


def test_the_digest_is_sha_256_of_all_the_rest() -> None:
    # Source: FIPS 180-4, by hashlib; the form that is hashed is that of the docstring.
    plan = small()
    body = plan.model_dump(mode="json", exclude={"digest"})
    text = json.dumps(body, sort_keys=True, separators=(",", ":"))
    assert plan.digest == hashlib.sha256(text.encode()).hexdigest()
    assert frozen(plan).digest == plan.digest  # and not of itself


def test_why_each_site_is_where_it_is() -> None:
    plan = small()
    assert plan.by_name["alder"].why == "a pilot: the first with larch 2"
    for one in plan.sites:
        assert one.why
        assert plan.by_name[one.name] is one
    # Frozen anew it has the reasons of the new waves, and not those that were looked up before.
    why = dict.fromkeys(plan.by_name, "because")
    again = freeze_campaign(plan, plan.waves, why)
    assert {one.why for one in again.by_name.values()} == {"because"}
    assert again.digest != plan.digest


def test_waves_that_do_not_fit_the_sites_are_not_frozen() -> None:
    plan = small()
    for waves in ([], plan.waves[:1], [*plan.waves, plan.waves[0]]):
        if waves:
            with pytest.raises(ValueError, match="in no wave, or in two"):
                freeze_campaign(plan, waves, dict.fromkeys(plan.by_name, ""))
    elsewhere = [SiteWave(sites=("elm",), exposure=1.0)]
    with pytest.raises(ValueError, match="in no wave, or in two"):
        freeze_campaign(plan, elsewhere, dict.fromkeys(plan.by_name, ""))


def places(value: Any, base: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The way to every value that is no table and no list."""
    if isinstance(value, dict):
        return [p for key, item in value.items() for p in places(item, (*base, key))]
    if isinstance(value, list):
        return [p for number, item in enumerate(value) for p in places(item, (*base, number))]
    return [base]


def at(value: Any, place: tuple[Any, ...]) -> Any:
    for part in place:
        value = value[part]
    return value


def other(value: Any, data: st.DataObject) -> Any:
    """Another value of the same type."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return data.draw(st.integers(0, 2000).filter(lambda new: new != value))
    if isinstance(value, float):
        return data.draw(st.floats(0, 1, exclude_min=True).filter(lambda new: new != value))
    if isinstance(value, str) and len(value) == 64:
        spot = data.draw(st.integers(0, 63))
        return value[:spot] + ("0" if value[spot] != "0" else "1") + value[spot + 1 :]
    return data.draw(st.text("abc1 ", min_size=1, max_size=8).filter(lambda new: new != value))


def whole(plan: CampaignPlan) -> dict[str, Any]:
    """With all that is as usual."""
    found: dict[str, Any] = json.loads(plan.model_dump_json())
    return found


PLACES = places(whole(small()))


def test_every_kind_of_field_is_among_them() -> None:
    fields = {tuple(part for part in place if isinstance(part, str)) for place in PLACES}
    assert len(fields) >= 25
    assert {("pace", "held_at_most"), ("sites", "after"), ("sites", "twins", "firmware")} <= fields


@pytest.mark.parametrize("place", PLACES, ids=lambda place: ".".join(map(str, place)))
def test_any_change_of_any_field_is_found(place: tuple[Any, ...]) -> None:
    good = whole(small())

    @settings(max_examples=3, deadline=None, database=None)
    @given(st.data())
    def change(data: st.DataObject) -> None:
        body = copy.deepcopy(good)
        at(body, place[:-1])[place[-1]] = other(at(good, place), data)
        with pytest.raises((Changed, BadFile)):
            campaign_from_json(json.dumps(body), WHERE)

    assert campaign_from_json(json.dumps(good), WHERE) == small()
    change()


@MANY
@given(st.data())
def test_a_change_of_the_whole_is_found(data: st.DataObject) -> None:
    """Sites in another order, one less, twice, a leg or a twin group away."""
    good = whole(small())
    body = copy.deepcopy(good)
    where = data.draw(st.sampled_from(["sites", "waves", "legs", "twins", "after", "wave"]))
    within = {
        "sites": body["sites"],
        "waves": body["waves"],
        "legs": body["sites"][0]["legs"],
        "twins": body["sites"][0]["twins"],
        "after": body["sites"][1]["after"],
        "wave": body["waves"][0]["sites"],
    }[where]
    act = data.draw(st.sampled_from(["drop", "double", "turn"]))
    if act == "drop":
        within.pop()
    elif act == "double":
        within.append(copy.deepcopy(within[0]))
    else:
        within.reverse()
    if body == good:
        return
    with pytest.raises((Changed, BadFile)):
        campaign_from_json(json.dumps(body), WHERE)


def test_an_edit_is_told_as_such() -> None:
    good = whole(small())
    good["pace"]["held_at_most"] = 9
    changed(json.dumps(good))
    changed(json.dumps({**whole(small()), "digest": "0" * 64}))
    without = {key: value for key, value in whole(small()).items() if key != "digest"}
    changed(json.dumps(without))


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("format",), 2),
        (("pace", "confidence"), float("nan")),
        (("pace", "held_at_most"), 0),
        (("waves", 0, "exposure"), float("inf")),
        (("waves", 0, "exposure"), -1),
        (("waves", 0, "sites"), []),
        (("sites", 0, "legs"), []),
        (("sites", 0, "name"), HOSTILE.upper()),
        (("sites", 0, "after"), [HOSTILE]),
        (("sites", 0, "travel_minutes"), True),
        (("sites", 0, "why"), "\ud800"),
        (("sites", 1, "name"), "alder"),
        (("sites",), []),
        (("source", "sha256"), HOSTILE),
        ((HOSTILE,), HOSTILE),
        (("sites", 0, HOSTILE), 1),
    ],
)
def test_what_is_no_campaign(place: tuple[Any, ...], value: object) -> None:
    body = whole(small())
    at(body, place[:-1])[place[-1]] = value
    refused(json.dumps(body))


def test_a_site_has_no_more_legs_than_an_order_can_name() -> None:
    body = whole(small())
    body["sites"][0]["legs"] *= 17
    refused(json.dumps(body))


@pytest.mark.parametrize(
    "text",
    [
        "",
        HOSTILE,
        "null",
        "[]",
        "{}",
        f'{{"{HOSTILE}": 1}}',
        "[" * 200_000,
        '{"sites":' * 100_000,
        "9" * 5000,
        f'{{"title": {"9" * 5000}}}',
    ],
    ids=lambda text: text[:12],
)
def test_what_is_nothing_of_ours(text: str) -> None:
    refused(text)
