"""A campaign as data, for programs: a field is added, never renamed."""

from __future__ import annotations

from typing import Any

from migrate.engine.campaign import CampaignScene
from migrate.views.campaign.words import account_of, rows_of


def scene_json(scene: CampaignScene, site: str | None = None) -> dict[str, Any]:
    """`sites` in the order of the plan; with `site`, that one alone, and its devices. Times are
    seconds."""
    rows = {row.name: row for row in rows_of(scene)}
    names = [one.name for one in scene.plan.sites if site in (None, one.name)]
    told = []
    for name in names:
        row, standing = rows[name], scene.standings[name]
        account = account_of(scene, name)
        silent = scene.look.silent_for(name)
        one: dict[str, Any] = {
            "site": name,
            "state": str(standing.state),
            "back": standing.back,
            "there": row.there,
            "devices": row.total,
            "attempts": standing.attempts,
            "leg": account.leg if account else None,
            "legs": len(scene.plan.by_name[name].legs),
            "flip": standing.waits_for_flip,
            "worker_heard": scene.look.heard(name),
            "worker_silent_seconds": None if silent is None else round(silent, 1),
            "words": row.words,
        }
        if site is not None:
            one["device"] = [
                {
                    "name": device.name,
                    "state": str(device.state),
                    "direction": str(device.direction),
                    "written_off": device.written_off,
                }
                for device in row.devices
            ]
        told.append(one)
    return {
        "title": scene.plan.title,
        "digest": scene.plan.digest,
        "wanted": scene.look.wanted,
        "back": scene.back,
        "sites": told,
    }
