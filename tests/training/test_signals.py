"""For each kind of flag a planted lifter who raises it and a near miss who does not."""

from __future__ import annotations

import dataclasses
import itertools
import math
from datetime import date
from typing import get_args

import numpy as np
import pytest

from app.training import signals
from app.training.analysis import analyse_lifter
from app.training.records import AnalysisSettings, BlockSpan, DataError, Exercise, Flag, FlagKind, SetLog
from tests.training.logs import MONDAY, make_log, straight
from tests.training.planted import blocks, end_of, fours, plant, without

ONE_LONG_BLOCK = blocks(("strength", 60))


def flags(
    log: SetLog,
    spans: tuple[BlockSpan, ...] = (),
    as_of: int | None = None,
    sensitivity: float = 1.0,
    planned: tuple[int, ...] = (),
) -> list[Flag]:
    settings = AnalysisSettings(sensitivity=sensitivity)
    day = int(log.day.max()) if as_of is None else as_of
    analysis = analyse_lifter(log, spans, as_of=day, settings=settings, planned=planned)
    return [*analysis.flags, *(flag for one in analysis.exercises for flag in one.flags)]


def of_kind(kind: FlagKind, found: list[Flag]) -> list[Flag]:
    return [flag for flag in found if flag.kind == kind]


def kinds(found: list[Flag]) -> set[str]:
    return {flag.kind for flag in found}


def rises_then(change: float, at: int = 22, gain: float = 0.006):  # type: ignore[no-untyped-def]
    """Strength that gains 0.6 % a week until a week, and changes by so much a week after it."""
    return lambda week: 120 * math.exp(gain * min(week, at) + change * max(week - at, 0))


# --- stall, regression ------------------------------------------------------------------------------------


def test_a_lift_that_stops_gaining_under_the_same_work_is_a_stall() -> None:
    log = plant(32, strength=rises_then(0.0), plan=fours, noise=0.3, form=0.006)
    (found,) = of_kind("stall", flags(log, ONE_LONG_BLOCK))
    assert found.severity == "watch"
    assert abs(found.since - (MONDAY + 7 * 22)) <= 28
    assert 0.15 < found.probability <= 1
    assert found.evidence["stress_ratio"] > 0.8


def test_a_lift_that_falls_under_the_same_work_is_a_regression() -> None:
    log = plant(30, strength=rises_then(-0.008), plan=fours, noise=0.3, form=0.006)
    (found,) = of_kind("regression", flags(log, ONE_LONG_BLOCK))
    assert float(found.evidence["change_pct"]) < -1
    assert not of_kind("stall", flags(log, ONE_LONG_BLOCK))


@pytest.mark.parametrize("seed", range(3))
def test_a_lift_that_goes_on_gaining_raises_neither(seed: int) -> None:
    log = plant(32, strength=rises_then(0.006), plan=fours, seed=seed)
    assert not kinds(flags(log, ONE_LONG_BLOCK)) & {"stall", "regression"}


def test_a_standstill_while_the_work_steps_back_is_owed_nothing() -> None:
    log = plant(
        32, strength=rises_then(0.0), plan=fours, noise=0.3, form=0.006, sets=lambda w: 4 if w < 22 else 1
    )
    assert not kinds(flags(log, ONE_LONG_BLOCK)) & {"stall", "regression"}


def test_a_standstill_in_an_easy_block_is_its_plan() -> None:
    log = plant(32, strength=rises_then(0.0), plan=fours, noise=0.3, form=0.006)
    spans = blocks(("strength", 22), ("maintenance", 12))
    assert not kinds(flags(log, spans)) & {"stall", "regression"}


def test_a_shortfall_in_the_first_weeks_of_a_new_emphasis_is_no_stall() -> None:
    # Two percent lower from the day the emphasis changes, as new work costs.
    drop = lambda week: 120 * math.exp(0.004 * week - (0.02 if week >= 24 else 0.0))  # noqa: E731
    plan = lambda week: (8, 2.0) if week < 24 else (3, 1.5)  # noqa: E731
    log = plant(26, strength=drop, plan=plan)
    found = flags(log, blocks(("volume", 24), ("strength", 6)))
    assert not kinds(found) & {"stall", "regression"}


def test_a_flag_does_not_flicker() -> None:
    log = plant(40, strength=rises_then(0.0), plan=fours, noise=0.3, form=0.006)
    up = ["stall" in kinds(flags(log, ONE_LONG_BLOCK, end_of(week))) for week in range(20, 40)]
    assert any(up)
    # Raised once, cleared at most once.
    assert sum(a != b for a, b in itertools.pairwise(up)) <= 2


