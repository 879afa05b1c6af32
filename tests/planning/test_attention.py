"""What of an analysis a coach hears about: one finding a cause, the rest explained by it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from app.planning import wording
from app.planning.attention import Finding, findings
from app.storage.seasons import Due, Lift, Pain
from app.training.records import (
    Estimate,
    ExerciseAnalysis,
    Exposure,
    Flag,
    FlagKind,
    LifterAnalysis,
    LoadSummary,
    Severity,
    Trend,
    WeeklyStress,
)
from tests.factories import TODAY

LIFTS = {
    name: Lift(number, name, main)
    for number, (name, main) in enumerate(
        [
            ("Squat", "Squat"),
            ("Front squat", "Squat"),
            ("Bench press", "Bench press"),
            ("Deadlift", "Deadlift"),
            ("Curl", None),
        ],
        start=1,
    )
}


def _flag(
    kind: FlagKind, severity: Severity = "watch", probability: float = math.nan, **evidence: Any
) -> Flag:
    return Flag(kind, severity, TODAY - 20, probability, evidence, "Worth a look.", "it is over")


def _exercise(name: str, *flags: Flag, days_since: int = 2) -> ExerciseAnalysis:
    seen = Exposure("5-6", TODAY - days_since, days_since, 6, 6, 1.0, "current", None, None)
    return ExerciseAnalysis(
        name, LIFTS[name].main_lift, None, "", (seen,), WeeklyStress(np.array([], dtype=np.int64), {}), flags
    )


def _found(*exercises: ExerciseAnalysis, flags: Sequence[Flag] = (), **around: Any) -> dict[str, Finding]:
    load = LoadSummary("volume_load", 0, 0, 0, 0, 1, 0, 0, math.nan, math.nan)
    stress = WeeklyStress(np.array([], dtype=np.int64), {})
    analysis = LifterAnalysis(TODAY, load, (load,), stress, tuple(exercises), tuple(flags), ())
    found = findings(analysis, LIFTS, **around)
    assert len({one.cause for one in found}) == len(found), "two findings of one cause"
    return {one.cause: one for one in found}


def test_two_exercises_of_one_lift_are_one_stall() -> None:
    found = _found(
        _exercise("Squat", _flag("stall", probability=0.65)),
        _exercise("Front squat", _flag("regression", "act", probability=0.85)),
        _exercise("Bench press", _flag("stall", probability=0.7)),
    )
    assert set(found) == {"progress:squat", "progress:bench press"}
    assert found["progress:squat"].kind == "regression"


def test_a_heavy_week_is_one_finding_whatever_the_lifts() -> None:
    found = _found(
        *(
            _exercise(name, _flag("load_spike", over_largest_of_four_weeks=ratio))
            for name, ratio in (("Squat", 1.4), ("Bench press", 1.9), ("Deadlift", 1.5))
        )
    )
    (one,) = found.values()
    assert one.exercise_id == LIFTS["Bench press"].id
    assert one.evidence["also"] == ["Deadlift", "Squat"]
    words = wording.of_flag(
        one.kind, lift="Bench press", probability=None, since_day=TODAY, evidence=one.evidence, advice=""
    )
    assert words.title == "Bench press and 2 more: stress above own usual"
    assert words.why == "this week 1.9 times the largest of the last four"


def test_accessories_ask_for_nothing_while_main_lifts_are_known() -> None:
    assert _found(_exercise("Squat"), _exercise("Curl", _flag("stall", probability=0.9))) == {}
    assert set(_found(_exercise("Curl", _flag("stall", probability=0.9)))) == {"progress:curl"}


def test_a_helper_rated_hard_is_a_notice_and_a_main_lift_a_flag() -> None:
    helper = _exercise("Front squat", _flag("effort_drift", rpe_above_prescribed=1.4, sessions=6))
    assert _found(helper)["effort_drift:"].severity == "notice"
    main = _exercise("Squat", _flag("effort_drift", rpe_above_prescribed=0.9, sessions=6))
    both = _found(helper, main)["effort_drift:"]
    assert both.severity == "watch"
    assert both.exercise_id == LIFTS["Squat"].id


def test_work_rated_harder_than_usual_and_than_prescribed_is_one_flag() -> None:
    main = _exercise("Squat", _flag("effort_drift", rpe_above_prescribed=1.1, sessions=6))
    shift = _flag("effort_drift", probability=0.7, rpe_above_usual=1.2, weeks=4.0)
    (one,) = _found(main, flags=[shift]).values()
    assert one.evidence["rpe_above_usual"] == 1.2


def _rising(name: str, probability: float, *flags: Flag) -> ExerciseAnalysis:
    days, level = np.array([TODAY]), np.array([100.0])
    trend = Trend(
        Estimate(100, 97, 103), Estimate(0.1, -0.1, 0.3), probability, days, level, level, days, level,
        days, level, level, 30, 10, 27.0, True,
    )  # fmt: skip
    return replace(_exercise(name, *flags), trend=trend)


@pytest.mark.parametrize(
    ("probability", "main_rises", "severity"),
    [(0.45, 0.2, None), (0.55, 0.2, "notice"), (0.7, 0.9, "notice"), (0.7, 0.2, "watch")],
)
def test_a_falling_helper_counts_by_its_odds_and_by_its_main_lift(
    probability: float, main_rises: float, severity: str | None
) -> None:
    fall = _flag("regression", probability=probability, change_pct=-3.0, weeks=6)
    found = _found(_exercise("Front squat", fall), _rising("Squat", main_rises))
    assert {one.severity for one in found.values()} == ({severity} if severity else set())


def test_a_helper_kept_the_same_for_long_is_no_matter() -> None:
    same = _flag("stale_stimulus", weeks=12)
    assert _found(_exercise("Front squat", same)) == {}
    assert len(_found(_exercise("Squat", same))) == 1


def test_silence_explains_what_was_not_trained_and_not_done() -> None:
    silent = _flag("silent", days_without_log=12, usual_longest_gap=4.0)
    due = [Due(n, 1, 1, "Heavy", TODAY - 2 * n, "planned") for n in range(1, 5)]
    found = _found(
        _exercise("Squat", _flag("detraining", days_without=12), days_since=12), flags=[silent], due=due
    )
    assert set(found) == {"attendance:"}
    assert found["attendance:"].evidence["planned_since"] == 4


def test_missed_sessions_explain_a_layoff_only_while_nothing_was_logged() -> None:
    due = [Due(n, 1, 1, "Heavy", TODAY - 2 * n, "missed") for n in range(1, 5)]
    squat = _exercise("Squat", _flag("detraining", days_without=12), days_since=12)
    assert set(_found(squat, due=due)) == {"attendance:"}
    assert set(_found(squat, _exercise("Bench press"), due=due)) == {"attendance:", "detraining:"}


def test_impossible_sets_of_several_days_and_lifts_are_one_finding() -> None:
    wrong = _flag("data_error", sets=3, reason="pounds_as_kilograms", rows="")
    old = Flag("data_error", "watch", TODAY - 90, math.nan, {"sets": 1, "reason": "duplicate"}, "", "")
    one = _found(_exercise("Squat", wrong, wrong), _exercise("Bench press", old))["data_error:"]
    assert one.evidence["sets"] == 7
    assert one.evidence["reason"] == "pounds_as_kilograms"
    assert one.since_day == TODAY - 90
    assert one.severity == "watch"
    assert _found(_exercise("Bench press", old))["data_error:"].severity == "notice"


def test_pain_stops_the_advice_to_add_load_for_its_lift() -> None:
    ready = _flag("ready_to_progress", "notice", probability=0.8)
    exercises = (_exercise("Squat", ready), _exercise("Bench press", ready))
    hurt = Pain(1, TODAY, "knee", 5, "", LIFTS["Front squat"].id, "", None)
    assert set(_found(*exercises, pains=[hurt])) == {"pain:2", "ready_to_progress:bench press"}
    anywhere = Pain(1, TODAY, "back", 5, "", None, "", None)
    assert set(_found(*exercises, pains=[anywhere])) == {"pain:back"}


def test_a_paused_lifter_is_only_asked_about_pain_and_impossible_sets() -> None:
    found = _found(
        _exercise("Squat", _flag("stall", probability=0.9), _flag("data_error", sets=1, reason="duplicate")),
        flags=[_flag("silent", days_without_log=30)],
        pains=[Pain(1, TODAY, "knee", 5, "", 1, "", None)],
        coached=False,
    )
    assert set(found) == {"pain:1", "data_error:"}


# In words -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (0.7, "about 7 in 10"),
        (0.03, "about 1 in 10"),
        (0.96, "about 9 in 10"),
        (0.99, "almost sure"),
        (None, ""),
        (math.nan, ""),
    ],
)
def test_a_probability_is_said_as_people_count(probability: float | None, words: str) -> None:
    assert wording.odds(probability) == words


@pytest.mark.parametrize(
    ("slope", "rising", "words"),
    [
        (0.4, 0.97, "rising"),
        (0.2, 0.8, "probably rising"),
        (0.0, 0.5, "unclear"),
        (-0.2, 0.2, "probably falling"),
        (-0.5, 0.02, "falling"),
        (-0.1, 0.95, "unclear"),
    ],
)
def test_a_direction_is_said_only_when_it_is_known(slope: float, rising: float, words: str) -> None:
    assert wording.direction(slope, rising) == words


@pytest.mark.parametrize("kind", list(wording.PROPOSALS))
def test_every_kind_has_title_reason_and_proposal_even_without_evidence(kind: str) -> None:
    said = wording.of_flag(
        kind, lift="Squat", probability=0.7, since_day=TODAY, evidence={}, advice="Worth a look."
    )
    assert said.title
    assert said.proposal
    assert said.why
    assert "{" not in said.title + said.why
