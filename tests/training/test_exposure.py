from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.training import dose, exposure, repmax
from app.training.records import AnalysisSettings, Exercise, Exposure, SetLog
from app.training.reference import usable
from app.training.units import KG_PER_LB
from tests.training.logs import ARRAYS, MONDAY, NAN, make_log, reordered, shifted, straight

USUAL = AnalysisSettings()
TODAY = MONDAY


def line(exposures: tuple[Exposure, ...], rep_range: str) -> Exposure:
    return next(each for each in exposures if each.rep_range == rep_range)


def squat(log: SetLog, rep_range: str, **settings: object) -> Exposure:
    chosen = replace(USUAL, **settings)  # type: ignore[arg-type]
    return line(exposure.ledger(log, 0, as_of=TODAY, settings=chosen), rep_range)


@st.composite
def logs(draw: st.DrawFn) -> SetLog:
    """Any log of up to 40 sets of two exercises in the half year before today."""
    sets = draw(
        st.lists(
            st.fixed_dictionaries(
                {
                    "exercise": st.integers(0, 1),
                    "day": st.integers(TODAY - 180, TODAY + 5),
                    "load_kg": st.integers(8, 24).map(lambda steps: steps * 5.0),
                    "reps": st.integers(0, 20),
                    "rpe": st.sampled_from([NAN, 6.0, 8.0, 9.5]),
                    "warm_up": st.booleans(),
                }
            ),
            max_size=40,
        )
    )
    return make_log(sets, exercises=(Exercise("squat"), Exercise("bench press")))


def test_the_default_rep_ranges_are_the_designs() -> None:
    assert [exposure.label(each) for each in USUAL.rep_ranges] == ["1-2", "3-4", "5-6", "7-9", "10-14", "15+"]
    assert exposure.label((1, 1)) == "1"


@pytest.mark.parametrize(
    ("reps", "place"), [(0, -1), (1, 0), (2, 0), (3, 1), (6, 2), (9, 3), (14, 4), (15, 5), (5000, 5)]
)
def test_repetitions_fall_into_ranges(reps: int, place: int) -> None:
    assert exposure.rep_range_index(np.array([reps]), USUAL.rep_ranges).tolist() == [place]


def test_repetitions_between_ranges_fall_into_none() -> None:
    assert exposure.rep_range_index(np.array([2, 4, 6]), ((1, 2), (5, 5))).tolist() == [0, -1, -1]


@pytest.mark.parametrize("ranges", [(), ((3, 2),), ((1, 3), (3, 5)), ((5, 6), (1, 2))])
def test_ranges_out_of_order_are_refused(ranges: tuple[tuple[int, int], ...]) -> None:
    with pytest.raises(ValueError, match="ascend"):
        exposure.rep_range_index(np.array([5]), ranges)


def test_the_recent_best_is_inside_the_window_and_the_all_time_best_anywhere() -> None:
    log = make_log(
        [
            {"day": TODAY - 200, "load_kg": 180.0, "reps": 3},
            {"day": TODAY - 56, "load_kg": 160.0, "reps": 3},
            {"day": TODAY - 55, "load_kg": 140.0, "reps": 3},
            {"day": TODAY - 2, "load_kg": 130.0, "reps": 3},
        ]
    )
    found = squat(log, "3-4")
    assert found.recent_best is not None
    assert (found.recent_best.load_kg, found.recent_best.day) == (140, TODAY - 55)
    assert found.all_time_best is not None
    assert (found.all_time_best.load_kg, found.all_time_best.day) == (180, TODAY - 200)
    assert (found.last_day, found.days_since, found.working_sets) == (TODAY - 2, 2, 2)


def test_the_window_is_a_setting() -> None:
    log = make_log(
        [{"day": TODAY - 27}, {"day": TODAY - 28, "load_kg": 120.0}, {"day": TODAY - 111, "load_kg": 140.0}]
    )
    for window, load in ((28, 100), (56, 120), (112, 140)):
        best = squat(log, "5-6", recent_window_days=window).recent_best
        assert best is not None
        assert best.load_kg == load


