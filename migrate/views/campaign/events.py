"""A campaign as data, for programs: a field is added, never renamed."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from typing import Any

from migrate.engine.campaign import CampaignScene
from migrate.planning.campaign.standing import SiteState
from migrate.views.campaign.words import SiteRow, account_of, row_of


def scene_json(scene: CampaignScene, site: str | None = None) -> dict[str, Any]:
    """`sites` in the order of the plan; with `site`, that one alone, and its devices. Durations are
    in seconds; moments are UTC (RFC 3339), by the store's clock, or null if they are not known."""
    rows = [row_of(scene, one.name) for one in scene.plan.sites]
    asked = [row for row in rows if site in (None, row.name)]
    states = Counter(one.state for one in scene.standings.values())
    return {
        "title": scene.plan.title,
        "digest": scene.plan.digest,
        "at": _moment(scene.look.at),
        "wanted": scene.look.wanted,
        "back": scene.back,
        "lost": scene.lost,
        "exposure": round(scene.exposure, 4),
        "states": {str(state): states[state] for state in SiteState},
        "there": sum(row.there for row in rows if row.last_leg),
        "devices": sum(row.total for row in rows),
        "sites": [_site(scene, row, devices=site is not None) for row in asked],
    }


def _site(scene: CampaignScene, row: SiteRow, *, devices: bool) -> dict[str, Any]:
    standing, account = scene.standings[row.name], account_of(scene, row.name)
    silent, errand = scene.look.silent_for(row.name), standing.errand
    one: dict[str, Any] = {
        "site": row.name,
        "state": str(standing.state),
        "back": standing.back,
        "needs_owner": row.needs_owner,
        "there": row.there,
        "devices": row.total,
        "attempts": standing.attempts,
        "leg": account.leg if account else None,
        "legs": len(scene.plan.by_name[row.name].legs),
        "flip": standing.waits_for_flip,
        "exit": int(errand.account.exit) if errand and errand.account else None,
        "worker_heard": scene.look.heard(row.name),
        "worker_silent_seconds": None if silent is None else round(silent, 1),
        "asked_at": _moment(errand.asked_at if errand else None),
        "taken_at": _moment(errand.taken_at if errand else None),
        "ended_at": _moment(errand.ended_at if errand else None),
        "kept": scene.kept.get(row.name, ""),
        "words": row.words,
    }
    if devices:
        one["device"] = [
            {
                "name": device.name,
                "state": str(device.state),
                "direction": str(device.direction),
                "written_off": device.written_off,
                "sent": device.sent,
            }
            for device in row.devices
        ]
    return one


def _moment(at: float | None) -> str | None:
    if at is None:
        return None
    return datetime.fromtimestamp(at, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
