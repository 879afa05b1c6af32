"""Data out and back through the pages, lifters removed and brought back, backups, what is forgotten."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from datetime import timedelta

import pytest
from sqlalchemy import func, select, update

from app.config import Settings
from app.exchange import coach_file
from app.planning import access as signing
from app.planning import backups, exports, housekeeping
from app.planning.worker import Worker
from app.storage import belongings
from app.storage.engine import Store
from app.storage.models import AuditEvent, Coach, Lifter, SetKey, logged_sets
from tests import rosters
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter
from tests.web.conftest import Client, open_client, sign_in, sign_in_lifter

PASSWORD = "salt harbour iron tide"


@pytest.fixture
def owner(client: Client) -> Client:
    """The coach with a password that can be asked for again."""
    with client.store.transaction() as db:
        db.execute(
            update(Coach)
            .where(Coach.id == client.coach.id)
            .values(password_hash=signing.hash_password(PASSWORD))
        )
    return client


@pytest.fixture
def fresh(store: Store, now: list) -> Iterator[Client]:  # type: ignore[type-arg]
    with open_client(store, now) as opened:
        yield sign_in(opened, make_coach(store, login="fresh@example.org"))


@pytest.mark.parametrize("form", ["json", "xlsx", "zip"])
def test_everything_goes_out_by_password_and_into_an_empty_account(
    owner: Client, fresh: Client, form: str
) -> None:
    given = rosters.tables(4)
    exports.load(owner.store, owner.coach, given, by="test", now=NOW)
    assert "Take everything in" not in owner.get("/data").text
    assert "Take everything in" in fresh.get("/data").text
    for password, words in (("", "Enter your password"), ("wrong", "not your password")):
        refused = owner.post("/data/export", data={"form": form, "password": password})
        assert (refused.status_code, words in refused.text) == (422, True)
    out = owner.post("/data/export", data={"form": form, "password": PASSWORD})
    assert out.status_code == 200
    assert out.headers["content-disposition"] == f'attachment; filename="terrace-2026-03-09.{form}"'
    back = fresh.post("/data/whole", files={"whole": (f"all.{form}", out.content)})
    assert back.status_code == 303, back.text
    assert "Taken in: " in fresh.get(back.headers["location"]).text
    mine, theirs = (exports.everything(owner.store, one.coach, by="test", now=NOW) for one in (owner, fresh))
    assert mine == theirs
    again = fresh.post("/data/whole", files={"whole": (f"all.{form}", out.content)})
    assert (again.status_code, "data in this account already" in again.text) == (409, True)


def test_a_workbook_that_cannot_hold_the_log_is_refused_before_a_row_is_read(
    owner: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    lifter = make_lifter(owner.store, coach=owner.coach)
    log_sets(owner.store, lifter, make_exercise(owner.store, coach=owner.coach), TODAY, [(100, 5, 8.0)] * 9)
    monkeypatch.setattr("app.exchange.writers.XLSX_ROWS", 8)
    walked: list[str] = []
    walk = belongings.Whole.walk
    monkeypatch.setattr(
        belongings.Whole, "walk", lambda whole, one: (walked.append(one.name), walk(whole, one))[1]
    )
    given = {"form": "xlsx", "password": PASSWORD}
    refused = owner.post("/data/export", data=given)
    words = "logged_sets has 9 rows and a workbook&#39;s sheet holds 8; take CSV or JSON."
    assert (refused.status_code, words in refused.text, walked) == (422, True, [])
    assert owner.post("/data/export", data=given | {"form": "json"}).status_code == 200


def test_a_file_too_large_for_memory_is_sent_from_the_disk(
    owner: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    exports.load(owner.store, owner.coach, rosters.tables(4), by="test", now=NOW)
    given = {"form": "json", "password": PASSWORD}
    small = owner.post("/data/export", data=given)
    monkeypatch.setattr("app.web.coach.out.IN_MEMORY", 1_000)
    monkeypatch.setattr("app.web.coach.out.PIECE", 700)
    large = owner.post("/data/export", data=given)
    assert large.content == small.content
    assert len(large.content) > 1_000


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "Choose a file"),
        (b"{}", "this is no export"),
        (b"PK\x03\x04 nothing", "cannot be read"),
        (b'{"format": "terrace-coach", "format_version": 99}', "newer version"),
    ],
)
def test_a_file_that_is_no_export_is_refused_in_words(client: Client, content: bytes, words: str) -> None:
    name = "all.json" if content else ""
    answer = client.post("/data/whole", files={"whole": (name, content)} if content else None)
    assert (answer.status_code, words in answer.text) == (422, True)


def test_a_spoilt_export_says_table_and_row_and_stores_nothing(client: Client) -> None:
    given = rosters.tables(4)
    given["lifters"][0]["time_zone"] = "Nowhere"
    described = {name: (belongings.BY_NAME[name].meaning, exports.columns_of(name)) for name in given}
    tables = {
        name: [tuple(row.get(column.name) for column in described[name][1]) for row in rows]
        for name, rows in given.items()
    }
    file = coach_file.file_of(described, tables, program_version="0", made_at=NOW)
    answer = client.post("/data/whole", files={"whole": ("all.json", coach_file.to_json(file))})
    assert (answer.status_code, "lifters, row 1, time_zone" in answer.text) == (422, True)
    assert exports.is_empty(client.store, client.coach)


def test_one_persons_data_is_an_archive_that_holds_the_log_too(client: Client) -> None:
    lifter = make_lifter(client.store, coach=client.coach, name="Vilde / Aas: Ü")
    log_sets(client.store, lifter, make_exercise(client.store, coach=client.coach), TODAY, [(100, 5, 8)])
    out = client.post(f"/lifters/{lifter.id}/export")
    assert out.headers["content-disposition"] == 'attachment; filename="vilde-aas.zip"'
    with zipfile.ZipFile(io.BytesIO(out.content)) as archive:
        assert b"Squat,1,100,5,8" in archive.read("LOG.csv")
        assert coach_file.from_json(archive.read("everything.json"), "everything.json").errors == ()
    log = client.get(f"/lifters/{lifter.id}/log.csv")
    assert log.text.splitlines()[0].startswith("lifter,date,exercise,set_number,load_kg,reps,rpe")
    assert "export" in client.get("/account/audit?show=data+in+and+out").text


def test_a_removed_lifter_is_gone_at_once_and_can_be_brought_back(owner: Client) -> None:
    lifter = make_lifter(owner.store, coach=owner.coach)
    log_sets(owner.store, lifter, make_exercise(owner.store, coach=owner.coach), TODAY, [(100, 5, 8)])
    path = f"/lifters/{lifter.id}"
    with open_client(owner.store, owner.now) as phone:
        sign_in_lifter(phone, lifter)
        assert owner.post(f"{path}/remove", data={"password": "no"}).status_code == 422
        assert owner.post(f"{path}/remove", data={"password": PASSWORD}).status_code == 303
        assert owner.get(path).status_code == 404
        assert phone.get("/today").status_code == 401
    assert owner.post(f"{path}/remove", data={"password": PASSWORD}).status_code == 404
    # The name is free meanwhile; who comes back gets a number.
    make_lifter(owner.store, coach=owner.coach)
    assert "Vilde Aas" in owner.get("/data").text
    assert owner.post(f"/data/removed/{lifter.id}/bring-back").status_code == 303
    assert "Vilde Aas (2)" in owner.get(path).text
    assert owner.post(f"/data/removed/{lifter.id}/bring-back").status_code == 404


def test_after_thirty_days_nothing_about_a_removed_lifter_is_left(any_store: Store) -> None:
    coach = make_coach(any_store)
    exports.load(any_store, coach, rosters.tables(3), by="test", now=NOW)
    with any_store.reading() as db:
        people = db.scalars(select(Lifter)).all()
    for one in people:
        housekeeping.remove(any_store, coach, one.id, by="test", now=NOW)
    assert housekeeping.purge(any_store, now=NOW + timedelta(days=29)) == 0
    assert housekeeping.purge(any_store, now=NOW + timedelta(days=31)) == len(people)
    with pytest.raises(housekeeping.RemovedNotFound):
        housekeeping.bring_back(any_store, coach, people[0].id, by="test", now=NOW)
    with any_store.reading() as db:
        assert db.scalar(select(func.count()).select_from(logged_sets)) == 0
        assert db.scalar(select(func.count()).where(AuditEvent.lifter_id.is_not(None))) == 0
    left = exports.everything(any_store, coach, by="test", now=NOW)
    lifter_tables = {one.name for one in belongings.BELONGINGS if one.by in ("lifter_id", "block_id")}
    assert all(not left.tables[name] for name in lifter_tables)


def test_a_lifter_brought_back_in_time_has_everything(any_store: Store) -> None:
    coach = make_coach(any_store)
    exports.load(any_store, coach, rosters.tables(3), by="test", now=NOW)
    before = exports.everything(any_store, coach, by="test", now=NOW)
    with any_store.reading() as db:
        people = db.scalars(select(Lifter)).all()
    for one in people:
        housekeeping.remove(any_store, coach, one.id, by="test", now=NOW)
    housekeeping.purge(any_store, now=NOW + timedelta(days=29))
    for one in people:
        assert housekeeping.bring_back(any_store, coach, one.id, by="test", now=NOW) == one.name
    assert exports.everything(any_store, coach, by="test", now=NOW) == before


def test_old_answers_to_phones_are_forgotten(store: Store) -> None:
    coach = make_coach(store)
    lifter = make_lifter(store, coach=coach)
    with store.transaction() as db:
        for age in (10, 89, 91):
            db.add(
                SetKey(
                    lifter_id=lifter.id,
                    client_id=f"write-{age}",
                    fingerprint=b"0" * 16,
                    answer={},
                    at=NOW - timedelta(days=age),
                )
            )
    housekeeping.purge(store, now=NOW)
    with store.reading() as db:
        assert set(db.scalars(select(SetKey.client_id))) == {"write-10", "write-89"}


def test_backups_are_listed_with_their_age_and_made_by_a_button(client: Client) -> None:
    assert "There is no backup yet" in client.get("/data").text
    assert client.post("/data/backups").status_code == 303
    page = client.get("/data").text
    assert "terrace-20260309T120000Z.zip" in page
    assert "0 minutes" in page
    assert "terrace restore" in page
    again = client.post("/data/backups")
    assert (again.status_code, "a moment ago" in again.text) == (429, True)
    client.now[0] += timedelta(days=3)
    sign_in(client, client.coach)
    assert "3 days old" in " ".join(client.get("/data").text.split())


def test_the_worker_keeps_a_daily_backup_and_goes_on_when_that_fails(store: Store, tmp_path) -> None:  # type: ignore[no-untyped-def]
    settings = Settings(data_dir=tmp_path)
    now = [NOW]
    seen: list[object] = []

    def keep(at) -> None:  # type: ignore[no-untyped-def]
        seen.append(at)
        if len(seen) == 1:
            raise OSError("no room")
        housekeeping.daily(store, settings, now=at)

    worker = Worker(store, lambda: now[0], housekeeping=keep)
    for minutes in (0, 0.5, 2, 30, 63, 65, 24 * 60 * 2):
        now[0] = NOW + timedelta(minutes=minutes)
        worker._keep_house()
    assert len(seen) == 3
    assert [one.made_at for one in backups.kept(settings)] == sorted(seen[1:], reverse=True)  # type: ignore[type-var]
