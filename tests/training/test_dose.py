from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.training import dose
from app.training.records import Exercise, SetLog
from app.training.reference import usable
from app.training.units import KG_PER_LB
from tests.training.logs import ARRAYS, MONDAY, NAN, make_log, reordered, shifted, straight

PUSH_UPS = [
    row
    for row in usable("body_mass_share")
    if row["position"] in ("static up", "static down") and row["exercise"].startswith("push-up")
]
FOSTER = [row for row in usable("session_load_example") if row["quantity"] == "day_load"]


@st.composite
def logs(draw: st.DrawFn) -> SetLog:
    """Any log of up to 30 sets of three exercises within a few weeks."""
    sets = draw(
        st.lists(
            st.fixed_dictionaries(
                {
                    "exercise": st.integers(0, 2),
                    "day": st.integers(MONDAY, MONDAY + 40),
                    "load_kg": st.integers(0, 120).map(lambda steps: steps * 2.5),
                    "reps": st.integers(0, 25),
                    "rpe": st.sampled_from([NAN, 4.0, 5.5, 7.0, 8.5, 10.0]),
                    "warm_up": st.booleans(),
                    "failed": st.booleans(),
                }
            ),
            max_size=30,
        )
    )
    exercises = (Exercise("squat"), Exercise("bench press"), Exercise("pull-up", None, 0.9))
    rated = {each["day"]: (float(each["reps"] % 11), 60.0) for each in sets if each["reps"] % 2}
    return make_log(sets, exercises=exercises, body_mass_kg=80.0, session_load=rated)


@pytest.mark.published
@pytest.mark.parametrize("row", FOSTER, ids=lambda row: row["day"])
def test_session_load_is_rating_times_minutes(row: dict[str, str]) -> None:
    log = make_log(
        straight(MONDAY, 100, 5, 3), session_load={MONDAY: (float(row["rating"]), float(row["minutes"]))}
    )
    day, load = dose.session_rpe_load(log)
    assert day.tolist() == [MONDAY]
    assert load.tolist() == [float(row["value"])], row["source"]


@pytest.mark.published
def test_the_example_week_adds_up_through_sessions_and_days() -> None:
    rated = {MONDAY + n: (float(r["rating"]), float(r["minutes"])) for n, r in enumerate(FOSTER)}
    log = make_log([{"day": day} for day in rated], session_load=rated)
    total = next(r for r in usable("session_load_example") if r["quantity"] == "week_total")
    week = dose.weekly_stress(log, MONDAY, MONDAY + 6)
    assert week.measures["session_rpe_load"].tolist() == [float(total["value"])]


@pytest.mark.published
@pytest.mark.parametrize("row", PUSH_UPS, ids=lambda r: f"{r['exercise']}-{r['position']}-{r['group']}")
def test_a_push_up_moves_the_published_share_of_body_mass(row: dict[str, str]) -> None:
    # Mier et al. 2014: per cent of body mass supported; ten push-ups of an 80 kg person without a vest.
    percent = float(row["percent_body_mass"])
    push_up = Exercise("push-up", None, percent / 100)
    log = make_log([{"load_kg": 0.0, "reps": 10}], exercises=(push_up,), body_mass_kg=80.0)
    assert dose.per_set(log)["volume_load"][0] == pytest.approx(8 * percent), row["source"]


@pytest.mark.published
def test_a_textbook_set_of_ten_is_ten_times_three_quarters() -> None:
    # Epley's 4/3 of the load at ten repetitions: a set to failure is 7.5 in relative volume load.
    log = make_log([{"load_kg": 90.0, "reps": 10, "rpe": 10.0}])
    assert dose.per_set(log)["relative_volume_load"][0] == pytest.approx(7.5)


def test_volume_load_by_hand() -> None:
    log = make_log([*straight(MONDAY, 100, 5, 3), {"load_kg": 60.0, "warm_up": True}])
    stress = dose.per_set(log)
    assert stress["volume_load"].tolist() == [500, 500, 500, 0]
    assert stress["working_sets"].tolist() == [1, 1, 1, 0]


def test_relative_volume_load_with_a_given_maximum() -> None:
    log = make_log([{"load_kg": 120.0, "reps": 4}, {"load_kg": 100.0, "reps": 6}])
    stress = dose.per_set(log, e1rm_kg=np.array([150.0, NAN]))
    assert stress["relative_volume_load"].tolist() == [4 * 0.8, 0.0]  # Unknown maximum: nothing to relate to.