def test_sensitivity_raises_earlier_and_insensitivity_later() -> None:
    log = plant(34, strength=rises_then(0.0), plan=fours, noise=0.4, form=0.01)

    def first(sensitivity: float) -> int:
        weeks = (
            w
            for w in range(18, 34)
            if kinds(flags(log, ONE_LONG_BLOCK, end_of(w), sensitivity)) & {"stall", "regression"}
        )
        return next(weeks, 99)

    assert first(3.0) <= first(1.0) <= first(0.3)
    assert first(3.0) < first(0.3)


# --- expected dip -----------------------------------------------------------------------------------------


def test_the_first_weeks_of_heavy_work_after_months_of_eights_are_expected_to_be_lower() -> None:
    unused = lambda week: 150 * math.exp(0.002 * week - (0.05 if week >= 20 else 0.0))  # noqa: E731
    log = plant(
        22, strength=unused, plan=lambda week: (8, 2.0) if week < 20 else (3, 1.5), noise=0.3, form=0.005
    )
    (found,) = of_kind("expected_dip", flags(log, blocks(("volume", 20), ("strength", 5))))
    assert found.severity == "notice"
    assert found.since == MONDAY + 140
    assert float(found.evidence["below_best_pct"]) > 0.5
    assert float(found.evidence["predicted_pct"]) > 0.5
    until = date.fromisoformat(str(found.evidence["until"])).toordinal()
    assert found.since < until <= found.since + signals.THRESHOLDS.dip_days


def test_a_block_of_the_same_emphasis_has_no_dip_to_expect() -> None:
    log = plant(21, plan=lambda week: (8, 2.0))
    assert not of_kind("expected_dip", flags(log, blocks(("volume", 20), ("volume", 5))))


def test_after_three_weeks_a_dip_is_no_longer_expected() -> None:
    unused = lambda week: 150 * math.exp(0.002 * week - (0.05 if week >= 20 else 0.0))  # noqa: E731
    log = plant(25, strength=unused, plan=lambda week: (8, 2.0) if week < 20 else (3, 1.5))
    assert not of_kind("expected_dip", flags(log, blocks(("volume", 20), ("strength", 8))))


# --- load -------------------------------------------------------------------------------------------------


def test_a_week_of_twice_the_sets_is_a_load_spike() -> None:
    log = plant(20, plan=fours, sets=lambda week: 7 if week == 19 else 3)
    (found,) = of_kind("load_spike", flags(log, ONE_LONG_BLOCK))
    assert found.since == MONDAY + 7 * 19
    assert float(found.evidence["over_largest_of_four_weeks"]) > 1.9


def test_twice_the_sets_of_triples_are_a_load_spike_though_less_volume_than_eights() -> None:
    triples = lambda week: (8, 2.5) if week < 12 else (3, 2.0)  # noqa: E731
    log = plant(18, plan=triples, sets=lambda week: 6 if week == 17 else 3)
    spans = blocks(("volume", 12), ("peak", 8))
    (found,) = of_kind("load_spike", flags(log, spans))
    assert found.evidence["measure"] == "number of sets"
    assert found.evidence["over_largest_of_four_weeks"] == 2.0
    one_more = plant(18, plan=triples, sets=lambda week: 4 if week == 17 else 3)
    assert not of_kind("load_spike", flags(one_more, spans))


def test_one_more_set_is_no_load_spike() -> None:
    log = plant(20, plan=fours, sets=lambda week: 4 if week == 19 else 3)
    assert not of_kind("load_spike", flags(log, ONE_LONG_BLOCK))


def test_full_work_after_an_easy_week_is_no_load_spike() -> None:
    log = plant(20, plan=fours, sets=lambda week: 1 if week in (15, 16, 17, 18) else 4)
    assert not of_kind("load_spike", flags(log, ONE_LONG_BLOCK))


def test_a_session_moved_by_a_day_is_no_load_spike() -> None:
    # Once a week on Sunday; the last week's session is on Monday, eight days' work in seven.
    log = plant(20, plan=fours, days=(6,))
    moved = dataclasses.replace(log, day=np.where(log.day == log.day.max(), log.day - 5, log.day))
    assert not of_kind("load_spike", flags(moved, ONE_LONG_BLOCK, end_of(20)))


def test_the_first_week_of_a_planned_block_of_more_work_is_its_plan() -> None:
    plan = lambda week: (8, 2.0) if week // 6 % 2 == 0 else (3, 1.5)  # noqa: E731
    log = plant(19, plan=plan, sets=lambda week: 6 if week == 18 else 3)
    spans = blocks(("volume", 6), ("strength", 6), ("volume", 6), ("strength", 6))
    assert not of_kind("load_spike", flags(log, spans))


# --- absence ----------------------------------------------------------------------------------------------


