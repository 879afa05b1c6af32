"""Who may do what: one line a route, and every route tried by everybody who may not.

A route that stands in no line fails the suite, so that nobody adds one without saying who may use it. Each
tenant's data hold words of their own; none of them may ever be seen from outside.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import httpx
import pytest
from sqlalchemy import select

from app.config import Settings
from app.planning import access as signing
from app.planning import accounts, blocks, exports, housekeeping, library, worker
from app.storage import access
from app.storage.engine import Store
from app.storage.models import (
    ApiToken,
    Block,
    BlockTemplate,
    Coach,
    CoachMember,
    Decision,
    Flag,
    Handover,
    ImportBatch,
    Lifter,
    LifterLink,
    Message,
    PlanChange,
    PlannedSession,
    SavedView,
)
from app.web import uploads
from app.web.pages import COACH_COOKIE, LIFTER_COOKIE, VISIT_COOKIE, csrf_token
from app.web.routes import routers
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter
from tests.planning.world import World, report_pain, train
from tests.web.conftest import Client, open_client

PERSON, ROSTER = "PERSONCANARY", "ROSTERCANARY"

# Who may: anyone; a coach on their own roster, and assistants there (who may write, if it is a change);
# the owner of a roster alone; a coach about their own account, whosever roster they look at; the lifter whose
# phone it is; a program with a token that reads or writes.
POLICY = """
anyone GET /health
anyone GET /live
anyone GET /lib/{name}
anyone GET /methods
anyone GET /sign-in
anyone POST /sign-in
anyone GET /sign-in/{code}
anyone POST /sign-in/{code}
anyone GET /set-up
anyone POST /set-up
anyone GET /join/{code}
anyone POST /join/{code}
anyone POST /sign-out
anyone GET /open/{token}
anyone POST /open/{token}
anyone POST /leave
anyone GET /phone-sw.js
anyone GET /phone.webmanifest
anyone GET /phone.css
anyone GET /feed/{token}.ics
anyone GET /feed/roster/{token}.ics
anyone GET /api/v1/openapi.json
anyone GET /api/v1/

coach GET /
coach POST /roster/views
coach POST /roster/views/{view_id}/remove
coach GET /blocks
coach GET /blocks/assign
coach POST /blocks/assign/look
coach POST /blocks/assign
coach GET /blocks/{block_id}
coach POST /blocks/{block_id}/do
coach POST /blocks/{block_id}/assign
coach POST /blocks/{block_id}/apply
coach POST /blocks/{block_id}/start
coach POST /blocks/{block_id}/template
coach POST /blocks/{block_id}/drop
coach GET /blocks/{block_id}/what-if
coach POST /blocks/{block_id}/what-if
coach POST /plan-changes/{change_id}/take-back
coach GET /decisions
coach POST /decisions/{decision_id}/seen
coach GET /decisions/{decision_id}/take-back
coach POST /decisions/{decision_id}/take-back
coach GET /lifters/new
coach POST /lifters/new
coach GET /lifters/{lifter_id}
coach POST /lifters/{lifter_id}/note
coach GET /lifters/{lifter_id}/response
coach GET /lifters/{lifter_id}/blocks/new
coach POST /lifters/{lifter_id}/blocks
coach GET /lifters/{lifter_id}/season
coach POST /lifters/{lifter_id}/season
coach GET /lifters/{lifter_id}/settings
coach POST /lifters/{lifter_id}/settings
coach GET /lifters/{lifter_id}/settings/expected
coach GET /lifters/{lifter_id}/link
coach POST /lifters/{lifter_id}/link
coach POST /lifters/{lifter_id}/link/end
coach GET /lifters/{lifter_id}/flags/{flag_id}/act
coach POST /lifters/{lifter_id}/flags/{flag_id}/act
coach POST /lifters/{lifter_id}/flags/{flag_id}/snooze
coach POST /lifters/{lifter_id}/flags/{flag_id}/dismiss
coach POST /lifters/{lifter_id}/flags/{flag_id}/reopen
coach POST /lifters/{lifter_id}/pain/{report_id}/resolve
coach POST /lifters/{lifter_id}/odd-sets
coach GET /lifters/{lifter_id}/odd-sets
coach POST /lifters/{lifter_id}/odd-sets/{decision_id}/back
coach GET /lifters/{lifter_id}/messages
coach POST /lifters/{lifter_id}/messages
coach GET /messages/new
coach GET /blocks/{block_id}/review
coach POST /blocks/{block_id}/review
coach GET /blocks/{block_id}/review.pdf
coach POST /messages/new
coach GET /lifters/{lifter_id}/data
coach GET /lifters/{lifter_id}/log.csv
coach GET /lifters/{lifter_id}/weeks.xlsx
coach POST /lifters/{lifter_id}/export
coach GET /data
coach POST /data/import
coach GET /data/import/{token}
coach POST /data/import/{token}
coach POST /data/batches/{batch_id}/undo
coach POST /data/removed/{lifter_id}/bring-back
coach POST /data/backups

