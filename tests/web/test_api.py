"""The interface for programs: what a token opens, sets taken once, and a fuzzer that finds no breach."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import GenerationMode
from schemathesis.checks import positive_data_acceptance
from sqlalchemy import select

from app.planning import (
    accounts,
    blocks,
    data_quality,
    decisions,
    drafts,
    exports,
    library,
    lifters,
    programs,
    taking_back,
    worker,
)
from app.storage import logs
from app.storage.engine import Store
from app.storage.models import Block, Coach, Flag
from app.web.api.document import document
from tests import rosters
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter
from tests.planning.world import World, add_block, make_world, plan_session, report_pain, train
from tests.web.conftest import Client, open_client
from tests.web.programs import API, Program

KEY = "first-key-of-a-test"
SET = {"date": "2026-03-08", "exercise": "Squat", "load": 102.5, "unit": "kg", "reps": 5, "rpe": 8}
SETS = {"sets": [SET]}


def test_without_a_good_token_nothing_opens(client: Client, reading: Program) -> None:
    feed = accounts.issue_token(client.store, client.coach, "calendar", "feed", now=NOW)
    for token in ("", "guess", feed):
        answer = Program(client, token).get("/lifters")
        assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer")
        assert answer.headers["content-type"] == "application/problem+json"
    # A coach's own cookie is not a token: it would open the interface to other sites.
    assert client.get(f"{API}/lifters").status_code == 401
    assert client.post(f"{API}/lifters", json={"name": "X", "time_zone": "UTC"}).status_code == 401
    assert reading.get("/lifters").status_code == 200
    accounts.revoke_token(client.store, client.coach, 1, now=NOW)
    assert reading.get("/lifters").status_code == 401


def test_a_reading_token_writes_nothing(reading: Program) -> None:
    answer = reading.send("POST", "/lifters", {"name": "Vilde Aas", "time_zone": "Europe/Oslo"})
    assert (answer.status_code, answer.json()["detail"]) == (403, "This token may read but not write.")


def test_a_lifter_is_added_changed_and_read(writing: Program) -> None:
    new = {"name": "Vilde Aas", "time_zone": "Europe/Oslo", "body_mass_kg": 61.5, "goal_day": "2026-06-20"}
    made = writing.send("POST", "/lifters", new)
    assert made.status_code == 201
    assert writing.send("POST", "/lifters", new).status_code == 409
    path = f"/lifters/{made.json()['id']}"
    changed = writing.send("PATCH", path, {"status": "paused", "note": "left knee"})
    assert changed.json() == made.json() | {"status": "paused", "note": "left knee"}
    assert writing.get(path).json() == changed.json()
    assert writing.get("/lifters").json() == {"items": [changed.json()], "next": None}


@pytest.mark.parametrize(
    "body",
    [
        {"name": "X"},
        {"name": " ", "time_zone": "UTC"},
        {"name": "X", "time_zone": "Moon"},
        {"name": "X", "time_zone": "UTC", "coach_id": 2},
        {"name": "X", "time_zone": "UTC", "body_mass_kg": "80"},
        {"name": "X", "time_zone": "UTC", "body_mass_kg": 1e9},
        {"name": "X\x00", "time_zone": "UTC"},
        {"name": "X", "time_zone": "UTC", "goal_day": 20260309},
        {"name": "X", "time_zone": "UTC", "goal_day": "2026-13-09"},
        {"name": "\ud800", "time_zone": "UTC"},
        ["X"],
        None,
    ],
)
def test_a_body_that_cannot_be_taken_is_a_problem_that_names_it(writing: Program, body: Any) -> None:
    answer = writing.send("POST", "/lifters", body)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["title"] in ("Not understood", "Not done")


def test_sets_are_taken_once_and_read_back_as_sent(client: Client, writing: Program) -> None:
    lifter = make_lifter(client.store, coach=client.coach)
    path = f"/lifters/{lifter.id}/sets"
    first = writing.send("POST", path, SETS, KEY)
    assert first.status_code == 201
    assert writing.send("POST", path, SETS, KEY).json() == first.json()
    other = {"sets": [SET | {"reps": 6}]}
    assert writing.send("POST", path, other, KEY).status_code == 422
    assert writing.send("POST", path, SETS).status_code == 422
    pounds = {"sets": [{"date": "2026-03-08", "exercise": "squat", "load": 225, "unit": "lb", "reps": 0}]}
    assert writing.send("POST", path, pounds, KEY + "2").status_code == 201
    found = writing.get(path).json()["items"]
    assert [(one["load"], one["unit"], one["load_kg"], one["failed"]) for one in found] == [
        ("102.5", "kg", 102.5, False),
        ("225", "lb", 102.058, True),  # 225 x 0.45359237
    ]
    assert found[0]["exercise"] == found[1]["exercise"] == "Squat"
    assert [one["set_number"] for one in found] == [1, 2]
    assert found[0]["session_id"] == found[1]["session_id"]
    assert writing.get(f"{path}?from=2026-03-09").json()["items"] == []


def test_one_bad_set_keeps_all_out(client: Client, writing: Program) -> None:
    path = f"/lifters/{make_lifter(client.store, coach=client.coach).id}/sets"
    for bad in ({"date": "2026-03-12"}, {"reps": 5.5}, {"rpe": 11}, {"unit": "stone"}, {"load": -1}):
        answer = writing.send("POST", path, {"sets": [SET, SET | bad]}, KEY)
        assert answer.status_code == 422, bad
    assert writing.get(path).json()["items"] == []


def test_pages_follow_each_other_without_gap_or_double(client: Client, reading: Program) -> None:
    lifter, squat = (
        make_lifter(client.store, coach=client.coach),
        make_exercise(client.store, coach=client.coach),
    )
    for back in range(5):
        log_sets(client.store, lifter, squat, TODAY - back, [(100 + back, 5, 8), (100, 4, 9)])
    whole = reading.get(f"/lifters/{lifter.id}/sets").json()["items"]
    pieces, after = [], None
    while True:
        page = reading.get(
            f"/lifters/{lifter.id}/sets", params={"limit": 3} | ({"after": after} if after else {})
        )
        pieces += page.json()["items"]
        after = page.json()["next"]
        if after is None:
            break
    assert pieces == whole
    assert len(whole) == 10
    assert reading.get("/lifters?limit=201").status_code == 422
    unknown = reading.get("/lifters?page=2")
    assert (unknown.status_code, "page is not known here" in unknown.json()["detail"]) == (422, True)


def test_analysis_blocks_flags_and_decisions_are_read(client: Client, writing: Program) -> None:
    world = make_world(client.store, coach=client.coach)
    train(world, weeks=14, gain_kg=0.0, until=TODAY - 20)
    block = add_block(world, TODAY - 25)
    plan_session(world, block, TODAY + 1)
    worker.run_pending(client.store, NOW)
    path = f"/lifters/{world.lifter.id}"
    analysis = writing.get(f"{path}/analysis").json()
    assert (analysis["as_of"], analysis["exercises"][0]["exercise"]) == ("2026-03-09", "Squat")
    assert 100 < analysis["exercises"][0]["trend"]["e1rm_kg"] < 140
    assert writing.get(f"{path}/blocks").json()["items"][0]["id"] == block
    assert writing.get(f"/blocks/{block}").json()["sessions"][0]["date"] == "2026-03-10"
    flags = writing.get("/flags").json()["items"]
    assert flags
    assert flags == writing.get(f"{path}/flags").json()["items"]
    about = f"{path}/flags/{flags[0]['id']}"
    decided = writing.send("POST", f"{about}/decisions", {"action": "hold_course", "note": "travelling"})
    assert decided.status_code == 201, decided.text
    assert writing.get("/decisions").json()["items"][0]["note"] == "travelling"
    assert writing.get(f"{path}/decisions").json() == writing.get("/decisions").json()
    late = writing.send("POST", f"{about}/answer", {"state": "snoozed", "until": "2026-03-09"})
    assert late.status_code == 422
    assert (
        writing.send("POST", f"{about}/answer", {"state": "dismissed", "reason": "known"}).status_code == 204
    )
    assert writing.get("/flags").json()["items"][0]["state"] == "dismissed"
    cannot = writing.send("POST", f"{about}/decisions", {"action": "write"})
    assert (cannot.status_code, "Write a message" in cannot.json()["detail"]) == (409, True)


def test_the_interface_is_documented_for_people_and_programs(nobody: Client) -> None:
    make_coach(nobody.store)
    assert nobody.get(f"{API}/openapi.json").json() == document()
    page = nobody.get(f"{API}/")
    assert "POST /api/v1/lifters/{lifter_id}/sets" in page.text
    assert "Idempotency-Key" in page.text


def test_the_contents_of_the_page_lead_to_every_call_and_shape(nobody: Client) -> None:
    page = nobody.get("/api/v1/").text
    head, _, rest = page.partition("</nav>")
    contents = head[head.index('id="contents"') :]
    calls = [(kind.upper(), path) for path, one in document()["paths"].items() for kind in one]
    leads = re.findall(r'href="#([^"]+)"', contents)
    assert len(leads) == len(set(leads))
    assert all(rest.count(f'id="{one}"') == 1 for one in leads)
    # In the page's own order, each call is reached under its method, and the way back is beside each title.
    assert re.findall(r'<dt id="([^"]+)"', rest) == [one for one in leads if one in _calls(rest)]
    assert sorted(_calls(rest).values()) == sorted(calls)
    assert [one for one in leads if one in document()["components"]["schemas"]] == sorted(
        document()["components"]["schemas"]
    )
    assert rest.count("<h2>") == rest.count('href="#contents"') == contents.count("<details>") + 2
    assert "<details open" not in contents


def _calls(rest: str) -> dict[str, tuple[str, str]]:
    """Method and path of each call by the name that leads to it."""
    found = re.findall(r'<dt id="([^"]+)"><code>(\w+) ([^<]+)</code>', rest)
    return {anchor: (method, path) for anchor, method, path in found}


# Fuzzing --------------------------------------------------------------------------------------------

EXAMPLES = 8
There = dict[str, Any]
Fuzzed = tuple[Client, dict[str, str], There]
# A well-formed body may still be refused in words: a day to come, a zone that is none, a key used before.
NOT_PROMISED = [positive_data_acceptance]


@contextmanager
def roster_to_fuzz(store: Store) -> Iterator[Fuzzed]:
    """A roster with something in every table, a token of each scope, and another coach's lifter."""
    coach = make_coach(store)
    exports.load(store, coach, rosters.tables(3), by="test", now=NOW)
    tokens = {scope: accounts.issue_token(store, coach, scope, scope, now=NOW) for scope in ("read", "write")}
    other = make_coach(store, login="other@example.org")
    make_lifter(store, coach=other, name="CANARY of another coach")
    with store.reading() as db:
        flag = db.scalars(select(Flag)).first()
    assert flag is not None
    there: There = {"lifter_id": flag.lifter_id, "flag_id": flag.id}
    there |= _a_log(store, coach, flag.lifter_id) | _a_desk(store, coach, flag.lifter_id)
    kept = drafts.keep_template(store, coach, library.templates()[0].plan, now=NOW)
    there |= {"block_id": _blocks(store, coach, flag.lifter_id), "version": 1, "template_id": kept.id}
    with open_client(store, [NOW]) as client:
        yield client, tokens, there