def test_ten_days_without_a_lift_are_detraining_and_nine_are_not() -> None:
    log = plant(16, plan=fours, exercises=("squat", "bench"))
    last = int(log.day.max())
    squat_only = dataclasses.replace(log)
    assert not of_kind("detraining", flags(squat_only, (), last + 9))
    found = of_kind("detraining", flags(squat_only, (), last + 10))
    assert len(found) == 2
    assert found[0].since == last + 1
    assert found[0].evidence["days_without"] == 10


def test_a_session_of_mistyped_sets_was_trained_all_the_same() -> None:
    log = plant(16, plan=fours)
    last = int(log.day.max())
    mistyped = dataclasses.replace(log, load_kg=np.where(log.day == last, log.load_kg * 10, log.load_kg))
    analysis = analyse_lifter(mistyped, (), as_of=last + 7)
    assert len(analysis.held_out) == int((log.day == last).sum())
    before = int(log.day[log.day < last].max())
    assert last + 7 - before >= signals.THRESHOLDS.layoff_days
    assert not of_kind("detraining", flags(mistyped, (), last + 7))


def test_a_lift_trained_every_other_week_is_not_missed_after_ten_days() -> None:
    log = plant(32, plan=fours, days=(0,))
    fortnightly = without_weeks(log, 1)
    assert not of_kind("detraining", flags(fortnightly, (), int(fortnightly.day.max()) + 11))


def without_weeks(log: SetLog, odd: int) -> SetLog:
    keep = (log.day - MONDAY) // 7 % 2 != odd
    return dataclasses.replace(
        log, **{f.name: getattr(log, f.name)[keep] for f in dataclasses.fields(log) if f.name in ROWS}
    )


ROWS = {"exercise", "day", "session", "set_number", "load_kg", "reps", "rpe", "warm_up", "failed", "row"}


def test_no_log_for_longer_than_usual_is_silence_about_the_lifter() -> None:
    log = plant(16, plan=fours)
    last = int(log.day.max())
    analysis = analyse_lifter(log, (), as_of=last + 15)
    (found,) = of_kind("silent", list(analysis.flags))
    assert (found.severity, found.since, found.evidence["days_without_log"]) == ("act", last + 1, 15)
    assert not of_kind("silent", flags(log, (), last + 6))


def test_planned_sessions_not_done_are_missed_work() -> None:
    log = plant(16, plan=fours)
    planned = tuple(MONDAY + 7 * week + day for week in range(18) for day in (0, 3))
    gone = without(log, MONDAY + 7 * 14, MONDAY + 7 * 15 + 1)
    as_of = end_of(16)
    (found,) = of_kind("missed_work", flags(gone, (), as_of, planned=planned))
    assert found.evidence["missed"] == 3
    assert found.evidence["due"] == 4
    assert not of_kind("missed_work", flags(log, (), as_of, planned=planned))


def test_a_session_done_a_day_late_is_done() -> None:
    log = plant(16, plan=fours)
    late = dataclasses.replace(log, day=log.day + 1)
    planned = tuple(MONDAY + 7 * week + day for week in range(16) for day in (0, 3))
    assert not of_kind("missed_work", flags(late, (), end_of(16), planned=planned))


# --- effort -----------------------------------------------------------------------------------------------


def prescribed(log: SetLog, rpe: float) -> SetLog:
    return dataclasses.replace(log, prescribed_rpe=np.full(log.day.size, rpe))


def test_sessions_rated_well_above_their_prescription_are_effort_drift() -> None:
    log = plant(16, plan=lambda week: (5, 3.0), noise=0.2)
    usual = float(np.median(log.rpe))
    (found,) = of_kind("effort_drift", flags(prescribed(log, usual - 1.5)))
    assert float(found.evidence["rpe_above_prescribed"]) > 1
    assert found.evidence["sessions"] == 8
    assert not of_kind("effort_drift", flags(prescribed(log, usual - 0.2)))


def test_the_same_work_rated_otherwise_on_all_lifts_is_effort_drift() -> None:
    easy = lambda week: (5, 4.5)  # noqa: E731
    log = plant(
        28, plan=easy, exercises=("squat", "bench", "row"), drift=lambda week: 1.5 if week >= 22 else 0.0,
        noise=0.4, form=0.008,
    )  # fmt: skip
    (found,) = of_kind("effort_drift", flags(log, ONE_LONG_BLOCK))
    assert abs(found.since - (MONDAY + 7 * 22)) <= 14
    assert float(found.evidence["rpe_above_usual"]) > 0.5


def test_reports_as_ever_are_no_drift() -> None:
    log = plant(28, plan=lambda week: (5, 3.0), exercises=("squat", "bench", "row"))
    assert not of_kind("effort_drift", flags(log, ONE_LONG_BLOCK))


