"""A coach's whole data out and in again: equal in every form, readable without the program."""

import errno
import gc
import io
import json
import tempfile
import tracemalloc
import zipfile
from datetime import UTC, date, datetime, timedelta
from typing import Any

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.exchange import coach_file
from app.exchange.coach_file import CoachFile, Field, Shape
from app.exchange.tables import Limits, Refused

SHAPES = (
    Shape(
        "lifters",
        (
            Field("id", "integer", meaning="number of the row"),
            Field("name", "text"),
            Field("goal", "text", optional=True),
            Field("body_mass", "integer", optional=True, unit="g", meaning="latest known body mass"),
            Field("sensitivity", "number"),
            Field("minor", "yes-no"),
            Field("goal_day", "day", optional=True),
            Field("created_at", "instant"),
            Field("plan", "document"),
        ),
        "the people coached",
    ),
    Shape("notes", (Field("id", "integer"), Field("note", "text")), "free text"),
)
MADE_AT = datetime(2026, 3, 9, 12, 30, tzinfo=UTC)
LIFTER = (1, "Ines", None, 61_500, 1.25, False, date(2026, 6, 1), MADE_AT, {"weeks": [1, 2.5, None, "é"]})
FORMS = {
    "json": (coach_file.to_json, coach_file.from_json),
    "xlsx": (coach_file.to_xlsx, coach_file.from_xlsx),
    "csv": (coach_file.to_csv_archive, coach_file.from_csv_archive),
}


def file_of(*lifters: tuple[Any, ...], notes: tuple[tuple[int, str], ...] = ()) -> CoachFile:
    return CoachFile("0.1.0", MADE_AT, SHAPES, {"lifters": list(lifters), "notes": list(notes)})


# What a person can type or paste; NUL and halves of surrogate pairs are refused at every entrance.
TEXT = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0\ufffe\uffff"), max_size=40)
SIGNS = st.text(alphabet="'=+-@\t\r\n →longtext 1", max_size=16)
JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | TEXT,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=6,
)
AGES = datetime.fromisoformat("1970-01-01"), datetime.fromisoformat("2199-01-01")
ROW = st.tuples(
    st.integers(-(2**62), 2**62),
    TEXT | SIGNS,
    st.none() | TEXT | SIGNS,
    st.none() | st.integers(0, 10**9),
    st.floats(allow_nan=False, allow_infinity=False),
    st.booleans(),
    st.none() | st.dates(date(1900, 1, 1), date(2199, 12, 31)),
    st.datetimes(*AGES, timezones=st.just(UTC)),
    st.dictionaries(TEXT, JSON, max_size=3) | st.lists(JSON, max_size=3),
)


@pytest.mark.parametrize("form", FORMS)
def test_what_goes_out_comes_back_equal(form: str) -> None:
    write, read = FORMS[form]

    @settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
    @given(st.lists(ROW, max_size=4), st.lists(st.tuples(st.integers(0, 9), TEXT | SIGNS), max_size=3))
    def check(lifters: list[tuple[Any, ...]], notes: list[tuple[int, str]]) -> None:
        file = file_of(*lifters, notes=tuple(notes))
        found = read(write(file), f"coach.{form}")
        assert found.errors == ()
        assert found.file == file

    check()


@pytest.mark.parametrize("form", FORMS)
def test_the_content_says_which_form_it_is(form: str) -> None:
    write, _ = FORMS[form]
    assert coach_file.read(write(file_of(LIFTER)), "coach").file == file_of(LIFTER)


def test_a_workbook_saved_by_another_program_is_the_same() -> None:
    notes = (
        (1, "=1+1"),
        (2, "'"),
        (3, "07"),
        (4, "3-5"),
        (5, "long " * 10_000),
        (6, "→ long text 1"),
        (7, ""),
    )
    file = file_of(LIFTER, notes=notes)
    book = openpyxl.load_workbook(io.BytesIO(coach_file.to_xlsx(file)))
    saved = io.BytesIO()
    book.save(saved)
    assert coach_file.from_xlsx(saved.getvalue(), "coach.xlsx").file == file


def test_long_documents_survive_a_workbook() -> None:
    long = (*LIFTER[:-1], {"plan": ["'=x" * 30_000, "😀" * 20_000]})
    assert coach_file.from_xlsx(coach_file.to_xlsx(file_of(long)), "c.xlsx").file == file_of(long)


def test_the_archive_opens_without_the_program() -> None:
    data = coach_file.to_csv_archive(file_of(LIFTER))
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert set(archive.namelist()) == {
            "about.csv",
            "dictionary.csv",
            "README.txt",
            "schema.json",
            "tables/lifters.csv",
            "tables/notes.csv",
        }
        assert (
            archive.read("tables/lifters.csv")
            .decode()
            .splitlines()[1]
            .startswith("1,Ines,,61500,1.25,no,2026-06-01")
        )
        assert "latest known body mass" in archive.read("dictionary.csv").decode()
    assert data == coach_file.to_csv_archive(file_of(LIFTER))


def test_the_json_carries_its_dictionary_and_schema() -> None:
    whole = json.loads(coach_file.to_json(file_of(LIFTER)))
    assert whole["tables"]["lifters"][0] == {
        "id": 1,
        "name": "Ines",
        "body_mass": 61_500,
        "sensitivity": 1.25,
        "minor": False,
        "goal_day": "2026-06-01",
        "created_at": "2026-03-09T12:30:00+00:00",
        "plan": {"weeks": [1, 2.5, None, "é"]},
    }
    items = whole["schema"]["properties"]["lifters"]["items"]
    assert items["required"] == ["id", "name", "sensitivity", "minor", "created_at", "plan"]
    assert items["properties"]["body_mass"] == {
        "type": "integer",
        "description": "latest known body mass [g]",
    }