owner POST /data/export
owner POST /data/whole
owner POST /lifters/{lifter_id}/remove
owner POST /lifters/{lifter_id}/handover
owner POST /lifters/{lifter_id}/handover/withdraw
owner POST /lifters/{lifter_id}/handover/consent

account GET /account
account GET /account/audit
account POST /account/password
account POST /account/sessions/end
account POST /account/invitations
account POST /account/invitations/end
account POST /account/assistants
account POST /account/assistants/{member_id}/end
account POST /account/rosters/{coach_id}/leave
account POST /account/tokens
account POST /account/tokens/{token_id}/revoke
account POST /account/calendar
account POST /account/handovers/{handover_id}/accept
account POST /account/handovers/{handover_id}/decline
account POST /roster-of

lifter GET /sync
lifter POST /sync
lifter GET /today
lifter POST /changes/seen
lifter GET /session/{planned_id}
lifter GET /log/{session_id}
lifter POST /entry
lifter GET /set/{key}
lifter GET /check-in
lifter GET /pain
lifter GET /messages
lifter GET /history
lifter GET /history/{exercise_id}
lifter GET /more
lifter GET /sheet.pdf
lifter GET /calendar
lifter POST /calendar
lifter POST /calendar/end
lifter GET /another-coach
lifter POST /another-coach

