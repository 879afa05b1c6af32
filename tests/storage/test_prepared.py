"""A prepared statement gives and refuses what SQLAlchemy's own way would, on both engines."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import bindparam, exc, insert, select

from app.storage.engine import Store, StoreBusy
from app.storage.models import SetKey
from app.storage.prepared import Prepared
from tests.factories import NOW, make_coach, make_lifter

KEY = (SetKey.lifter_id, SetKey.client_id, SetKey.fingerprint, SetKey.answer, SetKey.at)
ADD = Prepared(
    insert(SetKey).values({one.key: bindparam(f"new_{one.key}", type_=one.type) for one in KEY}),
)
FIND = Prepared(
    select(*KEY).where(SetKey.lifter_id == bindparam("lifter"), SetKey.client_id == bindparam("name")),
    *(one.type for one in KEY),
)


def values(lifter_id: int, at: datetime = NOW) -> dict[str, object]:
    given = (lifter_id, "phone-write-0001", b"\x00\xff", {"set": "738953-4"}, at)
    return {f"new_{one.key}": value for one, value in zip(KEY, given, strict=True)}


def test_values_come_back_as_their_columns_say(any_store: Store) -> None:
    lifter = make_lifter(any_store, coach=make_coach(any_store))
    lisbon = NOW.astimezone(timezone(timedelta(hours=1)))
    with any_store.writing() as connection:
        assert ADD(connection, values(lifter.id, lisbon)) is None
        asked = {"lifter": lifter.id, "name": "phone-write-0001"}
        row = FIND(connection, asked)
        assert row == tuple(connection.execute(FIND.statement, asked).one())
        assert FIND(connection, asked | {"name": "another"}) is None
    assert row == (lifter.id, "phone-write-0001", b"\x00\xff", {"set": "738953-4"}, NOW)
    assert row[4].tzinfo == UTC


def test_what_the_database_refuses_is_the_same_error_and_undoes_the_whole(any_store: Store) -> None:
    lifter = make_lifter(any_store, coach=make_coach(any_store))
    with pytest.raises(exc.IntegrityError, match=r"(?i)unique"), any_store.writing() as connection:
        ADD(connection, values(lifter.id))
        ADD(connection, values(lifter.id))
    with any_store.writing() as connection:
        assert FIND(connection, {"lifter": lifter.id, "name": "phone-write-0001"}) is None


def test_a_table_held_by_another_program_is_said_to_be_busy(store: Store) -> None:
    lifter = make_lifter(store, coach=make_coach(store))
    with store.writing() as holding:
        ADD(holding, values(lifter.id))
        with pytest.raises(StoreBusy), store.reading() as db:
            connection = db.connection()
            connection.exec_driver_sql("PRAGMA busy_timeout=20")
            ADD(connection, values(lifter.id))
