"""From rows of a file to the core's records, and from its answers to the contract."""

import math
from dataclasses import replace

import numpy as np
import pytest

from app.exchange.analysis_report import exercises_of, report, set_logs, text_table
from app.exchange.log_file import read_log
from app.exchange.tables import read_table
from app.training.records import (
    Exercise,
    ExerciseAnalysis,
    Exposure,
    Flag,
    LifterAnalysis,
    LoadSummary,
    Mark,
    WeeklyStress,
)

NAN = float("nan")
NOTHING = WeeklyStress(np.array([], dtype=np.int64), {})
LOAD = LoadSummary("hard_sets", 10.0, 40.0, 1.0, 1.0, NAN, 8.0, 12.0, NAN, NAN)
DAY = 739_000


def exposure(day: int) -> Exposure:
    best = Mark(100.0, 5, NAN, day, 120.0)
    return Exposure("5-6", day, 1, 4, 4, 0.5, "current", best, None)


def exercise(name: str, *, main_lift: str | None, day: int) -> ExerciseAnalysis:
    return ExerciseAnalysis(name, main_lift, None, "needs 3 more sessions", (exposure(day),), NOTHING, ())


def analysis(*exercises: ExerciseAnalysis, flags: tuple[Flag, ...] = ()) -> LifterAnalysis:
    return LifterAnalysis(DAY, LOAD, (LOAD,), NOTHING, exercises, flags, ())


SILENT = Flag(
    "silent", "watch", DAY - 9, NAN, {"days": np.int64(9), "usual": 3.14159, "none": NAN}, "Ask.", "a log"
)


def test_a_flag_about_the_lifter_stands_at_the_main_lift_trained_last() -> None:
    lifter = analysis(
        exercise("Squat", main_lift="Squat", day=DAY - 20),
        exercise("Bench press", main_lift="Bench press", day=DAY - 12),
        exercise("Paused squat", main_lift="Squat", day=DAY - 9),
        flags=(SILENT,),
    )
    (found,) = report([("Ines", lifter)], as_of=DAY, version="1")["lifters"]
    assert [len(one["flags"]) for one in found["exercises"]] == [0, 1, 0]
    assert found["exercises"][1]["flags"][0]["evidence"] == {
        "days": 9,
        "usual": 3.1416,
        "none": None,
        "scope": "lifter",
    }


def test_without_a_main_lift_it_stands_at_the_exercise_trained_last() -> None:
    lifter = analysis(
        exercise("Curl", main_lift=None, day=DAY - 20),
        exercise("Row", main_lift=None, day=DAY - 9),
        flags=(SILENT,),
    )
    (found,) = report([("Ines", lifter)], as_of=DAY, version="1")["lifters"]
    assert [len(one["flags"]) for one in found["exercises"]] == [0, 1]


def test_what_is_not_known_is_null() -> None:
    lifter = analysis(exercise("Squat", main_lift="Squat", day=DAY))
    (found,) = report([("Ines", lifter)], as_of=DAY, version="1")["lifters"]
    assert found["load"]["monotony"] is None
    assert found["exercises"][0]["trend"] is None
    best = found["exercises"][0]["exposures"][0]
    assert best["recent_best"]["rpe"] is None
    assert best["all_time_best"] is None


def test_a_probability_travels_with_the_evidence() -> None:
    likely = replace(SILENT, probability=0.876)
    lifter = analysis(exercise("Squat", main_lift="Squat", day=DAY), flags=(likely,))
    (found,) = report([("Ines", lifter)], as_of=DAY, version="1")["lifters"]
    assert found["exercises"][0]["flags"][0]["evidence"]["probability"] == 0.88


def test_the_table_says_when_there_is_too_little_data() -> None:
    lifter = analysis(exercise("Squat", main_lift="Squat", day=DAY))
    text = text_table(report([("Ines", lifter)], as_of=DAY, version="1"))
    assert "too little data" in text
    assert "100 kg x 5" in text


def test_the_main_lift_is_called_what_the_lifter_calls_it() -> None:
    names = ["Paused squat", "Back Squat", "Squat", "Bench"]
    sets = {"Paused squat": 50, "Back Squat": 20, "Squat": 5, "Bench": 9}
    assert [one.main_lift for one in exercises_of(names, sets)] == ["Back Squat"] * 3 + ["Bench"]
    assert exercises_of(["Front squat"], {"Front squat": 3}) == (Exercise("Front squat", "squat", 0.0),)


def test_each_lifter_gets_the_own_exercises_sessions_and_ratings() -> None:
    text = (
        "lifter,date,exercise,load_kg,reps,rpe,session_rpe,session_minutes\n"
        "Ivo,2026-03-09,Squat,100,5,8,7,60\n"
        "Ines,2026-03-09,Bench press,50,0,,6,\n"
        "Ines,2026-03-10,Squat,80.5,5,8.5,8,45\n"
        "Ines,2026-03-10,Squat,80.5,4,,,\n"
    )
    (first, ivo), (second, ines) = set_logs(read_log(read_table(text.encode(), "LOG.csv")).rows)
    assert (first, second) == ("Ivo", "Ines")
    assert {one.name for one in ines.exercises} == {"Squat", "Bench press"}
    assert [ines.exercises[at].name for at in ines.exercise] == ["Bench press", "Squat", "Squat"]
    assert ines.load_kg.tolist() == [50.0, 80.5, 80.5]
    assert ines.failed.tolist() == [True, False, False]
    assert ines.row.tolist() == [3, 4, 5]
    assert len(set(ines.session.tolist())) == 2
    # A session is rated only where both its RPE and its minutes are known.
    assert list(ines.session_load.values()) == [(8.0, 45.0)]
    assert list(ivo.session_load.values()) == [(7.0, 60.0)]
    assert math.isnan(ines.rpe[2])


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1)])
def test_rows_of_lifters_may_be_mixed(order: tuple[int, ...]) -> None:
    rows = ["A,2026-03-09,Squat,100,5", "B,2026-03-09,Squat,90,5", "A,2026-03-10,Squat,101,5"]
    text = "\n".join(["lifter,date,exercise,load_kg,reps", *(rows[at] for at in order)])
    logs = dict(set_logs(read_log(read_table(text.encode(), "LOG.csv")).rows))
    assert sorted(logs["A"].load_kg.tolist()) == [100.0, 101.0]
    assert logs["B"].load_kg.tolist() == [90.0]