@pytest.mark.parametrize(
    ("rpe", "hard"), [(10.0, 1), (6.0, 1), (5.5, 0), (5.0, 0), (3.0, 0)], ids=lambda value: str(value)
)
def test_a_hard_set_has_four_or_fewer_left(rpe: float, hard: int) -> None:
    assert dose.per_set(make_log([{"rpe": rpe}]))["hard_sets"].tolist() == [hard]


def test_an_unrated_set_is_hard_if_few_more_were_possible() -> None:
    # Maximum 150 by the single; 120 kg is 0.8 of it, Epley allows 7.5: five done leave 2.5, two leave 5.5.
    log = make_log(
        [
            {"load_kg": 150.0, "reps": 1, "rpe": 10.0},
            {"load_kg": 120.0, "reps": 5},
            {"load_kg": 120.0, "reps": 2},
        ]
    )
    assert dose.per_set(log)["hard_sets"].tolist() == [1, 1, 0]


def test_a_set_nothing_is_known_about_counts_as_hard() -> None:
    bodyweight = Exercise("sit-up", None, 0.0)
    log = make_log([{"load_kg": 0.0, "reps": 20}], exercises=(bodyweight,))
    assert dose.per_set(log)["hard_sets"].tolist() == [1]


def test_a_missed_attempt_is_a_working_set_without_volume() -> None:
    stress = dose.per_set(make_log([{"reps": 0, "failed": True}, {"reps": 0}]))
    assert stress["working_sets"].tolist() == [1, 0]
    assert stress["hard_sets"].tolist() == [1, 0]
    assert stress["volume_load"].tolist() == [0, 0]


def test_a_failed_set_has_nothing_left_whatever_it_was_rated() -> None:
    log = make_log([{"rpe": 7.0, "failed": True}])
    assert dose.reps_to_failure(log).tolist() == [5]


def test_an_unknown_body_mass_leaves_the_external_load() -> None:
    pull_up = Exercise("pull-up", None, 0.9)
    log = make_log([{"load_kg": 10.0, "reps": 5}], exercises=(pull_up,))
    assert dose.moved_kg(log).tolist() == [10]
    assert dose.moved_kg(replace(log, body_mass_kg=80.0)).tolist() == [82]


def test_the_reference_is_the_best_of_the_days_before_and_forgets() -> None:
    days = [MONDAY, MONDAY + 10, MONDAY + 55, MONDAY + 56, MONDAY + 200]
    loads = [200.0, 150.0, 150.0, 150.0, 100.0]
    log = make_log([{"day": d, "load_kg": x, "reps": 1} for d, x in zip(days, loads, strict=True)])
    assert dose.reference_e1rm(log).tolist() == [200, 200, 200, 150, 100]


def test_the_reference_never_looks_ahead_nor_at_warm_ups_nor_at_other_exercises() -> None:
    log = make_log(
        [
            {"load_kg": 100.0, "reps": 1},
            {"load_kg": 300.0, "reps": 1, "warm_up": True},
            {"load_kg": 300.0, "reps": 1, "exercise": 1},
            {"load_kg": 300.0, "reps": 1, "day": MONDAY + 1},
        ],
        exercises=(Exercise("squat"), Exercise("deadlift")),
    )
    assert dose.reference_e1rm(log)[0] == 100


@given(logs())
def test_the_reference_agrees_with_a_slow_one(log: SetLog) -> None:
    own = np.where(dose.working(log), dose.e1rm_kg(log), np.nan)
    for n in range(log.day.size):
        seen = (log.exercise == log.exercise[n]) & (log.day <= log.day[n]) & (log.day > log.day[n] - 20)
        values = own[seen & np.isfinite(own)]
        found = dose.reference_e1rm(log, window_days=20)[n]
        assert found == (values.max() if values.size else pytest.approx(NAN, nan_ok=True))


@given(logs(), st.randoms(use_true_random=False))
def test_the_order_of_the_sets_does_not_matter(log: SetLog, random: object) -> None:
    order = np.arange(log.day.size)
    random.shuffle(order)  # type: ignore[attr-defined]
    one, other = dose.per_set(log), dose.per_set(reordered(log, order))
    for name in dose.SET_MEASURES:
        np.testing.assert_array_equal(one[name][order], other[name])


@given(logs(), st.integers(-5000, 5000))
def test_shifting_all_dates_changes_no_stress(log: SetLog, days: int) -> None:
    one, other = dose.per_set(log), dose.per_set(shifted(log, days))
    for name in dose.SET_MEASURES:
        np.testing.assert_array_equal(one[name], other[name])


