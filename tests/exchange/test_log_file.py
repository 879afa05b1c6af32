"""LOG.csv: what the contract takes, what it refuses, and what it says about it."""

import csv
import io
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.exchange.cells import escape_formula, unescape_formula
from app.exchange.log_file import (
    LogFile,
    guess_dates,
    read_log,
    sessions,
    shape_of,
    suggest_mapping,
)
from app.exchange.tables import Refused, read_pasted, read_table

HEADER = "lifter,date,exercise,set_number,load_kg,reps,rpe,session_rpe,session_minutes,note\n"


def read(text: str, **options: object) -> LogFile:
    return read_log(read_table(text.encode(), "LOG.csv"), **options)  # type: ignore[arg-type]


def errors(text: str) -> list[str]:
    return [str(error) for error in read(text).errors]


def test_a_row_is_typed_as_the_contract_says() -> None:
    rows = read(HEADER + "Ines,2026-03-09,Squat,1,82.5,5,8.5,7,60,felt good\n").rows
    assert rows.key(0) == ("Ines", date(2026, 3, 9), "Squat", 1, 0)
    assert (rows.load_g[0], rows.load_typed[0], rows.unit(0)) == (82_500, "82.5", "kg")
    assert (rows.reps[0], rows.rpe[0], rows.session_rpe[0], rows.session_minutes[0]) == (5, 8.5, 7.0, 60.0)
    assert (rows.note[0], rows.line[0]) == ("felt good", 2)


def test_optional_columns_may_be_empty_or_absent() -> None:
    full = read(HEADER + "Ines,2026-03-09,Squat,,100,5,,,,\n").rows
    bare = read("lifter,date,exercise,load_kg,reps\nInes,2026-03-09,Squat,100,5\n").rows
    for rows in (full, bare):
        assert rows.set_number.tolist() == [1]
        assert np.isnan(rows.rpe[0])
        assert np.isnan(rows.session_rpe[0])
        assert rows.note == [""]


def test_pounds_are_kept_to_the_gram_and_as_typed() -> None:
    log = read("lifter,date,exercise,load_lb,reps\nInes,2026-03-09,Squat,225,5\n")
    # 225 lb x 0.45359237 kg/lb = 102.05828325 kg (NIST SP 811 appendix B).
    assert (log.rows.load_g[0], log.rows.load_typed[0], log.rows.unit(0)) == (102_058, "225", "lb")
    assert log.facts.unit == "lb"


def test_kilograms_and_pounds_may_stand_side_by_side_but_not_in_one_row() -> None:
    head = "lifter,date,exercise,load_kg,load_lb,reps\n"
    log = read(head + "Ines,2026-03-09,Squat,100,,5\nInes,2026-03-09,Squat,,225,5\n")
    assert log.rows.pounds.tolist() == [False, True]
    assert log.facts.unit == "kg and lb"
    assert read(head + "Ines,2026-03-09,Squat,100,225,5\nInes,2026-03-09,Squat,,,5\n").error_count == 2


def test_unknown_columns_are_reported_and_kept_out() -> None:
    log = read("lifter,date,exercise,load_kg,reps,tempo\nInes,2026-03-09,Squat,100,5,3-1-0\n")
    assert log.facts.unknown_columns == ("tempo",)
    assert len(log.rows) == 1


