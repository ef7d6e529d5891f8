"""The coordinator against a store in memory, in virtual time: it gives once, and loses nothing."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable
from typing import TypeVar

import pytest

from migrate.engine.campaign import CampaignEnding, CampaignScene, Coordinator
from migrate.model.campaign import SitePace
from migrate.model.problems import Exit, Refused
from migrate.planning.campaign.errands import Answers, Order
from migrate.planning.campaign.plan import CampaignPlan, PlannedSite, freeze_campaign
from migrate.planning.campaign.standing import SiteState
from migrate.planning.campaign.turn import SILENT, expected_waves
from migrate.ports.protocols import StoreLost
from migrate.virtual.clock import run_virtual
from tests.engine.campaign_store import DONE, EVER, HELD, NOTHING_SENT, TAKEN, WORK, Store
from tests.planning.campaigns import campaign, site

T = TypeVar("T")


class Show:
    """What was shown, and that nothing in it goes beyond the pace."""

    def __init__(self) -> None:
        self.scenes: list[CampaignScene] = []

    def __call__(self, scene: CampaignScene) -> None:
        self.scenes.append(scene)
        at_work = [name for name, one in scene.standings.items() if one.at_work]
        assert len(at_work) <= scene.plan.pace.most_at_once

    @property
    def lost(self) -> int:
        return sum(scene.lost for scene in self.scenes)


def frozen(*sites: PlannedSite, pace: SitePace | None = None) -> CampaignPlan:
    draft = campaign(*sites, pace=pace)
    return freeze_campaign(draft, *expected_waves(draft))


def ten(pace: SitePace | None = None) -> CampaignPlan:
    return frozen(*(site(f"s{number}") for number in range(10)), pace=pace)


def states(ending: CampaignEnding) -> dict[str, SiteState]:
    return {name: one.state for name, one in ending.scene.standings.items()}


def within(work: Callable[[], Awaitable[T]], seconds: float = 36_000.0) -> T:
    """In virtual time; whoever would wait for ever is cut off."""

    async def main() -> T:
        async with asyncio.timeout(seconds):
            return await work()

    return run_virtual(main())


def test_all_are_moved_each_by_one_errand() -> None:
    plan, store, show = ten(), Store(), Show()
    ending = within(Coordinator(plan, store, show).forward)
    assert (ending.exit, ending.headline) == (Exit.DONE, "10 of 10 sites are moved")
    assert store.given == Counter(f"s{number}/move/1" for number in range(10))
    for order in store.orders.values():
        assert order.campaign == plan.key
        assert order.legs == tuple(leg.digest for leg in plan.by_name[order.site].legs)
    assert not show.lost


def test_whoever_is_started_next_goes_on_and_gives_nothing_twice() -> None:
    """It is ended over and over, at moments of every kind, and a new one keeps nothing."""
    plan, store = ten(), Store()

    async def story() -> CampaignEnding:
        for number in range(60):
            try:
                async with asyncio.timeout(0.5 + 7 * number % 23):
                    return await Coordinator(plan, store).forward()
            except TimeoutError:
                continue
        raise AssertionError

    assert within(story).exit is Exit.DONE
    assert len(store.orders) == 10
    assert max(store.given.values()) == 1


def test_two_that_give_the_same_give_it_once() -> None:
    """Nothing but the key keeps them apart here; a real store lets only one give at all."""
    plan, store = ten(), Store()

    async def story() -> list[CampaignEnding]:
        return list(await asyncio.gather(*(Coordinator(plan, store).forward() for _ in range(3))))

    assert {ending.exit for ending in within(story)} == {Exit.DONE}
    assert len(store.orders) == 10


@pytest.mark.parametrize("deaf", [False, True])
def test_a_store_that_is_lost_for_a_while_loses_nothing(deaf: bool) -> None:
    plan, show = ten(), Show()
    lost = [(30.0, 400.0), (500.0, 501.5), (900.0, 900.1)]
    store = Store(lost=lost, deaf=deaf)
    ending = within(Coordinator(plan, store, show).forward)
    assert ending.exit is Exit.DONE
    assert not ending.scene.lost
    assert len(store.orders) == 10
    # Each time it was lost is shown once, however often it was tried; and after it, what is there.
    assert 1 <= show.lost <= len(lost)
    assert all(not (a.lost and b.lost) for a, b in zip(show.scenes, show.scenes[1:], strict=False))
    if not deaf:
        assert max(store.given.values()) == 1


def test_a_store_that_is_lost_is_tried_ever_less_often() -> None:
    plan = frozen(site("a"))
    store = Store(lost=[(10.0, 1010.0)])
    assert within(Coordinator(plan, store).forward).exit is Exit.DONE
    # 15 s apart at most, and not much nearer: 1000 s are some 70 tries.
    assert store.tries < 70 + 5 + 60


def test_what_was_given_before_the_reply_was_lost_is_not_given_anew() -> None:
    plan = frozen(site("a"))
    # The very first order arrives, and its reply does not, for a long while.
    store = Store(lost=[(0.5, 300.0)], deaf=True)

    async def story() -> CampaignEnding:
        await asyncio.sleep(0.499)
        ending = asyncio.create_task(Coordinator(plan, store).forward())
        await asyncio.sleep(0.002)
        return await ending

    assert within(story).exit is Exit.DONE
    assert list(store.orders) == ["a/move/1"]


def test_one_that_is_held_keeps_back_only_those_after_it() -> None:
    plan = frozen(
        site("a"), site("b", after=["a"]), site("c", after=["b"]), site("d"), site("e", "9")
    )
    store = Store({"a": [HELD]})
    ending = within(Coordinator(plan, store).forward)
    assert ending.exit is Exit.HELD
    assert ending.headline == "held: 2 of 5 sites are moved, and the rest waits for you"
    held, waiting, moved = SiteState.HELD, SiteState.WAITING, SiteState.MOVED
    assert states(ending) == {"a": held, "b": waiting, "c": waiting, "d": moved, "e": moved}
    assert ending.scene.kept["b"] == "comes after a, which is held"


def test_one_silent_worker_does_not_keep_back_others() -> None:
    plan, show = ten(), Show()
    store = Store(silent={"s3": 1_200.0})
    ending = within(Coordinator(plan, store, show).forward)
    assert ending.exit is Exit.DONE
    others = [s for s in show.scenes if len(s.named(SiteState.MOVED)) == 9]
    assert others[0].look.at < 1_000
    assert others[0].kept == {"s3": SILENT}
    # It was not asked while it was silent, and once it was heard of.
    assert store.given["s3/move/1"] == 1


def test_one_that_falls_silent_at_work_keeps_back_only_its_share() -> None:
    plan, show = ten(), Show()
    store = Store()

    async def story() -> CampaignEnding:
        ending = asyncio.create_task(Coordinator(plan, store, show).forward())
        await asyncio.sleep(150)
        (at_work,) = show.scenes[-1].named(SiteState.ASKED, SiteState.UNDER_WAY)
        store.silent[at_work] = 1_500.0
        return await ending

    ending = within(story)
    assert ending.exit is Exit.DONE
    late = [scene for scene in show.scenes if 1_200 < scene.look.at < 1_500]
    # With two twins moved the silent one counts for 0.78, and another one for as much: nobody may
    # go beside it until it is heard of, as the owner is prepared to go to one site at a time.
    assert len(late[-1].named(SiteState.MOVED)) == 2
    wide = ten(SitePace(held_at_most=2))
    store2, show2 = Store(silent={"s0": 0.0}), Show()

    async def other() -> CampaignEnding:
        ending = asyncio.create_task(Coordinator(wide, store2, show2).forward())
        await asyncio.sleep(30)
        store2.silent["s0"] = 1_500.0
        return await ending

    assert within(other).exit is Exit.DONE
    assert next(s for s in show2.scenes if len(s.named(SiteState.MOVED)) == 9).look.at < 1_200


def test_the_owner_waits_for_nobody_who_is_silent_while_the_campaign_waits() -> None:
    plan = ten(SitePace(wait_when_held=1))
    store = Store({"s0": [HELD]}, silent={"s3": EVER})
    ending = within(Coordinator(plan, store).forward)
    assert ending.exit is Exit.HELD
    assert ending.scene.kept["s3"] == "s0 is held, and the campaign waits for the owner"


def test_stop_and_go_on() -> None:
    plan, store, show = ten(), Store(), Show()

    async def story() -> CampaignEnding:
        ending = asyncio.create_task(Coordinator(plan, store, show).forward())
        await asyncio.sleep(200)
        scene = await Coordinator(plan, store).stop()
        assert scene.stopping
        return await ending

    async def stop_then_go_on() -> tuple[CampaignEnding, CampaignEnding, float]:
        first = await story()
        at = store.now
        return first, await Coordinator(plan, store).forward(), at

    first, second, at = within(stop_then_go_on)
    assert first.exit is Exit.STOPPED
    assert at < 200 + 2 * WORK  # nobody was waited out, and nobody began
    assert first.headline == "stopped, as you asked: 3 of 10 sites are moved"
    assert first.scene.named(SiteState.STOPPED) == ["s3"]
    assert second.exit is Exit.DONE
    assert len(store.orders) == 11
    assert store.orders["s3/move/2"].kind == "move"


def test_an_answer_is_for_a_site_that_waits_for_one() -> None:
    plan = ten(SitePace(wait_when_held=1))
    store = Store({"s0": [HELD, HELD, DONE]})

    async def story() -> CampaignEnding:
        first = await Coordinator(plan, store).forward()
        assert first.scene.named(SiteState.HELD) == ["s0"]
        orders = dict(store.orders)
        with pytest.raises(Refused) as trouble:
            await Coordinator(plan, store).forward({"s0": Answers(), "s5": Answers()})
        assert str(trouble.value).startswith("site s5 is waiting, and waits for no answer")
        assert store.orders == orders  # neither of them: all is refused, or nothing
        second = await Coordinator(plan, store).forward({"s0": Answers(again=("lamp",))})
        assert second.scene.named(SiteState.HELD) == ["s0"]
        third = await Coordinator(plan, store).forward({"s0": Answers(write_off=("lamp",))})
        with pytest.raises(Refused) as trouble:
            await Coordinator(plan, store).forward({"s0": Answers(again=("lamp",))})
        assert str(trouble.value).startswith("site s0 is moved, and waits for no answer")
        return third

    ending = within(story)
    assert ending.exit is Exit.DONE
    assert store.orders["s0/move/2"].answers == Answers(again=("lamp",))
    assert store.orders["s0/move/3"].answers == Answers(write_off=("lamp",))
    assert store.orders["s1/move/1"].answers == Answers()
    assert ending.scene.standings["s0"].faults == 2


def test_a_site_where_nothing_was_sent_is_refused_and_may_be_asked_again() -> None:
    plan = frozen(site("a"), site("b"))
    store = Store({"a": [NOTHING_SENT, DONE]})

    async def story() -> CampaignEnding:
        ending = await Coordinator(plan, store).forward()
        assert states(ending) == {"a": SiteState.REFUSED, "b": SiteState.MOVED}
        assert ending.exit is Exit.HELD
        return await Coordinator(plan, store).forward({"a": Answers()})

    assert within(story).exit is Exit.DONE


def line_of_three() -> CampaignPlan:
    return frozen(site("a"), site("b", after=["a"]), site("c", after=["b"]), site("d", "9"))


def test_all_are_taken_back_whoever_came_after_first() -> None:
    plan, store = line_of_three(), Store()

    async def story() -> CampaignEnding:
        await Coordinator(plan, store).forward()
        ending = await Coordinator(plan, store).back()
        with pytest.raises(Refused) as trouble:
            await Coordinator(plan, store).forward()
        assert str(trouble.value).startswith("this campaign is being taken back, and does not go")
        return ending

    ending = within(story)
    assert (ending.exit, ending.headline) == (Exit.DONE, "4 sites are back on the old side")
    order = [order.site for order in store.orders.values() if order.kind == "back"]
    assert sorted(order) == ["a", "b", "c", "d"]
    assert order.index("c") < order.index("b") < order.index("a")
    assert set(states(ending).values()) == {SiteState.BACK}
    assert max(store.given.values()) == 1


def test_only_what_was_begun_is_taken_back() -> None:
    plan = frozen(site("a"), site("b", after=["a"]), site("c", "9"))
    store = Store({"a": [HELD], "c": [NOTHING_SENT]})

    async def story() -> CampaignEnding:
        await Coordinator(plan, store).forward()
        return await Coordinator(plan, store).back()

    ending = within(story)
    assert ending.exit is Exit.DONE
    assert [key for key in store.orders if "/back/" in key] == ["a/back/1"]


def test_back_is_refused_while_a_site_is_under_way_to_the_new_side() -> None:
    plan, store = line_of_three(), Store()

    async def story() -> list[str]:
        task = asyncio.create_task(Coordinator(plan, store).forward())
        await asyncio.sleep(5)
        with pytest.raises(Refused) as trouble:
            await Coordinator(plan, store).back()
        task.cancel()
        assert not any(order.kind == "back" for order in store.orders.values())
        return [problem.what for problem in trouble.value.problems]

    words = within(story)
    assert len(words) == 1
    assert words[0].endswith("is under way to the new side")


def test_back_is_refused_where_a_site_that_came_after_would_stay_behind() -> None:
    plan, store = line_of_three(), Store()

    async def story() -> CampaignEnding:
        await Coordinator(plan, store).forward()
        with pytest.raises(Refused) as trouble:
            await Coordinator(plan, store).back(["a"])
        (problem,) = trouble.value.problems
        assert problem.what == "site b came after a, and would stay behind on the new side"
        assert problem.remedy.endswith("--site b")
        with pytest.raises(Refused):
            await Coordinator(plan, store).back(["a", "b"])
        assert not any(order.kind == "back" for order in store.orders.values())
        return await Coordinator(plan, store).back(["b", "c"])

    ending = within(story)
    assert ending.exit is Exit.DONE
    assert states(ending)["a"] is SiteState.MOVED


@pytest.mark.parametrize("seconds", [TAKEN / 2, TAKEN + 1])
def test_back_is_refused_while_one_that_came_after_is_only_asked_or_under_way(
    seconds: float,
) -> None:
    """It may be taken by its worker the next moment, and would move after what it comes after has
    gone back."""
    plan, store, show = frozen(site("a"), site("b", after=["a"])), Store(), Show()

    async def story() -> str:
        task = asyncio.create_task(Coordinator(plan, store, show).forward())
        store.waited["b/move/1"] = asyncio.Event()
        await store.waited["b/move/1"].wait()
        await asyncio.sleep(seconds)
        with pytest.raises(Refused) as trouble:
            await Coordinator(plan, store).back(["a"])
        task.cancel()
        return str(trouble.value)

    assert "site b came after a, and would stay behind" in within(story)


def test_a_way_back_that_is_held_keeps_what_it_came_after_and_goes_on_when_told() -> None:
    plan = line_of_three()
    store = Store({"b": [DONE, HELD, DONE]})

    async def story() -> CampaignEnding:
        await Coordinator(plan, store).forward()
        first = await Coordinator(plan, store).back(not_flipped=["c"])
        assert first.exit is Exit.HELD
        assert first.headline == "held: 2 sites are back on the old side, 2 are not (a, b)"
        with pytest.raises(Refused) as trouble:
            await Coordinator(plan, store).back(again=["a", "b"])
        assert "site a is not held on its way back" in str(trouble.value)
        return await Coordinator(plan, store).back(["a", "b"], again=["b"], not_flipped=["b"])

    ending = within(story)
    assert ending.exit is Exit.DONE
    assert store.orders["b/back/2"].answers == Answers(not_flipped=True)
    assert store.orders["c/back/1"].answers == Answers(not_flipped=True)
    assert store.orders["a/back/1"].answers == store.orders["b/back/1"].answers == Answers()


def test_a_way_back_is_stopped_and_gone_on_with() -> None:
    plan, store = line_of_three(), Store()

    async def story() -> tuple[CampaignEnding, CampaignEnding]:
        await Coordinator(plan, store).forward()
        task = asyncio.create_task(Coordinator(plan, store).back())
        await asyncio.sleep(20)
        await Coordinator(plan, store).stop()
        return await task, await Coordinator(plan, store).back()

    first, second = within(story)
    assert first.exit is Exit.STOPPED
    assert first.scene.named(SiteState.STOPPED)
    assert second.exit is Exit.DONE
    assert set(states(second).values()) == {SiteState.BACK}


def test_going_on_with_one_way_back_takes_no_other_site_back() -> None:
    plan = line_of_three()
    store = Store({"c": [DONE, HELD, DONE]})

    async def story() -> CampaignEnding:
        await Coordinator(plan, store).forward()
        first = await Coordinator(plan, store).back(["c"])
        assert first.exit is Exit.HELD
        return await Coordinator(plan, store).back(again=["c"])

    ending = within(story)
    assert ending.exit is Exit.DONE
    assert [key for key in store.orders if "/back/" in key] == ["c/back/1", "c/back/2"]


def test_after_a_lost_line_nobody_begins_by_an_old_look() -> None:
    """The store is lost in the midst of several orders, and the owner stops the campaign before it
    is back."""
    plan, store = ten(SitePace(held_at_most=6)), Store()
    given: list[str] = []
    give, lost = store.give, iter([True])

    async def cut(order: Order) -> None:
        if len(given) == 2 and next(lost, False):
            store.wanted = "stop"
            raise StoreLost
        given.append(order.site)
        await give(order)

    store.give = cut  # type: ignore[method-assign]
    ending = within(Coordinator(plan, store).forward)
    assert ending.exit is Exit.STOPPED
    assert len(given) == 2