def test_what_was_done_counts_and_not_the_reserve_reported() -> None:
    # 105 x 3 rated 9 was more than 100 x 3 rated 6, although 6 claims four more in hand.
    log = make_log([{"load_kg": 100.0, "reps": 3, "rpe": 6.0}, {"load_kg": 105.0, "reps": 3, "rpe": 9.0}])
    best = squat(log, "3-4").recent_best
    assert best is not None
    assert (best.load_kg, best.reps, best.rpe) == (105, 3, 9)


def test_more_repetitions_at_a_load_are_more_and_so_is_a_little_less_load_for_a_lot_more() -> None:
    log = make_log(
        [{"load_kg": 100.0, "reps": 7}, {"load_kg": 100.0, "reps": 9}, {"load_kg": 102.5, "reps": 7}]
    )
    best = squat(log, "7-9").recent_best
    assert best is not None
    assert (best.load_kg, best.reps) == (100, 9)


def test_of_equals_the_easier_rating_then_the_later_day_is_best() -> None:
    sets = [
        {"day": TODAY - 9, "rpe": NAN},
        {"day": TODAY - 7, "rpe": 8.0},
        {"day": TODAY - 5, "rpe": 7.0},
        {"day": TODAY - 3, "rpe": 7.0},
        {"day": TODAY - 1, "rpe": 9.0},
    ]
    best = squat(make_log(sets), "5-6").recent_best
    assert best is not None
    assert best.day == TODAY - 3


def test_the_e1rm_of_a_mark_counts_the_reserve_by_the_named_equation() -> None:
    log = make_log([{"load_kg": 100.0, "reps": 8, "rpe": 8.0}])
    for equation, value in (("epley", 133.333333), ("wathan", 134.746699), ("oconner", 125.0)):
        best = squat(log, "7-9", equation=equation).recent_best
        assert best is not None
        assert best.e1rm_kg == pytest.approx(value, abs=1e-6)


@pytest.mark.published
@pytest.mark.parametrize(
    "row",
    [
        r
        for r in usable("repetition_equation_checks")
        if r["equation"] in repmax.EQUATIONS and r["reps"] != "1"
    ],
    ids=lambda r: f"{r['equation']}-{r['reps']}",
)
def test_a_mark_carries_the_published_maximum_of_its_set(row: dict[str, str]) -> None:
    log = make_log([{"load_kg": float(row["load_kg"]), "reps": int(row["reps"]), "rpe": 10.0}])
    settings = replace(USUAL, equation=row["equation"])
    mark = next(
        each.recent_best
        for each in exposure.ledger(log, 0, as_of=TODAY, settings=settings)
        if each.recent_best
    )
    assert mark.e1rm_kg == pytest.approx(float(row["expected_1rm_kg"]), abs=1e-6), row["source"]


def test_a_given_e1rm_is_printed_and_does_not_decide() -> None:
    log = make_log([{"load_kg": 100.0}, {"load_kg": 110.0}])
    lines = exposure.ledger(log, 0, as_of=TODAY, settings=USUAL, e1rm_kg=np.array([150.0, 120.0]))
    best = line(lines, "5-6").recent_best
    assert best is not None
    assert (best.load_kg, best.e1rm_kg) == (110, 120)


def test_moved_body_mass_orders_marks_but_loads_are_those_on_the_belt() -> None:
    # With 80 kg moved, 10 kg x 9 is more than 15 kg x 7; without, it would be less.
    pull_up = Exercise("pull-up", None, 1.0)
    log = make_log(
        [{"load_kg": 10.0, "reps": 9}, {"load_kg": 15.0, "reps": 7}], exercises=(pull_up,), body_mass_kg=80.0
    )
    best = squat(log, "7-9").recent_best
    assert best is not None
    assert (best.load_kg, best.e1rm_kg) == (10, pytest.approx(90 * 1.3 - 80))