reads GET /api/v1/lifters
reads GET /api/v1/lifters/{lifter_id}
reads GET /api/v1/exercises
reads GET /api/v1/lifters/{lifter_id}/sets
reads GET /api/v1/lifters/{lifter_id}/sets/{set_id}
reads GET /api/v1/lifters/{lifter_id}/set-changes
reads GET /api/v1/lifters/{lifter_id}/sessions
reads GET /api/v1/lifters/{lifter_id}/blocks
reads GET /api/v1/blocks/{block_id}
reads GET /api/v1/blocks/{block_id}/plan
reads GET /api/v1/blocks/{block_id}/preview
reads GET /api/v1/blocks/{block_id}/versions
reads GET /api/v1/blocks/{block_id}/versions/{version}
reads POST /api/v1/lifters/{lifter_id}/blocks/preview
reads GET /api/v1/templates
reads GET /api/v1/templates/{template_id}
writes POST /api/v1/lifters/{lifter_id}/blocks
writes PUT /api/v1/blocks/{block_id}/plan
writes POST /api/v1/blocks/{block_id}/assign
writes POST /api/v1/blocks/{block_id}/move
writes POST /api/v1/blocks/{block_id}/stretch
writes DELETE /api/v1/blocks/{block_id}
reads GET /api/v1/lifters/{lifter_id}/analysis
reads GET /api/v1/flags
reads GET /api/v1/lifters/{lifter_id}/flags
reads GET /api/v1/lifters/{lifter_id}/flags/{flag_id}
reads POST /api/v1/lifters/{lifter_id}/flags/{flag_id}/proposals
reads GET /api/v1/decisions/{decision_id}
reads GET /api/v1/decisions/{decision_id}/take-back
reads GET /api/v1/lifters/{lifter_id}/odd-sets
reads GET /api/v1/messages
reads GET /api/v1/lifters/{lifter_id}/messages
reads GET /api/v1/lifters/{lifter_id}/check-ins
reads GET /api/v1/lifters/{lifter_id}/pain
reads GET /api/v1/decisions
reads GET /api/v1/lifters/{lifter_id}/decisions
writes POST /api/v1/lifters
writes PATCH /api/v1/lifters/{lifter_id}
writes POST /api/v1/lifters/{lifter_id}/sets
writes PATCH /api/v1/lifters/{lifter_id}/sets/{set_id}
writes DELETE /api/v1/lifters/{lifter_id}/sets/{set_id}
writes POST /api/v1/lifters/{lifter_id}/set-changes/{change_id}/put-back
writes PATCH /api/v1/lifters/{lifter_id}/sessions/{session_id}
writes POST /api/v1/decisions/{decision_id}/take-back
writes POST /api/v1/lifters/{lifter_id}/odd-sets
writes POST /api/v1/lifters/{lifter_id}/messages
writes POST /api/v1/lifters/{lifter_id}/messages/read
writes POST /api/v1/lifters/{lifter_id}/pain/{report_id}/resolve
writes POST /api/v1/lifters/{lifter_id}/flags/{flag_id}/answer
writes POST /api/v1/lifters/{lifter_id}/flags/{flag_id}/decisions
"""
Route = tuple[str, str]  # method, path
WHO: dict[Route, str] = {}
for _line in filter(None, map(str.strip, POLICY.splitlines())):
    _who, _method, _path = _line.split()
    assert (_method, _path) not in WHO, f"{_method} {_path} stands in the policy twice"
    WHO[_method, _path] = _who
DROPPED_TWICE = {"/roster/views/{view_id}/remove"}  # taking out what is not there is done already
SHARED = {"/history/{exercise_id}"}  # an exercise is the roster's, not one lifter's


def routes_of_app() -> set[Route]:
    return {
        (method, route.path)  # type: ignore[attr-defined]
        for router in routers()
        for route in router.routes
        for method in route.methods - {"HEAD"}  # type: ignore[attr-defined]
    }


def those(*who: str) -> list[Route]:
    return sorted(route for route, one in WHO.items() if one in who and route in routes_of_app())


@dataclass
class Tenants:
    """A coach with everything there can be, and the others who must not see it."""

    store: Store
    coach: Coach
    lifter: Lifter
    second: Lifter  # of the same coach
    stranger: Coach
    strangers_lifter: Lifter
    assistant: Coach  # may read
    ended: Coach  # was an assistant once
    numbers: dict[str, Any]
    tokens: dict[str, str]

    def path(self, path: str) -> str:
        for name, value in self.numbers.items():
            path = path.replace("{" + name + "}", str(value))
        assert "{" not in path, f"say in `numbers` what {path} stands for"
        return path

    def body(self) -> dict[str, str]:
        """Answers that would do something, and name what is the coach's wherever a number can stand."""
        return {
            "lifter": str(self.lifter.id),
            "lifters": str(self.lifter.id),
            "lifter_id": str(self.lifter.id),
            "coach": str(self.coach.id),
            "block": str(self.numbers["block_id"]),
            "template": f"own-{self.numbers['template_id']}",
            "source": f"own-{self.numbers['template_id']}",
            "start": "2026-06-01",
            "session": f"p{self.numbers['planned_id']}",
            "set": self.numbers["key"],
            "id": "write-of-a-stranger-1",
            "kind": "remove",
            "version": "1",
            "until": "99999",
            "days": "7",
            "reason": "no reason",
            "note": "a note",
            "name": "A name",
            "login": "stranger@example.org",
            "role": "write",
            "answer": "yes",
            "action": "hold_course",
            "form": "json",
            "password": PASSWORD,
            "how": "by letter",
            "token_name": "x",
            "scope": "write",
        }

    def envelope(self) -> dict[str, Any]:
        """What the lifter's phone would send to take a set out."""
        at = int(NOW.timestamp() * 1000)
        write = {"id": "write-of-a-stranger-2", "order": 1, "kind": "remove", "set": self.numbers["key"]}
        write |= {"version": 1, "at": at, "offset": 0, "zone": "UTC"}
        return {"lifter": self.lifter.id, "sent_at": at, "writes": [write]}

    def state(self) -> Any:
        """Everything of the coach that a stranger might have changed."""
        found = exports.everything(self.store, self.coach, by="test", now=NOW).tables
        with self.store.reading() as db:
            rows: list[Any] = []
            for table, mine in (
                (ApiToken, ApiToken.coach_id == self.coach.id),
                (CoachMember, CoachMember.coach_id == self.coach.id),
                (Handover, Handover.from_coach_id == self.coach.id),
                (LifterLink, LifterLink.lifter_id.in_([self.lifter.id, self.second.id])),
                (Lifter, Lifter.coach_id == self.coach.id),
            ):
                for one in db.execute(select(table.__table__).where(mine)):
                    rows.append(
                        {k: v for k, v in one._mapping.items() if k not in ("last_used_at", "stale_at")}
                    )
        return found, rows


