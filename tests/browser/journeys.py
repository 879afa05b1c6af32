"""What a lifter does with a thumb, for the tests that judge it and the figures that count it."""

from __future__ import annotations

import time
from typing import Any

from playwright.sync_api import BrowserContext, Page, expect

from app.storage.engine import Store
from app.storage.models import PlannedSession
from tests.browser.conftest import Visit
from tests.factories import make_exercise
from tests.phone_factories import World, plan_session, set_of


def open_today(hand: Visit, path: str = "/today") -> Page:
    hand.goto(path)
    hand.page.wait_for_selector("body[data-ready]")
    return hand.page


def kept_for_later(page: Page) -> None:
    """Wait until the worker has the page, as it has after the first visit."""
    page.evaluate(
        """async () => {
            await navigator.serviceWorker.ready;
            while (!(await caches.match('/today'))) await new Promise((go) => setTimeout(go, 50));
        }"""
    )


def reopened(context: BrowserContext, url: str) -> Page:
    page = context.new_page()
    page.goto(url + "/today")
    page.wait_for_selector("body[data-ready]")
    return page


def sent(page: Page, sets: int) -> None:
    """Wait until so many sets are saved and nothing waits on the phone any more."""
    said = f"{sets} {'set' if sets == 1 else 'sets'} saved." if sets else ""
    expect(page.locator("#outbox")).to_have_text(said, timeout=15_000)


class Thumb:
    """Counts its taps."""

    def __init__(self, page: Page) -> None:
        self.page, self.taps = page, 0

    def tap(self, selector: str, **options: Any) -> None:
        self.page.locator(selector).filter(visible=True).first.tap(**options)
        self.taps += 1

    def done(self, number: int) -> None:
        expect(self.page.locator("#go-what")).to_have_text(f"Set {number} done")
        self.tap("#go")


def session_of_twenty(page: Page) -> int:
    """Log the factories' session of 20 sets as prescribed, rate it and finish it; the taps it took."""
    thumb = Thumb(page)
    for sets in (8, 6, 6):
        for number in range(1, sets + 1):
            thumb.done(number)
    thumb.tap("#finish label:has(input[value='8'])")
    expect(page.locator("#go-what")).to_have_text("Finish session")
    thumb.tap("#go")
    expect(page.locator("#summary")).to_contain_text("20 of 20 sets, session RPE 8", timeout=10_000)
    return thumb.taps


def plan_a_hundred(store: Store, world: World, today: int) -> list[tuple[int, int]]:
    """Put 100 sets in the place of today's session: (exercise, place) of each, in order."""
    with store.transaction() as db:
        db.delete(db.get(PlannedSession, world.session.id))
    lifts = [make_exercise(store, coach=world.coach, name=f"Lift {n}") for n in range(5)]
    asked = [(one, "20 x 5 @ RPE 7", [set_of(100, 5, 7)] * 20) for one in lifts]
    plan_session(store, world.lifter, world.block, asked, day=today)
    return [(lift.id, place) for lift in lifts for place in range(20)]


def a_hundred_offline(hand: Visit) -> tuple[Page, list[float]]:
    """Lift 100 sets with the network cut and the server away, the page closed, reopened and reloaded
    meanwhile; the page they are shown on in the end, and when each was lifted."""
    page = open_today(hand)
    kept_for_later(page)
    hand.context.set_offline(True)
    hand.live.stop()  # A closing page is told it is online: nobody must be there to hear it.
    lifted: list[float] = []

    def lift(shown: Page, first: int, last: int) -> None:
        thumb = Thumb(shown)
        for number in range(first, last):
            thumb.done(number % 20 + 1)
            lifted.append(time.time())
        expect(shown.locator("li.set[data-state=waiting]")).to_have_count(last)

    lift(page, 0, 40)
    page.close()
    page = reopened(hand.context, hand.live.url)
    lift(page, 40, 80)
    page.reload()
    page.wait_for_selector("body[data-ready]")
    lift(page, 80, 100)
    page.close()
    hand.live.start()
    hand.context.set_offline(False)
    page = reopened(hand.context, hand.live.url)
    sent(page, 100)
    return page, lifted
