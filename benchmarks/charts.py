"""What the lifter page's figure costs, against writing down a figure that is already there."""

from __future__ import annotations

import json

import numpy as np
import orjson

from app.training.records import Estimate, Trend
from app.web import charts, svg
from app.web.figure import LifterFigure, StripBlock
from benchmarks.figures import Figure, most, ratio, seconds

TODAY = 740_000
WEEKS = 156


def three_years() -> LifterFigure:
    """A lift's figure with 156 weeks, 468 sessions and twelve blocks."""
    rng = np.random.default_rng(1)
    first = TODAY - 7 * WEEKS
    week = first + 7 * np.arange(WEEKS)
    level = np.linspace(150.0, 190.0, WEEKS)
    sessions = np.sort(rng.choice(np.arange(first, TODAY), 3 * WEEKS, replace=False))
    ahead = TODAY + 7 * np.arange(1, 13)
    trend = Trend(
        e1rm=Estimate(190.0, 186.0, 194.0),
        slope_pct_per_week=Estimate(0.1, -0.1, 0.3),
        probability_rising=0.8,
        day=week + 6,
        level_kg=level,
        sd_kg=np.full(WEEKS, 3.0),
        point_day=sessions,
        point_kg=np.interp(sessions, week, level) + rng.normal(0, 2, sessions.size),
        forecast_day=ahead,
        forecast_kg=190 + 0.02 * (ahead - TODAY),
        forecast_sd_kg=3 + 0.02 * (ahead - TODAY),
        sets_used=1400,
        sessions_used=sessions.size,
        curve_reps_per_fraction=30.0,
        curve_known=True,
    )
    blocks = tuple(
        StripBlock(kind, f"Block {i + 1}", tuple((first + 91 * i + 7 * w, 50.0 + w) for w in range(13)))
        for i, kind in enumerate(("volume", "strength", "peak", "low-stress") * 3)
    )
    return LifterFigure(
        lift="Squat",
        unit="kg",
        measure="relative_volume_load",
        today=TODAY,
        first_day=first,
        last_day=TODAY + 84,
        blocks=blocks,
        trend=trend,
        missing_because="",
        week=week,
        done=rng.normal(60, 9, WEEKS),
        own=np.full(WEEKS, 20.0),
        planned_week=week,
        planned=np.full(WEEKS, 60.0),
    )


def chart_ratio() -> float:
    figure = three_years()
    ready = json.loads(charts.chart_json(figure))
    return ratio(lambda: charts.chart_json(figure), lambda: orjson.dumps(ready), rounds=60)


def drawing_ms() -> float:
    figure = three_years()
    return 1000 * seconds(lambda: svg.lifter_chart(figure), rounds=30)


FIGURES = [
    Figure(
        "desk.chart_json",
        "ratio",
        most(5),
        chart_ratio,
        "a lifter's figure of three years to JSON, over orjson of the same figure as ready dicts",
    ),
    Figure("desk.drawing", "ms", most(15), drawing_ms, "the same figure as SVG, the widest of its three"),
]