PASSWORD = "salt harbour iron tide"
_HASH = signing.hash_password(PASSWORD)


@pytest.fixture
def tenants(store: Store, tmp_path: Any) -> Tenants:
    coach = make_coach(store, name=f"Ines {ROSTER}", club=f"Club {ROSTER}", password_hash=_HASH)
    stranger = make_coach(store, name="Stranger", login="stranger@example.org", club="", password_hash=_HASH)
    assistant = make_coach(store, name="Helper", login="helper@example.org", club="", password_hash=_HASH)
    ended = make_coach(store, name="Former", login="former@example.org", club="", password_hash=_HASH)
    lifter = make_lifter(store, coach=coach, name=f"Vilde {PERSON}", goal=PERSON, note=PERSON)
    second = make_lifter(store, coach=coach, name="Otto Second")
    gone = make_lifter(store, coach=coach, name=f"Gone {PERSON}")
    squat = make_exercise(store, coach=coach, name=f"Squat {ROSTER}")
    world = World(store, coach, lifter, squat)
    train(world, weeks=8, until=TODAY - 20)
    session = log_sets(store, lifter, squat, TODAY - 19, [(100, 5, 8)], note=PERSON)
    report = report_pain(world, TODAY - 1, 6, note=PERSON)
    plan = replace(library.templates()[0].plan, name=f"Block {PERSON}")
    block = blocks.assign(store, coach, lifter.id, plan, start_day=TODAY - 6, now=NOW)
    worker.run_pending(store, NOW)
    accounts.set_assistant(store, coach, "helper@example.org", "read", now=NOW)
    accounts.set_assistant(store, coach, "former@example.org", "write", now=NOW)
    accounts.drop_assistant(store, coach, ended.id, now=NOW)
    accounts.offer(store, coach, lifter.id, "helper@example.org", now=NOW)
    housekeeping.remove(store, coach, gone.id, by="test", now=NOW)
    tokens = {scope: accounts.issue_token(store, coach, scope, scope, now=NOW) for scope in ("read", "write")}
    tokens["stranger"] = accounts.issue_token(store, stranger, "own", "write", now=NOW)
    upload = uploads.keep(Settings(data_dir=tmp_path), coach, f"lifter,{PERSON}\n".encode())
    decided = Decision(
        lifter_id=lifter.id, coach_id=coach.id, flag_id=None, exercise_id=squat.id, action="hold_course",
        detail=dict.fromkeys(("by", "sentence", "next_before", "next_after"), PERSON) | {"changes": []},
        evidence={}, note=PERSON, day=TODAY - 20, made_at=NOW, look_again_day=TODAY + 9,
        outcome=None, looked_at=None, undone_at=None,
    )  # fmt: skip
    with store.transaction() as db:
        made: list[Any] = [
            decided,
            SavedView(coach_id=coach.id, name=ROSTER, query="show=act"),
            BlockTemplate(
                coach_id=coach.id, name=ROSTER, kind="volume", weeks=4, plan=block.plan, updated_at=NOW,
                archived_at=None,
            ),
            ImportBatch(
                coach_id=coach.id, at=NOW, file_name=ROSTER, sha256=b"0" * 32, undone_at=None,
                counts={"new": 1, "changed": 0, "same": 0, "refused": 0, "lifters": [lifter.id],
                        "made_lifters": [], "made_exercises": []},
            ),
            PlanChange(
                block_id=block.id, lifter_id=lifter.id, at=NOW, rule="missed", why=PERSON, before=[],
                after=[], undone_at=None, seen_by_lifter_at=None,
            ),
            Message(
                lifter_id=lifter.id, author="coach", body=PERSON, about={}, created_at=NOW, sent_at=NOW,
                read_at=None, client_id=None,
            ),
        ]  # fmt: skip
        db.add_all(made)
        db.flush()
        flag = db.scalars(select(Flag).where(Flag.lifter_id == lifter.id)).first()
        planned = db.scalars(select(PlannedSession).where(PlannedSession.lifter_id == lifter.id)).first()
        handover = db.scalars(select(Handover)).first()
        token = db.scalars(select(ApiToken).where(ApiToken.coach_id == coach.id)).first()
        assert flag is not None
        assert planned is not None
        assert handover is not None
        assert token is not None
        assert db.scalars(select(Block)).first() is not None
    numbers = {
        "lifter_id": lifter.id,
        "block_id": block.id,
        "version": block.version,
        "template_id": made[2].id,
        "flag_id": flag.id,
        "view_id": made[1].id,
        "batch_id": made[3].id,
        "change_id": made[4].id,
        "decision_id": decided.id,
        "report_id": report,
        "planned_id": planned.id,
        "session_id": session,
        "exercise_id": squat.id,
        "key": f"{TODAY - 19}-0",
        "set_id": f"{TODAY - 19}-0",
        "member_id": assistant.id,
        "coach_id": coach.id,
        "token_id": token.id,
        "handover_id": handover.id,
        "token": upload,
        "code": "guess-of-a-code",
        "name": "htmx.min.js",
    }
    strangers_lifter = make_lifter(store, coach=stranger, name="Bo Elsewhere")
    return Tenants(
        store, coach, lifter, second, stranger, strangers_lifter, assistant, ended, numbers, tokens
    )


