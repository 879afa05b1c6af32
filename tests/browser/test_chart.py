"""The lifter page's figure in a real browser: drawn late, in both schemes, alone with this server."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from app.planning import flags as life
from app.planning.worker import run_pending
from app.storage.engine import Store
from tests.browser.conftest import PHONE, LiveServer, Visit
from tests.browser.test_roster import AXE_RULES
from tests.factories import log_sets, make_coach, make_exercise, make_lifter
from tests.planning.world import World, add_block, finding, train

pytestmark = pytest.mark.browser

DRAWN = '[data-chart][data-drawn="yes"]'


@pytest.fixture
def world(live_server: LiveServer) -> World:
    """A lifter with two lifts, two blocks, a gap in the log, and a flag on the squat."""
    store: Store = live_server.store
    coach = make_coach(store)
    today = live_server.now().date().toordinal()
    lifter = make_lifter(store, coach=coach, name="Maren Oduya", time_zone="UTC")
    made = World(store, coach, lifter, make_exercise(store, coach=coach))
    train(made, until=today - 1)
    bench = make_exercise(store, coach=coach, name="Bench press")
    for week in (*range(8), *range(14, 20)):
        log_sets(store, lifter, bench, today - 1 - 7 * week, [(80.0 - week * 0.5, 5, 8.0)] * 3)
    add_block(made, today - 50, weeks=5, kind="volume", name="Volume eights </script>")
    add_block(made, today - 9, weeks=6, name="Heavy fives")
    run_pending(store, live_server.now())
    stall = finding(
        exercise_id=made.squat.id,
        since_day=today - 30,
        evidence={"weeks": 4.0, "change_pct": 0.1, "usual_slope_pct_per_week": 0.2, "stress_ratio": 1.14},
    )
    with store.transaction() as db:
        life.sync(db, lifter.id, [stall], today=today, now=live_server.now())
    return made


def open_page(seen: Visit, world: World, query: str = "") -> Page:
    seen.sign_in(world.coach)
    seen.goto(f"/lifters/{world.lifter.id}{query}")
    return seen.page


def test_the_drawing_stands_first_and_the_chart_takes_its_place(
    visit: Callable[..., Visit], world: World
) -> None:
    # The fixture fails the test for any request to another host, script error, or breach of the policy.
    window: dict[str, Any] = {"viewport": {"width": 1280, "height": 1000}}
    plain = open_page(visit(**window, java_script_enabled=False), world)
    height = plain.locator(".fig-still svg.wide").bounding_box()
    page = open_page(visit(**window), world)
    page.wait_for_selector(DRAWN, timeout=20_000)
    live = page.locator(".fig-live")
    expect(live).to_be_visible()
    expect(page.locator(".fig-still")).to_be_hidden()
    after = live.bounding_box()
    assert height is not None
    assert after is not None
    assert abs(after["height"] - height["height"]) < 2  # Nothing below it jumps.
    assert live.get_attribute("aria-label").startswith("Squat now ")  # type: ignore[union-attr]
    text = live.text_content() or ""
    for words in ("e1RM, kg", "stress: relative volume load", "today", "work up 14 %", "Heavy fives"):
        assert words in text, words


def test_nothing_offers_to_share_the_chart(visit: Callable[..., Visit], world: World) -> None:
    seen = visit(viewport={"width": 1280, "height": 1000})
    page = open_page(seen, world)
    page.wait_for_selector(DRAWN, timeout=20_000)
    titles = page.locator(".modebar-btn").evaluate_all("all => all.map(one => one.dataset.title || '')")
    assert titles
    assert not [
        one for one in titles if any(word in one.lower() for word in ("share", "cloud", "edit", "plotly"))
    ]


def test_colours_follow_the_scheme_without_a_reload(visit: Callable[..., Visit], world: World) -> None:
    seen = visit(viewport={"width": 1280, "height": 1000}, color_scheme="light")
    page = open_page(seen, world)
    page.wait_for_selector(DRAWN, timeout=20_000)
    line = page.locator(".fig-live .scatterlayer path.js-line").last
    paint = "one => getComputedStyle(one).stroke"
    tick = page.locator(".fig-live .xtick text").first
    before = tick.evaluate("one => getComputedStyle(one).fill")
    assert line.evaluate(paint) != ""
    page.emulate_media(color_scheme="dark")
    page.wait_for_timeout(600)
    assert page.locator(".fig-live .xtick text").first.evaluate("one => getComputedStyle(one).fill") != before


def test_another_lift_is_swapped_in_and_drawn(visit: Callable[..., Visit], world: World) -> None:
    seen = visit(viewport={"width": 1280, "height": 1000})
    page = open_page(seen, world)
    page.wait_for_selector(DRAWN, timeout=20_000)
    page.get_by_role("navigation", name="Lifts").get_by_role("link", name="Bench press").click()
    expect(page.locator("#ledger-title")).to_have_text("Recent exposure, bench press")
    page.wait_for_selector(DRAWN, timeout=20_000)
    assert page.locator(".fig-live").get_attribute("aria-label").startswith("Bench press now")  # type: ignore[union-attr]
    assert "no log, 7 weeks" in (page.locator(".fig-live").text_content() or "")
    assert "lift=" in page.url
    page.go_back()
    expect(page.locator("#ledger-title")).to_have_text("Recent exposure, squat")
    page.wait_for_selector(DRAWN, timeout=20_000)


def test_without_scripts_the_drawing_stays_and_tabs_are_links(
    visit: Callable[..., Visit], world: World
) -> None:
    seen = visit(java_script_enabled=False, viewport={"width": 1280, "height": 1000})
    page = open_page(seen, world)
    expect(page.locator("svg.fig.wide")).to_be_visible()
    expect(page.locator("svg.fig.narrow")).to_be_hidden()
    page.get_by_role("link", name="Bench press").click()
    expect(page.locator("#ledger-title")).to_have_text("Recent exposure, bench press")


@pytest.mark.parametrize("width", [320, 390, 768, 1024, 1440])
def test_the_page_fits_every_width(visit: Callable[..., Visit], world: World, width: int) -> None:
    options = (
        PHONE | {"viewport": {"width": width, "height": 800}}
        if width < 500
        else {"viewport": {"width": width, "height": 800}}
    )
    seen = visit(**options)
    page = open_page(seen, world)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.locator("figure.figure").scroll_into_view_if_needed()
    page.wait_for_selector(DRAWN, timeout=20_000)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    outside = page.locator(".fig-live text").evaluate_all(
        "(all, width) => all.map(t => [t.textContent, t.getBoundingClientRect()])"
        ".filter(([words, box]) => words && box.width && (box.left < -1 || box.right > width + 1))"
        ".map(([words]) => words)",
        width,
    )
    assert outside == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_has_no_accessibility_fault(visit: Callable[..., Visit], world: World, scheme: str) -> None:
    for options in ({"viewport": {"width": 1366, "height": 900}}, PHONE):
        seen = visit(color_scheme=scheme, bypass_csp=True, **options)
        page = open_page(seen, world)
        page.locator("figure.figure").scroll_into_view_if_needed()
        page.wait_for_selector(DRAWN, timeout=20_000)
        for details in page.locator("main details").all():
            details.evaluate("one => { one.open = true }")
        found = Axe().run(page, options=AXE_RULES)
        assert found.violations_count == 0, found.generate_report()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_methods_page_has_no_accessibility_fault(
    visit: Callable[..., Visit], world: World, scheme: str
) -> None:
    seen = visit(color_scheme=scheme, bypass_csp=True, viewport={"width": 1366, "height": 900})
    seen.sign_in(world.coach)
    seen.goto("/methods")
    found = Axe().run(seen.page, options=AXE_RULES)
    assert found.violations_count == 0, found.generate_report()


def test_a_page_being_analysed_fills_by_itself(visit: Callable[..., Visit], live_server: LiveServer) -> None:
    coach = make_coach(live_server.store)
    lifter = make_lifter(live_server.store, coach=coach, name="New", time_zone="UTC")
    made = World(live_server.store, coach, lifter, make_exercise(live_server.store, coach=coach))
    live_server.stop()  # Its analysis thread would be quicker than the page.
    train(made, until=(live_server.now() - timedelta(days=1)).date().toordinal())
    live_server.start()
    seen = visit(viewport={"width": 1280, "height": 900})
    page = open_page(seen, made)
    run_pending(live_server.store, live_server.now())
    expect(page.locator("#ledger-title")).to_have_text("Recent exposure, squat", timeout=15_000)
