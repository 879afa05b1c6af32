"""The phone in a real browser: thumbs, no network, two phones, a link that ends."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Route, expect

from app.planning import logging
from app.storage import access, logs, phone
from app.storage.engine import Store
from app.storage.models import Exercise, PlannedSession
from app.training.loading import per_side
from tests.browser.conftest import PHONE, LiveServer, Visit
from tests.browser.journeys import (
    Thumb,
    a_hundred_offline,
    kept_for_later,
    open_today,
    plan_a_hundred,
    sent,
    session_of_twenty,
)
from tests.factories import make_exercise
from tests.phone_factories import World, from_coach, make_block, make_world, phone_token

pytestmark = pytest.mark.browser
TODAY = datetime.now(UTC).date().toordinal()


@pytest.fixture
def world(store: Store) -> World:
    return make_world(store, today=TODAY, time_zone="UTC")


@pytest.fixture
def hand(visit: Callable[..., Visit], world: World) -> Visit:
    """A phone with the lifter's link opened on it."""
    opened = visit(**PHONE, timezone_id="UTC")
    opened.open_link(world.lifter)
    return opened


def stored(store: Store, world: World, day: int = TODAY) -> list[logs.StoredSet]:
    with store.reading() as db:
        return logs.sets_between(db, world.lifter.id, day - 1, day + 1)


def test_a_session_of_twenty_sets_takes_at_most_45_taps(hand: Visit, world: World, store: Store) -> None:
    taps = session_of_twenty(open_today(hand))
    print(f"taps for a session of 20 sets: {taps}")
    assert taps <= 45
    assert len(stored(store, world)) == 20
    with store.reading() as db:
        (logged,) = logs.sessions_between(db, world.lifter.id, TODAY, TODAY)
    assert (logged.session_rpe_tenths, logged.finished_at is not None) == (80, True)


def test_changing_all_three_numbers_takes_four_taps_plus_digits(
    hand: Visit, world: World, store: Store
) -> None:
    page = open_today(hand)
    thumb = Thumb(page)
    for name, digits in (("load", "172,5"), ("reps", "2"), ("rpe", "9,5")):
        thumb.tap(f"#{name}")
        page.keyboard.type(digits)  # What stood there was selected, so typing replaces it.
    thumb.tap("#go")
    sent(page, 1)
    assert thumb.taps == 4
    (one,) = stored(store, world)
    assert (one.load_grams, one.typed, one.reps, one.rpe_tenths) == (172_500, "172,5 kg", 2, 95)
    # Who took less than planned is offered the same again for the sets planned alike.
    expect(page.locator("#load")).to_have_value("172,5")


def test_a_hundred_sets_offline_are_stored_once_in_order_with_their_times(
    hand: Visit, store: Store, world: World
) -> None:
    in_order = plan_a_hundred(store, world, TODAY)
    page, lifted = a_hundred_offline(hand)
    sets = stored(store, world)
    assert [(one.exercise_id, one.planned_set) for one in sets] == in_order
    assert [one.position for one in sets] == list(range(100))
    for one, at in zip(sets, lifted, strict=True):
        assert one.lifted_at is not None
        assert abs(one.lifted_at - at) < 2
    expect(page.locator("li.set[data-state=done]")).to_have_count(100)


NO_WORKER = "Object.defineProperty(navigator, 'serviceWorker', { value: undefined });"
NO_DATABASE = "Object.defineProperty(window, 'indexedDB', { get() { throw new Error('closed'); } });"


@pytest.mark.parametrize("missing", [NO_WORKER, NO_WORKER + NO_DATABASE], ids=["no worker", "no database"])
def test_over_plain_http_the_page_itself_keeps_the_sets(
    hand: Visit, store: Store, world: World, missing: str
) -> None:
    hand.context.add_init_script(missing)
    page = open_today(hand)
    hand.context.set_offline(True)
    thumb = Thumb(page)
    for number in range(1, 6):
        thumb.done(number)
    expect(page.locator("#outbox")).to_contain_text("5 waiting on this phone")
    hand.context.set_offline(False)
    sent(page, 5)
    assert [one.planned_set for one in stored(store, world)] == [0, 1, 2, 3, 4]


