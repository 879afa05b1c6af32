"""A coach tries other doses of a block and reads the predicted response, or why none is predicted."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from app.planning import drafts
from app.planning.analysis import recompute
from app.planning.response_view import response_view
from app.storage.models import Block
from app.training.response import Constants, performance
from tests.browser.conftest import LiveServer, Visit
from tests.browser.test_desk import clean
from tests.factories import NOW, TODAY
from tests.planning.test_response_view import follow, known_stress
from tests.planning.test_what_if import climbing
from tests.planning.world import World, make_world, train

pytestmark = pytest.mark.browser
WEEKS = 6
TRUE = Constants(base=4.5, k_fitness=0.006, k_fatigue=0.012, tau_fitness=38.0, tau_fatigue=7.0)
SPOKEN = "by the response to stress"
SILENT = "does not speak about the end of this block"
NUMBER = r"(\d+(?:\.\d+)?)"


def opened(
    visit: Callable[..., Visit], live: LiveServer, world: World, *, weeks: int = WEEKS, start: int = TODAY
) -> tuple[Visit, Block]:
    """The coach, in the grid of a draft that adds 2.5 kg to the squat each week."""
    live.clock[0] = NOW - datetime.now(UTC)
    recompute(world.store, world.lifter.id, now=NOW)
    block = drafts.start(
        world.store, world.coach, world.lifter.id, climbing(weeks), start_day=start, by="Ines", now=NOW
    )
    seen = visit()
    seen.sign_in(world.coach)
    seen.goto(f"/blocks/{block.id}")
    return seen, block


def compare(page: Page, subject: str) -> None:
    page.get_by_role("link", name="What if", exact=True).click()
    page.get_by_role("navigation", name="Compare").get_by_role("link", name=subject).click()
    expect(page.get_by_role("link", name=subject)).to_have_attribute("aria-current", "true")


def row(page: Page, title: str) -> dict[str, str]:
    """What a row of the comparison says, by the name of the way above."""
    table = page.get_by_role("region", name="Ways side by side")
    names = [one.strip() for one in table.locator("thead th b").all_inner_texts()]
    cells = table.get_by_role("row").filter(has=page.get_by_role("rowheader", name=title)).get_by_role("cell")
    return dict(zip(names, cells.all_inner_texts(), strict=True))


def ends(page: Page) -> dict[str, tuple[float, float, float]]:
    """Predicted e1RM of the squat at the end by way: mean, low, high. [kg]"""
    found = {
        name: re.match(rf"{NUMBER} kg \({NUMBER} to {NUMBER} kg\)", text)
        for name, text in row(page, "Squat at the end").items()
    }
    assert all(found.values()), row(page, "Squat at the end")
    return {
        name: (float(one[1]), float(one[2]), float(one[3])) for name, one in found.items() if one is not None
    }


def truth(page: Page, block: Block) -> dict[str, float]:
    """Strength of the simulated lifter after each way, as a share of today's, by its own constants.

    The stress of each week is read from the page: a set of five at 0.8 of the e1RM is a relative volume
    load of 4, and one fifth of the lifter's usual training day.
    """
    page.get_by_text("Stress and reserve of each week as a table").click()
    table = page.get_by_role("region", name="By week")
    names = table.get_by_role("columnheader").all_inner_texts()[1:]
    lines = [" ".join(line.get_by_role("cell").all_inner_texts()) for line in table.locator("tbody tr").all()]
    weeks = [[float(found) for found in re.findall(rf"stress {NUMBER}", line)] for line in lines]
    past = known_stress(104)
    today = performance(past, TRUE)[-1]
    true = {}
    for place, name in enumerate(names):
        ahead = np.zeros(7 * WEEKS)
        ahead[block.plan["sessions"][0]["day"] :: 7] = [week[place] / 20 for week in weeks]
        true[name] = float(np.exp(performance(np.concatenate([past, ahead]), TRUE)[-1] - today))
    return true


def test_a_coach_changes_the_dose_and_reads_the_predicted_response(
    visit: Callable[..., Visit], live_server: LiveServer
) -> None:
    world = make_world(live_server.store)
    follow(world, TRUE)
    seen, block = opened(visit, live_server, world)
    compare(seen.page, "Spacing")
    said = row(seen.page, "Squat at the end")
    assert list(said) == ["As written", "Every second week", "Every third week"]
    assert all(SPOKEN in text for text in said.values())
    expect(seen.page.get_by_text(SILENT)).to_have_count(0)
    trend = (
        response_view(world.store, world.coach, world.lifter.id, 0, now=NOW).lifter.lifts[0].analysis.trend
    )
    assert trend is not None
    read = ends(seen.page)
    true = {name: trend.e1rm.mean * share for name, share in truth(seen.page, block).items()}
    # Whoever trains this lift less is predicted less, as this lifter truly would be, and within the interval.
    assert sorted(read, key=lambda name: read[name]) == sorted(true, key=lambda name: true[name])
    assert len({mean for mean, _, _ in read.values()}) == len(read)
    for name, (mean, low, high) in read.items():
        assert low <= true[name] <= high, name
        assert low < mean < high
    clean(seen)

    # The way taken is the block as written now, with the response that was predicted for it.
    seen.page.get_by_role("button", name=re.compile("Take this *: Every third week")).click()
    expect(seen.page).to_have_url(re.compile(rf"/blocks/{block.id}$"))
    compare(seen.page, "Spacing")
    assert ends(seen.page)["As written"] == read["Every third week"]


def test_a_model_without_skill_predicts_no_response_and_says_so(
    visit: Callable[..., Visit], live_server: LiveServer
) -> None:
    world = make_world(live_server.store)
    train(world, weeks=40)
    seen, _ = opened(visit, live_server, world)
    compare(seen.page, "Spacing")
    said = row(seen.page, "Squat at the end")
    assert len(said) == 3
    assert not any(SPOKEN in text for text in said.values())
    # The lift's own level and slope know nothing of the plan: one number, however often it is trained.
    assert len(set(ends(seen.page).values())) == 1
    stress = list(row(seen.page, "Stress of the block").values())
    assert len(set(stress)) == 3
    heading = seen.page.get_by_role("rowheader", name="Squat at the end")
    expect(heading).to_contain_text("by its own level and slope, whatever the way")
    reason = seen.page.get_by_text(SILENT)
    expect(reason).to_be_visible()
    expect(reason).to_contain_text("Squat: its response to stress")
    expect(reason).to_contain_text("it only draws stress and recovery")
    clean(seen)


def test_beyond_the_days_its_skill_is_known_for_the_model_says_nothing(
    visit: Callable[..., Visit], live_server: LiveServer
) -> None:
    world = make_world(live_server.store)
    follow(world, TRUE)
    seen, _ = opened(visit, live_server, world, weeks=8, start=TODAY + 7)
    compare(seen.page, "Steps")
    said = row(seen.page, "Squat at the end")
    assert not any(SPOKEN in text for text in said.values())
    assert len(set(ends(seen.page).values())) == 1
    # From today to the day after the last of eight weeks that begin in seven days: 63.
    expect(seen.page.get_by_text(SILENT)).to_contain_text(
        "Its skill is known for 56 days ahead, and the block's end is 63 days away."
    )