@pytest.fixture
def browser(store: Store) -> Iterator[Client]:
    with open_client(store, [NOW]) as opened:
        yield opened


class Actor:
    """Somebody at a browser of their own; each request comes with a session that is fresh and good."""

    def __init__(self, tenants: Tenants, browser: Client) -> None:
        self.tenants, self.browser, self.store = tenants, browser, tenants.store

    def enter(self) -> tuple[dict[str, str], str]:
        """The cookies this one comes with, and the secret that form tokens belong to."""
        return {VISIT_COOKIE: "a-visit-of-a-test"}, "a-visit-of-a-test"

    def send(
        self, route: Route, *, path: str | None = None, headers: dict[str, str] | None = None, **options: Any
    ) -> httpx.Response:
        cookies, secret = self.enter()
        self.browser.cookies.clear()
        for name, value in cookies.items():
            self.browser.cookies.set(name, value)
        self.browser.secret = ""
        method, template = route
        given = {"X-CSRF": csrf_token(secret)} | (headers or {})
        where = path or self.tenants.path(template)
        if method != "GET" and not options:
            if template.startswith("/api/"):
                options = {"json": {"state": "open"}}
            elif template == "/sync":
                options = {"json": self.tenants.envelope()}
            else:
                options = {"data": self.tenants.body()}
        return self.browser.request(method, where, headers=given, **options)


class SignedIn(Actor):
    def __init__(self, tenants: Tenants, browser: Client, coach: Coach, roster: Coach | None = None) -> None:
        super().__init__(tenants, browser)
        self.coach, self.roster = coach, roster

    def enter(self) -> tuple[dict[str, str], str]:
        with self.store.transaction() as db:
            secret = access.open_coach_session(db, self.coach, device="test", at=NOW)
        cookies = {COACH_COOKIE: secret}
        if self.roster is not None:
            cookies["terrace_roster"] = str(self.roster.id)
        return cookies, secret


class SignedOut(SignedIn):
    def enter(self) -> tuple[dict[str, str], str]:
        cookies, secret = super().enter()
        signing.sign_out(self.store, secret)
        return cookies, secret


class Phone(Actor):
    def __init__(self, tenants: Tenants, browser: Client, lifter: Lifter, *, revoked: bool = False) -> None:
        super().__init__(tenants, browser)
        self.lifter, self.revoked = lifter, revoked
        with self.store.transaction() as db:
            self.token = access.issue_link(db, lifter, at=NOW, valid=timedelta(days=30))

    def enter(self) -> tuple[dict[str, str], str]:
        with self.store.transaction() as db:
            found = access.live_link(db, self.token, NOW)
            if found is not None:
                self.secret = access.open_lifter_session(db, found[0], device="test", at=NOW)
        if self.revoked:
            with self.store.transaction() as db:
                access.revoke_links(db, self.lifter, at=NOW)
        return {LIFTER_COOKIE: self.secret}, self.secret