def test_warm_ups_future_sets_and_other_exercises_are_no_exposures() -> None:
    log = make_log(
        [
            {"load_kg": 200.0, "warm_up": True},
            {"load_kg": 200.0, "day": TODAY + 1},
            {"load_kg": 200.0, "exercise": 1},
            {"load_kg": 100.0},
        ],
        exercises=(Exercise("squat"), Exercise("deadlift")),
    )
    found = squat(log, "5-6")
    assert found.working_sets == 1
    assert found.all_time_best is not None
    assert found.all_time_best.load_kg == 100


@pytest.mark.parametrize(
    ("days_ago", "status"),
    [(0, "current"), (21, "current"), (22, "rusty"), (55, "rusty"), (56, "unexposed"), (400, "unexposed")],
)
def test_status_by_age(days_ago: int, status: str) -> None:
    assert squat(make_log([{"day": TODAY - days_ago}]), "5-6").status == status


def test_rusty_begins_at_half_of_a_short_window() -> None:
    log = make_log([{"day": TODAY - 15}])
    assert squat(log, "5-6", recent_window_days=28).status == "rusty"
    assert squat(log, "5-6", recent_window_days=112).status == "current"


def hard_weeks(weeks: int, sets: int) -> SetLog:
    return make_log([each for w in range(weeks) for each in straight(TODAY - 7 * w, 100, 5, sets, rpe=8.0)])


@pytest.mark.parametrize(
    ("weeks", "sets", "status"),
    [(6, 10, "saturated"), (5, 12, "current"), (6, 9, "current"), (12, 10, "saturated")],
)
def test_saturated_is_six_weeks_of_ten_hard_sets(weeks: int, sets: int, status: str) -> None:
    assert squat(hard_weeks(weeks, sets), "5-6").status == status


def test_an_easy_week_ends_saturation() -> None:
    sets = [
        each
        for week in range(8)
        for each in straight(TODAY - 7 * week, 100, 5, 14, rpe=5.0 if week == 3 else 8.0)
    ]
    assert squat(make_log(sets), "5-6").status == "current"


@pytest.mark.published
def test_limits_of_status_are_near_the_published_ones() -> None:
    # Rogerson et al. 2024: an easier week every 5.6 +- 2.3 weeks. Issurin 2008: maximal strength lasts
    # 30 +- 5 days, strength endurance 15 +- 5: rusty lies between.
    easier = next(r for r in usable("progression_steps") if r["quantity"] == "deload_every")
    assert float(easier["low"]) < exposure.SATURATED_WEEKS < float(easier["high"]), easier["source"]
    residual = {r["ability"]: r for r in usable("residual_effects")}
    longest, shortest = (float(residual[a]["days"]) for a in ("maximal strength", "strength endurance"))
    assert shortest < exposure.RUSTY_AFTER_DAYS < longest


@pytest.mark.published
def test_a_leap_is_more_than_a_test_repeats_to() -> None:
    # Grgic et al. 2020: median coefficient of variation of a tested maximum 4.2 %.
    cv = next(r for r in usable("reliability") if r["quantity"] == "1rm_cv_percent_median")
    assert exposure.LEAP_PCT > float(cv["value"]) > exposure.REPEAT_TOLERANCE_PCT, cv["source"]


def test_sets_a_week_are_over_the_weeks_there_were() -> None:
    assert squat(hard_weeks(8, 4), "5-6").working_sets_per_week == pytest.approx(4.0)
    # Begun two weeks ago: the window's empty six weeks are not his doing.
    begun = make_log(straight(TODAY - 13, 100, 5, 4) + straight(TODAY, 100, 5, 4))
    assert squat(begun, "5-6").working_sets_per_week == pytest.approx(4.0)
    today = make_log(straight(TODAY, 100, 5, 4))
    assert squat(today, "5-6").working_sets_per_week == pytest.approx(4.0)


