"""A log added up by week gives sums that can be done by hand."""

from __future__ import annotations

import io
from datetime import date

import openpyxl

from app.exchange.weekly import weekly_xlsx
from app.exchange.writers import LogLine


def line(day: date, exercise: str, load: str, reps: int, unit: str = "kg", **more: bool) -> LogLine:
    return LogLine("Vilde Aas", day, exercise, 1, load, unit, reps, **more)  # type: ignore[arg-type]


def sheets(lines: list[LogLine]) -> dict[str, list[tuple[object, ...]]]:
    book = openpyxl.load_workbook(io.BytesIO(weekly_xlsx(lines)))
    return {one.title: list(one.iter_rows(values_only=True)) for one in book}


def test_sets_repetitions_and_volume_are_added_up_by_week_and_lift() -> None:
    # Worked by hand. Sunday 8 March 2026 belongs to the week of the 2nd, Monday the 9th begins the next;
    # 225 lb is 102.05828325 kg (1 lb = 0.45359237 kg), times 2 is 204.117 to the gram of storage.
    found = sheets(
        [
            line(date(2026, 3, 3), "Squat", "100", 5),
            line(date(2026, 3, 8), "Squat", "102,5", 3),
            line(date(2026, 3, 8), "Squat", "60", 5, warm_up=True),
            line(date(2026, 3, 9), "Squat", "225", 2, unit="lb"),
            line(date(2026, 3, 9), "Bench press", "60", 8),
        ]
    )
    weeks = [(str(row[0])[:10], *row[1:]) for row in found["Weeks"][1:]]
    assert weeks == [
        ("2026-03-02", "Squat", 2, 8, 807.5, 102.5),
        ("2026-03-09", "Bench press", 1, 8, 480, 60),
        ("2026-03-09", "Squat", 1, 2, 204.116, 102.058),
    ]
    across = [(str(row[0])[:10], *row[1:]) for row in found["Volume load"]]
    assert across == [
        ("week_from", "Bench press", "Squat"),
        ("2026-03-02", 0, 807.5),
        ("2026-03-09", 480, 204.116),
    ]


def test_an_empty_log_is_two_headers() -> None:
    assert [len(rows) for rows in sheets([]).values()] == [1, 1]
