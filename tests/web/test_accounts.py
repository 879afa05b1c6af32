"""Several coaches on one server: invitations, assistants, tokens, lifters handed over, what happened."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta

import pytest
from sqlalchemy import select

from app.planning import accounts, exports
from app.storage import access, audit, exercises, lifters
from app.storage.engine import Store
from app.storage.models import Lifter, LoggedSession
from tests import rosters
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter
from tests.web.conftest import Client, open_client, sign_in, sign_in_lifter

PASSWORD = "salt harbour iron tide"


def shown(text: str) -> str:
    found = re.search(r'<code class="secret">(.+?)</code>', text)
    assert found is not None
    return found.group(1)


def test_an_invitation_makes_one_account_and_no_more(client: Client, nobody: Client) -> None:
    address = shown(client.post("/account/invitations").text)
    path = address.removeprefix("http://127.0.0.1:8000")
    assert "1 invitation is" in client.get("/account").text
    assert nobody.get(path).status_code == 200
    nobody.secret = nobody.cookies["terrace_visit"]
    new = {"name": "Bo Lind", "login": "bo@example.org", "password": PASSWORD, "unit": "lb"}
    wrong = nobody.post(path, data=new | {"time_zone": "Moon"})
    assert (wrong.status_code, PASSWORD in wrong.text, "Bo Lind" in wrong.text) == (422, False, True)
    made = nobody.post(path, data=new | {"time_zone": "Europe/Oslo"})
    assert (made.status_code, made.headers["location"]) == (303, "/")
    assert nobody.get(path).status_code == 410
    with open_client(client.store, client.now) as late:
        late.get("/sign-in")
        late.secret = late.cookies["terrace_visit"]
        answer = late.post(path, data=new | {"login": "more@example.org", "time_zone": "UTC"})
        assert answer.status_code == 410


def test_invitations_end_by_hand_and_by_time(client: Client, nobody: Client) -> None:
    first = shown(client.post("/account/invitations").text).removeprefix("http://127.0.0.1:8000")
    client.post("/account/invitations/end")
    assert nobody.get(first).status_code == 410
    second = shown(client.post("/account/invitations").text).removeprefix("http://127.0.0.1:8000")
    assert nobody.get(second).status_code == 200
    client.now[0] += timedelta(days=6)
    assert nobody.get(second).status_code == 410


def assist(client: Client, other: Client, role: str) -> None:
    done = client.post("/account/assistants", data={"login": "other@example.org", "role": role})
    assert done.status_code == 303
    look = other.post("/roster-of", data={"coach": str(client.coach.id)})
    assert look.status_code == 303


def test_an_assistant_reads_or_writes_and_no_longer_once_ended(client: Client, other_client: Client) -> None:
    lifter = make_lifter(client.store, coach=client.coach)
    page = f"/lifters/{lifter.id}"
    assert other_client.get(page).status_code == 404
    assist(client, other_client, "read")
    assert "Vilde Aas" in other_client.get(page).text
    refused = other_client.post(f"{page}/note", data={"note": "x"})
    assert (refused.status_code, "may read this roster" in refused.text) == (403, True)
    assist(client, other_client, "write")
    assert other_client.post(f"{page}/note", data={"note": "x"}).status_code == 303
    for path, data in (
        ("/data/export", {"form": "json", "password": PASSWORD}),
        (f"{page}/remove", {"password": PASSWORD}),
        (f"{page}/handover", {"login": "ines@example.org"}),
    ):
        answer = other_client.post(path, data=data)
        assert (answer.status_code, "Only the coach whose roster" in answer.text) == (403, True), path
    ended = client.post(f"/account/assistants/{other_client.coach.id}/end")
    assert ended.status_code == 303
    assert other_client.get(page).status_code == 404
    assert client.post(f"/account/assistants/{other_client.coach.id}/end").status_code == 404


def test_an_assistant_keeps_their_own_account_and_can_stop(client: Client, other_client: Client) -> None:
    assist(client, other_client, "read")
    assert "Rosters you may look at" in other_client.get("/account").text
    made = other_client.post("/account/tokens", data={"token_name": "mine", "scope": "read"})
    holder = accounts.holder_of_token(client.store, shown(made.text), now=NOW)
    assert holder is not None
    assert holder[0].id == other_client.coach.id
    assert other_client.post(f"/account/rosters/{client.coach.id}/leave").status_code == 303
    assert other_client.post(f"/account/rosters/{client.coach.id}/leave").status_code == 404
    assert "Rosters you may look at" not in other_client.get("/account").text


def test_a_roster_that_is_not_open_cannot_be_chosen(client: Client, other_client: Client) -> None:
    make_lifter(client.store, coach=client.coach)
    other_client.post("/roster-of", data={"coach": str(client.coach.id)})
    assert "Vilde" not in other_client.get("/").text
    other_client.cookies.set("terrace_roster", str(client.coach.id))
    assert "Vilde" not in other_client.get("/").text


@pytest.mark.parametrize(
    ("login", "words"),
    [
        ("nobody@example.org", "Nobody on this server has this login"),
        ("ines@example.org", "your own login"),
        ("", "Enter the login"),
    ],
)
def test_a_login_that_cannot_be_an_assistant_is_explained(client: Client, login: str, words: str) -> None:
    answer = client.post("/account/assistants", data={"login": login, "role": "read"})
    assert (answer.status_code, words in answer.text) == (422, True)


def test_logins_cannot_be_tried_without_end(client: Client) -> None:
    tried = [
        client.post("/account/assistants", data={"login": f"{n}@example.org", "role": "read"}).status_code
        for n in range(25)
    ]
    assert tried == [422] * 20 + [429] * 5


def test_a_token_is_shown_once_kept_hashed_and_ends_at_once(client: Client) -> None:
    token = shown(client.post("/account/tokens", data={"token_name": "Sheet", "scope": "read"}).text)
    page = client.get("/account")
    assert (token in page.text, "Sheet" in page.text, "never used" in page.text) == (False, True, True)
    assert accounts.holder_of_token(client.store, token, now=NOW) is not None
    number = re.search(r"/account/tokens/(\d+)/revoke", page.text)
    assert number is not None
    assert client.post(number.group(0)).status_code == 303
    assert accounts.holder_of_token(client.store, token, now=NOW) is None
    assert client.post(number.group(0)).status_code == 404


# Handing over ---------------------------------------------------------------------------------------


@pytest.fixture
def lifter(client: Client) -> Lifter:
    return make_lifter(client.store, coach=client.coach)


@pytest.fixture
def phone(client: Client, lifter: Lifter) -> Iterator[Client]:
    with open_client(client.store, client.now) as opened:
        yield sign_in_lifter(opened, lifter)


def test_a_lifter_changes_coach_when_all_three_agree(
    client: Client, other_client: Client, phone: Client, lifter: Lifter
) -> None:
    squat = make_exercise(client.store, coach=client.coach)
    log_sets(client.store, lifter, squat, TODAY, [(100, 5, 8)])
    path = f"/lifters/{lifter.id}"
    assert client.post(f"{path}/handover", data={"login": "other@example.org"}).status_code == 303
    assert client.post(f"{path}/handover", data={"login": "other@example.org"}).status_code == 409
    assert "Vilde" not in other_client.get("/account").text
    assert "a lifter, who has not agreed yet" in other_client.get("/account").text
    early = other_client.post("/account/handovers/1/accept")
    assert (early.status_code, "not agreed" in early.text) == (409, True)
    assert client.post("/account/handovers/1/accept").status_code == 404
    assert "hand you over to Other" in phone.get("/more").text
    assert "Other" in phone.get("/messages").text
    assert phone.get("/another-coach").status_code == 200
    assert phone.post("/another-coach", data={"answer": "yes"}).status_code == 303
    assert "Vilde Aas" in other_client.get("/account").text
    taken = other_client.post("/account/handovers/1/accept")
    assert taken.headers["location"] == f"{path}/link"
    assert client.get(path).status_code == 404
    assert phone.get("/today").status_code == 401
    assert "Vilde Aas" in other_client.get(path).text
    with client.store.reading() as db:
        assert [one.name for one in exercises.all_of(db, other_client.coach)] == ["Squat"]
    found = exports.everything(client.store, other_client.coach, by="test", now=NOW)
    assert len(found.tables["logged_sets"]) == 1


def test_a_lifter_can_say_no_and_an_offer_can_be_withdrawn(
    client: Client, other_client: Client, phone: Client, lifter: Lifter
) -> None:
    path = f"/lifters/{lifter.id}"
    client.post(f"{path}/handover", data={"login": "other@example.org"})
    phone.post("/another-coach", data={"answer": "no"})
    assert "offered to you" not in other_client.get("/account").text
    assert "Nothing is offered" in phone.get("/another-coach").text
    assert phone.post("/another-coach", data={"answer": "yes"}).status_code == 404
    client.post(f"{path}/handover", data={"login": "other@example.org"})
    assert client.post(f"{path}/handover/withdraw").status_code == 303
    assert other_client.post("/account/handovers/2/decline").status_code == 404


def test_consent_given_elsewhere_is_recorded_with_how(
    client: Client, other_client: Client, lifter: Lifter
) -> None:
    path = f"/lifters/{lifter.id}"
    client.post(f"{path}/handover", data={"login": "other@example.org"})
    assert client.post(f"{path}/handover/consent", data={"how": ""}).status_code == 422
    assert client.post(f"{path}/handover/consent", data={"how": "by letter"}).status_code == 303
    assert "by letter" in client.get("/account/audit").text
    assert other_client.post("/account/handovers/1/accept").status_code == 303


def test_what_was_handed_over_is_equal_and_nothing_of_the_old_coach_holds_it(any_store: Store) -> None:
    """A made-up lifter goes from one coach to another: everything about them is as before."""
    for seed in (3, 5, 8):
        old = make_coach(any_store, login=f"old{seed}@example.org")
        new = make_coach(any_store, login=f"new{seed}@example.org")
        exports.load(any_store, old, rosters.tables(seed), by="test", now=NOW)
        with any_store.reading() as db:
            lifter = lifters.roster(db, old, archived=True)[0]
        before = exports.everything(any_store, old, lifter_id=lifter.id, by="test", now=NOW)
        accounts.offer(any_store, old, lifter.id, new.login, now=NOW)
        accounts.answer_offer(any_store, lifter, agree=True, now=NOW)
        with any_store.reading() as db:
            offers = accounts.account(any_store, new, now=NOW).offers
        accounts.accept(any_store, new, offers[0].id, now=NOW)
        after = exports.everything(any_store, new, lifter_id=lifter.id, by="test", now=NOW)
        for name in before.tables:
            if name == "messages":  # the offer itself came on top
                assert after.tables[name][: len(before.tables[name])] == before.tables[name]
            else:
                assert after.tables[name] == before.tables[name], name
        left = exports.everything(any_store, old, by="test", now=NOW)
        names = [column.name for column in left.described["lifters"][1]]
        assert lifter.name not in [row[names.index("name")] for row in left.tables["lifters"]]
        with any_store.reading() as db:
            mine = db.scalars(select(LoggedSession).where(LoggedSession.lifter_id == lifter.id)).all()
            assert all(one.import_batch_id is None for one in mine)


def test_the_audit_view_tells_what_happened_and_to_nobody_else(client: Client, other_client: Client) -> None:
    lifter = make_lifter(client.store, coach=client.coach)
    client.post(f"/lifters/{lifter.id}/link")
    client.post("/account/tokens", data={"token_name": "Sheet", "scope": "write"})
    page = client.get("/account/audit").text
    assert "link issued" in page
    assert "Vilde Aas" in page
    assert "token issued" in page
    assert "token issued" not in client.get("/account/audit?show=links").text
    assert "Vilde" not in other_client.get("/account/audit").text
    assert client.get("/account/audit?show=x&before=99999999999999").status_code == 200


def test_the_audit_view_says_actions_in_words(client: Client) -> None:
    lifter = make_lifter(client.store, coach=client.coach)
    with client.store.transaction() as db:
        audit.record(
            db,
            kind="decision",
            actor="Ines Marto",
            at=NOW,
            coach_id=client.coach.id,
            lifter_id=lifter.id,
            action="hold_course",
            flag="effort_drift",
        )
    assert "action hold course, flag effort drift" in client.get("/account/audit").text


def test_the_account_page_names_a_browser_as_people_do(client: Client) -> None:
    agent = (
        "Mozilla/5.0 (X11; Linux x86_64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/130.0 Safari/537.36"
    )
    with client.store.transaction() as db:
        access.open_coach_session(db, client.coach, device=agent, at=NOW)
    page = client.get("/account").text
    assert "Chrome on Linux" in page
    assert "AppleWebKit" not in page


def test_the_audit_view_goes_back_page_by_page(client: Client) -> None:
    for _ in range(60):
        client.post("/account/sessions/end")
    first = client.get("/account/audit")
    link = re.search(r'href="(/account/audit\?[^"]+)">Earlier', first.text)
    assert link is not None
    assert first.text.count("other sessions ended") == 50
    second = client.get(link.group(1).replace("&amp;", "&"))
    assert second.text.count("other sessions ended") == 10


def test_the_rosters_calendar_holds_planned_sessions_until_revoked(client: Client, nobody: Client) -> None:
    coach = make_coach(client.store, login="third@example.org")
    given = rosters.tables(2)
    assert given["planned_sessions"]
    exports.load(client.store, coach, given, by="test", now=NOW)
    with open_client(client.store, client.now) as browser:
        sign_in(browser, coach)
        path = shown(browser.post("/account/calendar").text).removeprefix("http://127.0.0.1:8000")
        calendar = nobody.get(path)
        assert calendar.headers["content-type"].startswith("text/calendar")
        assert nobody.get(path, headers={"If-None-Match": calendar.headers["etag"]}).status_code == 304
        browser.post("/account/tokens/1/revoke")
    assert nobody.get(path).status_code == 404
    token = accounts.issue_token(client.store, coach, "data", "read", now=NOW)
    assert nobody.get(f"/feed/roster/{token}.ics").status_code == 404