def _a_log(store: Store, coach: Coach, lifter_id: int) -> There:
    """Sets to put right and to take out, a change that took one out, and a session to rate."""
    squat = make_exercise(store, coach=coach, name="Squat to fuzz")
    lifter = lifters.find(store, coach, lifter_id)
    session = log_sets(store, lifter, squat, TODAY - 2, [(100, 5, 8)] * 40)
    change = programs.take_out_set(
        store, coach, lifter_id, TODAY - 2, 39, "take-one-out-before", version=1, by="test", now=NOW
    )
    ids = (f"{TODAY - 2}-{position}" for position in itertools.cycle(range(39)))
    return {"set_id": ids, "change_id": change, "session_id": session, "store": store}


def _a_desk(store: Store, coach: Coach, lifter_id: int) -> There:
    """A decision to take back, a pain to resolve, and a set that cannot be what it says."""
    bench = make_exercise(store, coach=coach, name="Bench press to fuzz")
    world = World(store, coach, lifters.find(store, coach, lifter_id), bench)
    report = report_pain(world, TODAY - 1, 4)
    for back in range(30, 2, -3):
        log_sets(store, world.lifter, bench, TODAY - back, [(80, 5, 8)] * 3)
    log_sets(store, world.lifter, bench, TODAY - 1, [(800, 5, 8)])
    worker.run_pending(store, NOW)
    odd = [one.logged for one in data_quality.odd_sets(store, coach, lifter_id)]
    place = next(f"{one.day}-{one.position}" for one in odd if one.exercise_id == bench.id)
    made = _decisions(store, coach, lifter_id)
    return {"report_id": report, "odd_set": place, "decision_id": made, "coach": coach}


