"""The desk in a real browser: raise, act, preview, apply, the phone, and weeks later what it led to."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from app.planning import analysis, blocks
from app.planning.roster import refresh_needs
from app.planning.worker import run_pending
from app.storage import decisions, flags, lifters
from app.storage.models import Block, Coach, Exercise, Flag, Lifter
from tests.browser.conftest import PHONE, LiveServer, Visit
from tests.browser.test_roster import AXE_RULES
from tests.factories import log_sets, make_coach, make_exercise, make_lifter
from tests.planning.test_blocks import a_plan

pytestmark = pytest.mark.browser


@pytest.fixture
def stuck(live_server: LiveServer) -> tuple[Coach, Lifter, Block]:
    """A lifter in a block of fives with a session today, and a stall flagged on the squat."""
    store, now = live_server.store, live_server.now()
    today = now.date().toordinal()
    coach = make_coach(store, time_zone="UTC")
    lifter = make_lifter(store, coach=coach, time_zone="UTC")
    squat = make_exercise(store, coach=coach)
    for week in range(9):
        day = today - 7 * (9 - week)
        log_sets(store, lifter, squat, day, [(100 + 2.5 * week, 5, 8.0)] * 3)
        log_sets(store, lifter, squat, day + 3, [(90 + 2.5 * week, 8, 8.0)] * 3)
    analysis.recompute(store, lifter.id, now=now)
    block = blocks.assign(store, coach, lifter.id, a_plan(), start_day=today - 7, now=now)
    run_pending(store, now)
    with store.transaction() as db:
        for other in db.query(Flag):  # Whatever else the analysis says of so regular a log.
            other.state = "dismissed"
        flags.add(
            db,
            lifter.id,
            exercise_id=squat.id,
            kind="stall",
            cause="progress:squat",
            severity="act",
            probability=0.7,
            since_day=today - 20,
            evidence={"weeks": 5.0, "stress_ratio": 1.14, "change_pct": 0.1, "usual_slope_pct_per_week": 0.5},
            advice="Worth a look: the work went up and nothing came back.",
            clears_when="the trend rises",
            opened_at=now,
            updated_at=now,
            last_true_day=today,
            cleared_at=None,
            snoozed_until=None,
        )
    return coach, lifter, block


def _eased(text: str) -> str:
    """The load of the eased sets that a text names. [kg]"""
    found = re.search(r"2 x 5 at ([\d.]+) kg", text)
    assert found is not None, text
    return found[1]


def test_from_a_flag_to_the_phone_to_what_it_led_to(
    visit: Callable[..., Visit], live_server: LiveServer, stuck: tuple[Coach, Lifter, Block]
) -> None:
    coach, lifter, _ = stuck
    store = live_server.store
    desk = visit(viewport={"width": 1366, "height": 900})
    desk.sign_in(coach)
    page = desk.page
    desk.goto(f"/lifters/{lifter.id}")

    # Act without leaving the page: the form comes in place, with the focus on it.
    page.get_by_role("link", name="Step back").click()
    form = page.locator(".acting")
    expect(form.get_by_role("heading", name="Step back: squat")).to_be_focused()
    expect(form).to_contain_text("Next then")
    expect(form).to_contain_text(re.compile(r"2 x 5 at [\d.]+ kg"))
    tenth = _eased(form.inner_text())

    # Another answer shows another change by itself.
    form.get_by_label("Load down by").select_option("20")
    expect(page.locator(".acting")).not_to_contain_text(f"2 x 5 at {tenth} kg")
    assert float(_eased(page.locator(".acting").inner_text())) < float(tenth)
    expect(page.locator(".acting").get_by_label("Load down by")).to_have_value("20")
    page.locator(".acting").get_by_label("Why, for yourself").fill("short of sleep")
    page.locator(".acting").get_by_role("button", name="Apply: step back").click()
    done = page.get_by_role("heading", name="Step back: done")
    expect(done).to_be_focused()
    expect(page.locator("#said")).to_contain_text("Step back: done. Look again on")
    assert page.url.endswith(f"/lifters/{lifter.id}")

    # The phone has the eased session.
    phone = visit(**PHONE, timezone_id="UTC")
    phone.open_link(lifter)
    phone.goto("/today")
    expect(phone.page.get_by_role("heading", name=re.compile("^Squat"))).to_be_visible()
    with store.reading() as db:
        made = decisions.journal(db, coach)[0][0]
    eased = _eased(made.detail["next_after"])
    expect(phone.page.locator("li.set:not(.warm-up)").first).to_contain_text(eased)
    sets = phone.page.locator("li.set")
    assert sets.count() >= 2

    # Weeks later: the work goes on, and the outcome is there by itself.
    with store.reading() as db:
        squat = db.query(Exercise).filter_by(key="squat").one()
    today = live_server.now().date().toordinal()
    for week in range(3):
        day = today + 1 + 7 * week
        log_sets(store, lifter, squat, day, [(122.5 + 3 * week, 5, 8.0)] * 3)
        log_sets(store, lifter, squat, day + 3, [(112.5 + 3 * week, 8, 8.0)] * 3)
    live_server.clock[0] += timedelta(days=22)
    run_pending(store, live_server.now())
    desk.sign_in(coach)
    desk.goto("/decisions")
    ready = page.locator("#look-again")
    expect(ready).to_contain_text("Vilde Aas: Step back, squat")
    expect(ready).to_contain_text(re.compile(r"level [+−]?\d"))
    expect(ready).to_contain_text(re.compile(r"(rose|fell)\."))
    expect(ready).to_contain_text("short of sleep")
    page.get_by_role("button", name="I have seen it").click()
    expect(page.locator("#look-again")).to_contain_text("Nothing is waiting")


def test_a_decision_is_taken_back_and_the_phone_follows(
    visit: Callable[..., Visit], live_server: LiveServer, stuck: tuple[Coach, Lifter, Block]
) -> None:
    coach, lifter, _ = stuck
    desk = visit(viewport={"width": 1366, "height": 900})
    desk.sign_in(coach)
    page = desk.page
    phone = visit(**PHONE, timezone_id="UTC")
    phone.open_link(lifter)
    phone.goto("/today")
    sets = phone.page.locator("li.set:not(.warm-up)")
    read = phone.page.get_by_role("button", name="I have read it")

    def shown() -> list[str]:
        expect(sets.first).to_contain_text("Skip this set")  # The script has made the set one to tap.
        return sets.all_inner_texts()

    planned = shown()

    desk.goto(f"/lifters/{lifter.id}")
    page.get_by_role("link", name="Step back").click()
    page.get_by_role("button", name="Apply: step back").click()
    expect(page.get_by_role("heading", name="Step back: done")).to_be_focused()
    phone.goto("/today")
    read.click()
    expect(read).to_have_count(0)
    assert shown() != planned

    # Right after applying: what returns is shown before anything happens.
    page.get_by_role("link", name="Take it back").click()
    expect(page.get_by_role("heading", name="What would change")).to_be_visible()
    returns = page.locator("table.changes tbody tr")
    assert returns.count() > 0
    expect(page.locator("main")).to_contain_text("The flag is open again.")
    page.get_by_role("button", name="Take it back").click()
    expect(page.get_by_role("status").filter(has_text="taken back")).to_contain_text(
        "The phone shows the sessions as they were before."
    )
    expect(page.locator("#journal")).to_contain_text("Taken back")
    phone.goto("/today")
    # Who has read of the change is told that it is off.
    read.click()
    expect(read).to_have_count(0)
    assert shown() == planned
    desk.goto(f"/lifters/{lifter.id}")
    expect(page.get_by_role("link", name="Step back")).to_be_visible()


def test_from_the_roster_by_keyboard_and_back(
    visit: Callable[..., Visit], live_server: LiveServer, stuck: tuple[Coach, Lifter, Block]
) -> None:
    coach, lifter, _ = stuck
    with live_server.store.transaction() as db:
        refresh_needs(db, lifters.of_coach(db, coach, lifter.id), now=live_server.now())
    desk = visit()
    desk.sign_in(coach)
    desk.goto("/")
    desk.page.keyboard.press("j")
    desk.page.keyboard.press("d")
    desk.page.wait_for_url("**/flags/*/act?back=roster")
    desk.page.get_by_role("link", name="Hold course").click()
    desk.page.get_by_role("button", name="Hold course").click()
    expect(desk.page.get_by_role("heading", name="Roster", level=1)).to_be_visible()
    expect(desk.page.get_by_text("nothing needed")).to_be_visible()


def clean(seen: Visit) -> None:
    """The page passes the checker of accessibility and does not scroll sideways."""
    seen.page.wait_for_load_state()
    wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert seen.page.evaluate(wide) == 0, seen.page.url
    found = Axe().run(seen.page, options=AXE_RULES)
    assert found.violations_count == 0, f"{seen.page.url}\n{found.generate_report()}"


@pytest.mark.parametrize("width", [390, 1366])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_and_no_width_scrolls_sideways(
    visit: Callable[..., Visit],
    live_server: LiveServer,
    stuck: tuple[Coach, Lifter, Block],
    width: int,
    scheme: str,
) -> None:
    coach, lifter, block = stuck
    with live_server.store.reading() as db:
        flag = db.query(Flag).filter_by(kind="stall").one().id
    with live_server.store.transaction() as db:
        decisions.add_message(
            db, lifter.id, author="lifter", body="Hello", about={}, at=live_server.now(), sent=True
        )
    seen = visit(viewport={"width": width, "height": 844}, color_scheme=scheme)
    seen.sign_in(coach)
    for path in (
        f"/lifters/{lifter.id}/flags/{flag}/act",
        f"/lifters/{lifter.id}/flags/{flag}/act?action=change_exercise",
        f"/lifters/{lifter.id}/messages?flag={flag}",
        "/messages/new",
        f"/blocks/{block.id}/review",
        "/decisions",
        "/methods",
    ):
        seen.goto(path)
        clean(seen)
    # With a decision made, the journal is full, and it can be taken back.
    seen.goto(f"/lifters/{lifter.id}/flags/{flag}/act?action=step_back")
    seen.page.get_by_role("button", name="Apply: step back").click()
    expect(seen.page.get_by_role("heading", name="Step back: done")).to_be_visible()
    seen.goto("/decisions")
    clean(seen)
    seen.page.get_by_role("link", name="Take it back").click()
    clean(seen)
    seen.page.get_by_role("button", name="Take it back").click()
    clean(seen)
    seen.page.go_back()
    seen.page.reload()
    expect(seen.page.get_by_role("heading", name="It cannot be taken back")).to_be_visible()
    clean(seen)


def test_it_all_works_without_scripts(
    visit: Callable[..., Visit], stuck: tuple[Coach, Lifter, Block]
) -> None:
    coach, lifter, _ = stuck
    seen = visit(java_script_enabled=False)
    seen.sign_in(coach)
    seen.goto(f"/lifters/{lifter.id}")
    seen.page.get_by_role("link", name="Step back").click()
    seen.page.get_by_label("Load down by").select_option("20")
    seen.page.get_by_role("button", name="Show the change").click()
    seen.page.get_by_role("button", name="Apply: step back").click()
    expect(seen.page.get_by_role("heading", name="Decisions")).to_be_visible()
    expect(seen.page.get_by_text("Step back, squat")).to_be_visible()
