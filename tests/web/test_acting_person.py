"""What an assistant does stands under the assistant's name, wherever a name is kept."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import httpx
import pytest
from sqlalchemy import select

from app.planning import accounts, blocks, drafts, housekeeping, worker
from app.planning.decisions import Choice
from app.planning.decisions import decide as decide_about
from app.storage.models import (
    AuditEvent,
    Block,
    BlockTemplate,
    BlockVersion,
    Decision,
    Flag,
    PlanChange,
    SetRevision,
)
from tests.factories import NOW, TODAY, log_sets, make_coach, make_lifter
from tests.planning.test_blocks import a_plan
from tests.planning.test_what_if import climbing
from tests.planning.world import World, make_world, report_pain, train
from tests.web.conftest import Client, sign_in
from tests.web.test_acting import raise_flag
from tests.web.test_data import GOOD
from tests.web.test_lifter_settings import NEW
from tests.web.test_policy import WHO

OWNER, ASSISTANT = "Ines Owner", "Bea Assistant"
RECORDED = frozenset(
    {
        "lifter added", "lifter changed", "link issued", "link revoked", "note written", "flag snoozed",
        "flag dismissed", "flag open", "decision", "decision taken back", "odd sets decided",
        "odd sets brought back", "message sent", "block assigned", "block changed", "import", "import undone",
        "export", "lifter brought back", "backup made", "pain resolved", "season changed", "draft begun",
        "draft changed", "draft thrown away",
    }
)  # fmt: skip
LEAVES_NO_NAME = frozenset(
    {
        "/roster/views", "/roster/views/{view_id}/remove", "/blocks/assign/look",
        "/blocks/{block_id}/template", "/decisions/{decision_id}/seen",
    }
)  # fmt: skip
"""Changes whose rows keep nobody's name: templates, views, what was looked at."""


class Walk:
    """The assistant at the owner's desk; every path that was tried is noted."""

    def __init__(self, client: Client, world: World) -> None:
        self.client, self.world, self.tried = client, world, set[str]()

    def send(
        self,
        route: str,
        data: Mapping[str, Any] | None = None,
        *,
        json: Mapping[str, Any] | None = None,
        **numbers: object,
    ) -> httpx.Response:
        path = route
        for name, value in ({"lifter_id": self.world.lifter.id} | numbers).items():
            path = path.replace("{" + name + "}", str(value))
        self.tried.add(route)
        answer = self.client.post(path, data=data or {}, json=json)
        assert answer.status_code in (200, 303), f"{path}: {answer.status_code} {answer.text[-1500:]}"
        return answer

    def one(self, what: Any, **known: Any) -> Any:
        with self.world.store.reading() as db:
            return db.scalars(select(what).filter_by(**known).order_by(what.id.desc())).first()


@pytest.fixture
def walk(client: Client) -> Walk:
    world = make_world(client.store, coach=make_coach(client.store, name=OWNER, login="owner@example.org"))
    assistant = make_coach(client.store, name=ASSISTANT, login="bea@example.org", club="")
    accounts.set_assistant(client.store, world.coach, "bea@example.org", "write", now=NOW)
    train(world)
    log_sets(client.store, world.lifter, world.squat, TODAY, [(245.0, 5, 8.0)] * 3)
    sign_in(client, assistant)
    client.cookies.set("terrace_roster", str(world.coach.id))
    return Walk(client, world)


