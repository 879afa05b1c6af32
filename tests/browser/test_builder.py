"""The grid in a real browser: by keyboard alone, without a connection, against another tab, by all eyes."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from app.planning import analysis, blocks, drafts
from app.storage.engine import Store
from app.storage.models import Block, Coach, Lifter
from app.training import plan as plans
from app.training.plan import plan_from_dict
from tests.browser.conftest import LiveServer, Visit
from tests.factories import log_sets, make_coach, make_exercise, make_lifter
from tests.planning.test_blocks import a_plan

pytestmark = pytest.mark.browser
TODAY = datetime.now(UTC).date().toordinal()
AXE_RULES = {
    "runOnly": {
        "type": "tag",
        "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    }
}


@pytest.fixture
def club(store: Store) -> tuple[Coach, Lifter]:
    """A coach, and a lifter with nine weeks of squats and presses."""
    coach = make_coach(store)
    lifter = make_lifter(store, coach=coach, time_zone="UTC")
    for name, load in (("Squat", 100), ("Bench press", 70), ("Deadlift", 130)):
        lift = make_exercise(store, coach=coach, name=name)
        for week in range(9):
            log_sets(store, lifter, lift, TODAY - 7 * (9 - week), [(load + 2.5 * week, 5, 8.0)] * 3)
    analysis.recompute(store, lifter.id, now=datetime.now(UTC))
    return coach, lifter


def a_draft(store: Store, club: tuple[Coach, Lifter], **head: Any) -> Block:
    coach, lifter = club
    return drafts.start(store, coach, lifter.id, a_plan(**head), start_day=TODAY + 7, now=datetime.now(UTC))


def opened(visit: Callable[..., Visit], coach: Coach, path: str, **options: Any) -> Page:
    seen = visit(**({"viewport": {"width": 1366, "height": 800}, "timezone_id": "UTC"} | options))
    seen.sign_in(coach)
    seen.goto(path)
    return seen.page


def stored(store: Store, block_id: int) -> plans.PlanDocument:
    with store.reading() as db:
        found = db.get(Block, block_id)
        assert found is not None
        return plan_from_dict(found.plan)


class Keys:
    """A keyboard that counts: each pressed key and each typed letter is one."""

    def __init__(self, page: Page) -> None:
        self.page, self.count = page, 0

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
            self.count += 1

    def type(self, text: str) -> None:
        self.page.keyboard.type(text)
        self.count += len(text)


def six_weeks_by_keyboard(page: Page) -> int:
    """From the page of a new block to the block assigned; the keys it took."""
    keys = Keys(page)
    source = page.get_by_label("Start from")
    expect(source).to_be_focused()
    keys.press("End", "Tab", "Enter")  # The last choice is the empty grid.
    saved = page.locator("#saved")
    expect(saved).to_have_text("Saved.")
    # The page says so before its script has taken hold of the keyboard.
    expect(page.locator("[data-act='add row']").first).to_be_focused()

    def cell(name: str, week: int) -> Any:
        return page.get_by_label(re.compile(rf"^{name}, .*, week {week}$"))

    # Three exercises on the first day.
    for number, name in enumerate(("Squat", "Bench press", "Deadlift")):
        keys.press("Enter" if not number else "Alt+n")
        expect(page.get_by_role("dialog")).to_be_visible()
        keys.type(name)
        keys.press("Enter")
        expect(cell(name, 1)).to_be_focused()
        keys.type(("4 x 6 leaving 3", "4 x 5 leaving 3", "3 x 4 leaving 2")[number])
        keys.press("Enter")
        expect(cell(name, 1)).to_have_value(("4 x 6 leaving 3", "4 x 5 leaving 3", "3 x 4 leaving 2")[number])
    # The first week filled to the right, two weeks more, and a second day like the first.
    keys.press("Control+Home", "Control+Shift+End", "Control+r")
    expect(cell("Deadlift", 4)).to_have_value("3 x 4 leaving 2")
    keys.press("Alt+w")
    expect(page.get_by_role("columnheader", name=re.compile("^Week 5"))).to_be_visible()
    keys.press("Alt+w")
    expect(page.get_by_role("columnheader", name=re.compile("^Week 6"))).to_be_visible()
    keys.press("Alt+s")
    expect(page.locator("tbody")).to_have_count(3 if page.locator("#panel tbody").count() else 2)
    keys.press("Alt+a")
    expect(page.get_by_role("button", name=re.compile("^Assign to"))).to_be_focused()
    keys.press("Enter")
    page.wait_for_url(re.compile(r"/lifters/\d+$"))
    return keys.count


def test_a_six_week_block_is_written_and_assigned_with_the_keyboard_alone(
    visit: Callable[..., Visit], club: tuple[Coach, Lifter], store: Store
) -> None:
    coach, lifter = club
    page = opened(visit, coach, f"/lifters/{lifter.id}/blocks/new")
    count = six_weeks_by_keyboard(page)
    print(f"\n{count} keys for six weeks of two days of three lifts")
    with store.reading() as db:
        block = db.query(Block).where(Block.status == "assigned").one()
    plan = plan_from_dict(block.plan)
    assert (plan.weeks, len(plan.sessions), len(plan.lines)) == (6, 2, 6)
    assert all(cell.prescription for _, row in plan.lines for cell in row.cells)
    assert count <= 150


def test_a_sheet_pasted_beside_the_names_brings_its_exercises(
    visit: Callable[..., Visit], club: tuple[Coach, Lifter], store: Store
) -> None:
    block = a_draft(store, club)
    page = opened(visit, club[0], f"/blocks/{block.id}")
    page.keyboard.press("ArrowLeft")
    expect(page.get_by_role("button", name="Squat", exact=True)).to_be_focused()
    sheet = "\n".join(
        "\t".join([f"Lift {line}", *[f"{2 + week % 4} x {3 + line % 5} @ RPE 7" for week in range(9)]])
        for line in range(200)
    )
    page.evaluate(
        """(text) => {
            const data = new DataTransfer();
            data.setData("text/plain", text);
            const how = { clipboardData: data, bubbles: true, cancelable: true };
            document.activeElement.dispatchEvent(new ClipboardEvent("paste", how));
        }""",
        sheet,
    )
    expect(page.locator("tr[data-row]")).to_have_count(200, timeout=15_000)
    plan = stored(store, block.id)
    assert (len(plan.lines), plan.weeks) == (200, 9)
    assert plan.lines[199][1].cells[8].text == "2 x 7 @ RPE 7"
    page.keyboard.press("Control+z")
    expect(page.locator("tr[data-row]")).to_have_count(1, timeout=15_000)
    assert stored(store, block.id).lines[0][1].exercise == "Squat"


def test_what_is_typed_while_the_server_is_gone_is_saved_when_it_is_back(
    visit: Callable[..., Visit], club: tuple[Coach, Lifter], store: Store, live_server: LiveServer
) -> None:
    block = a_draft(store, club)
    page = opened(visit, club[0], f"/blocks/{block.id}")
    live_server.stop()
    page.keyboard.type("5 x 2 @ RPE 9")
    page.keyboard.press("Enter")
    expect(page.locator("#saved")).to_contain_text("No connection. 1 change is kept on this device")
    assert stored(store, block.id).lines[0][1].cells[0].text == "3 x 5 @ RPE 8"
    assert "5 x 2 @ RPE 9" in page.evaluate(f"localStorage.getItem('terrace-acts-{block.id}')")
    live_server.start()
    expect(page.locator("#saved")).to_contain_text("Saved after typing", timeout=15_000)
    assert stored(store, block.id).lines[0][1].cells[0].text == "5 x 2 @ RPE 9"
    assert page.evaluate(f"localStorage.getItem('terrace-acts-{block.id}')") is None


def test_two_tabs_see_each_other_and_nothing_typed_is_lost(
    visit: Callable[..., Visit], club: tuple[Coach, Lifter], store: Store
) -> None:
    block = a_draft(store, club)
    one = opened(visit, club[0], f"/blocks/{block.id}")
    two = opened(visit, club[0], f"/blocks/{block.id}")
    one.keyboard.type("4 x 4")
    one.keyboard.press("Enter")
    expect(one.locator("#saved")).to_contain_text("Saved after typing")
    two.keyboard.press("ArrowRight")
    two.keyboard.type("2 x 2")
    two.keyboard.press("Enter")
    expect(two.locator("#saved")).to_contain_text("Somebody else saved this block meanwhile")
    assert stored(store, block.id).lines[0][1].cells[1].text == "3 x 5 @ RPE 8"
    two.get_by_role("button", name="Load the page again").click()
    expect(two.get_by_label("Squat, Heavy, week 1")).to_have_value("4 x 4")
    expect(two.get_by_text("One change of yours could not be saved")).to_be_visible()
    two.get_by_role("button", name="Make mine again").click()
    expect(two.locator("#saved")).to_contain_text("Saved after typing")
    cells = stored(store, block.id).lines[0][1].cells
    assert [cell.text for cell in cells[:2]] == ["4 x 4", "2 x 2"]


@pytest.mark.parametrize("width", [390, 1366])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(
    visit: Callable[..., Visit],
    club: tuple[Coach, Lifter],
    store: Store,
    live_server: LiveServer,
    width: int,
    scheme: str,
) -> None:
    coach, lifter = club
    block = a_draft(store, club)
    drafts.save(
        store,
        coach,
        block.id,
        plans.set_cell(plan_from_dict(block.plan), plan_from_dict(block.plan).lines[0][1].id, 2, "nonsense"),
        version=1,
        now=datetime.now(UTC),
    )
    drafts.save(store, coach, block.id, [], version=2, start_day=TODAY + 21, now=datetime.now(UTC))
    given = blocks.assign(store, coach, lifter.id, a_plan(name="Now"), start_day=TODAY, now=datetime.now(UTC))
    page = opened(visit, coach, "/blocks", viewport={"width": width, "height": 800}, color_scheme=scheme)

    def check(path: str) -> None:
        wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert page.evaluate(wide) == 0, path
        found = Axe().run(page, options=AXE_RULES)
        assert found.violations_count == 0, f"{path}\n{found.generate_report()}"

    for path in (
        "/blocks",
        f"/lifters/{lifter.id}/blocks/new",
        f"/blocks/{block.id}",
        f"/blocks/{given.id}",
        f"/blocks/{block.id}/what-if",
        f"/lifters/{lifter.id}/season",
        "/blocks/assign",
    ):
        page.goto(live_server.url + path)
        check(path)
    page.get_by_label("for all on").check()
    page.get_by_role("button", name="Everybody").click()
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_text("1 compared.")).to_be_visible()
    check("the table compared")


def test_a_season_is_moved_by_keyboard_and_the_focus_stays(
    visit: Callable[..., Visit], club: tuple[Coach, Lifter], store: Store
) -> None:
    coach, lifter = club
    now = datetime.now(UTC)
    for name, start in (("Now", TODAY), ("Next", TODAY + 28), ("Last", TODAY + 56)):
        blocks.assign(store, coach, lifter.id, a_plan(name=name), start_day=start, now=now)
    page = opened(visit, coach, f"/lifters/{lifter.id}/season")
    later = page.get_by_role("button", name=re.compile(r"^Week later ?: Next$"))
    later.focus()
    for _ in range(2):
        page.keyboard.press("Enter")
        expect(page.get_by_text("“Last” moved a week later with it.")).to_be_visible()
        expect(later).to_be_focused()
        page.wait_for_load_state("networkidle")
    expect(page.get_by_text("2 weeks free")).to_be_visible()
    page.get_by_role("button", name=re.compile(r"^Week earlier ?: Last$")).focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("“Next” stands until")


def test_a_roster_is_assigned_with_progress(
    visit: Callable[..., Visit], club: tuple[Coach, Lifter], store: Store
) -> None:
    coach, _ = club
    for number in range(24):
        make_lifter(store, coach=coach, name=f"Lifter {number:02}", time_zone="UTC")
    page = opened(visit, coach, "/blocks/assign")
    page.get_by_role("button", name="Everybody").click()
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_text("25 compared.")).to_be_visible(timeout=20_000)
    page.get_by_role("checkbox", name="Lifter 00").uncheck()
    page.get_by_role("button", name="Assign to everybody ticked").click()
    expect(page.get_by_text("24 done.")).to_be_visible(timeout=20_000)
    with store.reading() as db:
        assert db.query(Block).where(Block.status == "assigned").count() == 24
