"""An invented lifter's figure with everything in it: gap, outlier, short blocks, plan, forecast, finding."""

from __future__ import annotations

from typing import Any

import numpy as np

from app.training.records import Estimate, Trend
from app.web.figure import Finding, LifterFigure, StripBlock

MONDAY = 739_642  # Mon 26 Jan 2026
TODAY = MONDAY + 2
SEASON = [
    ("volume", "Volume eights", 6, 8.0),
    ("low-stress", "Easy week", 1, 3.0),
    ("strength", "Fives to triples", 5, 7.0),
    ("low-stress", "Easy week", 1, 3.0),
    ("volume", "Volume eights", 5, 9.0),
    ("low-stress", "Easy week", 1, 3.0),
    ("strength", "Fives to triples", 6, 7.0),
    ("peak", "Peak for the club meet", 3, 5.0),
    ("test", "Test week", 1, 3.0),
    ("re-entry", "Easy return", 2, 4.0),
    ("volume", "Heavy tens & <more>", 4, 8.0),
    ("maintenance", "Holding", 2, 4.0),
    ("strength", "Heavy triples", 4, 7.0),
]


def make_trend(
    *, first: int, sessions: int = 96, gap: tuple[int, int] | None = (16, 22), **changes: Any
) -> Trend:
    rng = np.random.default_rng(4)
    day = np.unique(first + np.sort(rng.choice(TODAY - first, sessions, replace=False)))
    if gap is not None:
        day = day[(day < first + 7 * gap[0]) | (day >= first + 7 * gap[1])]
    week = np.arange(TODAY, first - 1, -7)[::-1]  # The model's grid knows no gap.
    level = 178 + 16 * (1 - np.exp(-(week - first) / 120))
    sd = 1.6 + 3.5 * np.exp(-(week - first) / 14)
    points = np.interp(day, week, level) + rng.normal(0, 2.2, day.size)
    ahead = TODAY + 7 * np.arange(1, 13)
    fields: dict[str, Any] = {
        "e1rm": Estimate(level[-1], level[-1] - 3.1, level[-1] + 3.1),
        "slope_pct_per_week": Estimate(0.06, -0.1, 0.2),
        "probability_rising": 0.71,
        "day": week,
        "level_kg": level,
        "sd_kg": sd,
        "point_day": day,
        "point_kg": points,
        "forecast_day": ahead,
        "forecast_kg": level[-1] + 0.01 * (ahead - TODAY),
        "forecast_sd_kg": 1.9 + 0.03 * (ahead - TODAY),
        "sets_used": 412,
        "sessions_used": day.size,
        "curve_reps_per_fraction": 30.0,
        "curve_known": True,
    }
    return Trend(**(fields | changes))


def make_figure(*, weeks_back: int = 36, **changes: Any) -> LifterFigure:
    """A figure over the whole invented season, except for what the test names."""
    rng = np.random.default_rng(5)
    first = MONDAY - 7 * weeks_back
    blocks, planned_week, planned = [], [], []
    start = first
    for kind, name, weeks, top in SEASON:
        steps = tuple((start + 7 * i, 10 * top * (0.8 + 0.2 * (i + 1) / weeks)) for i in range(weeks))
        blocks.append(StripBlock(kind, name, steps))  # type: ignore[arg-type]
        planned_week.extend(day for day, _ in steps)
        planned.extend(amount for _, amount in steps)
        start += 7 * weeks
    week = first + 7 * np.arange(weeks_back + 1)
    done = np.interp(week, planned_week, planned) * rng.normal(1, 0.07, week.size)
    done[-1] *= 0.4
    fields: dict[str, Any] = {
        "lift": "Deadlift",
        "unit": "kg",
        "measure": "relative_volume_load",
        "today": TODAY,
        "first_day": first,
        "last_day": start,
        "blocks": tuple(blocks),
        "trend": make_trend(first=first),
        "missing_because": "",
        "week": week,
        "done": done,
        "own": 0.35 * done,
        "planned_week": np.array(planned_week),
        "planned": np.array(planned),
        "findings": (Finding(TODAY - 39, TODAY, "flat since 20 Dec, work up 14 %", "act"),),
    }
    return LifterFigure(**(fields | changes))