@pytest.mark.parametrize(
    ("row", "column", "found", "expected"),
    [
        (",2026-03-09,Squat,1,100,5,,,,", "lifter", "nothing", "the name of the lifter"),
        ("Ines,09/03/2026,Squat,1,100,5,,,,", "date", "“09/03/2026”", "a date as YYYY-MM-DD"),
        ("Ines,2026-02-30,Squat,1,100,5,,,,", "date", "“2026-02-30”", "a date as YYYY-MM-DD"),
        ("Ines,1026-02-03,Squat,1,100,5,,,,", "date", "“1026-02-03”", "from 1950 to 2199"),
        ("Ines,46090,Squat,1,100,5,,,,", "date", "“46090”", "a spreadsheet's day number"),
        ("Ines,2026-03-09,,1,100,5,,,,", "exercise", "nothing", "the name of the exercise"),
        ("Ines,2026-03-09,Squat,0,100,5,,,,", "set_number", "“0”", "a whole number from 1 to 1000"),
        ("Ines,2026-03-09,Squat,1.5,100,5,,,,", "set_number", "“1.5”", "a whole number"),
        ("Ines,2026-03-09,Squat,1,,5,,,,", "load_kg", "nothing", "a load from 0 to 10,000 kg"),
        ("Ines,2026-03-09,Squat,1,10000.5,5,,,,", "load_kg", "“10000.5”", "a load from 0 to 10,000 kg"),
        ("Ines,2026-03-09,Squat,1,-20,5,,,,", "load_kg", "“-20”", "a load from 0 to 10,000 kg"),
        ("Ines,2026-03-09,Squat,1,nan,5,,,,", "load_kg", "“nan”", "a load from 0 to 10,000 kg"),
        ("Ines,2026-03-09,Squat,1,1e2,5,,,,", "load_kg", "“1e2”", "a load from 0 to 10,000 kg"),
        ("Ines,2026-03-09,Squat,1,100kg,5,,,,", "load_kg", "“100kg”", "a load from 0 to 10,000 kg"),
        ("Ines,2026-03-09,Squat,1,١٠٠,5,,,,", "load_kg", "“١٠٠”", "a load from 0 to 10,000 kg"),
        ('Ines,2026-03-09,Squat,1,"1,250",5,,,,', "load_kg", "“1,250”", "without thousands mark"),
        ("Ines,2026-03-09,Squat,1,100,,,,,", "reps", "nothing", "a whole number of repetitions"),
        ("Ines,2026-03-09,Squat,1,100,5.5,,,,", "reps", "“5.5”", "a whole number of repetitions"),
        ("Ines,2026-03-09,Squat,1,100,1001,,,,", "reps", "“1001”", "a whole number of repetitions"),
        ("Ines,2026-03-09,Squat,1,100,5/3/2026,,,,", "reps", "“5/3/2026”", "3-5 or 5/3 into this date"),
        ("Ines,2026-03-09,Squat,1,100,5,11,,,", "rpe", "“11”", "a number from 1 to 10"),
        ("Ines,2026-03-09,Squat,1,100,5,0,,,", "rpe", "“0”", "a number from 1 to 10"),
        ("Ines,2026-03-09,Squat,1,100,5,,11,,", "session_rpe", "“11”", "a number from 0 to 10"),
        ("Ines,2026-03-09,Squat,1,100,5,,,1441,", "session_minutes", "“1441”", "minutes from 0 to 1440"),
        ("Ines,2026-03-09,Squat,1,100,5,,,,a\x07b", "note", "“a\x07b”", "a text of at most"),
        (f"{'I' * 121},2026-03-09,Squat,1,100,5,,,,", "lifter", "“III", "the name of the lifter"),
    ],
)
def test_a_bad_cell_names_file_line_column_and_what_was_expected(
    row: str, column: str, found: str, expected: str
) -> None:
    good = "Ines,2026-03-09,Squat,1,100,5,,,,\n"
    (error,) = errors(HEADER + good + row + "\n" + good)
    assert error.startswith(f"LOG.csv:3, column {column}: found {found}")
    assert expected in error


def test_every_bad_cell_is_reported_and_good_rows_stay() -> None:
    log = read(HEADER + "Ines,today,Squat,1,heavy,some,,,,\nInes,2026-03-09,Squat,2,100,5,,,,\n")
    assert [error.place.column for error in log.errors] == ["date", "load_kg", "reps"]
    assert log.rows.line.tolist() == [3]


def test_reading_stops_at_ten_thousand_errors_and_hands_out_no_row() -> None:
    good, bad = "Ines,2026-03-09,Squat,1,100,5,,,,\n", "Ines,2026-03-09,Squat,1,x,5,,,,\n"
    log = read(HEADER + good + bad * 12_000)
    assert len(log.errors) == 10_000
    assert log.stopped_at == 10_003
    assert len(log.rows) == 0


def test_a_column_of_ever_new_names_is_refused() -> None:
    rows = "".join(f"L{n},2026-03-09,Squat,1,100,5,,,,\n" for n in range(10_001))
    with pytest.raises(Refused, match="the column lifter has more than 10,000 different names"):
        read(HEADER + rows)


def test_lines_are_counted_through_quoted_line_ends() -> None:
    text = HEADER + 'Ines,2026-03-09,Squat,1,100,5,,,,"two\nlines"\n\nInes,2026-03-09,Squat,2,x,5,,,,\n'
    assert errors(text)[0].startswith("LOG.csv:5, column load_kg")