def test_never_done_is_unexposed_without_marks() -> None:
    found = squat(make_log([{"reps": 5}]), "15+")
    assert found == Exposure("15+", None, None, 0, 0, 0.0, "unexposed", None, None)


def test_an_exercise_that_does_not_exist_is_refused() -> None:
    with pytest.raises(ValueError, match="no exercise 3"):
        exposure.ledger(make_log([{}]), 3, as_of=TODAY, settings=USUAL)


@given(logs(), st.randoms(use_true_random=False))
def test_the_order_of_the_sets_does_not_matter(log: SetLog, random: object) -> None:
    order = np.arange(log.day.size)
    random.shuffle(order)  # type: ignore[attr-defined]
    one = exposure.ledgers(log, as_of=TODAY, settings=USUAL)
    assert repr(one) == repr(exposure.ledgers(reordered(log, order), as_of=TODAY, settings=USUAL))


@given(logs(), st.integers(-3000, 3000))
def test_shifting_all_dates_shifts_only_the_days(log: SetLog, days: int) -> None:
    one = exposure.ledgers(log, as_of=TODAY, settings=USUAL)
    other = exposure.ledgers(shifted(log, days), as_of=TODAY + days, settings=USUAL)
    for exercise, lines in one.items():
        for a, b in zip(lines, other[exercise], strict=True):
            assert (a.days_since, a.status, a.working_sets) == (b.days_since, b.status, b.working_sets)
            assert repr(a.recent_best and replace(a.recent_best, day=0)) == repr(
                b.recent_best and replace(b.recent_best, day=0)
            )


@given(logs(), st.integers(0, 1), st.integers(1, 400), st.integers(1, 20))
def test_adding_a_warm_up_changes_nothing(log: SetLog, exercise: int, load_kg: int, reps: int) -> None:
    warm_up = make_log(
        [{"exercise": exercise, "load_kg": float(load_kg), "reps": reps, "warm_up": True, "row": 999}]
    )
    longer = replace(log, **{name: np.append(getattr(log, name), getattr(warm_up, name)) for name in ARRAYS})
    one, other = (exposure.ledgers(each, as_of=TODAY, settings=USUAL) for each in (log, longer))
    assert all(repr(lines) == repr(other[exercise]) for exercise, lines in one.items())


@given(logs())
def test_pounds_change_no_choice(log: SetLog) -> None:
    one = exposure.ledgers(log, as_of=TODAY, settings=USUAL)
    other = exposure.ledgers(replace(log, load_kg=log.load_kg / KG_PER_LB), as_of=TODAY, settings=USUAL)
    for exercise, lines in one.items():
        for a, b in zip(lines, other[exercise], strict=True):
            assert (a.status, a.hard_sets) == (b.status, b.hard_sets)
            if a.recent_best is not None and b.recent_best is not None:
                done = [m.load_kg / repmax.fraction_at(m.reps) for m in (a.recent_best, b.recent_best)]
                assert done[1] * KG_PER_LB == pytest.approx(float(done[0]))


@given(logs())
def test_the_ledger_agrees_with_a_slow_one(log: SetLog) -> None:
    hard = dose.per_set(log)["hard_sets"]
    for exercise, lines in exposure.ledgers(log, as_of=TODAY, settings=USUAL).items():
        assert lines == exposure.ledger(log, exercise, as_of=TODAY, settings=USUAL) or "nan" in repr(lines)
        for (low, high), found in zip(USUAL.rep_ranges, lines, strict=True):
            rows = [
                n
                for n in range(log.day.size)
                if log.exercise[n] == exercise
                and not log.warm_up[n]
                and low <= log.reps[n] <= high
                and log.day[n] <= TODAY
            ]
            recent = [n for n in rows if TODAY - log.day[n] < 56]
            assert found.working_sets == len(recent)
            assert found.hard_sets == sum(hard[n] for n in recent)
            assert found.last_day == max((int(log.day[n]) for n in rows), default=None)
            for mark, among in ((found.recent_best, recent), (found.all_time_best, rows)):
                assert (mark is None) == (not among)
                if mark is not None:
                    best = max(log.load_kg[n] / repmax.fraction_at(log.reps[n]) for n in among)
                    assert mark.load_kg / repmax.fraction_at(mark.reps) == pytest.approx(best)