def test_a_sign_in_page_of_the_network_is_no_answer(hand: Visit, store: Store, world: World) -> None:
    page = open_today(hand)
    page.route(
        "**/sync", lambda route: route.fulfill(status=200, content_type="text/html", body="<h1>Hotel</h1>")
    )
    Thumb(page).done(1)
    expect(page.locator("li.set[data-state=waiting]")).to_have_count(1)
    page.unroute("**/sync")
    page.evaluate("dispatchEvent(new Event('online'))")
    sent(page, 1)
    assert len(stored(store, world)) == 1


def test_answers_lost_after_the_commit_make_no_doubles(hand: Visit, store: Store, world: World) -> None:
    page = open_today(hand)
    lost = 0

    def lose(route: Route) -> None:
        nonlocal lost
        if route.request.method == "POST" and lost < 3:
            lost += 1
            route.fetch()
            route.abort()
        else:
            route.continue_()

    page.route("**/sync", lose)
    thumb = Thumb(page)
    for number in range(1, 5):
        thumb.done(number)
    page.evaluate("dispatchEvent(new Event('online'))")
    sent(page, 4)
    assert lost == 3
    assert [one.planned_set for one in stored(store, world)] == [0, 1, 2, 3]


def test_a_server_that_dies_and_comes_back_gets_the_sets_then(
    hand: Visit, store: Store, world: World, live_server: LiveServer
) -> None:
    page = open_today(hand)
    thumb = Thumb(page)
    thumb.done(1)
    sent(page, 1)
    live_server.stop()
    for number in range(2, 5):
        thumb.done(number)
    expect(page.locator("#outbox")).to_contain_text("1 set saved, 3 waiting on this phone")
    live_server.start()
    page.evaluate("dispatchEvent(new Event('online'))")
    sent(page, 4)
    assert len(stored(store, world)) == 4


def test_a_refused_set_stays_with_its_reason_and_can_be_put_right(
    hand: Visit, store: Store, world: World
) -> None:
    page = open_today(hand)
    make_world_elsewhere = make_exercise(store, coach=_other_coach(store), name="Elsewhere")
    with store.transaction() as db:
        taken = db.get(Exercise, world.deadlift.id)
        assert taken is not None
        taken.coach_id = make_world_elsewhere.coach_id
    Thumb(page).done(1)
    line = page.locator("li.set[data-state=refused]")
    expect(line).to_contain_text("Refused: Your coach has no such exercise any more.")
    page.reload()
    page.wait_for_selector("body[data-ready]")
    assert stored(store, world) == []
    with store.transaction() as db:
        taken = db.get(Exercise, world.deadlift.id)
        assert taken is not None
        taken.coach_id = world.coach.id
    open_today(hand)
    line.locator(".line").tap()
    expect(page.locator("#go-what")).to_have_text("Save again")
    page.locator("#go").tap()
    expect(line).to_have_count(0)
    sent(page, 1)
    assert len(stored(store, world)) == 1


def _other_coach(store: Store) -> Any:
    from tests.factories import make_coach

    return make_coach(store, login="second@example.org")


def test_a_link_ended_meanwhile_keeps_the_sets_until_a_new_one_is_opened(
    hand: Visit, store: Store, world: World
) -> None:
    page = open_today(hand)
    with store.transaction() as db:
        access.revoke_links(db, world.lifter, at=datetime.now(UTC))
    Thumb(page).done(1)
    expect(page.locator("#outbox")).to_contain_text("Your private link has ended: nothing is lost.")
    page.goto(f"{hand.live.url}/today")
    expect(page.locator("h1")).to_have_text("Open your private link")
    expect(page.locator("#outbox")).to_have_text("1 kept on this phone, to be sent when the link is open.")
    with store.transaction() as db:
        link = access.issue_link(db, world.lifter, at=datetime.now(UTC), valid=timedelta(days=9))
    page.goto(f"{hand.live.url}/open/{link}")
    page.get_by_role("button", name="Open on this phone").tap()
    page.wait_for_url("**/today")
    sent(page, 1)
    assert len(stored(store, world)) == 1