# ----------------------------------------------------------------------------------------------------


def test_every_route_says_who_may_use_it_and_no_line_is_left_over() -> None:
    there = routes_of_app()
    missing = sorted(f"{method} {path}" for method, path in there - WHO.keys())
    assert not missing, f"say in POLICY who may: {', '.join(missing)}"
    gone = sorted(f"{method} {path}" for method, path in WHO.keys() - there)
    assert not gone, f"these are no routes any more: {', '.join(gone)}"


def clean(answer: httpx.Response, words: tuple[str, ...] = (PERSON, ROSTER)) -> None:
    body = answer.content.decode("utf-8", "replace")
    for word in words:
        assert word not in body, f"{answer.request.method} {answer.request.url} shows {word}"
        assert word not in str(answer.headers)
    assert answer.status_code < 500, f"{answer.request.method} {answer.request.url}: {answer.text[:300]}"


def test_nobody_gets_in(tenants: Tenants, browser: Client) -> None:
    before, tried = tenants.state(), Counter[int]()
    shut_out = [
        Actor(tenants, browser),
        SignedOut(tenants, browser, tenants.coach),
        Phone(tenants, browser, tenants.lifter, revoked=True),
    ]
    for actor in shut_out:
        for route in those("coach", "owner", "account", "lifter", "reads", "writes"):
            answer = actor.send(route)
            tried[answer.status_code] += 1
            clean(answer)
            wanted = 303 if route[0] == "GET" and WHO[route] in ("coach", "account") else 401
            assert answer.status_code == wanted, f"{route}: {answer.status_code}"
            if wanted == 303:
                assert answer.headers["location"] == "/sign-in"
        for route in those("anyone"):
            clean(actor.send(route))
    assert tenants.state()[0] == before[0]
    assert tried.total() > 300


def test_another_coach_sees_and_changes_nothing(tenants: Tenants, browser: Client) -> None:
    before, tried = tenants.state(), 0
    for coach, roster in (
        (tenants.stranger, None),
        (tenants.stranger, tenants.coach),
        (tenants.ended, tenants.coach),
    ):
        actor = SignedIn(tenants, browser, coach, roster)
        for route in those("coach", "owner", "account"):
            answer = actor.send(route)
            tried += 1
            clean(answer)
            if "{" in route[1]:
                # 400: a body that is no JSON is told so before anything is looked up.
                quiet = (303,) if route[1] in DROPPED_TWICE else (400, 404)
                assert answer.status_code in quiet, f"{route}: {answer.status_code}"
                missing = actor.send(route, path=_absent(route[1]))
                clean(missing)
                told = missing.status_code, len(missing.text)
                assert told == (answer.status_code, len(answer.text)), f"{route} tells what is there"
        for route in those("lifter", "reads", "writes"):
            answer = actor.send(route)
            clean(answer)
            assert answer.status_code == 401, f"{route}: {answer.status_code}"
    assert tenants.state() == before
    assert tried > 200


def _absent(path: str) -> str:
    """The address of something that is not there."""
    for name in ("{lifter_id}", "{block_id}", "{flag_id}", "{view_id}", "{batch_id}", "{change_id}"):
        path = path.replace(name, "987654321")
    for name in ("{report_id}", "{member_id}", "{coach_id}", "{token_id}", "{handover_id}", "{decision_id}"):
        path = path.replace(name, "987654321")
    return path.replace("{token}", "0" * 32)


@pytest.mark.parametrize("whose", ["of the same coach", "of another coach"])
def test_another_lifter_sees_and_changes_nothing(tenants: Tenants, browser: Client, whose: str) -> None:
    same = whose == "of the same coach"
    phone = Phone(tenants, browser, tenants.second if same else tenants.strangers_lifter)
    before = tenants.state()
    words = (PERSON,) if same else (PERSON, ROSTER)
    for route in those("lifter"):
        answer = phone.send(route)
        clean(answer, words)
        if "{" in route[1] and not (same and route[1] in SHARED):
            assert answer.status_code == 404, f"{route}: {answer.status_code}"
    for route in those("coach", "owner", "account", "reads", "writes"):
        answer = phone.send(route)
        clean(answer)
        assert answer.status_code in (303, 401), f"{route}: {answer.status_code}"
    assert tenants.state()[0] == before[0]


