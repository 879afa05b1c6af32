"""The phone's pages and its queue's address, without a browser."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pypdf
import pytest

from app.storage import access, logs
from app.storage.engine import Store
from tests.factories import NOW, TODAY, make_coach
from tests.phone_factories import World, from_coach, make_world
from tests.web.conftest import Client, open_client, sign_in_lifter


@pytest.fixture
def world(store: Store) -> World:
    return make_world(store)


@pytest.fixture
def phone(store: Store, now: list[datetime], world: World) -> Iterator[Client]:
    with open_client(store, now) as opened:
        yield sign_in_lifter(opened, world.lifter)


def a_set(world: World, **changes: Any) -> dict[str, Any]:
    usual = {
        "id": "phone-set-0000000001",
        "kind": "set",
        "session": f"p{world.session.id}",
        "exercise": world.deadlift.id,
        "prescription": world.prescriptions[0],
        "planned_set": 0,
        "number": 1,
        "load": "177.5",
        "unit": "kg",
        "reps": 3,
        "rpe": 8,
        "at": int(NOW.timestamp() * 1000),
        "offset": 0,
        "seen": 1,
    }
    return usual | changes


def send(phone: Client, world: World, *writes: Any) -> Any:
    envelope = {"lifter": world.lifter.id, "sent_at": int(NOW.timestamp() * 1000), "writes": list(writes)}
    return phone.post("/sync", json=envelope, headers={"Accept": "application/json"})


def test_today_shows_the_session_with_what_it_steps_beyond(phone: Client) -> None:
    page = phone.get("/today").text
    assert "Heavy triples" in page
    assert "week 2 of 5" in page
    assert "First triples in 100 weeks: your recent mark is <b>172.5 kg x 5</b>, 2 Mar." in page
    assert "All-time, April 2024: 200 kg x 3." in page
    assert "Numbers under your old bests are expected until about 23 Mar" in page
    assert page.count('class="set"') == 20 + 1  # and the one in the template


def test_a_set_sent_is_stored_and_then_shown_as_saved(phone: Client, world: World, store: Store) -> None:
    answer = send(phone, world, a_set(world))
    assert answer.status_code == 200, answer.text
    assert answer.json()["answers"][0]["set"] == f"{TODAY}-0"
    with store.reading() as db:
        stored = logs.sets_between(db, world.lifter.id, TODAY, TODAY)
    assert [(one.load_grams, one.reps, one.rpe_tenths) for one in stored] == [(177_500, 3, 80)]
    assert "RPE 8, saved" in phone.get("/today").text


@pytest.mark.parametrize("address", ["/history", "/messages", "/more", "/check-in", "/pain"])
def test_every_page_of_the_phone_opens(phone: Client, address: str) -> None:
    assert phone.get(address).status_code == 200


# The way in and out -------------------------------------------------------------------------------


def test_looking_at_a_link_does_not_use_it_up_and_pressing_the_button_cleans_the_address(
    nobody: Client, world: World
) -> None:
    with nobody.store.transaction() as db:
        token = access.issue_link(db, world.lifter, at=NOW, valid=timedelta(days=30))
    for _ in range(3):
        assert nobody.get(f"/open/{token}").status_code == 200
    assert "terrace_lifter" not in nobody.cookies
    nobody.secret = nobody.cookies["terrace_visit"]
    answer = nobody.post(f"/open/{token}")
    assert (answer.status_code, answer.headers["location"]) == (303, "/today")
    assert "Heavy triples" in nobody.get("/today").text


@pytest.mark.parametrize("ended", ["revoked", "expired", "unknown"])
def test_a_link_that_does_not_open_says_what_to_do(nobody: Client, world: World, ended: str) -> None:
    with nobody.store.transaction() as db:
        token = access.issue_link(db, world.lifter, at=NOW, valid=timedelta(days=30))
        if ended == "revoked":
            access.revoke_links(db, world.lifter, at=NOW)
    if ended == "expired":
        nobody.now[0] += timedelta(days=31)
    token = "x" * 43 if ended == "unknown" else token
    nobody.get(f"/open/{token}")
    nobody.secret = nobody.cookies["terrace_visit"]
    answer = nobody.post(f"/open/{token}")
    assert answer.status_code == 404
    assert "Ask your coach for a new one." in answer.text


def test_guessing_links_is_slowed(nobody: Client, world: World) -> None:
    nobody.get("/open/guess")
    nobody.secret = nobody.cookies["terrace_visit"]
    answers = [nobody.post(f"/open/guess{n}").status_code for n in range(35)]
    assert answers[:30] == [404] * 30
    assert answers[-1] == 429


def test_leaving_ends_the_session_and_clears_the_phone(phone: Client) -> None:
    answer = phone.post("/leave")
    assert answer.headers["clear-site-data"] == '"cache", "storage"'
    phone.cookies.clear()
    assert phone.get("/today").status_code == 401


def test_an_old_cookie_is_worth_nothing_after_leaving(phone: Client, world: World) -> None:
    phone.post("/leave")
    phone.cookies.set("terrace_lifter", phone.secret)
    answer = phone.get("/today")
    assert answer.status_code == 401
    assert "Open the link your coach sent you" in answer.text
    assert send(phone, world, a_set(world)).status_code == 401


def test_the_manifest_and_the_worker_name_what_the_phone_keeps(phone: Client) -> None:
    manifest = phone.get("/phone.webmanifest").json()
    assert (manifest["start_url"], manifest["display"]) == ("/today", "standalone")
    for icon in manifest["icons"]:
        assert phone.get(icon["src"]).status_code == 200
    worker = phone.get("/phone-sw.js")
    assert worker.headers["content-type"].startswith("text/javascript")
    page = phone.get("/today").text
    listed = re.findall(r'"(/[^"]+\?v=[0-9a-f]+)"', worker.text)
    assert len(listed) == 2
    for kept in listed:
        assert kept in page
        assert phone.get(kept).status_code == 200


# The queue's address ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "not JSON"),
        (b"{", "not JSON"),
        (b"\xff\xfe", "not JSON"),
        (b"[]", "just these fields"),
        (b"{}", "just these fields"),
        (b'{"lifter":1,"sent_at":1,"writes":[],"more":1}', "just these fields"),
        (b'{"lifter":"1","sent_at":1,"writes":[{}]}', "lifter is a number"),
        (b'{"lifter":1,"sent_at":-1,"writes":[{}]}', "lifter is a number"),
        (b'{"lifter":1,"sent_at":true,"writes":[{}]}', "lifter is a number"),
        (b'{"lifter":1,"sent_at":1,"writes":[]}', "at least one entry"),
        (b'{"lifter":1,"sent_at":1,"writes":{}}', "at least one entry"),
    ],
)
def test_a_request_that_is_none_is_refused_with_a_sentence(phone: Client, content: bytes, words: str) -> None:
    answer = phone.post("/sync", content=content, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert words in answer.json()["detail"]


def test_a_request_is_bounded_in_bytes_and_in_entries(phone: Client, world: World) -> None:
    assert phone.post("/sync", content=b" " * 300_000).status_code == 413
    many = [a_set(world, id=f"phone-set-{n:010d}") for n in range(101)]
    assert send(phone, world, *many).status_code == 413


def test_the_queue_needs_the_token_of_its_session(phone: Client, world: World) -> None:
    for headers in ({"X-CSRF": "guess"}, {"X-CSRF": ""}, {"Sec-Fetch-Site": "cross-site"}):
        answer = phone.post("/sync", json={}, headers=headers | {"Accept": "application/json"})
        assert answer.status_code == 403
    fresh = phone.get("/sync").json()
    assert fresh["lifter"] == world.lifter.id
    envelope = {"lifter": world.lifter.id, "sent_at": int(NOW.timestamp() * 1000), "writes": [a_set(world)]}
    assert phone.post("/sync", json=envelope, headers={"X-CSRF": fresh["csrf"]}).status_code == 200


def test_the_status_tells_of_refusals(phone: Client, world: World) -> None:
    good, bad = a_set(world), a_set(world, id="phone-set-0000000002", reps=-1)
    assert send(phone, world, bad).status_code == 422
    assert send(phone, world, good, bad).status_code == 207
    assert send(phone, world, good).status_code == 200


def test_the_worker_is_woken_when_a_set_is_stored(phone: Client, world: World) -> None:
    woken = []

    class Worker:
        def wake(self) -> None:
            woken.append(True)

        def stop(self) -> None: ...

    phone.app.state.worker = Worker()  # type: ignore[attr-defined]
    send(phone, world, a_set(world))
    assert woken == [True]


# Without a script ---------------------------------------------------------------------------------


def form(page: str, kind: str) -> dict[str, str]:
    """The hidden answers of the form that sends this kind of entry."""
    for body in re.findall(r"<form[^>]*action=\"/entry\".*?</form>", page, re.DOTALL):
        fields = dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', body))
        if fields.get("kind") == kind:
            return fields
    raise AssertionError(f"no form for {kind}")


def test_a_form_sent_twice_stores_one_set(phone: Client, world: World, store: Store) -> None:
    fields = form(phone.get("/today").text, "set") | {"load": "180", "reps": "3", "rpe": "8,5"}
    for _ in range(2):
        assert phone.post("/entry", data=fields).headers["location"] == f"/session/{world.session.id}"
    with store.reading() as db:
        (one,) = logs.sets_between(db, world.lifter.id, TODAY, TODAY)
    assert (one.load_grams, one.rpe_tenths, one.planned_set) == (180_000, 85, 0)


def test_a_form_that_cannot_be_taken_keeps_what_was_typed(phone: Client) -> None:
    fields = form(phone.get("/today").text, "set") | {"load": "a lot", "reps": "3", "rpe": ""}
    answer = phone.post("/entry", data=fields)
    assert answer.status_code == 422
    assert "<title>Error: Heavy triples" in answer.text
    assert 'value="a lot"' in answer.text
    assert "is not a mass" in answer.text


def test_a_form_on_a_full_day_is_refused_with_what_was_typed(
    phone: Client, world: World, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logs, "ROW_BASE", 1)
    fields = form(phone.get("/today").text, "set") | {"load": "180", "reps": "3", "rpe": "8"}
    assert phone.post("/entry", data=fields).status_code == 303
    answer = phone.post("/entry", data=fields | {"id": "another-form-000000001", "load": "182,5"})
    assert answer.status_code == 409
    assert "as many sets as a day can" in answer.text
    assert 'value="182,5"' in answer.text
    with store.reading() as db:
        assert len(logs.sets_between(db, world.lifter.id, TODAY, TODAY)) == 1


def test_a_set_is_changed_and_a_conflict_shows_both(phone: Client, world: World) -> None:
    send(phone, world, a_set(world))
    page = phone.get(f"/set/{TODAY}-0").text
    mine = form(page, "amend") | {"load": "180", "reps": "3", "rpe": "9"}
    theirs = form(page, "amend") | {"load": "175", "reps": "3", "rpe": "8", "id": "other-form-0000000001"}
    assert phone.post("/entry", data=theirs).status_code == 303
    answer = phone.post("/entry", data=mine)
    assert answer.status_code == 409
    assert "Stored now, and what you typed" in answer.text
    assert re.search(r"<td>175 kg</td>.*<td>180 kg</td>", answer.text, re.DOTALL)
    again = form(answer.text, "amend") | {"load": "180", "reps": "3", "rpe": "9"}
    assert phone.post("/entry", data=again).status_code == 303
    assert "180 kg" in phone.get("/today").text


def test_a_set_taken_out_can_be_put_back(phone: Client, world: World, store: Store) -> None:
    session = send(phone, world, a_set(world), a_set(world, id="phone-set-0000000002", planned_set=1)).json()
    number = session["answers"][0]["session"]
    phone.post("/entry", data=form(phone.get(f"/set/{TODAY}-0").text, "remove"))
    page = phone.get(f"/log/{number}").text
    assert "Put back" in page
    phone.post("/entry", data=form(page, "restore"))
    with store.reading() as db:
        assert len(logs.sets_between(db, world.lifter.id, TODAY, TODAY)) == 2
    assert "Put back" not in phone.get(f"/log/{number}").text


@pytest.mark.parametrize(
    "back", ["https://elsewhere.example", "//elsewhere.example", "/\\elsewhere.example", "/today//x", ""]
)
def test_a_form_never_leads_elsewhere(phone: Client, back: str) -> None:
    fields = form(phone.get("/pain").text, "pain") | {"place": "knee", "severity": "2", "back": back}
    assert phone.post("/entry", data=fields).headers["location"] == "/today"


@pytest.mark.parametrize(
    ("address", "kind", "answers", "words"),
    [
        ("/check-in", "check_in", {"sleep": "9"}, "Each answer of a check-in must be a whole number"),
        ("/pain", "pain", {"place": ""}, "Where it hurts is empty."),
        ("/messages", "message", {"body": " "}, "The message is empty."),
    ],
)
def test_other_forms_say_what_is_wrong(
    phone: Client, address: str, kind: str, answers: dict[str, str], words: str
) -> None:
    answer = phone.post("/entry", data=form(phone.get(address).text, kind) | answers)
    assert answer.status_code == 422
    assert words in answer.text


# What the pages say -------------------------------------------------------------------------------


def test_pain_stops_the_advice_for_its_lift_only(phone: Client, world: World) -> None:
    pain = {"id": "phone-pain-000000001", "kind": "pain", "place": "lower back", "severity": 4}
    send(phone, world, pain | {"exercise": world.deadlift.id})
    page = phone.get("/today").text
    assert "You reported pain in this lift: no step up is advised. See a qualified clinician" in page
    assert "First triples" not in page
    assert "A step beyond your recent mark" in page
    phone.post("/entry", data=form(phone.get("/pain").text, "pain_over"))
    assert "First triples" in phone.get("/today").text


def test_the_cautions_stand_on_the_first_session_only(phone: Client, world: World) -> None:
    assert "Have spotters or safety bars" in phone.get("/today").text
    finish = {"id": "phone-finish-0000001", "kind": "finish", "session": f"p{world.session.id}", "rpe": 7}
    send(phone, world, a_set(world), finish)
    assert "Have spotters or safety bars" not in phone.get("/today").text
    assert "Have spotters or safety bars" in phone.get("/more").text


def test_pounds_and_kilograms_stand_side_by_side_where_they_differ(store: Store, now: list[datetime]) -> None:
    world = make_world(store, unit="lb", plates=[[25_000, 4], [10_000, 1], [1_250, 1]], bar_grams=20_000)
    with open_client(store, now) as opened:
        page = sign_in_lifter(opened, world.lifter).get("/today").text
    assert "391.32 lb" in page
    assert "(177.5 kg)" in page


def test_a_session_logged_away_from_home_says_where(phone: Client, world: World) -> None:
    away = a_set(world, at=int(datetime(2026, 3, 9, 9, 2, tzinfo=UTC).timestamp() * 1000), offset=540)
    session = send(phone, world, away | {"zone": "Asia/Tokyo"}).json()["answers"][0]["session"]
    assert "logged in Tokyo, 18:02" in phone.get(f"/log/{session}").text


def test_today_is_the_day_where_the_phone_is(phone: Client, now: list[datetime]) -> None:
    now[0] = datetime(2026, 3, 8, 22, tzinfo=UTC)  # 7:00 on the 9th in Tokyo
    assert "Sunday 8 March" in phone.get("/today").text
    phone.cookies.set("terrace_zone", "Asia/Tokyo")
    assert "Monday 9 March" in phone.get("/today").text
    phone.cookies.set("terrace_zone", "Not/A_Zone")
    assert "Sunday 8 March" in phone.get("/today").text


def test_the_phone_shows_only_its_own_lifters_pages(
    phone: Client, world: World, store: Store, now: list[datetime]
) -> None:
    other = make_world(store, coach=make_coach(store, login="second@example.org"), name="Bodil")
    with open_client(store, now) as theirs:
        sign_in_lifter(theirs, other.lifter)
        logged = send(theirs, other, a_set(other)).json()["answers"][0]["session"]
    for address in (
        f"/session/{other.session.id}",
        f"/log/{logged}",
        f"/history/{other.deadlift.id}",
        f"/set/{TODAY}-0",
        "/set/nonsense",
        "/session/99999999",
        "/log/99999999",
    ):
        assert phone.get(address).status_code == 404


def test_the_history_shows_sessions_and_a_chart_with_its_numbers(phone: Client, world: World) -> None:
    send(phone, world, a_set(world))
    assert "Deadlift 177.5 kg x 3" in phone.get("/history").text
    page = phone.get(f"/history/{world.deadlift.id}").text
    assert page.count('class="point"') == 9
    assert "Best of the last 8 weeks: " in page
    assert "<svg" in page
    assert "plotly" not in page


def test_messages_of_the_coach_are_counted_until_read(phone: Client, world: World, store: Store) -> None:
    from_coach(store, world.lifter, "Keep the bar close <b>")
    assert re.search(r'class="count">1<', phone.get("/today").text)
    page = phone.get("/messages").text
    assert "Keep the bar close &lt;b&gt;" in page
    phone.post("/entry", data=form(page, "read"))
    assert 'class="count"' not in phone.get("/today").text


# To take away -------------------------------------------------------------------------------------


def test_the_sheet_has_a_page_for_each_training_day_with_the_way_back(phone: Client, world: World) -> None:
    answer = phone.get("/sheet.pdf")
    assert answer.headers["content-type"] == "application/pdf"
    pages = pypdf.PdfReader(io.BytesIO(answer.content)).pages
    assert len(pages) == 2
    text = pages[0].extract_text()
    assert "Heavy triples, Monday 9 March" in text
    assert "177.5 kg" in text
    only = pypdf.PdfReader(
        io.BytesIO(phone.get(f"/sheet.pdf?session={world.session.id}&paper=Letter").content)
    )
    assert len(only.pages) == 1
    assert round(float(only.pages[0].mediabox.width)) == 612  # 8.5 in, ISO 32000: 72 units to the inch


def test_a_calendar_subscribes_to_an_address_that_can_be_ended(phone: Client, world: World) -> None:
    assert "Make an address" in phone.get("/calendar").text
    shown = phone.post("/calendar").text
    match = re.search(r'value="http://127.0.0.1:8000(/feed/[^"]+\.ics)"', shown)
    assert match is not None
    with_no_cookie = {"Cookie": ""}
    answer = phone.get(match[1], headers=with_no_cookie)
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    assert answer.text.count("BEGIN:VEVENT") == 2
    assert f"UID:session-{world.session.id}@terrace" in answer.text
    assert "DTSTART;VALUE=DATE:20260309" in answer.text
    again = phone.get(match[1], headers={"If-None-Match": answer.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    send(phone, world, {"id": "phone-skip-000000001", "kind": "skip", "session": f"p{world.session.id}"})
    assert "STATUS:CANCELLED" in phone.get(match[1]).text
    phone.post("/calendar/end")
    assert phone.get(match[1]).status_code == 404
