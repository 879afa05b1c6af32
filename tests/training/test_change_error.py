"""The error of a change of level: what both ends share cancels, so a change is surer than a level."""

from __future__ import annotations

import numpy as np

from app.training.analysis import analyse_lifter
from benchmarks.simulate import roster


def test_a_change_is_surer_than_the_levels_it_lies_between() -> None:
    simulated = next(iter(roster("tuning", 1)))
    found = analyse_lifter(simulated.log, list(simulated.blocks), as_of=int(simulated.log.day.max()))
    trends = [one.trend for one in found.exercises if one.trend is not None]
    assert trends
    for trend in trends:
        sd = trend.change_sd_pct
        assert 1 < sd.size <= 54
        assert sd[-1] < 1e-6
        assert (np.diff(sd[-5:]) < 0).all()  # The longer ago, the less sure.
        independent = 100 * np.hypot(trend.sd_kg[-sd.size :], trend.sd_kg[-1]) / trend.level_kg[-1]
        assert (sd[-9:-1] < 0.8 * independent[-9:-1]).all()


def test_its_interval_holds_the_true_change_about_as_often_as_it_says() -> None:
    # 90 % intervals of the change over four weeks, on lifters whose true strength is known.
    inside = []
    for simulated in roster("tuning", 7):
        last = int(simulated.log.day.max())
        for as_of in (last, last - 91):
            found = analyse_lifter(simulated.log, list(simulated.blocks), as_of=as_of)
            names = [one.name for one in simulated.log.exercises]
            for one in found.exercises:
                if one.trend is None or one.trend.change_sd_pct.size < 5:
                    continue
                level, sd = one.trend.level_kg, one.trend.change_sd_pct[-5]
                truth = simulated.truth.expressed_kg[names.index(one.exercise)]
                now = as_of - simulated.truth.first_day
                true = 100 * (truth[now] / truth[now - 28] - 1)
                inside.append(abs(100 * (level[-1] / level[-5] - 1) - true) <= 1.645 * sd)
    assert len(inside) >= 30
    assert 0.8 <= np.mean(inside) <= 1.0