def test_sets_of_one_lifter_are_never_sent_as_anothers(hand: Visit, store: Store, world: World) -> None:
    page = open_today(hand)
    hand.context.set_offline(True)
    Thumb(page).done(1)
    expect(page.locator("#outbox")).to_contain_text("1 waiting")
    page.route("**/sync", lambda route: route.abort())
    hand.context.set_offline(False)
    other = make_world(store, coach=_other_coach(store), today=TODAY, time_zone="UTC")
    hand.open_link(other.lifter)
    open_today(hand)
    page.unroute("**/sync")
    page.evaluate("dispatchEvent(new Event('online'))")
    expect(page.locator("#outbox")).to_contain_text("1 of another lifter kept on this phone")
    page.wait_for_timeout(300)
    assert stored(store, other) == stored(store, world) == []


def elsewhere(store: Store, world: World, load: str) -> None:
    """Another phone of the same lifter changes the first set."""
    token = phone_token(store, world.lifter, datetime.now(UTC))
    change = {"id": f"other-phone-{load:0>10}", "kind": "amend", "set": f"{TODAY}-0", "version": 1}
    work = {"load": load, "unit": "kg", "reps": 3, "rpe": 7}
    taken = logging.take(store, token, [change | work], idle=timedelta(days=1), now=datetime.now(UTC))
    assert taken.answers[0]["status"] == 201


@pytest.mark.parametrize("loads", [["180"], ["180", "182.5"]], ids=["once", "twice"])
def test_two_phones_that_change_one_set_show_both_versions(
    hand: Visit, store: Store, world: World, loads: list[str]
) -> None:
    page = open_today(hand)
    Thumb(page).done(1)
    sent(page, 1)
    page = open_today(hand)
    elsewhere(store, world, "170")
    page.route("**/sync", lambda route: route.abort())
    for load in loads:
        page.locator("li.set .line").first.tap()
        page.locator("#load").fill(load)
        page.locator("#go").tap()
        expect(page.locator("li.set[data-state=waiting]")).to_contain_text(f"{load} kg x 3")
    page.unroute("**/sync")
    page.evaluate("dispatchEvent(new Event('online'))")
    refused = page.locator("li.set[data-state=refused]")
    expect(refused).to_contain_text("changed meanwhile")
    expect(page.locator("#outbox")).to_have_text("1 refused.")
    refused.locator(".line").tap()
    expect(page.locator(".theirs")).to_contain_text("Stored now: 170 kg x 3, RPE 7")
    expect(page.locator("#load")).to_have_value(loads[-1])
    assert stored(store, world)[0].load_grams == 170_000
    page.locator("#go").tap()
    sent(page, 1)
    expect(refused).to_have_count(0)
    assert stored(store, world)[0].load_grams == float(loads[-1]) * 1000


def test_what_is_stored_can_be_kept_instead(hand: Visit, store: Store, world: World) -> None:
    page = open_today(hand)
    Thumb(page).done(1)
    sent(page, 1)
    page = open_today(hand)
    elsewhere(store, world, "170")
    page.locator("li.set .line").first.tap()
    page.locator("#load").fill("180")
    page.locator("#go").tap()
    page.locator("li.set[data-state=refused] .line").tap()
    page.get_by_role("button", name="keep what is stored").tap()
    expect(page.locator("li.set[data-state=done]")).to_contain_text("170 kg x 3")
    sent(page, 1)
    assert stored(store, world)[0].load_grams == 170_000


@pytest.mark.parametrize("answer", ["Save again", "Take out"])
def test_a_set_taken_out_elsewhere_can_be_stored_anew_or_let_go(
    hand: Visit, store: Store, world: World, answer: str
) -> None:
    page = open_today(hand)
    Thumb(page).done(1)
    sent(page, 1)
    token = phone_token(store, world.lifter, datetime.now(UTC))
    remove = {"id": "other-phone-remove-1", "kind": "remove", "set": f"{TODAY}-0", "version": 1}
    logging.take(store, token, [remove], idle=timedelta(days=1), now=datetime.now(UTC))
    page.locator("li.set .line").first.tap()
    page.locator("#load").fill("180")
    page.locator("#go").tap()
    refused = page.locator("li.set[data-state=refused]")
    expect(refused).to_contain_text("taken out meanwhile")
    refused.locator(".line").tap()
    page.get_by_role("button", name=answer).tap()
    expect(refused).to_have_count(0)
    sent(page, 1 if answer == "Save again" else 0)
    assert [one.load_grams for one in stored(store, world)] == ([180_000] if answer == "Save again" else [])