def test_a_row_wider_than_the_header_is_refused_with_the_likely_reason() -> None:
    (error,) = errors(HEADER + "Ines,2026-03-09,Squat,1,82,5,5,,,,fine\n")
    assert "column 11: found “11 cells”, expected 10 cells" in error
    assert "has to stand in quotes" in error


def test_trailing_empty_cells_may_be_missing_or_too_many() -> None:
    assert (
        read(HEADER + "Ines,2026-03-09,Squat,1,100,5\nInes,2026-03-09,Squat,2,100,5,,,,,,,\n").error_count
        == 0
    )


def test_decimal_commas_are_taken_and_told() -> None:
    log = read("lifter;date;exercise;load_kg;reps;rpe\nInes;2026-03-09;Squat;82,5;5;8,5\n")
    assert (log.rows.load_g[0], log.rows.load_typed[0], log.rows.rpe[0]) == (82_500, "82,5", 8.5)
    assert (log.facts.delimiter, log.facts.decimal_mark) == (";", ",")


def test_a_number_with_a_useless_fraction_is_whole() -> None:
    assert read(HEADER + "Ines,2026-03-09,Squat,1.0,100.0,5.0,,,,\n").rows.reps.tolist() == [5]


def test_missing_columns_are_named_with_those_that_are_there() -> None:
    with pytest.raises(
        Refused, match=r"LOG.csv:1: the header lacks the columns reps, load_kg \(or load_lb\)"
    ):
        read("lifter,date,exercise,weight\nInes,2026-03-09,Squat,100\n")


def test_a_column_that_is_there_twice_is_refused() -> None:
    with pytest.raises(Refused, match="twice"):
        read("lifter,date,exercise,load_kg,reps,reps\nInes,2026-03-09,Squat,100,5,5\n")


def test_running_numbers_fill_in_and_repeated_keys_get_an_occurrence() -> None:
    rows = read(
        HEADER
        + "A,2026-03-09,Squat,,100,5,,,,\nA,2026-03-09,Bench,,60,5,,,,\nA,2026-03-09,Squat,,100,5,,,,\n"
        + "B,2026-03-09,Squat,3,90,5,,,,\nB,2026-03-09,Squat,3,90,5,,,,\n"
    )
    assert rows.rows.set_number.tolist() == [1, 1, 2, 3, 3]
    assert rows.rows.occurrence.tolist() == [0, 0, 0, 0, 1]
    assert rows.facts.repeated_keys == 1
    assert len({rows.rows.key(at) for at in range(5)}) == 5


def test_a_day_with_two_ratings_is_two_sessions() -> None:
    rows = read(
        HEADER
        + "A,2026-03-09,Squat,1,100,5,,7,60,\nA,2026-03-09,Squat,2,100,5,,,,\n"
        + "A,2026-03-09,Bench,1,60,5,,5,30,\n"
        + "A,2026-03-09,Squat,3,100,5,,7,60,\nA,2026-03-10,Squat,1,100,5,,,,\n"
    ).rows
    number, ratings = sessions(rows)
    assert number.tolist() == [0, 0, 1, 0, 2]
    assert ratings == {0: (7.0, 60.0), 1: (5.0, 30.0)}


def test_a_rating_in_a_later_row_rates_the_whole_day() -> None:
    rows = read(HEADER + "A,2026-03-09,Squat,1,100,5,,,,\nA,2026-03-09,Squat,2,100,5,,7,60,\n").rows
    number, ratings = sessions(rows)
    assert number.tolist() == [0, 0]
    assert ratings == {0: (7.0, 60.0)}


def test_names_are_trimmed_and_composed_but_not_merged() -> None:
    rows = read(HEADER + " Zoe\u0308 ,2026-03-09,Squat,1,100,5,,,,\nZoë,2026-03-09,squat,1,100,5,,,,\n").rows
    assert rows.lifters == ("Zoë",)
    assert rows.exercises == ("Squat", "squat")


def test_warm_up_and_failed_are_optional_columns_of_ours() -> None:
    head = "lifter,date,exercise,load_kg,reps,warm_up,failed\n"
    log = read(head + "A,2026-03-09,Squat,100,5,yes,\nA,2026-03-09,Squat,100,5,no,TRUE\n")
    assert log.rows.warm_up.tolist() == [True, False]
    assert log.rows.failed.tolist() == [False, True]
    assert read(head + "A,2026-03-09,Squat,100,5,maybe,\n").errors[0].expected.startswith("yes or no")