def _decisions(store: Store, coach: Coach, lifter_id: int) -> Iterator[int]:
    """A decision for each request, so that there is one to take back."""
    with store.reading() as db:
        flag = db.scalars(select(Flag.id).where(Flag.lifter_id == lifter_id)).first()
    assert flag is not None
    while True:
        yield decisions.decide(store, coach, lifter_id, flag, decisions.Choice("hold_course"), now=NOW).id


def _blocks(store: Store, coach: Coach, lifter_id: int) -> Iterator[int]:
    """A block for each request: in turn the one there, a draft, and one given out that has not begun."""
    plan = library.templates()[0].plan
    with store.reading() as db:
        first = db.scalars(select(Block.id).where(Block.lifter_id == lifter_id)).first()
    for number in itertools.count():
        if number % 3 == 0 and first is not None:
            yield first
            continue
        start = TODAY + 90 + 7 * (number % 120)
        made = drafts.start(store, coach, lifter_id, plan, start_day=start, now=NOW).id
        if number % 3 == 2:
            with suppress(blocks.BlockOverlaps):
                made = drafts.assign(store, coach, made, version=1, now=NOW).id
        yield made


def _mend(plan: dict[str, Any]) -> None:
    """As many cells as weeks, ids that are given out, readable names, some cells that are understood."""
    plan["weeks"] = min(int(plan["weeks"]), 6)
    plan["name"], plan["living"] = "A plan to fuzz", {}
    for session in plan["sessions"]:
        session["id"], session["name"] = None, "A session"
        for number, row in enumerate(session["rows"]):
            row["id"], row["exercise"] = None, f"Squat {number % 5} to fuzz"
            row["rules"] = []
            row["cells"] = (["3 x 5 @ 8", "", *row["cells"]] * 6)[: plan["weeks"]]