@pytest.mark.parametrize("offline", [False, True], ids=["online", "offline"])
def test_the_last_set_can_be_undone(hand: Visit, store: Store, world: World, offline: bool) -> None:
    page = open_today(hand)
    hand.context.set_offline(offline)
    thumb = Thumb(page)
    thumb.done(1)
    if not offline:
        sent(page, 1)
    thumb.tap("#undo")
    expect(page.locator("#go-what")).to_have_text("Set 1 done")
    hand.context.set_offline(False)
    page.evaluate("dispatchEvent(new Event('online'))")
    sent(page, 0)
    assert stored(store, world) == []
    thumb.done(1)
    sent(page, 1)
    assert len(stored(store, world)) == 1


def test_what_is_changed_offline_is_stored_as_changed(hand: Visit, store: Store, world: World) -> None:
    page = open_today(hand)
    kept_for_later(page)
    hand.context.set_offline(True)
    Thumb(page).done(1)
    page.locator("li.set[data-state=waiting] .line").tap()
    page.locator("#load").fill("180")
    page.locator(".tick").filter(visible=True).tap()
    page.locator("#go").tap()
    expect(page.locator("li.set[data-state=waiting]")).to_contain_text("180 kg x 3")
    page.reload()
    page.wait_for_selector("body[data-ready]")
    expect(page.locator("li.set[data-state=waiting]")).to_contain_text("failed, RPE 8, on this phone")
    hand.context.set_offline(False)
    page.evaluate("dispatchEvent(new Event('online'))")
    sent(page, 1)
    (one,) = stored(store, world)
    assert (one.load_grams, one.marks) == (180_000, 2)


def test_a_saved_set_can_be_changed_twice_while_answers_are_lost(
    hand: Visit, store: Store, world: World
) -> None:
    page = open_today(hand)
    Thumb(page).done(1)
    sent(page, 1)
    page.route("**/sync", lambda route: route.abort())
    for load in ("180", "182.5"):
        page.locator("li.set .line").first.tap()
        page.locator("#load").fill(load)
        page.locator("#go").tap()
        expect(page.locator("li.set[data-state=waiting]")).to_contain_text(f"{load} kg x 3")
    page.unroute("**/sync")
    page.evaluate("dispatchEvent(new Event('online'))")
    sent(page, 1)
    assert [(one.load_grams, one.version) for one in stored(store, world)] == [(182_500, 3)]


def test_skipping_swapping_and_adding_work_without_a_network(hand: Visit, store: Store, world: World) -> None:
    page = open_today(hand)
    kept_for_later(page)
    hand.context.set_offline(True)
    deadlift, squat, row = (
        page.locator(f".lift[data-exercise='{one.id}']") for one in (world.deadlift, world.squat, world.row)
    )
    row.locator("summary").tap()
    row.get_by_role("button", name="Skip Row").tap()
    expect(row.locator("li[data-state=skipped]")).to_have_count(6)
    squat.locator("summary").tap()
    squat.locator("select").select_option(label="Row")
    squat.get_by_role("button", name="Swap").tap()
    page.locator("#load").fill("60")
    page.locator("#go").tap()
    deadlift.locator("summary").tap()
    deadlift.get_by_role("link", name="Add a set").tap()
    page.locator("#load").fill("140")
    page.locator("#reps").fill("8")
    page.locator("#go").tap()
    page.locator(".add select").select_option(label="Plank")
    page.get_by_role("button", name="Add", exact=True).tap()
    page.locator("#seconds").fill("45")
    page.locator("#go").tap()
    expect(page.locator("#outbox")).to_contain_text("4 waiting")
    page.reload()
    page.wait_for_selector("body[data-ready]")
    expect(row.locator("li[data-state=skipped]")).to_have_count(6)
    expect(page.locator("li.set[data-state=waiting]")).to_have_count(3)
    hand.context.set_offline(False)
    page.evaluate("dispatchEvent(new Event('online'))")
    sent(page, 3)
    sets = stored(store, world)
    assert [(one.load_grams, one.reps, one.seconds) for one in sets] == [
        (60_000, 5, None),
        (140_000, 8, None),
        (0, 0, 45),
    ]
    assert [one.exercise_id for one in sets][:2] == [world.row.id, world.deadlift.id]
    assert sets[0].prescription_id == world.prescriptions[1]
    with store.reading() as db:
        assert [one.body for one in phone.messages(db, world.lifter.id)] == ["Skipped."]
    open_today(hand)
    expect(page.locator("li.set[data-state=done]")).to_have_count(3)


