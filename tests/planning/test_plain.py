"""What is kept of an analysis comes back as it was."""

from __future__ import annotations

import math

import numpy as np
import orjson

from app.planning.plain import plain, record
from app.training.records import Estimate, ExerciseAnalysis, Exposure, Flag, Mark, Trend, WeeklyStress


def _there_and_back(kind: type, value: object) -> object:
    return record(kind, orjson.loads(orjson.dumps(plain(value))))


def _trend() -> Trend:
    days = np.array([10, 17], dtype=np.int64)
    kg = np.array([100.0, math.nan])
    return Trend(
        e1rm=Estimate(101.25, 97.5, 105.0),
        slope_pct_per_week=Estimate(0.3, -0.1, 0.7),
        probability_rising=0.9,
        day=days,
        level_kg=kg,
        sd_kg=kg,
        point_day=days,
        point_kg=kg,
        forecast_day=np.array([], dtype=np.int64),
        forecast_kg=np.array([]),
        forecast_sd_kg=np.array([]),
        sets_used=23,
        sessions_used=9,
        curve_reps_per_fraction=30.0,
        curve_known=True,
    )


def test_arrays_gaps_and_nothing_survive() -> None:
    mark = Mark(load_kg=100.0, reps=5, rpe=math.nan, day=12, e1rm_kg=116.5)
    analysis = ExerciseAnalysis(
        exercise="Squat",
        main_lift=None,
        trend=_trend(),
        trend_missing_because="",
        exposures=(Exposure("3-4", 12, 3, 4, 2, 0.5, "current", mark, None),),
        stress=WeeklyStress(np.array([7], dtype=np.int64), {"working_sets": np.array([12.0])}),
        flags=(Flag("stall", "act", 5, math.nan, {"sets": 23, "slope": -0.25, "lift": "Squat"}, "a", "b"),),
    )
    back = _there_and_back(ExerciseAnalysis, analysis)
    assert isinstance(back, ExerciseAnalysis)
    assert back.trend is not None
    np.testing.assert_array_equal(back.trend.level_kg, [100.0, math.nan])
    assert back.trend.day.dtype == np.int64
    assert back.trend.e1rm == Estimate(101.25, 97.5, 105.0)
    best = back.exposures[0].recent_best
    assert best is not None
    assert math.isnan(best.rpe)
    assert back.exposures[0].all_time_best is None
    assert back.flags[0].evidence == {"sets": 23, "slope": -0.25, "lift": "Squat"}
    np.testing.assert_array_equal(back.stress.measures["working_sets"], [12.0])


def test_a_missing_trend_stays_missing() -> None:
    stress = WeeklyStress(np.array([], dtype=np.int64), {})
    analysis = ExerciseAnalysis("Squat", "Squat", None, "needs 3 more sessions", (), stress, ())
    back = _there_and_back(ExerciseAnalysis, analysis)
    assert isinstance(back, ExerciseAnalysis)
    assert back.trend is None
    assert back.trend_missing_because == "needs 3 more sessions"
