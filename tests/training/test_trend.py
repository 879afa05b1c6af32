from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.training import evidence, inputs, trend
from app.training.records import BlockSpan, Exercise, SetLog, Trend
from app.training.units import KG_PER_LB
from tests.training.logs import MONDAY, make_log, reordered, shifted, straight
from tests.training.planted import blocks, end_of, fours, plant, steady

WEEKS = 32
SPANS = blocks(*[("volume", 4), ("strength", 4)] * 4)


def read(log: SetLog, spans: tuple[BlockSpan, ...] = SPANS, as_of: int | None = None, lift: int = 0) -> Trend:
    found = trend.fit(log, spans)
    assert found is not None
    return trend.read(found, int(log.day.max()) if as_of is None else as_of)[lift]


@pytest.mark.parametrize("seed", range(4))
def test_strength_is_found_within_its_interval(seed: int) -> None:
    said = read(plant(WEEKS, seed=seed))
    truth = steady(WEEKS - 0.5)
    assert said.e1rm.low < truth < said.e1rm.high
    assert said.e1rm.mean == pytest.approx(truth, rel=0.045)
    assert said.e1rm.high / said.e1rm.low < 1.16


@pytest.mark.published
def test_a_lifter_of_quite_another_form_is_believed() -> None:
    """Lombardi's power of the repetitions, shared/repetition_equations.csv: q = 0, far from the usual."""
    threes = lambda week: ((8, 2.0), (5, 2.0), (3, 1.5))[week // 4 % 3]  # noqa: E731
    spans = blocks(*[("volume", 4), ("strength", 4), ("peak", 4)] * 3)
    truth = steady(WEEKS + 3.5)
    normal = dataclasses.replace(trend.PRIORS, shape_tail=1e6)
    errors = []
    for seed in range(4):
        log = plant(WEEKS + 4, plan=threes, equation="lombardi", seed=seed)
        as_of = int(log.day.max())
        for priors in (trend.PRIORS, normal):
            f = trend.fit(log, spans, priors)
            assert f is not None
            errors.append(abs(trend.read(f, as_of)[0].e1rm.mean / truth - 1))
    tailed, plain = np.array(errors).reshape(-1, 2).mean(axis=0)
    assert tailed < 0.95 * plain


@pytest.mark.published
def test_lifters_like_a_published_equation_are_found_within_their_interval() -> None:
    """Equations as in shared/repetition_equations.csv. They disagree in shape as much as in steepness.

    Left out are Lombardi's and Mayhew's: they give 0.93 and 0.90 of the maximum for two repetitions, and
    nothing in the work of threes to eights can tell of such a step at the single.
    """
    threes = lambda week: ((8, 2.0), (5, 2.0), (3, 1.5))[week // 4 % 3]  # noqa: E731
    spans = blocks(*[("volume", 4), ("strength", 4), ("peak", 4)] * 3)
    truth, inside = steady(WEEKS + 3.5), []
    for equation in ("brzycki", "epley", "lander", "oconner", "wathan"):
        for seed in range(4):
            said = read(plant(WEEKS + 4, plan=threes, equation=equation, seed=seed), spans).e1rm
            assert said.mean == pytest.approx(truth, rel=0.06), equation
            inside.append(said.low < truth < said.high)
    assert np.mean(inside) >= 0.85


def test_a_biased_reporter_is_told_from_a_weak_lifter_by_sets_to_failure() -> None:
    # Reports two repetitions too few; every eighth set is taken to a failure that is known to be one.
    log = plant(WEEKS, bias=2.0, noise=0.3)
    truth = np.array([steady((day - MONDAY) / 7) for day in log.day])
    possible = np.floor(1 + 28 * (truth / log.load_kg - 1)).astype(int)
    tried = np.arange(log.day.size) % 8 == 0
    failing = dataclasses.replace(
        log,
        reps=np.where(tried, possible, log.reps),
        failed=tried,
        rpe=np.where(tried, 10.0, log.rpe),
    )
    error = [abs(read(one).e1rm.mean / steady(WEEKS - 0.5) - 1) for one in (log, failing)]
    assert error[1] < 0.03
    assert error[1] < error[0] + 0.005


def test_a_falling_lift_is_said_to_fall_and_a_rising_one_to_rise() -> None:
    rising = read(plant(24, strength=lambda w: 120 * 1.006**w, plan=fours), ())
    falling = read(plant(24, strength=lambda w: 120 * 0.994**w, plan=fours), ())
    assert rising.slope_pct_per_week.mean > 0.2
    assert rising.probability_rising > 0.9
    assert falling.slope_pct_per_week.mean < -0.2
    assert falling.probability_rising < 0.1


def test_a_steady_gain_is_read_alike_through_many_changes_of_emphasis() -> None:
    # Offsets of blocks that could be anything would leave the slope to what lies within two weeks.
    spans = blocks(*[("strength", 2), ("peak", 2)] * 6)
    lifters = [plant(24, strength=lambda w: 120 * 1.006**w, plan=fours, seed=seed) for seed in range(12)]
    said = np.array([read(log, spans).slope_pct_per_week.mean for log in lifters])
    assert abs(said.mean() - 0.6) < 0.15
    assert said.std() < 0.12


def test_one_rep_range_leaves_the_curve_unknown_and_the_interval_wider() -> None:
    both, one = read(plant(WEEKS)), read(plant(WEEKS, plan=lambda week: (8, 2.0)))
    assert both.curve_known
    assert not one.curve_known
    assert one.e1rm.high / one.e1rm.low > 1.3 * both.e1rm.high / both.e1rm.low - 0.3


def test_the_curve_is_learnt_from_different_rep_ranges() -> None:
    # The planted hyperbola has 28; what is given is the one that meets the estimated curve where it is used.
    assert read(plant(WEEKS)).curve_reps_per_fraction == pytest.approx(28, rel=0.2)


def test_the_forecast_carries_on_with_a_widening_interval() -> None:
    said = read(plant(WEEKS, strength=lambda w: 150 * 1.004**w))
    as_of = int(said.day[-1])
    assert said.forecast_day.tolist() == [as_of + 7 * k for k in range(1, trend.FORECAST_WEEKS + 1)]
    assert said.forecast_kg[-1] > said.e1rm.mean
    assert (np.diff(said.forecast_sd_kg / said.forecast_kg) > -1e-4).all()
    assert said.forecast_sd_kg[-1] > said.sd_kg[-1]


def test_an_absurd_set_moves_the_level_little() -> None:
    log = plant(WEEKS)
    loads = log.load_kg.copy()
    loads[-10] *= 1.3
    assert read(dataclasses.replace(log, load_kg=loads)).e1rm.mean == pytest.approx(
        read(log).e1rm.mean, rel=0.02
    )


def test_sets_without_a_rating_are_weak_evidence_and_no_ratchet() -> None:
    rated, silent = read(plant(WEEKS)), read(plant(WEEKS, rate=False))
    assert silent.e1rm.high / silent.e1rm.low > rated.e1rm.high / rated.e1rm.low
    assert silent.e1rm.mean == pytest.approx(steady(WEEKS - 0.5), rel=0.06)


def test_an_easy_set_says_at_least_and_no_more() -> None:
    log = plant(WEEKS)
    extra = make_log(
        [
            {"day": int(d), "load_kg": float(w), "reps": int(r), "rpe": float(p)}
            for d, w, r, p in zip(log.day, log.load_kg, log.reps, log.rpe, strict=True)
        ]
        + [row for k in range(20) for row in straight(end_of(WEEKS) - 7 * k, 60.0, 5, 2, rpe=3.0)]
    )
    assert read(extra).e1rm.mean == pytest.approx(read(log).e1rm.mean, rel=0.01)


def test_body_mass_counts_by_its_moved_share() -> None:
    # Pull-ups with 20 kg at 80 kg of body mass move 100 kg.
    log = plant(20, strength=lambda w: 120.0)
    hung = dataclasses.replace(
        log,
        exercises=(Exercise("pull-up", "pull-up", body_mass_share=1.0),),
        load_kg=log.load_kg - 80.0,
        body_mass_kg=80.0,
    )
    assert read(hung, ()).e1rm.mean == pytest.approx(read(log, ()).e1rm.mean, rel=1e-9)


def test_unit_of_load_does_not_matter() -> None:
    log = plant(WEEKS)
    pounds = dataclasses.replace(log, load_kg=log.load_kg / KG_PER_LB)
    ours, theirs = read(log), read(pounds)
    assert theirs.e1rm.mean * KG_PER_LB == pytest.approx(ours.e1rm.mean, rel=1e-9)
    assert theirs.slope_pct_per_week.mean == pytest.approx(ours.slope_pct_per_week.mean, rel=1e-6)
    np.testing.assert_allclose(theirs.level_kg * KG_PER_LB, ours.level_kg, rtol=1e-9)


@settings(max_examples=8)
@given(st.randoms(use_true_random=False))
def test_order_of_input_does_not_matter(random: object) -> None:
    log = plant(14, exercises=("squat", "bench"))
    order = np.arange(log.day.size)
    random.shuffle(order)  # type: ignore[attr-defined]
    assert read(reordered(log, order)).e1rm == read(log).e1rm


@settings(max_examples=8)
@given(st.integers(-400, 400))
def test_dates_matter_only_by_their_differences(days: int) -> None:
    log = plant(16)
    spans = tuple(dataclasses.replace(s, start=s.start + days, end=s.end + days) for s in SPANS)
    later = read(shifted(log, days), spans)
    assert later.e1rm.mean == pytest.approx(read(log).e1rm.mean, rel=1e-9)


def test_a_warm_up_changes_nothing() -> None:
    log = plant(16)
    with_warm_ups = make_log(
        [
            {"day": int(d), "load_kg": float(w), "reps": int(r), "rpe": float(p), "warm_up": False}
            for d, w, r, p in zip(log.day, log.load_kg, log.reps, log.rpe, strict=True)
        ]
        + straight(MONDAY + 21, 60.0, 8, 3, warm_up=True, rpe=4.0, row=9_000)
    )
    assert read(with_warm_ups).e1rm.mean == pytest.approx(read(log).e1rm.mean, rel=1e-9)


def test_too_few_sessions_have_no_trend_and_say_what_is_missing() -> None:
    log = plant(1)
    assert trend.fit(log, ()) is None
    assert evidence.missing_because(log, 0) == "needs 2 more sessions"
    empty = dataclasses.replace(log, load_kg=np.zeros(log.day.size))
    assert evidence.missing_because(empty, 0) == "needs a load, or the lifter's body mass"


def test_lifts_are_estimated_jointly_and_apart() -> None:
    log = plant(WEEKS, exercises=("squat", "bench"))
    found = trend.fit(log, SPANS)
    assert found is not None
    levels = [one.e1rm.mean for one in trend.read(found, int(log.day.max()))]
    assert levels[1] / levels[0] == pytest.approx(0.75, rel=0.03)


def test_the_normal_distribution_function_is_good_to_two_in_ten_thousand() -> None:
    # Page's form against the standard normal table's 0.5, 0.84134, 0.97725 and 0.02275.
    assert trend.normal_cdf([0.0, 1.0, 2.0, -2.0]) == pytest.approx(
        [0.5, 0.84134, 0.97725, 0.02275], abs=2e-4
    )


# --- inputs -----------------------------------------------------------------------------------------------


def lift_inputs(days: list[int], reps: list[int]) -> inputs.Inputs:
    each, edges = np.arange(len(days)), np.array([0, len(days)])
    return inputs.prepare(np.array(days), edges, each, np.array(reps, float), np.full(len(days), 100.0))


def test_work_becomes_familiar_by_sessions_and_unfamiliar_by_weeks() -> None:
    eights = list(range(0, 84, 4))
    known = lift_inputs([*eights, 88, 92, 96, 100], [8] * len(eights) + [3] * 4)
    unfamiliar = inputs.at_sessions(known)[:, 0]
    assert unfamiliar[len(eights) - 1] < 0.2
    assert unfamiliar[len(eights)] > 0.6
    assert (np.diff(unfamiliar[len(eights) :]) < 0).all()
    gap = lift_inputs([*eights, 84 + 60], [8] * (len(eights) + 1))
    assert inputs.at_sessions(gap)[-1, 0] > 0.3


def test_planned_blocks_are_trained_through_with_the_lifters_own_work_in_such_blocks() -> None:
    # Three weeks of threes long ago, twelve of eights since; threes are planned again from day 112 on.
    known = lift_inputs([*range(0, 21, 4), *range(28, 112, 4)], [3] * 6 + [8] * 21)
    change = inputs.extend(known, 111, 150, lambda day: np.where((day < 28) | (day >= 112), 1, 0))
    stay = inputs.extend(known, 111, 150, lambda day: np.zeros(day.shape, np.int64))
    asked = np.array([118, 145])
    soon, later = inputs.at_days(change, 0, asked)[:, 0] - inputs.at_days(stay, 0, asked)[:, 0]
    assert soon > 0.2
    assert later < soon / 2


def test_fatigue_and_absence_decay() -> None:
    known = lift_inputs(list(range(0, 56, 4)), [5] * 14)
    soon, later = inputs.at_days(known, 0, np.array([53, 67]))
    assert soon[1] > later[1]
    assert soon[2] == 0
    assert later[2] == pytest.approx((67 - 52 - 7) / 7)


def test_running_totals_do_not_overflow_over_decades() -> None:
    days = list(range(0, 365 * 40, 7))
    assert np.isfinite(inputs.at_sessions(lift_inputs(days, [5] * len(days)))).all()


def test_lifts_side_by_side_are_what_each_is_alone_even_over_decades() -> None:
    early, late = list(range(0, 365 * 30, 9)), list(range(40, 365 * 30, 5))
    day, reps = np.array(early + late), np.array([5] * len(early) + [3] * len(late), float)
    edges = np.array([0, len(early), day.size])
    both = inputs.prepare(day, edges, np.arange(day.size), reps, np.full(day.size, 100.0))
    alone = [lift_inputs(early, [5] * len(early)), lift_inputs(late, [3] * len(late))]
    asked = np.array([30, 700, 9000, 365 * 30 + 3])
    for lift, one in enumerate(alone):
        here = slice(*edges[lift : lift + 2])
        np.testing.assert_allclose(inputs.at_sessions(both)[here], inputs.at_sessions(one), atol=1e-9)
        np.testing.assert_allclose(
            inputs.at_days(both, lift, asked), inputs.at_days(one, 0, asked), atol=1e-9
        )
    by_hand = sum(math.exp(-(early[-1] - day) / inputs.FATIGUE_DAYS) * 100 for day in early)
    assert both.left[len(early) - 1, -2] == pytest.approx(by_hand)


def test_a_turn_is_followed_and_not_taken_for_a_run_of_bad_days() -> None:
    # Nine weeks of progress, then 10 % less load in four weeks at the very same ratings.
    sets = []
    for week in range(13):
        load = 100 + 2.5 * week if week < 9 else 120 * (1 - 0.025 * (week - 8))
        for day, share, reps in ((7 * week, 1.0, 5), (7 * week + 3, 0.92, 8)):
            sets += [(MONDAY + day, load * share, reps, 8.0)] * 3
    day, load_kg, reps_done, rpe = (np.array(column) for column in zip(*sets, strict=True))
    none = np.zeros(day.size, dtype=bool)
    log = SetLog(
        exercises=(Exercise("Squat", "Squat"),),
        exercise=np.zeros(day.size, dtype=np.int64),
        day=day,
        session=np.unique(day, return_inverse=True)[1],
        set_number=np.arange(day.size) % 3 + 1,
        load_kg=load_kg,
        reps=reps_done,
        rpe=rpe,
        warm_up=none,
        failed=none,
        row=np.arange(day.size),
    )
    spans = (BlockSpan("Fives and eights", "strength", MONDAY, MONDAY + 13 * 7),)
    top, now = (trend.fit(one, spans) for one in (up_to(log, MONDAY + 62), log))
    assert top is not None
    assert now is not None
    (before,), (after,) = trend.read(top, MONDAY + 62), trend.read(now, MONDAY + 90)
    assert after.e1rm.mean < 0.96 * before.e1rm.mean
    assert after.probability_rising < 0.05


def up_to(log: SetLog, day: int) -> SetLog:
    keep = log.day <= day
    return dataclasses.replace(
        log,
        **{
            name: getattr(log, name)[keep]
            for name in log.__slots__
            if isinstance(getattr(log, name), np.ndarray)
        },
    )