def test_a_comment_reaches_the_coach_with_its_set(hand: Visit, store: Store, world: World) -> None:
    page = open_today(hand)
    page.locator(".note-part summary").filter(visible=True).tap()
    page.get_by_label("To your coach, about this set").fill("Belt slipped.")
    Thumb(page).done(1)
    sent(page, 1)
    page.locator("li.set .line").first.tap()
    page.locator(".note-part summary").filter(visible=True).tap()
    page.get_by_label("To your coach, about this set").fill("And the grip.")
    page.locator("#go").tap()
    expect(page.locator("#go-what")).to_have_text("Set 2 done")
    page.wait_for_timeout(500)
    with store.reading() as db:
        said = [(one.body, one.about) for one in phone.messages(db, world.lifter.id)]
    assert said == [
        ("And the grip.", {"set": f"{TODAY}-0"}),
        ("Belt slipped.", {"set": f"{TODAY}-0"}),
    ]
    assert [one.version for one in stored(store, world)] == [1]


def test_a_whole_session_can_be_skipped_and_done_after_all(hand: Visit, store: Store, world: World) -> None:
    page = open_today(hand)
    page.get_by_text("Skip this session").tap()
    page.locator("#finish-part").get_by_label("Why (may stay empty)").fill("ill")
    page.get_by_role("button", name="Skip all of it").tap()
    expect(page.locator("li.set[data-state=skipped]")).to_have_count(20)
    expect(page.locator("#outbox")).to_have_text("")
    page = open_today(hand)
    expect(page.locator("main")).to_contain_text("You skipped this session")
    page.get_by_role("button", name="Do it after all").tap()
    expect(page.locator("li.set[data-state=skipped]")).to_have_count(0)


def test_a_refused_entry_of_another_page_is_listed_until_it_is_let_go(
    hand: Visit, store: Store, world: World
) -> None:
    page = open_today(hand, "/messages")
    page.route("**/sync", lambda route: route.abort())
    page.locator("#body").fill("Is Friday free?")
    page.get_by_role("button", name="Send").tap()
    expect(page.locator("#outbox")).to_contain_text("1 waiting on this phone")
    page.unroute("**/sync")

    def spoil(route: Route) -> None:
        body = (route.request.post_data or "").replace("Is Friday free?", "\\u0000")
        route.continue_(post_data=body) if body else route.continue_()

    page.route("**/sync", spoil)
    page = open_today(hand)
    listed = page.locator("#refusals")
    expect(listed).to_contain_text("A message of ")
    expect(listed).to_contain_text("The message must be text without control characters.")
    listed.get_by_role("button", name="Let it go").tap()
    expect(listed).to_be_hidden()
    expect(page.locator("#outbox")).to_have_text("")


def test_a_rest_day_takes_an_unplanned_session(hand: Visit, store: Store, world: World) -> None:
    with store.transaction() as db:
        db.delete(db.get(PlannedSession, world.session.id))
    page = open_today(hand)
    expect(page.locator("h1")).to_have_text("Rest day")
    page.locator(".add select").select_option(label="Deadlift")
    page.get_by_role("button", name="Add", exact=True).tap()
    for load in ("100", "120"):
        page.locator("#load").fill(load)
        page.locator("#reps").fill("5")
        page.locator("#go").tap()
        expect(page.locator("li.set[data-state=done]").last).to_contain_text(f"{load} kg x 5")
        deadlift = page.locator(f".lift[data-exercise='{world.deadlift.id}']")
        if deadlift.locator("summary").count():
            deadlift.locator("summary").tap()
            deadlift.get_by_role("link", name="Add a set").tap()
        else:
            page.locator(".add select").select_option(label="Deadlift")
            page.get_by_role("button", name="Add", exact=True).tap()
    sent(page, 2)
    assert [one.load_grams for one in stored(store, world)] == [100_000, 120_000]
    assert len({one.session_id for one in stored(store, world)}) == 1
    open_today(hand)
    expect(page.locator("h1")).to_have_text("Unplanned session")


