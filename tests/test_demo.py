"""The demo club stands, and each story can be seen in its flags."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import func, select

from app.config import Settings
from app.planning import decisions
from app.planning.roster import RosterQuery, roster_view
from app.storage import access
from app.storage.engine import Store
from app.storage.models import Block, Flag, Lifter, logged_sets
from seed_demo.build import build
from seed_demo.club import LOGIN, PEOPLE

NOW = datetime(2026, 11, 25, 10, tzinfo=UTC)


@pytest.mark.timeout(400)
def test_the_demo_club_tells_its_stories(store: Store, tmp_path: Path) -> None:
    settings = Settings(data_dir=tmp_path, demo=True)
    code, name, link = build(store, settings, now=NOW)
    assert len(code) > 40
    assert len(link) > 40
    assert name in {one.name for one in PEOPLE}
    with store.reading() as db:
        coach = access.coach_by_login(db, LOGIN)
        assert coach is not None
        assert db.scalar(select(func.count()).select_from(Lifter)) == 24
        assert (db.scalar(select(func.count()).select_from(logged_sets)) or 0) > 50_000
        running = set(
            db.scalars(
                select(Block.lifter_id).where(
                    Block.status == "assigned",
                    Block.start_day <= NOW.date().toordinal(),
                    Block.end_day >= NOW.date().toordinal(),
                )
            )
        )
        assert len(running) == 24
        raised: dict[str, set[str]] = {}
        for person, kind in db.execute(
            select(Lifter.name, Flag.kind)
            .join(Flag, Flag.lifter_id == Lifter.id)
            .where(Flag.cleared_at.is_(None))
        ):
            raised.setdefault(person, set()).add(kind)
    expected = {
        "silent": "silent",
        "spike": "load_spike",
        "pounds": "data_error",
        "pain": "pain",
        "dip": "expected_dip",
    }
    by_story = {one.story: one.name for one in PEOPLE}
    for story, kind in expected.items():
        assert kind in raised.get(by_story[story], set()), (story, raised.get(by_story[story]))
    lines, _ = decisions.journal(store, coach)
    assert len([one for one in lines if one.decision.outcome]) >= 5
    assert 1 <= len(decisions.look_again_soon(store, coach, now=NOW)) <= 3
    assert raised.get(by_story["stalled"], set()) & {"stall", "regression"}
    shown = roster_view(store, coach, RosterQuery(), now=NOW)
    assert len(shown.rows) == 24
    again = build(store, settings, now=NOW)
    assert again[0] != code
    with store.reading() as db:
        assert db.scalar(select(func.count()).select_from(Lifter)) == 24