@given(logs())
def test_relative_volume_load_and_hard_sets_are_free_of_the_unit(log: SetLog) -> None:
    pounds = replace(log, load_kg=log.load_kg / KG_PER_LB, body_mass_kg=log.body_mass_kg / KG_PER_LB)
    one, other = dose.per_set(log), dose.per_set(pounds)
    np.testing.assert_allclose(other["relative_volume_load"], one["relative_volume_load"], rtol=1e-9)
    np.testing.assert_allclose(other["volume_load"] * KG_PER_LB, one["volume_load"], rtol=1e-9)


@given(logs(), st.integers(0, 2), st.integers(0, 300))
def test_adding_a_warm_up_changes_nothing(log: SetLog, exercise: int, load_kg: int) -> None:
    first, last = MONDAY, MONDAY + 41
    warm_up = make_log([{"exercise": exercise, "load_kg": float(load_kg), "warm_up": True, "row": 999}])
    longer = replace(
        log,
        **{name: np.append(getattr(log, name), getattr(warm_up, name)) for name in ARRAYS},
    )
    one, other = (dose.daily_stress(each, first, last) for each in (log, longer))
    for name in dose.SET_MEASURES:
        np.testing.assert_array_equal(one[name], other[name])


@given(logs())
def test_days_and_weeks_add_up_to_the_same(log: SetLog) -> None:
    first, last = MONDAY - 3, MONDAY + 50
    daily = dose.daily_stress(log, first, last)
    weekly = dose.weekly_stress(log, first, last)
    apart = [dose.weekly_stress(log, first, last, exercise=n) for n in range(3)]
    assert set(daily) == set(weekly.measures) == set(dose.MEASURES)
    for name in dose.MEASURES:
        assert daily[name].sum() == pytest.approx(weekly.measures[name].sum())
        if name != "session_rpe_load":
            together = sum(each.measures[name] for each in apart)
            np.testing.assert_allclose(together, weekly.measures[name], atol=1e-9)


@pytest.mark.published
@given(st.lists(st.tuples(st.integers(0, 90), st.integers(0, 500)), min_size=1, max_size=50))
def test_weeks_agree_with_pandas(made: list[tuple[int, int]]) -> None:
    # pandas' weekly periods ending on Sunday, an independent calendar.
    days = np.array([MONDAY + offset for offset, _ in made])
    values = np.array([float(value) for _, value in made])
    first, last = int(days.min()), int(days.max())
    ours = dose.weekly(days, {"x": values}, first, last)
    stamps = pd.to_datetime([date.fromordinal(int(day)) for day in days])
    theirs = pd.Series(values, index=stamps).groupby(stamps.to_period("W-SUN")).sum()
    full = theirs.reindex(pd.period_range(theirs.index.min(), theirs.index.max(), freq="W-SUN"), fill_value=0)
    np.testing.assert_array_equal(ours.measures["x"], full.to_numpy())
    starts = [period.start_time.date().toordinal() for period in full.index]
    assert ours.week_start.tolist() == starts


@pytest.mark.parametrize("offset", range(7))
def test_a_week_begins_on_its_monday(offset: int) -> None:
    assert dose.monday_of(np.array([MONDAY + offset])).tolist() == [MONDAY]
    assert date.fromordinal(MONDAY).weekday() == 0


def test_days_outside_the_wanted_ones_are_left_out() -> None:
    day = np.array([MONDAY - 1, MONDAY, MONDAY + 1, MONDAY + 2])
    assert dose.daily_totals(day, np.ones(4), MONDAY, MONDAY + 1).tolist() == [1, 1]
    assert dose.weekly(day, {"x": np.ones(4)}, MONDAY, MONDAY + 1).measures["x"].tolist() == [2]


def test_a_log_without_sets_has_days_without_stress() -> None:
    log = make_log([])
    assert dose.daily_stress(log, MONDAY, MONDAY + 2)["hard_sets"].tolist() == [0, 0, 0]
    assert dose.session_rpe_load(log)[1].size == 0
    assert dose.reference_e1rm(log).size == 0


def test_a_rating_of_a_session_without_sets_is_on_no_day() -> None:
    log = make_log(straight(MONDAY, 100, 5, 1), session_load={MONDAY: (7.0, 60.0), MONDAY + 3: (9.0, 90.0)})
    assert dose.session_rpe_load(log)[1].tolist() == [420]


def test_upside_down_spans_are_refused() -> None:
    with pytest.raises(ValueError, match="before the first"):
        dose.daily_totals(np.array([1]), np.ones(1), 5, 4)
    with pytest.raises(ValueError, match="before the first"):
        dose.weekly(np.array([1]), {}, 5, 4)
    with pytest.raises(ValueError, match="window_days"):
        dose.reference_e1rm(make_log([{}]), window_days=0)