def test_sessions_rated_easier_than_prescribed_are_a_step_earned() -> None:
    log = plant(12, plan=lambda week: (5, 3.0), noise=0.2)
    usual = float(np.median(log.rpe))
    (found,) = of_kind("ready_to_progress", flags(prescribed(log, min(usual + 1.5, 10.0))))
    assert found.severity == "notice"
    assert not of_kind("ready_to_progress", flags(prescribed(log, usual + 0.2)))
    assert not of_kind("ready_to_progress", flags(log))


def test_sessions_with_nothing_left_that_used_to_have_are_low_headroom() -> None:
    plan = lambda week: (5, 3.0) if week < 14 else (5, 0.0)  # noqa: E731
    log = plant(16, plan=plan, bias=0.0, noise=0.2, form=0.004)
    (found,) = of_kind("low_headroom", flags(log, ONE_LONG_BLOCK))
    assert found.evidence["sessions"] >= 3
    assert not of_kind("low_headroom", flags(plant(16, plan=lambda week: (5, 2.5)), ONE_LONG_BLOCK))


def test_nothing_left_in_a_peak_is_its_plan() -> None:
    plan = lambda week: (5, 3.0) if week < 14 else (2, 0.0)  # noqa: E731
    log = plant(16, plan=plan, bias=0.0, noise=0.2, form=0.004)
    assert not of_kind("low_headroom", flags(log, blocks(("strength", 14), ("peak", 3))))


# --- stimulus and data ------------------------------------------------------------------------------------


def test_the_same_work_for_three_months_is_stale() -> None:
    log = make_log([row for week in range(16) for row in straight(MONDAY + 7 * week, 100.0, 5, 3, rpe=8.0)])
    (found,) = of_kind("stale_stimulus", flags(log))
    assert found.evidence["weeks"] == signals.THRESHOLDS.stale_weeks


def test_a_load_that_climbs_or_a_second_rep_range_is_not_stale() -> None:
    climbing = [row for week in range(16) for row in straight(MONDAY + 7 * week, 100.0 + week, 5, 3, rpe=8.0)]
    waving = [
        row
        for week in range(16)
        for row in straight(MONDAY + 7 * week, 100.0, 5 + 3 * (week % 2), 3, rpe=8.0)
    ]
    assert not of_kind("stale_stimulus", flags(make_log(climbing)))
    assert not of_kind("stale_stimulus", flags(make_log(waving)))


def test_errors_of_one_exercise_and_day_are_one_flag() -> None:
    errors = [
        DataError(row, MONDAY + day, 0, "slipped_decimal", 100.0, 5) for row, day in ((1, 0), (2, 0), (3, 7))
    ]
    found = signals.data_errors(errors, (Exercise("squat"),))[0]
    assert [(flag.since, flag.evidence["sets"]) for flag in found] == [(MONDAY, 2), (MONDAY + 7, 1)]


def test_a_set_of_ten_times_the_load_is_a_data_error_and_a_heavy_one_is_not() -> None:
    log = plant(20, plan=fours)
    typed, heavy = log.load_kg.copy(), log.load_kg.copy()
    typed[-1] *= 10
    heavy[-1] *= 1.05
    assert len(of_kind("data_error", flags(dataclasses.replace(log, load_kg=typed)))) == 1
    assert not of_kind("data_error", flags(dataclasses.replace(log, load_kg=heavy)))


# --- all of them ------------------------------------------------------------------------------------------


def test_quiet_lifters_raise_next_to_nothing() -> None:
    spans = blocks(*[("volume", 4), ("strength", 4)] * 6)
    raised = set()
    for seed in range(4):
        log = plant(44, exercises=("squat", "bench"), seed=seed)
        for week in range(16, 44, 2):
            raised |= {
                (seed, f.kind, f.since) for f in flags(log, spans, end_of(week)) if f.severity != "notice"
            }
    # Four lifters over half a year each.
    assert len(raised) <= 4


def test_every_flag_says_what_to_do_and_what_would_clear_it() -> None:
    log = plant(32, strength=rises_then(-0.008), plan=fours, exercises=("squat", "bench"))
    found = flags(log, ONE_LONG_BLOCK, int(log.day.max()) + 12)
    assert found
    for flag in found:
        assert flag.kind in get_args(FlagKind)
        assert flag.advice.endswith(".")
        assert flag.clears_when
        assert flag.since <= int(log.day.max()) + 12
        assert all(isinstance(value, int | float | str) for value in flag.evidence.values())


def test_emphasis_changes_pass_over_easy_weeks() -> None:
    spans = blocks(
        ("volume", 3), ("low-stress", 1), ("volume", 3), ("strength", 3), ("low-stress", 1), ("peak", 2)
    )
    assert signals.emphasis_changes(spans).tolist() == [MONDAY + 49, MONDAY + 77]
