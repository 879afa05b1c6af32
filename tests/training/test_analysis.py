from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.training import dose
from app.training.analysis import LONGEST_REST_DAYS, analyse_lifter, take
from app.training.records import AnalysisSettings, Exercise, LifterAnalysis, SetLog
from app.training.units import KG_PER_LB
from tests.training.logs import MONDAY, make_log, reordered, shifted, straight
from tests.training.planted import blocks, end_of, plant

SPANS = blocks(*[("volume", 4), ("strength", 4)] * 4)
LIFTS = ("squat", "bench")


def said(analysis: LifterAnalysis) -> list[tuple[str, int, int]]:
    """Kind, place and age of every flag."""
    own = [(flag.kind, -1, analysis.as_of - flag.since) for flag in analysis.flags]
    of_lifts = [
        (flag.kind, place, analysis.as_of - flag.since)
        for place, one in enumerate(analysis.exercises)
        for flag in one.flags
    ]
    return own + of_lifts


def levels(analysis: LifterAnalysis) -> list[float]:
    return [one.trend.e1rm.mean for one in analysis.exercises if one.trend is not None]


def test_everything_is_said_about_every_exercise() -> None:
    log = plant(20, exercises=LIFTS)
    analysis = analyse_lifter(log, SPANS, as_of=end_of(20))
    assert [one.exercise for one in analysis.exercises] == list(LIFTS)
    assert [load.measure for load in analysis.loads] == list(dose.MEASURES)
    assert analysis.load.measure == AnalysisSettings().stress_measure
    for one in analysis.exercises:
        assert one.trend is not None
        assert one.trend_missing_because == ""
        assert one.exposures
        assert one.stress.week_start[0] == MONDAY
    assert analysis.held_out == ()


def test_only_the_past_is_looked_at() -> None:
    log = plant(30, exercises=LIFTS)
    then = end_of(18)
    whole = analyse_lifter(log, SPANS, as_of=then)
    cut = analyse_lifter(take(log, log.day <= then), SPANS, as_of=then)
    assert levels(whole) == levels(cut)
    assert said(whole) == said(cut)
    assert whole.load == cut.load


def test_planned_blocks_may_follow_the_day() -> None:
    log = plant(12)
    with_plan = analyse_lifter(log, SPANS, as_of=end_of(12))
    without = analyse_lifter(log, SPANS[:3], as_of=end_of(12))
    assert levels(with_plan) == pytest.approx(levels(without), rel=1e-9)


def test_nothing_logged_yet_is_answered() -> None:
    log = plant(4)
    before = analyse_lifter(log, SPANS, as_of=MONDAY - 1)
    assert before.exercises == ()
    assert before.flags == ()
    assert before.load.last_28_days == 0


def test_a_lift_with_little_data_says_what_it_needs() -> None:
    log = plant(12)
    rows = [
        {"day": int(d), "load_kg": float(w), "reps": int(r), "rpe": float(p)}
        for d, w, r, p in zip(log.day, log.load_kg, log.reps, log.rpe, strict=True)
    ]
    extra = straight(end_of(12), 60.0, 10, 3, exercise=1)
    both = make_log(rows + extra, exercises=(Exercise("squat", "squat"), Exercise("curl")))
    squat, curl = analyse_lifter(both, SPANS, as_of=end_of(12)).exercises
    assert squat.trend is not None
    assert curl.trend is None
    assert curl.trend_missing_because == "needs 3 more sessions"


def test_a_lift_long_given_up_has_no_strength_to_state() -> None:
    log = plant(12)
    last = int(log.day.max())
    assert analyse_lifter(log, (), as_of=last + LONGEST_REST_DAYS).exercises[0].trend is not None
    (one,) = analyse_lifter(log, (), as_of=last + LONGEST_REST_DAYS + 1).exercises
    assert one.trend is None
    assert one.trend_missing_because == f"not trained for {LONGEST_REST_DAYS + 1} days"