def test_the_rest_runs_by_its_end_through_a_reload(hand: Visit) -> None:
    page = open_today(hand)
    Thumb(page).done(1)
    expect(page.locator("#rest-left")).to_have_text("2:58", timeout=5000)
    page.evaluate(
        """() => { const kept = JSON.parse(localStorage.getItem('terrace-rest'));
        localStorage.setItem('terrace-rest', JSON.stringify({ end: kept.end - 120000 })); }"""
    )
    page.reload()
    page.wait_for_selector("#rest:not([hidden])")
    left = page.locator("#rest-left").inner_text()
    assert left.startswith("0:5")
    page.locator("#more-rest").tap()
    assert page.locator("#rest-left").inner_text().startswith("1:2")


@pytest.mark.parametrize("load", ["20", "60", "102.5", "177.5", "182.5", "227.5", "61", "15", "400"])
def test_the_plates_the_script_draws_are_those_the_core_counts(hand: Visit, world: World, load: str) -> None:
    from app.planning.equipment import kit_of

    page = open_today(hand)
    page.locator("#load").fill(load)
    kit = kit_of(world.lifter, "barbell")
    assert kit is not None
    found = per_side(round(float(load) * 1000), kit)  # type: ignore[arg-type]
    shown = page.locator("#plates").inner_text()
    if not isinstance(found, tuple):
        assert "each side" not in shown
        assert shown.startswith(("It is lighter", "No combination"))
    elif not found:
        assert shown == "20 kg bar, no collars, nothing on it"
    else:
        assert shown.startswith("each side " + " ".join(f"{one.value:g}" for one in found) + " kg")
        assert page.locator("#plates rect").count() == len(found)


# For every eye and every thumb ----------------------------------------------------------------------

PAGES = ["/today", "/history", "/messages", "/more", "/check-in", "/pain", "/calendar"]


def full_world(store: Store, world: World) -> list[str]:
    """Something of everything on the pages; their addresses."""
    token = phone_token(store, world.lifter, datetime.now(UTC))
    base = {
        "kind": "set",
        "session": f"p{world.session.id}",
        "exercise": world.deadlift.id,
        "prescription": world.prescriptions[0],
        "load": "177.5",
        "unit": "kg",
        "reps": 3,
        "rpe": 8,
        "seen": 1,
    }
    writes: list[dict[str, Any]] = [
        base | {"id": f"full-world-set-{n:06d}", "planned_set": n, "number": n + 1} for n in range(3)
    ]
    writes += [
        {"id": "full-world-comment-1", "kind": "message", "body": "Belt slipped.", "of": writes[0]["id"]},
        {"id": "full-world-amend-0001", "kind": "amend", "of": writes[1]["id"]}
        | {"load": "180", "unit": "kg", "reps": 2, "failed": True, "note": "left hip"},
        {"id": "full-world-remove-001", "kind": "remove", "of": writes[2]["id"]},
        {"id": "full-world-pain-00001", "kind": "pain", "place": "left hip", "severity": 3}
        | {"exercise": world.squat.id},
    ]
    taken = logging.take(store, token, writes, idle=timedelta(days=1), now=datetime.now(UTC))
    assert {one["status"] for one in taken.answers} == {201}
    from_coach(store, world.lifter, "Keep the bar close.\nAnd breathe.")
    session = taken.answers[0]["session"]
    return [*PAGES, f"/log/{session}", f"/set/{TODAY}-1", f"/history/{world.deadlift.id}"]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [320, 400])
def test_axe_finds_nothing(
    visit: Callable[..., Visit], store: Store, world: World, scheme: str, width: int
) -> None:
    pages = full_world(store, world)
    hand = visit(
        viewport={"width": width, "height": 780}, has_touch=True, is_mobile=True, color_scheme=scheme
    )
    hand.open_link(world.lifter)
    found = []
    for path in pages:
        page = open_today(hand, path)
        if path == "/today":
            page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        result = Axe().run(page)
        found += [f"{path}: {one['id']} {one['nodes'][0]['target']}" for one in result.response["violations"]]
        wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        if wide > 0:
            found.append(f"{path}: {wide} px wider than the screen")
    with store.transaction() as db:
        link = access.issue_link(db, world.lifter, at=datetime.now(UTC), valid=timedelta(days=9))
    hand.goto(f"/open/{link}")
    found += [f"/open: {one['id']}" for one in Axe().run(hand.page).response["violations"]]
    hand.context.clear_cookies()
    hand.goto("/today")
    found += [f"closed: {one['id']}" for one in Axe().run(hand.page).response["violations"]]
    assert found == []


