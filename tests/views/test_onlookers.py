"""Nobody who looks on can hold up what they look at."""

from __future__ import annotations

from datetime import UTC, datetime

from migrate.engine.tidings import Outcome, Tidings
from migrate.model.lifecycle import State
from migrate.model.problems import Exit
from migrate.views.ending import Ending
from migrate.views.onlookers import Audience
from migrate.views.scene import Scene
from tests.planning.samples import device, plan_of

from .scenes import rows_of

AT = datetime(2026, 11, 25, 12, tzinfo=UTC)


class Witness:
    """Keeps what it is told; fails from the first word on, if it is frail."""

    def __init__(self, *, frail: bool = False) -> None:
        self.told: list[str] = []
        self.frail = frail

    def see(self, news: Tidings, at: datetime) -> None:
        self.told.append(news.words)
        if self.frail:
            raise RuntimeError("a mistake in a view")

    def end(self, ending: Ending, at: datetime) -> None:
        self.told.append(ending.outcome.headline)


def scene_of_one() -> Scene:
    plan = plan_of([device("lamp", 1)])
    return Scene.of(plan, rows_of(plan), AT)


def test_one_who_fails_is_told_no_more_and_the_others_all() -> None:
    scene = scene_of_one()
    frail, sound = Witness(frail=True), Witness()
    audience = Audience(scene, [frail, sound], lambda: AT)
    audience.tell(Tidings("note", "first"))
    audience.tell(Tidings("note", "second"))
    audience.end(Ending(Outcome(Exit.DONE, "done")), [])
    assert frail.told == ["first"]
    assert sound.told == ["first", "second", "done"]
    assert [str(error) for error in audience.failed] == ["a mistake in a view"]


def test_news_that_the_picture_cannot_hold_still_reaches_everybody() -> None:
    scene = scene_of_one()
    witness = Witness()
    audience = Audience(scene, [witness], lambda: AT)
    audience.tell(Tidings("device", "of another fleet", "stranger", 0, State.AWAY))
    assert witness.told == ["of another fleet"]
    assert len(audience.failed) == 1
