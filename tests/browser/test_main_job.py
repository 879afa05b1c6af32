"""The whole job in a real browser: from a spreadsheet to a set lifted and seen on the roster."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from playwright.sync_api import expect

from app.planning import access as accounts
from tests.browser.conftest import PHONE, LiveServer, Visit

PASSWORD = "salt harbour iron tide"


def a_log(today: datetime) -> str:
    """Ten weeks of squat and bench press in fives and eights, up to the day before yesterday."""
    lines = ["lifter,date,exercise,set_number,load_kg,reps,rpe,session_rpe,session_minutes"]
    for week in range(10):
        for day, squat, bench, reps in ((0, 110, 70, 5), (3, 95, 60, 8)):
            date = (today - timedelta(days=72 - 7 * week - day)).date()
            for number in range(3):
                for name, load in (("Squat", squat), ("Bench press", bench)):
                    lines.append(
                        f"Vilde Aas,{date},{name},{number + 1},{load + 2.5 * (week // 2)},{reps},8,7,60"
                    )
    return "\n".join(lines) + "\n"


def test_from_a_spreadsheet_to_a_set_on_the_roster(
    visit: Callable[..., Visit], live_server: LiveServer, tmp_path: Path
) -> None:
    coach = visit(viewport={"width": 1366, "height": 800}, timezone_id="UTC")
    page = coach.page

    # The first account, with the code that stands on the console.
    code = accounts.issue_setup_code(live_server.store, now=live_server.now())
    coach.goto("/")
    expect(page).to_have_url(re.compile("/set-up$"))
    for label, answer in (
        ("Code from the console", code),
        ("Your name", "Ines Marto"),
        ("Login", "ines@example.org"),
        ("Password", PASSWORD),
        ("Club", "Saltmarsh"),
        ("Time zone", "UTC"),
    ):
        page.get_by_label(label, exact=True).fill(answer)
    page.get_by_role("button", name="Make the account").click()
    expect(page.get_by_role("heading", name="Roster", level=1)).to_be_visible()
    page.get_by_role("button", name="Sign out").click()
    page.get_by_label("Login").fill("ines@example.org")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()

    # A year of spreadsheet comes in, looked at first.
    log = tmp_path / "LOG.csv"
    log.write_text(a_log(datetime.now(UTC)))
    page.get_by_role("link", name="Data").click()
    page.get_by_label("File", exact=True).set_input_files(log)
    page.get_by_role("button", name="Look at it first").click()
    expect(page.get_by_text("120 sets are new")).to_be_visible()
    page.get_by_role("button", name="Import 120 sets").click()
    expect(page.get_by_role("status").get_by_text("120 sets are new")).to_be_visible()

    # The roster and the lifter know the recent exposures and the trend.
    page.get_by_role("link", name="Roster", exact=True).click()
    for _ in range(60):
        if page.get_by_text("2 days ago").or_(page.get_by_text("Squat")).count():
            break
        page.wait_for_timeout(500)
        page.reload()
    page.get_by_role("link", name="Vilde Aas", exact=True).click()
    expect(page.get_by_role("heading", name="Vilde Aas")).to_be_visible()
    expect(page.get_by_text(re.compile(r"now 1\d\d(\.\d)? kg")).first).to_be_visible()
    lifter_url = page.url

    # A block from the library, computed from the recent baseline.
    coach.goto(page.url.removeprefix(live_server.url).split("?")[0] + "/blocks/new")
    page.get_by_label("First day").fill(datetime.now(UTC).date().isoformat())
    page.get_by_label("Start from").select_option("library:novice-two-days")
    page.get_by_role("button", name="Open it in the grid").click()
    expect(page.get_by_role("gridcell").first).to_contain_text("kg")
    page.get_by_role("button", name="Assign to Vilde").click()
    expect(page).to_have_url(re.compile(r"/lifters/\d+$"))

    # The private link, opened on a phone by its button.
    coach.goto(lifter_url.removeprefix(live_server.url).split("?")[0] + "/link")
    page.get_by_role("button", name="Make a link").click()
    address = page.get_by_label("Link", exact=True).input_value()
    phone = visit(**PHONE, timezone_id="UTC")
    phone.goto("/open/" + address.rsplit("/", 1)[1])
    phone.page.get_by_role("button").click()
    expect(phone.page).to_have_url(re.compile("/today$"))
    expect(phone.page.get_by_role("heading", level=1)).to_have_text("Day 1")
    expect(phone.page.get_by_role("heading", name=re.compile("^Squat"))).to_be_visible()

    # Sets are confirmed, one is changed, the session is rated.
    done = phone.page.get_by_role("button", name=re.compile(r"^Set \d+ done|^Done"))
    for number in range(2):
        done.first.click()
        expect(phone.page.locator('li.set[data-state="done"]')).to_have_count(number + 1)
    expect(phone.page.locator('li.set[data-state="done"]').last).to_contain_text("saved", timeout=10_000)

    # It comes back on the roster.
    page.get_by_role("link", name="Roster", exact=True).click()
    row = page.get_by_role("row").filter(has_text="Vilde Aas")
    for _ in range(60):
        if "today" in row.inner_text():
            break
        page.wait_for_timeout(500)
        page.reload()
    expect(row).to_contain_text("today")