def test_a_mapping_reads_a_coach_s_own_columns() -> None:
    table = read_pasted("Athlete\tDay\tLift\tWeight\tReps\nInes\t2026-03-09\tSquat\t100 kg\t5\n")
    mapping = suggest_mapping(table.header)
    assert mapping == {
        "lifter": "Athlete",
        "date": "Day",
        "exercise": "Lift",
        "load_kg": "Weight",
        "reps": "Reps",
    }
    assert read_log(table, mapping=mapping).rows.load_g.tolist() == [100_000]
    assert read_log(table, mapping=mapping, unit="lb").rows.load_g.tolist() == [100_000]  # The cell says kg.


def test_a_mapping_is_remembered_by_the_columns_whatever_their_order() -> None:
    assert shape_of(["Date", "Lift (main)"]) == shape_of(["lift main", "DATE"])


def test_refused_dates_come_with_the_styles_that_would_read_them() -> None:
    head = "lifter,date,exercise,load_kg,reps\n"
    log = read(head + "A,13/02/2026,Squat,100,5\nA,03/02/2026,Squat,100,5\n")
    assert log.dates is not None
    assert log.dates.certain == "day-month-year"
    assert log.dates.read_as == (date(2026, 2, 13),)
    again = read(head + "A,13/02/2026,Squat,100,5\nA,03/02/2026,Squat,100,5\n", date_style="day-month-year")
    assert [date.fromordinal(d) for d in again.rows.day.tolist()] == [date(2026, 2, 13), date(2026, 2, 3)]


@pytest.mark.parametrize(
    ("texts", "styles"),
    [
        (["03/02/2026"], ("day-month-year", "month-day-year")),
        (["2/14/26"], ("month-day-year",)),
        (["14.2.2026"], ("day-month-year",)),
        (["2026/02/14"], ("year-month-day",)),
        (["46067"], ("serial",)),
    ],
)
def test_date_styles_are_told_apart(texts: list[str], styles: tuple[str, ...]) -> None:
    guess = guess_dates(texts)
    assert guess is not None
    assert guess.styles == styles


def test_no_style_reads_nonsense() -> None:
    assert guess_dates(["31/31/2026"]) is None


def test_a_day_number_is_the_one_spreadsheets_show() -> None:
    # 1 January 2000 is day 36526 in every spreadsheet that counts from 1900 (ECMA-376 part 1, 18.17.4).
    guess = guess_dates(["36526"])
    assert guess is not None
    assert guess.read_as == (date(2000, 1, 1),)


def test_dates_that_a_spreadsheet_turned_in_part_are_not_certain() -> None:
    log = read("lifter,date,exercise,load_kg,reps\nA,13/02/2026,Squat,100,5\nA,2026-03-02,Squat,100,5\n")
    assert log.dates is not None
    assert log.dates.mixed
    assert log.dates.certain is None


@given(st.text())
def test_escaping_is_undone_exactly_and_leaves_nothing_to_run(text: str) -> None:
    safe = escape_formula(text)
    assert unescape_formula(safe) == text
    assert not safe.startswith(("=", "+", "-", "@", "\t", "\r", "\0"))


@given(st.text(alphabet="'=+-@\t\r ab", max_size=6))
def test_escaping_survives_apostrophes(text: str) -> None:
    assert unescape_formula(escape_formula(text)) == text


def test_reading_gives_what_a_plain_reader_gives() -> None:
    """Chunks, look-ups and columns against the slow and obvious way, on 12,000 rows."""
    rng = np.random.default_rng(5)
    buffer = io.StringIO()
    write = csv.writer(buffer)
    write.writerow(HEADER.strip().split(","))
    rows = [
        (f"L{a}", f"2026-0{1 + b % 9}-{1 + b % 28:02}", f"E{c}", 1, d / 2, e, 6 + f / 2, "", "", "x" * a)
        for a, b, c, d, e, f in rng.integers(0, 9, (12_000, 6)).tolist()
    ]
    write.writerows(rows)
    log = read(buffer.getvalue()).rows
    assert [log.lifters[at] for at in log.lifter] == [row[0] for row in rows]
    assert [date.fromordinal(day).isoformat() for day in log.day.tolist()] == [row[1] for row in rows]
    assert [log.exercises[at] for at in log.exercise] == [row[2] for row in rows]
    assert (log.load_g / 1000).tolist() == [row[4] for row in rows]
    assert log.reps.tolist() == [row[5] for row in rows]
    assert log.rpe.tolist() == [row[6] for row in rows]
    assert log.note == [row[9] for row in rows]
    assert log.line.tolist() == list(range(2, 12_002))