def test_an_assistant_who_may_read_changes_nothing(tenants: Tenants, browser: Client) -> None:
    before, read = tenants.state(), 0
    actor = SignedIn(tenants, browser, tenants.assistant, tenants.coach)
    for route in those("coach", "owner"):
        answer = actor.send(route)
        assert answer.status_code < 500, f"{route}: {answer.text[:300]}"
        if route[0] == "GET":
            read += answer.status_code == 200
            assert answer.status_code != 403, route
        else:
            assert answer.status_code == 403, f"{route}: {answer.status_code}"
    assert read > 8
    for route in those("account"):
        # Their own account: what they do there is theirs, and never the coach's.
        if "/leave" not in route[1] and "/decline" not in route[1]:
            clean(actor.send(route), (PERSON,))
    assert tenants.state() == before


def test_a_token_opens_its_own_roster_and_no_more_than_it_may(tenants: Tenants, browser: Client) -> None:
    before = tenants.state()
    nobody = Actor(tenants, browser)
    for route in those("reads", "writes"):
        stranger = nobody.send(route, headers={"Authorization": f"Bearer {tenants.tokens['stranger']}"})
        clean(stranger)
        if "{" in route[1]:
            assert stranger.status_code in (404, 422), f"{route}: {stranger.status_code}"
        if WHO[route] == "writes":
            reads = nobody.send(route, headers={"Authorization": f"Bearer {tenants.tokens['read']}"})
            assert reads.status_code in (403, 422), f"{route}: {reads.status_code}"
    for route in those("coach", "owner", "account", "lifter"):
        # A token is for programs; it opens no page.
        answer = nobody.send(route, headers={"Authorization": f"Bearer {tenants.tokens['write']}"})
        clean(answer)
        assert answer.status_code in (303, 401), f"{route}: {answer.status_code}"
    assert tenants.state() == before


FORGED: dict[str, dict[str, str]] = {
    "no token": {"X-CSRF": ""},
    "another session's token": {"X-CSRF": csrf_token("another session")},
    "another site": {"Sec-Fetch-Site": "cross-site"},
    "a sister site": {"Sec-Fetch-Site": "same-site"},
    "a foreign origin": {"Origin": "https://elsewhere.example"},
    "plain text": {"X-CSRF": "", "Content-Type": "text/plain"},
    "a token for programs": {"X-CSRF": "", "Authorization": "Bearer whatever"},
}


@pytest.mark.parametrize("how", FORGED)
def test_no_change_is_taken_that_another_site_could_cause(
    tenants: Tenants, browser: Client, how: str
) -> None:
    before, tried = tenants.state(), 0
    coach = SignedIn(tenants, browser, tenants.coach)
    phone = Phone(tenants, browser, tenants.lifter)
    before = tenants.state()  # with the phone's link
    for route in those("anyone", "coach", "owner", "account", "lifter"):
        if route[0] == "GET":
            continue
        actor = phone if WHO[route] == "lifter" or route[1] == "/leave" else coach
        answer = actor.send(route, headers=FORGED[how])
        tried += 1
        assert answer.status_code == 403, f"{route}: {answer.status_code}"
    assert tenants.state() == before
    assert tried > 50


def test_looking_changes_nothing(tenants: Tenants, browser: Client) -> None:
    """GET with the answers of a form does nothing: any site can make a browser load an address."""
    coach = SignedIn(tenants, browser, tenants.coach)
    phone = Phone(tenants, browser, tenants.lifter)
    before = tenants.state()
    for method, path in those("coach", "owner", "account", "lifter"):
        actor = phone if WHO[method, path] == "lifter" else coach
        answer = actor.send(("GET", path), params=tenants.body())
        assert answer.status_code < 500, f"GET {path}: {answer.text[:300]}"
        if method != "GET" and ("GET", path) not in WHO:
            assert answer.status_code in (404, 405), f"GET {path}: {answer.status_code}"
    assert tenants.state() == before
