"""A file is shown as it was understood, stored whole, and taken back; what is wrong is said where it is."""

from __future__ import annotations

import re

import httpx
from sqlalchemy import func, select

from app.storage.models import Exercise, logged_sets
from tests.web.conftest import Client

GOOD = """lifter,date,exercise,set_number,load_kg,reps,rpe
Vilde Aas,2026-03-02,Squat,1,100,5,7
Vilde Aas,2026-03-02,Squat,2,102.5,5,8
Otto Hale,2026-03-04,Bench press,1,60,8,
"""


def send(client: Client, text: str, name: str = "LOG.csv") -> httpx.Response:
    answer = client.post("/data/import", files={"file": (name, text.encode(), "text/csv")})
    return client.get(answer.headers["location"]) if answer.status_code == 303 else answer


def token_of(answer: httpx.Response) -> str:
    found = re.search(r'action="/data/import/([0-9a-f]{32})"', answer.text)
    assert found is not None, answer.text
    return found.group(1)


def stored(client: Client) -> int:
    with client.store.reading() as db:
        return db.scalar(select(func.count()).select_from(logged_sets)) or 0


def test_a_file_is_looked_at_first_and_then_stored_and_taken_back(client: Client) -> None:
    shown = send(client, GOOD)
    assert "3 sets are new" in shown.text
    assert "New lifters: Vilde Aas, Otto Hale" in shown.text
    assert stored(client) == 0
    done = client.post(f"/data/import/{token_of(shown)}", data={"name": "LOG.csv"})
    assert done.status_code == 303
    page = client.get(done.headers["location"])
    assert "3 sets are new, 0 changed, 0 were there already" in page.text
    assert stored(client) == 3
    batch = re.search(r"/data/batches/(\d+)/undo", page.text)
    assert batch is not None
    assert client.post(f"/data/batches/{batch.group(1)}/undo").status_code == 303
    assert stored(client) == 0
    again = client.post(f"/data/batches/{batch.group(1)}/undo")
    assert (again.status_code, "taken back before" in again.text) == (409, True)


def test_a_bad_row_names_line_column_and_expectation_and_stores_nothing(client: Client) -> None:
    shown = send(client, GOOD + "Vilde Aas,2026-13-02,Squat,3,100,five,8\n")
    assert shown.status_code == 200
    for words in (
        "line 5, date",
        "2026-13-02",
        "a date as YYYY-MM-DD",
        "five",
        "a whole number of repetitions",
    ):
        assert words in shown.text, words
    refused = client.post(f"/data/import/{token_of(shown)}", data={"name": "LOG.csv"})
    assert refused.status_code == 422
    assert stored(client) == 0
    taken = client.post(f"/data/import/{token_of(shown)}", data={"name": "LOG.csv", "good_rows": "yes"})
    assert "1 row left out" in client.get(taken.headers["location"]).text


def test_unknown_titles_are_matched_by_the_coach_and_remembered(client: Client) -> None:
    odd = GOOD.replace("lifter,date,exercise,set_number,load_kg,reps,rpe", "wer,wann,was,nr,last,wdh,rpe")
    shown = send(client, odd)
    assert shown.status_code == 422
    assert "Which column is which?" in shown.text
    token = re.search(r"/data/import/([0-9a-f]{32})", shown.text)
    assert token is not None
    columns = {
        "lifter": "wer",
        "date": "wann",
        "exercise": "was",
        "set_number": "nr",
        "load_kg": "last",
        "reps": "wdh",
    }
    asked = {f"column_{field}": title for field, title in columns.items()} | {"name": "LOG.csv"}
    read = client.get(f"/data/import/{token.group(1)}", params=asked)
    assert "3 sets are new" in read.text
    client.post(f"/data/import/{token_of(read)}", data=asked)
    assert stored(client) == 3
    assert "3 are there already" in send(client, odd).text


def test_pounds_and_a_decimal_comma_are_recognised_and_shown(client: Client) -> None:
    text = "lifter;date;exercise;load_lb;reps\nVilde Aas;2026-03-02;Squat;225,5;5\n"
    shown = send(client, text)
    assert "cells are divided by semicolon, decimals by a comma. Loads in lb" in shown.text
    client.post(f"/data/import/{token_of(shown)}", data={"name": "LOG.csv"})
    with client.store.reading() as db:
        row = db.execute(select(logged_sets.c.load_grams, logged_sets.c.typed)).one()
    # 225.5 lb x 453.59237 g (international yard and pound agreement, 1959), to the gram.
    assert tuple(row) == (102_285, "225,5 lb")


def test_a_new_spelling_can_be_an_exercise_that_is_known(client: Client) -> None:
    client.post(f"/data/import/{token_of(send(client, GOOD))}", data={"name": "LOG.csv"})
    shown = send(client, GOOD.replace("Squat", "Squats").replace("03-02", "03-05"))
    assert "Squat, spelt alike" in shown.text
    with client.store.reading() as db:
        squat = db.scalar(select(Exercise.id).where(Exercise.key == "squat"))
    client.post(f"/data/import/{token_of(shown)}", data={"name": "LOG.csv", "exercise_0": str(squat)})
    with client.store.reading() as db:
        assert sorted(db.scalars(select(Exercise.key))) == ["bench press", "squat"]


def test_what_is_no_table_is_refused_in_words(client: Client) -> None:
    for content, name, words in (
        ("", "LOG.csv", "empty"),
        ("\x89PNG\r\n\x1a\n0000", "LOG.csv", "picture"),
        ("one line", "LOG.xlsx", "no workbook"),
    ):
        answer = client.post("/data/import", files={"file": (name, content.encode("latin-1"), "text/csv")})
        shown = client.get(answer.headers["location"]) if answer.status_code == 303 else answer
        assert shown.status_code == 422
        assert words in shown.text, (name, shown.text[-1500:])
    assert client.post("/data/import").status_code == 422


def test_another_coachs_upload_and_import_are_not_there(client: Client, other_client: Client) -> None:
    token = token_of(send(client, GOOD))
    assert other_client.get(f"/data/import/{token}").status_code == 404
    assert other_client.post(f"/data/import/{token}").status_code == 404
    client.post(f"/data/import/{token}", data={"name": "LOG.csv"})
    assert other_client.post("/data/batches/1/undo").status_code == 404
    assert stored(client) == 3


def test_a_lifters_weeks_come_as_a_workbook(client: Client) -> None:
    client.post(f"/data/import/{token_of(send(client, GOOD))}", data={"name": "LOG.csv"})
    answer = client.get("/lifters/1/weeks.xlsx")
    assert answer.status_code == 200
    assert "attachment" in answer.headers["content-disposition"]
    assert answer.content[:2] == b"PK"