def test_the_schema_accepts_the_rows() -> None:
    import jsonschema_rs

    whole = json.loads(coach_file.to_json(file_of(LIFTER, notes=((1, "a"),))))
    validator = jsonschema_rs.validator_for(whole["schema"])
    assert validator.is_valid(whole["tables"])
    whole["tables"]["lifters"][0]["id"] = "one"
    assert not validator.is_valid(whole["tables"])


@pytest.mark.parametrize(
    ("change", "place"),
    [
        ({"id": True}, "coach.json, sheet lifters, row 1, column id: found “True”, expected a whole number"),
        ({"name": None}, "column name: found nothing, expected a text"),
        ({"goal_day": "2026-02-30"}, "column goal_day: found “2026-02-30”, expected a date"),
        ({"created_at": "2026-03-09T12:30:00"}, "column created_at: found"),
        ({"extra": 1}, "expected the fields body_mass, created_at"),
    ],
)
def test_a_wrong_value_is_named(change: dict[str, Any], place: str) -> None:
    whole = json.loads(coach_file.to_json(file_of(LIFTER)))
    whole["tables"]["lifters"][0] |= change
    (error,) = coach_file.from_json(json.dumps(whole).encode(), "coach.json").errors
    assert place in str(error)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"format": "other"}, "no export of a coach's data"),
        ({"format_version": 2}, "of a newer version"),
        ({"made_at": "yesterday"}, "does not say when"),
        ({"dictionary": [{"table": "x"}]}, "dictionary of the export is damaged"),
        ({"dictionary": 3}, "dictionary of the export is damaged"),
        ({"tables": []}, "tables are missing"),
        ({"tables": {"lifters": 3}}, "no list of rows"),
    ],
)
def test_another_file_is_refused(change: dict[str, Any], said: str) -> None:
    whole = json.loads(coach_file.to_json(file_of(LIFTER))) | change
    with pytest.raises(Refused, match=said):
        coach_file.from_json(json.dumps(whole).encode(), "coach.json")


@pytest.mark.parametrize("data", [b"", b"[1", b"[1]", b"\xff", b"[" * 100_000, b"PK\x03\x04"])
def test_noise_is_refused(data: bytes) -> None:
    with pytest.raises(Refused):
        coach_file.read(data, "coach.json")


def test_a_file_beyond_the_limit_is_refused() -> None:
    with pytest.raises(Refused, match="more than"):
        coach_file.read(coach_file.to_json(file_of(LIFTER)), "c.json", limits=Limits(file_bytes=100))


def test_a_part_that_is_missing_is_named() -> None:
    buffer = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(coach_file.to_csv_archive(file_of(LIFTER)))) as old,
        zipfile.ZipFile(buffer, "w") as new,
    ):
        for name in old.namelist():
            if name != "tables/notes.csv":
                new.writestr(name, old.read(name))
    with pytest.raises(Refused, match=r"the part tables/notes\.csv is missing"):
        coach_file.read(buffer.getvalue(), "coach.zip")


def test_instants_come_back_in_utc() -> None:
    there = MADE_AT.astimezone(tz=None) + timedelta(0)
    lifter = (*LIFTER[:7], there, LIFTER[8])
    found = coach_file.from_json(coach_file.to_json(file_of(lifter)), "c.json").file
    assert next(iter(found.records("lifters")))["created_at"] == MADE_AT


@pytest.mark.parametrize("form", ["json", "zip", "xlsx"])
def test_a_large_table_is_never_held_whole(form: str) -> None:
    """What is held at once grows with neither the rows nor the file: a row is written and forgotten."""
    held = []
    for many in (2_000, 16_000):
        rows = ((f"{number:032d}", "x" * 64 + str(number)) for number in range(many))
        shape = Shape("notes", (Field("id", "text"), Field("note", "text")))
        with tempfile.TemporaryFile() as to:
            tracemalloc.start()
            coach_file.WRITERS[form][0](CoachFile("0", MADE_AT, (shape,), {"notes": rows}), to)
            held.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
    # Held whole, 14 000 rows more of some 250 bytes would be 3.5 MB more.
    assert held[1] - held[0] < 700_000, held


class Million(list[Any]):
    """Rows that are counted and may not be read."""

    def __len__(self) -> int:
        return 1_048_576

    def __iter__(self) -> Any:
        raise AssertionError


def test_a_table_that_no_sheet_holds_is_refused_before_anything_is_written() -> None:
    shapes = (Shape("few", (Field("id", "text"),)), Shape("many", (Field("id", "text"),)))
    file = CoachFile("0", MADE_AT, shapes, {"few": [("a",)], "many": Million()})
    to = io.BytesIO()
    with pytest.raises(
        ValueError, match="many has 1,048,576 rows and a workbook's sheet holds 1,048,575; take"
    ):
        coach_file.write_xlsx(file, to)
    assert to.getvalue() == b""


class FullDisk(io.BytesIO):
    """A file that takes a kilobyte, until somebody makes room."""

    room = 1024

    def write(self, data: Any) -> int:
        if self.tell() + len(data) > self.room:
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().write(data)


@pytest.mark.parametrize("form", ["json", "zip", "xlsx"])
def test_a_full_disk_is_called_by_its_name(form: str) -> None:
    notes = tuple((number, str(number) * 9) for number in range(2_000))
    disk = FullDisk()
    with pytest.raises(OSError, match="No space left") as refused:
        coach_file.WRITERS[form][0](file_of(LIFTER, notes=notes), disk)
    assert refused.value.errno == errno.ENOSPC
    disk.room = 2**20  # What was begun is closed when it is thrown away.
    del refused
    gc.collect()
