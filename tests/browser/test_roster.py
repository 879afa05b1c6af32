"""The roster in a real browser: by keyboard, by thumb, at every width, and as it changes."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from app.planning.worker import run_pending
from app.storage import lifters
from app.storage.engine import Store
from app.storage.models import Coach
from tests.browser.conftest import LiveServer, Visit
from tests.factories import log_sets, make_coach, make_exercise, make_lifter
from tests.planning.world import World, add_block, plan_session, report_pain, train

pytestmark = pytest.mark.browser

NAMES = ("Maren Oduya", "Tobias Wren", "Ilse Brandt", "Priya Venn")
AXE_RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


@pytest.fixture
def club(live_server: LiveServer) -> Coach:
    """Four lifters in a block; one reports pain, one is silent."""
    store: Store = live_server.store
    coach = make_coach(store)
    today = live_server.now().date().toordinal()
    squat = make_exercise(store, coach=coach)
    for name in NAMES:
        lifter = make_lifter(store, coach=coach, name=name, time_zone="UTC")
        world = World(store, coach, lifter, squat)
        train(world, until=today - (20 if name == "Ilse Brandt" else 1))
        block = add_block(world, today - 9, name="Heavy fives")
        plan_session(world, block, today - 1, "done")
        plan_session(world, block, today + 2)
        if name == "Tobias Wren":
            report_pain(world, today - 1, 6)
    run_pending(store, live_server.now())
    return coach


def test_the_roster_is_walked_by_keyboard(visit: Callable[..., Visit], club: Coach) -> None:
    seen = visit()
    seen.sign_in(club)
    seen.goto("/")
    page = seen.page
    active = "document.activeElement.textContent"
    for key, name in (
        ("j", "Tobias Wren"),
        ("j", "Ilse Brandt"),
        ("ArrowDown", "Maren Oduya"),
        ("k", "Ilse Brandt"),
    ):
        page.keyboard.press(key)
        assert page.evaluate(active) == name
    page.keyboard.press("/")
    page.keyboard.type("priya jk?")
    expect(page.locator("#find")).to_have_value("priya jk?")  # Keys typed into a field stay there.
    page.locator("#find").fill("priya")
    expect(page.locator(".roster .name")).to_have_text(["Priya Venn"])
    expect(page.locator("#said")).to_have_text("1 lifter shown")
    assert "find=priya" in page.url
    page.locator(".roster .name").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/lifters/*")


def test_single_keys_can_be_switched_off_and_stay_off(visit: Callable[..., Visit], club: Coach) -> None:
    seen = visit()
    seen.sign_in(club)
    seen.goto("/")
    page = seen.page
    page.keyboard.press("?")
    expect(page.locator("#keys")).to_be_visible()
    page.locator("#keys-on").uncheck()
    page.keyboard.press("Escape")
    expect(page.locator("#keys")).to_be_hidden()
    page.keyboard.press("j")
    assert page.evaluate("document.activeElement.className") != "name"
    page.reload()
    page.keyboard.press("?")
    expect(page.locator("#keys")).to_be_hidden()
    page.locator("#keys-open").click()
    expect(page.locator("#keys-on")).not_to_be_checked()


def test_a_log_that_comes_in_changes_the_row_by_itself(
    visit: Callable[..., Visit], club: Coach, live_server: LiveServer
) -> None:
    seen = visit()
    seen.sign_in(club)
    store = live_server.store
    with store.reading() as db:
        silent = next(one for one in lifters.roster(db, club) if one.name == "Ilse Brandt")
    seen.goto("/")
    expect(seen.page.locator("tr", has_text="Ilse Brandt")).to_contain_text("No log for 20 days")
    squat = make_exercise(store, coach=club, name="Front squat", main_lift="Squat")
    log_sets(store, silent, squat, live_server.now().date().toordinal(), [(80.0, 5, 8.0)])
    with store.transaction() as db:
        lifters.mark_stale(db, [silent.id], live_server.now() + timedelta(seconds=1))
    seen.goto("/")  # Whether the analysis is done by now or not: the page gets there without another load.
    row = seen.page.locator("tr", has_text="Ilse Brandt")
    expect(row).to_contain_text("nothing needed", timeout=20_000)


@pytest.mark.parametrize("width", [320, 360, 768, 1000, 1366, 1920])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_width_scrolls_sideways_and_axe_finds_nothing(
    visit: Callable[..., Visit], club: Coach, width: int, scheme: str
) -> None:
    seen = visit(viewport={"width": width, "height": 800}, color_scheme=scheme)
    seen.sign_in(club)
    for path in ("/", "/?show=archived", "/lifters/new", "/lifters/1/settings", "/lifters/1/link"):
        seen.goto(path)
        wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert seen.page.evaluate(wide) == 0, path
        found = Axe().run(seen.page, options=AXE_RULES)
        assert found.violations_count == 0, f"{path}\n{found.generate_report()}"


def test_targets_on_a_phone_are_large_enough(visit: Callable[..., Visit], club: Coach) -> None:
    seen = visit(viewport={"width": 360, "height": 800}, has_touch=True, is_mobile=True)
    seen.sign_in(club)
    seen.goto("/")
    # WCAG 2.2 SC 2.5.8: 24 px, links inside a sentence excepted.
    small = seen.page.evaluate(
        """() => [...document.querySelectorAll("main :is(button, .button, .name, input, select)")]
        .filter((one) => one.checkVisibility() && one.getBoundingClientRect().height < 24)
        .map((one) => one.outerHTML.slice(0, 80))"""
    )
    assert small == []


def test_the_page_works_without_scripts(visit: Callable[..., Visit], club: Coach) -> None:
    seen = visit(java_script_enabled=False)
    seen.sign_in(club)
    seen.goto("/")
    seen.page.locator("#find").fill("tobias")
    seen.page.get_by_role("button", name="Look").click()
    expect(seen.page.locator(".roster .name")).to_have_text(["Tobias Wren"])
    expect(seen.page.locator("#keys-open")).to_be_hidden()
