"""What a whole file brings in can be read on every page: what could not be is refused before it is stored."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select

from app.planning import exports, programs, worker
from app.storage import logs
from app.storage.models import Decision, Lifter, LoggedSession, SetRevision
from tests import rosters
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter
from tests.planning.test_exports import as_rows, out, places_in
from tests.web.conftest import Client, open_client, sign_in, sign_in_lifter

SHOWN = [
    ("decisions", "outcome"),
    ("decisions", "evidence"),
    ("decisions", "detail"),
    ("flags", "evidence"),
    ("messages", "about"),
    ("set_revisions", "before"),
    ("prescriptions", "sets"),
]
ODD: list[Any] = [None, True, -1, 0, 3, 1e11, "x", [], {}, [[]], [{}], {"": None}, "2026-01-01"]


def pages(client: Client) -> list[str]:
    with client.store.reading() as db:
        mine = db.scalars(select(Lifter.id).where(Lifter.coach_id == client.coach.id)).all()
        made = db.scalars(select(Decision.id).where(Decision.lifter_id.in_(mine))).all()
    about = [
        f"/lifters/{one}{part}" for one in mine for part in ("", "/messages", "/odd-sets", "/season", "/data")
    ]
    return ["/", "/decisions?all=yes", "/data", *about, *(f"/decisions/{one}/take-back" for one in made)]


@pytest.mark.parametrize("seed", range(4))
def test_whatever_a_documents_place_is_given_its_pages_open_or_the_file_is_refused(
    client: Client, seed: int
) -> None:
    make, taken = rosters.Maker(seed), 0
    for trial in range(14):
        given = rosters.tables(make.below(40))
        table, column = make.one_of(SHOWN)
        if not given[table]:
            continue
        inside, place = make.one_of(places_in(make.one_of(given[table]), column))
        if isinstance(inside, dict) and inside is not given[table] and make.below(3) == 0 and place != column:
            del inside[place]
        else:
            inside[place] = make.one_of(ODD)
        coach = make_coach(client.store, login=f"{trial}@example.org")
        try:
            exports.load(client.store, coach, given, by="test", now=NOW)
        except exports.CannotLoad:
            continue
        taken += 1
        sign_in(client, coach)
        worker.run_pending(client.store, NOW)
        for path in pages(client):
            assert client.get(path).status_code == 200, f"{path}: {table}, {column}, {place}"
    assert taken


@pytest.mark.parametrize("gone", ["session_id", "exercise_id"])
def test_a_change_of_a_set_whose_session_or_exercise_is_gone_is_still_told(client: Client, gone: str) -> None:
    """An export has no number for what is not there any more, and comes in all the same."""
    store, coach = client.store, client.coach
    lifter = make_lifter(store, coach=coach)
    squat = make_exercise(store, coach=coach)
    session = log_sets(store, lifter, squat, TODAY - 1, [(100, 5, 8.0), (90, 5, 8.0)])
    with store.transaction() as db:
        taken_out = logs.sets_between(db, lifter.id, 0, TODAY)[1]
        logs.remove_set(db, lifter.id, taken_out, by="Ines Marto", why="", at=NOW)
        removed = db.scalars(select(SetRevision)).one()
        removed.before = removed.before | {gone: 999}
    again = sign_in(client, make_coach(store, login="again@example.org"))
    exports.load(store, again.coach, as_rows(out(store, coach)), by="test", now=NOW)
    worker.run_pending(store, NOW)
    for path in pages(client):
        assert client.get(path).status_code == 200, path
    with store.reading() as db:
        brought_in = db.scalars(select(Lifter).where(Lifter.coach_id == again.coach.id)).one()
        revision = db.scalars(select(SetRevision).where(SetRevision.lifter_id == brought_in.id)).one()
        assert revision.before[gone] is None
        logged = db.scalars(select(LoggedSession.id).where(LoggedSession.lifter_id == brought_in.id)).one()
    assert logged != session
    assert len(programs.set_changes_of(store, again.coach, brought_in.id, after=0, limit=9)) == 1
    with open_client(store, client.now) as phone:
        sign_in_lifter(phone, brought_in)
        for path in ("/today", "/history", f"/log/{logged}"):
            assert phone.get(path).status_code == 200, path