def test_what_cannot_be_is_held_out_of_every_number() -> None:
    log = plant(20)
    typed = log.load_kg.copy()
    typed[-2] *= 10
    wrong = analyse_lifter(dataclasses.replace(log, load_kg=typed), SPANS, as_of=end_of(20))
    keep = np.ones(log.day.size, bool)
    keep[-2] = False
    right = analyse_lifter(take(log, keep), SPANS, as_of=end_of(20))
    assert [error.row for error in wrong.held_out] == [int(log.row[-2])]
    assert levels(wrong) == levels(right)
    assert wrong.load == right.load
    assert ("data_error", 0, end_of(20) - int(log.day[-2])) in said(wrong)


def test_unit_of_load_does_not_matter() -> None:
    log = plant(24, exercises=LIFTS)
    pounds = dataclasses.replace(log, load_kg=log.load_kg / KG_PER_LB)
    ours, theirs = (analyse_lifter(one, SPANS, as_of=end_of(24)) for one in (log, pounds))
    assert np.array(levels(theirs)) * KG_PER_LB == pytest.approx(levels(ours), rel=1e-6)
    assert said(theirs) == said(ours)


@settings(max_examples=6)
@given(st.randoms(use_true_random=False))
def test_order_of_input_does_not_matter(random: object) -> None:
    log = plant(14, exercises=LIFTS)
    order = np.arange(log.day.size)
    random.shuffle(order)  # type: ignore[attr-defined]
    ours, theirs = (analyse_lifter(one, SPANS, as_of=end_of(14)) for one in (log, reordered(log, order)))
    assert levels(theirs) == pytest.approx(levels(ours), rel=1e-9)
    assert said(theirs) == said(ours)


@settings(max_examples=6)
@given(st.integers(-50, 50))
def test_dates_matter_only_by_their_differences(weeks: int) -> None:
    # Whole weeks, because a calendar week begins on Monday wherever it is.
    log, days = plant(14, exercises=LIFTS), 7 * weeks
    spans = tuple(dataclasses.replace(s, start=s.start + days, end=s.end + days) for s in SPANS)
    ours = analyse_lifter(log, SPANS, as_of=end_of(14))
    theirs = analyse_lifter(shifted(log, days), spans, as_of=end_of(14) + days)
    assert levels(theirs) == pytest.approx(levels(ours), rel=1e-9)
    assert said(theirs) == said(ours)


def test_a_warm_up_changes_nothing() -> None:
    log = plant(16)
    warm_ups = straight(MONDAY + 70, 60.0, 5, 3, warm_up=True)
    rows = [
        {"day": int(d), "load_kg": float(w), "reps": int(r), "rpe": float(p), "row": i}
        for i, (d, w, r, p) in enumerate(zip(log.day, log.load_kg, log.reps, log.rpe, strict=True))
    ]
    with_them = make_log(rows + [{**row, "row": 10_000 + i} for i, row in enumerate(warm_ups)])
    ours, theirs = (analyse_lifter(one, SPANS, as_of=end_of(16)) for one in (log, with_them))
    assert levels(theirs) == pytest.approx(levels(ours), rel=1e-9)
    assert said(theirs) == said(ours)
    assert theirs.load == ours.load


def test_the_chosen_measure_is_the_one_that_leads() -> None:
    log: SetLog = plant(12)
    settings = AnalysisSettings(stress_measure="hard_sets")
    assert analyse_lifter(log, (), as_of=end_of(12), settings=settings).load.measure == "hard_sets"


def test_two_days_of_the_same_log_agree() -> None:
    # Nothing is kept between runs: the same question has the same answer.
    log = plant(20, exercises=LIFTS)
    first, second = (analyse_lifter(log, SPANS, as_of=end_of(20)) for _ in range(2))
    assert levels(first) == levels(second)
    assert said(first) == said(second)