def _whole(one: Any) -> Any:
    """Numbers like 3.0 as 3: to JSON they are whole, to most programs they are not."""
    if isinstance(one, dict):
        return {name: _whole(value) for name, value in one.items()}
    if isinstance(one, list):
        return [_whole(value) for value in one]
    return int(one) if isinstance(one, float) and one.is_integer() else one


@pytest.fixture
def fuzzed(store: Store) -> Iterator[Fuzzed]:
    with roster_to_fuzz(store) as ready:
        yield ready


def name_what_is_there(case: Any, there: There) -> None:
    """Rows that exist, a day that has begun, a real zone: by chance alone few requests would get so far."""
    case.body = _whole(case.body)
    case.path_parameters = {name: _next_of(there[name]) for name in case.path_parameters or {}}
    version = _version_of(case.path_parameters, there)
    if version and isinstance(case.body, dict) and "version" in case.body:
        case.body["version"] = version
    if version and "version" in (case.query or {}):
        case.query["version"] = version
    if isinstance(case.body, dict) and "seen" in case.body:
        number = case.path_parameters["decision_id"]
        case.body["seen"] = taking_back.propose(there["store"], there["coach"], number, now=NOW).seen
    if isinstance(case.body, dict) and "how" in case.body:
        case.body["sets"] = [{"id": there["odd_set"], "version": 1}]
    elif isinstance(case.body, dict) and isinstance(case.body.get("sets"), list):
        for one in case.body["sets"]:
            one["date"] = "2026-03-01"
    if isinstance(case.body, dict) and "time_zone" in case.body:
        case.body["time_zone"] = "Europe/Oslo"
    if isinstance(case.body, dict) and isinstance(case.body.get("plan"), dict):
        _mend(case.body["plan"])
    if isinstance(case.body, dict) and case.body.get("start") is not None:
        case.body["start"] = "2026-06-01"
    if isinstance(case.body, dict) and "weeks" in case.body and "action" not in case.body:
        case.body["weeks"] = int(case.body["weeks"]) % 9 - 4