def test_baselines_are_the_recent_bests() -> None:
    log = make_log(
        [
            {"load_kg": 100.0, "reps": 5},
            {"load_kg": 120.0, "reps": 3, "day": TODAY - 100},
            {"load_kg": 60.0, "reps": 10, "exercise": 1},
        ],
        exercises=(Exercise("squat"), Exercise("bench press")),
    )
    found = exposure.baselines(log, as_of=TODAY, settings=USUAL)
    assert [(each.exercise, each.rep_range, each.mark.load_kg) for each in found] == [
        (0, "5-6", 100),
        (1, "10-14", 60),
    ]


def five_by(*loads: float, apart: int = 7) -> SetLog:
    """One set of five a week, oldest first, the last one today."""
    days = [TODAY - apart * (len(loads) - 1 - n) for n in range(len(loads))]
    return make_log([{"day": day, "load_kg": load} for day, load in zip(days, loads, strict=True)])


def test_the_usual_step_is_a_large_but_ordinary_one() -> None:
    # Steps of 2, 2, 2, 2 and 5 %: the 80th percentile of five is the fourth smallest plus a fifth of the way.
    loads = [100.0, 102, 104.04, 106.1208, 108.243216, 113.6553768]
    found = exposure.usual_step_pct(five_by(*loads), 0, as_of=TODAY, settings=USUAL)
    assert found == pytest.approx(2.6)


def test_an_easy_week_is_no_step_back_up() -> None:
    loads = [100.0, 102, 60, 102, 104.04, 60, 106.1208, 108.243216]
    found = exposure.usual_step_pct(five_by(*loads), 0, as_of=TODAY, settings=USUAL)
    assert found == pytest.approx(2.0)


def test_an_old_peak_does_not_hide_the_steps_of_lately() -> None:
    # Steps of 2 % since, all far under a set of 200 days ago that no recent window reaches.
    lately = [100.0, 102, 104.04, 106.1208, 108.243216, 110.40808]
    log = make_log(
        [{"day": TODAY - 200, "load_kg": 160.0}]
        + [{"day": TODAY - 7 * (5 - week), "load_kg": load} for week, load in enumerate(lately)]
    )
    assert exposure.usual_step_pct(log, 0, as_of=TODAY, settings=USUAL) == pytest.approx(2.0)


def test_three_steps_are_too_few_to_be_usual() -> None:
    assert np.isnan(exposure.usual_step_pct(five_by(100, 102, 104, 106), 0, as_of=TODAY, settings=USUAL))


def novel(
    load_kg: float, reps: int = 5, rpe: float = NAN, *, best: float = 100.0, **rest: float
) -> exposure.Novelty:
    lines = exposure.ledger(make_log([{"load_kg": best, "rpe": 8.0}]), 0, as_of=TODAY, settings=USUAL)
    return exposure.novelty(load_kg, reps, rpe, lines, settings=USUAL, **rest)


@pytest.mark.parametrize(
    ("load_kg", "kind"),
    [
        (95, "below"),
        (99.4, "below"),
        (99.6, "repeats"),
        (100, "repeats"),
        (100.4, "repeats"),
        (102.5, "step"),
        (105, "step"),
        (107.5, "leap"),
    ],
)
def test_novelty_by_load(load_kg: float, kind: str) -> None:
    found = novel(load_kg)
    assert found.kind == kind
    assert found.step_pct == pytest.approx(load_kg - 100)
    assert found.load_step_kg == pytest.approx(load_kg - 100)