SMALL = """() => {
  const small = [];
  for (const one of document.querySelectorAll('a, button, input, select, textarea, summary')) {
    if (one.type === 'hidden' || one.classList.contains('skip') || !one.checkVisibility()) continue;
    const ticked = ['radio', 'checkbox'].includes(one.type);
    const box = (ticked && one.closest('label') || one).getBoundingClientRect();
    if (box.width >= 47.9 && box.height >= 47.9) continue;
    const name = one.id || one.textContent.trim().slice(0, 30);
    small.push(`${one.tagName} ${name} ${Math.round(box.width)}x${Math.round(box.height)}`);
  }
  return small;
}"""


@pytest.mark.parametrize("width", [320, 400])
def test_every_touch_target_is_48_px(
    visit: Callable[..., Visit], store: Store, world: World, width: int
) -> None:
    pages = full_world(store, world)
    hand = visit(viewport={"width": width, "height": 780}, has_touch=True, is_mobile=True)
    hand.open_link(world.lifter)
    found = []
    for path in pages:
        page = open_today(hand, path)
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        found += [f"{path}: {one}" for one in page.evaluate(SMALL)]
    assert found == []


def test_text_twice_as_large_fits_a_small_screen(hand: Visit, store: Store, world: World) -> None:
    hand.page.set_viewport_size({"width": 320, "height": 640})
    for path in full_world(store, world):
        page = open_today(hand, path)
        page.evaluate("document.documentElement.style.fontSize = '200%'")
        wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert wide <= 0, f"{path} is {wide} px too wide"


def test_the_primary_action_is_in_the_lower_third(hand: Visit) -> None:
    page = open_today(hand)
    box = page.locator("#go").bounding_box()
    assert box is not None
    assert box["y"] > 844 * 2 / 3


def test_the_phone_can_be_used_without_a_script(
    visit: Callable[..., Visit], store: Store, world: World
) -> None:
    hand = visit(**PHONE, java_script_enabled=False)
    hand.open_link(world.lifter)
    hand.goto("/today")
    page = hand.page
    page.locator("#load").fill("175")
    page.get_by_role("button", name="Set 1 done").click()
    expect(page.locator("li.set[data-state=done]")).to_contain_text("175 kg x 3")
    page.locator("#reps").fill("ten")
    page.get_by_role("button", name="Set 2 done").click()
    expect(page.locator(".errors")).to_contain_text("Reps must be a whole number from 0 to 200.")
    expect(page.locator("#reps")).to_have_value("ten")
    assert [one.load_grams for one in stored(store, world)] == [175_000]


def test_a_check_in_takes_five_taps_and_can_be_left_out(hand: Visit, store: Store, world: World) -> None:
    page = open_today(hand)
    thumb = Thumb(page)
    thumb.tap("a:has-text('Check in first')")
    page.wait_for_url("**/check-in")
    page.wait_for_selector("body[data-ready]")
    for name in ("sleep", "soreness", "stress", "motivation"):
        thumb.tap(f"label:has(input[name={name}][value='2'])")
    thumb.tap("footer .primary")
    page.wait_for_url("**/today")
    assert thumb.taps == 6  # the four answers, between going there and saving
    with store.reading() as db:
        found = phone.check_in_on(db, world.lifter.id, TODAY)
    assert found is not None
    assert (found.sleep, found.motivation) == (2, 2)


def test_nothing_of_the_next_block_is_needed_to_open_an_empty_phone(
    visit: Callable[..., Visit], store: Store, world: World
) -> None:
    with store.transaction() as db:
        for one in (world.session.id,):
            db.delete(db.get(PlannedSession, one))
    hand = visit(**PHONE)
    hand.open_link(world.lifter)
    page = open_today(hand)
    expect(page.locator("main")).to_contain_text("Next: Squat triples")
    make_block(store, world.lifter, start_day=TODAY + 60, end_day=TODAY + 80)