def _next_of(one: Any) -> Any:
    return one if isinstance(one, int | str) else next(one)


def _version_of(path: dict[str, Any], there: There) -> int | None:
    """The version of what a path names, as it is by now."""
    with there["store"].reading() as db:
        if "set_id" in path:
            day, _, position = path["set_id"].partition("-")
            found = logs.one_set(db, path["lifter_id"], int(day), int(position))
            return None if found is None else found.version
        if "session_id" in path:
            session = logs.session_of_lifter(db, path["lifter_id"], path["session_id"])
            return None if session is None else session.version
        if "block_id" in path:
            block = db.get(Block, path["block_id"])
            return None if block is None else block.version
    return None


def fuzz(
    operation: Any,
    mode: GenerationMode,
    headers: dict[str, str],
    there: There,
    sent: Counter[int],
    *,
    examples: int = EXAMPLES,
) -> None:
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=True,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(operation.as_strategy(generation_mode=mode))
    def call(case: Any) -> None:
        if mode is GenerationMode.POSITIVE:
            name_what_is_there(case, there)
        response = case.call_and_validate(headers=headers, excluded_checks=NOT_PROMISED)
        assert b"CANARY" not in response.content
        sent[response.status_code] += 1

    call()


@pytest.mark.parametrize("scope", ["read", "write"])
@pytest.mark.timeout(300)
def test_a_fuzzer_finds_no_fault_and_no_breach(fuzzed: Fuzzed, scope: str) -> None:
    """Every operation, well and badly formed: no 5xx, only documented answers, of the documented shape."""
    client, tokens, there = fuzzed
    schema = schemathesis.openapi.from_asgi(f"{API}/openapi.json", client.app)
    headers = {"Authorization": f"Bearer {tokens[scope]}"}
    sent: Counter[int] = Counter()
    never_done = set()
    for result in schema.get_all_operations():
        operation: Any = result.ok()
        before = sent[200] + sent[201] + sent[204]
        for mode in GenerationMode:
            fuzz(operation, mode, headers, there, sent)
        if sent[200] + sent[201] + sent[204] == before:
            never_done.add(operation.label)
    assert sent.total() >= 50 * EXAMPLES, sent
    if scope == "write":
        # What was only ever refused has not been tried.
        assert not never_done
    else:
        assert sent[201] == sent[204] == 0, sent
        assert sent[403] > 10, sent