def test_a_step_beyond_the_lifters_own_is_a_leap() -> None:
    assert novel(104, usual_step=3.0).kind == "leap"
    assert novel(103, usual_step=3.0).kind == "step"
    # But a lifter who took great leaps before is not owed another one.
    assert novel(108, usual_step=12.0).kind == "leap"


def test_the_smallest_plate_is_always_a_step() -> None:
    # 20 kg to 22.5 kg is 12.5 %, and nothing between can be loaded.
    assert novel(22.5, best=20).kind == "step"
    assert novel(25, best=20).kind == "leap"
    assert novel(25, best=20, smallest_increment_kg=5.0).kind == "step"


def test_a_repetition_more_is_a_step() -> None:
    found = novel(100, 6)
    assert (found.kind, found.load_step_kg) == ("step", 0)
    assert found.step_pct == pytest.approx(100 * (34 / 33 - 1))  # One more of 29 + 5 - 1 on the curve.


def test_the_same_set_asked_for_much_easier_is_below() -> None:
    assert novel(100, rpe=8.0).kind == "repeats"
    assert novel(100, rpe=6.5).kind == "below"


def test_a_range_without_a_recent_exposure_is_first() -> None:
    found = novel(120, 2)
    assert (found.kind, found.rep_range, found.against) == ("first", "1-2", None)
    assert np.isnan(found.step_pct)


def test_novelty_of_added_load_is_relative_to_the_whole_mass_moved() -> None:
    pull_up = Exercise("pull-up", None, 1.0)
    log = make_log([{"load_kg": 5.0}], exercises=(pull_up,), body_mass_kg=80.0)
    lines = exposure.ledger(log, 0, as_of=TODAY, settings=USUAL)
    found = exposure.novelty(7.5, 5, NAN, lines, settings=USUAL, body_mass_share_kg=80.0)
    assert (found.kind, found.step_pct) == ("step", pytest.approx(100 * 2.5 / 85))


def test_an_unloaded_set_of_unknown_mass_is_a_step_only_with_load() -> None:
    assert novel(0, best=0).kind == "repeats"
    assert novel(2.5, best=0).kind == "step"


@pytest.mark.parametrize(("load_kg", "reps"), [(-1, 5), (NAN, 5), (float("inf"), 5), (100, 0)])
def test_what_no_set_can_be_is_refused(load_kg: float, reps: int) -> None:
    with pytest.raises(ValueError, match="a set needs"):
        novel(load_kg, reps)


def test_repetitions_outside_the_ranges_are_refused() -> None:
    settings = replace(USUAL, rep_ranges=((1, 3), (5, 8)))
    with pytest.raises(ValueError, match="none of the rep ranges"):
        exposure.novelty(100, 4, NAN, (), settings=settings)


@given(st.floats(20, 300), st.floats(20, 300), st.integers(1, 20))
def test_novelty_is_free_of_the_unit(best: float, load: float, reps: int) -> None:
    def judged(scale: float) -> exposure.Novelty:
        log = make_log([{"load_kg": best * scale, "reps": reps}])
        lines = exposure.ledger(log, 0, as_of=TODAY, settings=USUAL)
        return exposure.novelty(
            load * scale, reps, NAN, lines, settings=USUAL, smallest_increment_kg=2.5 * scale
        )

    assert judged(1.0).step_pct == pytest.approx(judged(1 / KG_PER_LB).step_pct, abs=1e-9)


def test_days_are_calendar_days() -> None:
    log = make_log([{"day": date(2026, 2, 28).toordinal()}])
    lines = exposure.ledger(log, 0, as_of=date(2026, 3, 1).toordinal(), settings=USUAL)
    assert line(lines, "5-6").days_since == 1