def test_an_assistant_acts_under_their_own_name(walk: Walk) -> None:
    store, coach, lifter = walk.world.store, walk.world.coach, walk.world.lifter
    other = make_lifter(store, coach=coach, name="Otto Second")
    gone = make_lifter(store, coach=coach, name="Gone")
    housekeeping.remove(store, coach, gone.id, by="before", now=NOW)
    report = report_pain(walk.world, TODAY - 1, 6)
    block = blocks.assign(store, coach, lifter.id, a_plan(), start_day=TODAY - 7, by="before", now=NOW)
    idea = drafts.start(store, coach, other.id, climbing(), start_day=TODAY + 300, by="before", now=NOW)
    worker.run_pending(store, NOW)
    flag = raise_flag(store, lifter)
    before = decide_about(store, coach, lifter.id, flag, Choice("hold_course"), by="before", now=NOW)
    with store.transaction() as db:
        own = PlanChange(
            block_id=block.id, lifter_id=lifter.id, at=NOW, rule="missed", why="x", before=[], after=[],
            undone_at=None, seen_by_lifter_at=NOW,
        )  # fmt: skip
        db.add(own)
        db.flush()
        since = db.scalars(select(AuditEvent.id).order_by(AuditEvent.id.desc())).first() or 0

    # Lifters
    walk.send("/lifters/new", NEW)
    walk.send("/lifters/{lifter_id}/settings", NEW | {"name": "Vilde Anew", "status": "active"})
    walk.send("/lifters/{lifter_id}/link")
    walk.send("/lifters/{lifter_id}/link/end")
    walk.send("/lifters/{lifter_id}/note", {"note": "sleeps badly"})
    walk.send("/lifters/{lifter_id}/pain/{report_id}/resolve", {"resolved": "a clinician"}, report_id=report)
    walk.send("/lifters/{lifter_id}/export")
    walk.send("/data/removed/{lifter_id}/bring-back", lifter_id=gone.id)

    # Flags and decisions
    walk.send("/lifters/{lifter_id}/flags/{flag_id}/snooze", {"days": "7"}, flag_id=flag)
    walk.send("/lifters/{lifter_id}/flags/{flag_id}/dismiss", {"reason": "no"}, flag_id=flag)
    walk.send("/lifters/{lifter_id}/flags/{flag_id}/reopen", flag_id=flag)
    walk.send("/decisions/{decision_id}/seen", decision_id=before.id)
    act = "/lifters/{lifter_id}/flags/{flag_id}/act"
    shown = walk.send(act, {"action": "step_back", "do": "show"}, flag_id=flag)
    seen = re.search(r'name="seen" value="([^"]+)"', shown.text)
    assert seen is not None
    walk.send(act, {"action": "step_back", "do": "apply", "seen": seen[1]}, flag_id=flag)
    stepped = walk.one(Decision, action="step_back")
    page = walk.client.get(f"/decisions/{stepped.id}/take-back").text
    seen = re.search(r'name="seen" value="([^"]+)"', page)
    assert seen is not None
    walk.send("/decisions/{decision_id}/take-back", {"seen": seen[1]}, decision_id=stepped.id)
    walk.send(act, {"action": "write", "do": "apply", "message": "Hi"}, flag_id=flag)
    page = walk.client.get(f"/lifters/{lifter.id}").text
    sets = re.findall(r'name="set" value="([\d-]+)"', page)
    assert sets
    walk.send("/lifters/{lifter_id}/odd-sets", {"set": sets, "fix": "right"})
    odd = walk.one(Decision, action="correct_data")
    page = walk.client.get(f"/lifters/{lifter.id}/odd-sets").text
    sets = re.findall(r'name="set" value="([\d-]+)"', page)
    walk.send("/lifters/{lifter_id}/odd-sets/{decision_id}/back", {"set": sets}, decision_id=odd.id)

    # Messages
    walk.send("/lifters/{lifter_id}/messages", {"body": "Hi", "do": "send"})
    walk.send("/messages/new", {"body": "Hi all", "to": [str(lifter.id), str(other.id)]})
    walk.send("/blocks/{block_id}/review", {"body": "Well done", "do": "send"}, block_id=block.id)

    # Blocks
    version = str(walk.one(Block, id=block.id).version)
    walk.send("/blocks/{block_id}/apply", {"pending": "[]", "version": version}, block_id=block.id)
    walk.send("/blocks/{block_id}/template", block_id=block.id)
    version = str(walk.one(Block, id=block.id).version)
    walk.send("/lifters/{lifter_id}/season", {"do": "longer", "block": str(block.id), "version": version})
    source = f"own:{walk.one(BlockTemplate).id}"
    begin = {"source": source, "start": "2026-09-07"}
    walk.send("/lifters/{lifter_id}/blocks", begin, lifter_id=other.id)
    draft = walk.one(Block, status="draft")
    move = {"start": "2026-09-14", "version": str(draft.version)}
    walk.send("/blocks/{block_id}/start", move, block_id=draft.id)
    version = walk.one(Block, id=draft.id).version
    more = {"do": "add row", "session": "s1", "exercise": "Row"}
    walk.send("/blocks/{block_id}/do", json={"act": more, "version": version}, block_id=draft.id)
    way = {"compare": "step-backs", "way": "Step back after 3 weeks", "version": str(idea.version)}
    walk.send("/blocks/{block_id}/what-if", way, block_id=idea.id)
    walk.send("/lifters/{lifter_id}/blocks", begin | {"start": "2027-03-01"}, lifter_id=other.id)
    walk.send("/blocks/{block_id}/drop", block_id=walk.one(Block, status="draft").id)
    version = str(walk.one(Block, id=draft.id).version)
    walk.send("/blocks/{block_id}/assign", {"version": version}, block_id=draft.id)
    given = {"source": source, "lifter": str(other.id), f"day-{other.id}": str(TODAY + 400)}
    walk.send("/blocks/assign", given)
    walk.tried.add("/plan-changes/{change_id}/take-back")
    assert walk.client.post(f"/plan-changes/{own.id}/take-back").status_code == 409  # Nothing to take back.

    # Files
    walk.tried |= {"/data/import", "/data/import/{token}"}
    sent = walk.client.post("/data/import", files={"file": ("LOG.csv", GOOD.encode(), "text/csv")})
    token = re.search(r"/data/import/([0-9a-f]{32})", sent.headers["location"])
    assert token is not None
    walk.send("/data/import/{token}", {"name": "LOG.csv"}, token=token[1])
    batch = re.search(r"/data/batches/(\d+)/undo", walk.client.get("/data").text)
    assert batch is not None
    walk.send("/data/batches/{batch_id}/undo", batch_id=batch[1])
    walk.send("/data/backups")

    writes = {path for (method, path), who in WHO.items() if who == "coach" and method != "GET"}
    assert walk.tried | LEAVES_NO_NAME == writes, "a route that writes has to be walked here too"
    with store.reading() as db:
        lines = db.execute(
            select(AuditEvent.kind, AuditEvent.actor).where(
                AuditEvent.id > since, AuditEvent.coach_id == coach.id
            )
        ).all()
        names = {(kind, actor) for kind, actor in lines}
        names |= {("version", one) for one in db.scalars(select(BlockVersion.by))}
        names |= {("set", one) for one in db.scalars(select(SetRevision.by))}
        for one in db.scalars(select(Decision)):
            names |= {("decision", one.detail["by"])}
            names |= {("decision taken back", one.detail.get("taken_back_by", ASSISTANT))}
        assert db.scalars(select(Flag)).first() is not None
    assert {name for _, name in names} <= {ASSISTANT, "before"}, sorted(names)
    assert OWNER not in walk.client.get(f"/lifters/{lifter.id}").text
    assert {kind for kind, _ in lines} >= RECORDED, RECORDED - {kind for kind, _ in lines}
