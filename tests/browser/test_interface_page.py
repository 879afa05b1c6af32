"""The page for people who write programs, in a real browser without script: its contents lead everywhere."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import PHONE, LiveServer, Visit
from tests.browser.test_desk import clean
from tests.factories import make_coach

pytestmark = pytest.mark.browser
ADDRESS = "/api/v1/"


def test_the_contents_are_walked_by_keyboard_without_script(
    visit: Callable[..., Visit], live_server: LiveServer
) -> None:
    make_coach(live_server.store)
    seen = visit(**PHONE, java_script_enabled=False)
    seen.goto(ADDRESS)
    contents = seen.page.get_by_role("navigation", name="On this page")
    lead = contents.get_by_role("link", name="PATCH Put a set right")
    expect(lead).to_be_hidden()
    contents.get_by_text("11 calls of Logs").focus()
    seen.page.keyboard.press("Enter")
    expect(lead).to_be_visible()
    for _ in range(4):
        seen.page.keyboard.press("Tab")
    expect(lead).to_be_focused()
    seen.page.keyboard.press("Enter")
    call = seen.page.locator("#patch-lifters-lifter-id-sets-set-id")
    expect(call).to_be_in_viewport()
    # The heading that stays in sight does not lie over what was jumped to, and leads back.
    title = seen.page.locator("#calls-logs .titled")
    over, under = title.bounding_box(), call.bounding_box()
    assert over is not None
    assert under is not None
    assert 0 <= over["y"] < over["y"] + over["height"] <= under["y"]
    title.get_by_role("link", name="Contents").click()
    expect(contents).to_be_in_viewport()


@pytest.mark.parametrize("width", [320, 390, 1440])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_open_contents_pass_the_checker_and_no_width_scrolls_sideways(
    visit: Callable[..., Visit], live_server: LiveServer, width: int, scheme: str
) -> None:
    make_coach(live_server.store)
    seen = visit(viewport={"width": width, "height": 844}, color_scheme=scheme)
    seen.goto(ADDRESS)
    closed = seen.page.locator("#contents").bounding_box()
    assert closed is not None
    assert closed["height"] < 500  # [px] Compact while closed, on the smallest phone too.
    for one in seen.page.locator("#contents summary").all():
        one.click()
    small = seen.page.evaluate(
        """() => [...document.querySelectorAll("#contents :is(a, summary)")]
        .filter((one) => one.getBoundingClientRect().height < 24).map((one) => one.textContent)"""
    )
    assert small == []  # WCAG 2.2 SC 2.5.8
    clean(seen)
