"""What the lifter page's figure shows, before anybody draws it: the data, its words and its table.

One ``LifterFigure`` is drawn twice, as SVG by ``svg.lifter_chart`` and as a plotly figure by
``charts.plotly_figure``. What both must agree on (scales, hatching, where a line breaks, what the
sentence says) is decided here once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from app.planning.wording import direction
from app.training.records import BLOCK_KINDS, BlockKind, Bools, Floats, Ints, Severity, Trend
from app.training.units import KG_PER_LB

LONGEST_BRIDGE_DAYS: Final = 28
"""A trend is not drawn across more days than this without a point: a gap is shown as a gap."""

BANDS: Final = ((0.95, 1.959964), (0.80, 1.281552), (0.50, 0.674490))
"""Share of outcomes inside a band and its half-width in SD (normal quantiles), widest first."""

KIND_WORDS: Final[dict[BlockKind, str]] = {
    "volume": "volume",
    "strength": "strength",
    "peak": "peak",
    "low-stress": "low stress",
    "maintenance": "maintenance",
    "re-entry": "re-entry",
    "test": "test",
}

HATCHES: Final[dict[BlockKind, tuple[int, str]]] = {
    "volume": (5, "M0 2H5V3H0Z"),
    "strength": (6, "M0 6L6 0H3.9L0 3.9ZM6 6V3.9L3.9 6Z"),
    "peak": (4, "M1 0H2.9V4H1Z"),
    "low-stress": (5, "M1.5 2.5a1 1 0 1 0 2 0a1 1 0 1 0-2 0Z"),
    "maintenance": (8, "M0 1.5H4.5V2.5H0ZM4 5.5H8V6.5H4ZM0 5.5H.5V6.5H0Z"),
    "re-entry": (6, "M0 0L6 6V4.7L1.3 0ZM0 6H1.3L0 4.7Z"),
    "test": (7, "M0 7L7 0H6L0 6ZM7 7V6L6 7ZM0 0L7 7V6L1 0ZM0 7H1L0 6Z"),
}
"""Kind -> side of the square tile [px] and the region of it that is inked, for SVG and plotly alike."""

MEASURE_WORDS: Final[dict[str, tuple[str, str]]] = {
    "relative_volume_load": ("relative volume load", "reps × share of e1RM"),
    "volume_load": ("volume load", ""),  # the lifter's unit
    "hard_sets": ("hard sets", "sets"),
    "working_sets": ("working sets", "sets"),
    "session_rpe_load": ("session-RPE load", "RPE × min"),
}

MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True)
class StripBlock:
    """One block of a season: ``weeks`` are (first day, planned stress), oldest first; NaN where unplanned."""

    kind: BlockKind
    name: str
    weeks: tuple[tuple[int, float], ...]

    @property
    def start(self) -> int:
        return self.weeks[0][0]

    @property
    def end(self) -> int:
        """The day after the last week."""
        return self.weeks[-1][0] + 7


@dataclass(frozen=True, slots=True)
class Finding:
    """Something written at the place of the chart where it is seen. Days are inclusive ordinals. [d]"""

    since: int
    until: int
    text: str
    severity: Severity
    panel: Literal["performance", "stress"] = "performance"


@dataclass(frozen=True, slots=True, eq=False)
class LifterFigure:
    """Performance of one lift above, blocks between, weekly stress below, on one time axis.

    ``last_day`` is exclusive. ``week`` and ``planned_week`` are first days of weeks, (w,) and (p,) [d];
    ``done`` and ``planned`` their stress in ``measure`` from all lifts, ``own`` the part of ``done`` that is
    this lift's, NaN where nothing is known. A plan's stress is of all lifts, hence the columns are too.
    """

    lift: str
    unit: str  # of the reader: "kg" or "lb"
    measure: str
    today: int
    first_day: int
    last_day: int
    blocks: tuple[StripBlock, ...]
    trend: Trend | None
    missing_because: str
    week: Ints
    done: Floats
    own: Floats
    planned_week: Ints
    planned: Floats
    findings: tuple[Finding, ...] = ()

    @property
    def per_kg(self) -> float:
        """Reader's units to the kilogram. [1]"""
        return 1.0 if self.unit == "kg" else 1.0 / KG_PER_LB

    @property
    def stress_name(self) -> str:
        return MEASURE_WORDS[self.measure][0]

    @property
    def stress_unit(self) -> str:
        return MEASURE_WORDS[self.measure][1] or self.unit

    @property
    def stress_scale(self) -> float:
        """Stress as read from one in kilograms: only volume load has a mass in it. [1]"""
        return self.per_kg if self.measure == "volume_load" else 1.0

    def between(self, first_day: int, last_day: int) -> LifterFigure:
        """The same figure over fewer days."""
        return replace(self, first_day=max(first_day, self.first_day), last_day=min(last_day, self.last_day))


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """The trend inside the figure's days, in the reader's unit. NaN rows stand where the line breaks."""

    day: Floats  # (m,) [d]
    level: Floats  # (m,)
    sd: Floats  # (m,)
    point_day: Ints  # (p,) [d]
    point: Floats  # (p,)
    ahead_day: Floats  # (f,) [d] from the last level on, so that the forecast is joined to it
    ahead: Floats  # (f,)
    ahead_sd: Floats  # (f,)


def course(figure: LifterFigure) -> Course | None:
    """Cut the trend to the figure's days, change its unit and open its gaps; None without a trend."""
    trend = figure.trend
    if trend is None or not trend.day.size:
        return None
    inside = (trend.day >= figure.first_day) & (trend.day <= figure.today)
    day = trend.day[inside].astype(float)
    level, sd = trend.level_kg[inside] * figure.per_kg, trend.sd_kg[inside] * figure.per_kg
    # The model has a level on every day; where nothing was logged for long it is a guess and not shown.
    for since, until in gaps(figure):
        blank = (day > since + 3) & (day < until - 3)
        day[blank] = level[blank] = sd[blank] = np.nan
    ahead = (trend.forecast_day >= figure.today) & (trend.forecast_day < figure.last_day)
    ahead_day = trend.forecast_day[ahead].astype(float)
    ahead_level = trend.forecast_kg[ahead] * figure.per_kg
    ahead_sd = trend.forecast_sd_kg[ahead] * figure.per_kg
    if day.size and ahead_day.size and np.isfinite(day[-1]):
        ahead_day = np.concatenate((day[-1:], ahead_day))
        ahead_level = np.concatenate((level[-1:], ahead_level))
        ahead_sd = np.concatenate((sd[-1:], ahead_sd))
    seen = (trend.point_day >= figure.first_day) & (trend.point_day <= figure.today)
    return Course(
        day,
        level,
        sd,
        trend.point_day[seen],
        trend.point_kg[seen] * figure.per_kg,
        ahead_day,
        ahead_level,
        ahead_sd,
    )


def runs(x: Floats) -> list[slice]:
    """Stretches between the breaks (NaN rows) of a course."""
    edges = [-1, *np.flatnonzero(np.isnan(x)).tolist(), x.size]
    return [slice(a + 1, b) for a, b in pairwise(edges) if b > a + 1]


def performance_range(drawn: Course) -> tuple[float, float]:
    """Lowest and highest value of the performance axis.

    Every session's own value is inside unless it is far off. The bands are let in as far as a sixteenth
    beyond the levels: a wide first guess must not flatten the year after it.
    """
    low, high = _levels(drawn)
    near = drawn.point[far_off(drawn) == 0]
    centre = np.concatenate((drawn.level, drawn.ahead))
    reach = np.concatenate((drawn.sd, drawn.ahead_sd)) * BANDS[0][1]
    bottom = max(float(np.fmin.reduce(centre - reach, initial=low)), low - high / 16)
    ceiling = min(float(np.fmax.reduce(centre + reach, initial=high)), high + high / 16)
    bottom, ceiling = float(np.min(near, initial=bottom)), float(np.max(near, initial=ceiling))
    pad = max(0.04 * (ceiling - bottom), 0.01 * ceiling)
    return bottom - pad, ceiling + pad


def far_off(drawn: Course) -> Ints:
    """-1, 0 or 1 per session: more than a quarter below all levels, near them, or as far above. (p,)

    One slipped decimal must not flatten a year, so the axis makes no room for it.
    """
    low, high = _levels(drawn)
    return np.where(drawn.point < 0.75 * low, -1, np.where(drawn.point > 1.25 * high, 1, 0))


def _levels(drawn: Course) -> tuple[float, float]:
    """Lowest and highest level; the sessions' own where the figure's days hold no level."""
    levels = np.concatenate((drawn.level, drawn.ahead))
    levels = levels[np.isfinite(levels)]
    if not levels.size:
        levels = drawn.point if drawn.point.size else np.array([0.0, 1.0])
    return float(levels.min()), float(levels.max())


def ticks(low: float, high: float, about: int = 4) -> list[float]:
    """Round numbers inside a range, a step of 1, 2, 2.5 or 5 times a power of ten apart."""
    if not high > low:
        return [low]
    raw = (high - low) / about
    power = 10.0 ** np.floor(np.log10(raw))
    step = power * min((s for s in (1, 2, 2.5, 5, 10) if s * power >= raw), default=10)
    count = np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1)
    return [round(float(c * step), 6) for c in count]


def month_starts(first_day: int, last_day: int) -> list[tuple[int, str]]:
    """(first day, label) of the months that begin inside; the year stands with January."""
    found = date.fromordinal(first_day)
    year, month = found.year, found.month
    if found.day > 1:
        year, month = year + month // 12, month % 12 + 1
    out = []
    while (start := date(year, month, 1).toordinal()) < last_day:
        out.append((start, f"Jan {year}" if month == 1 else MONTHS[month - 1]))
        year, month = year + month // 12, month % 12 + 1
    return out


def gaps(figure: LifterFigure) -> list[tuple[int, int]]:
    """Stretches longer than the longest bridge without a session of this lift: (last day, next day)."""
    if figure.trend is None:
        return []
    days = figure.trend.point_day
    days = np.append(np.sort(days[days <= figure.today]), figure.today)
    if days.size < 2:
        return []
    wide = np.flatnonzero(np.diff(days) > LONGEST_BRIDGE_DAYS)
    return [
        (int(days[i]), int(days[i + 1]))
        for i in wide
        if days[i + 1] > figure.first_day and days[i] < figure.last_day
    ]


# In words and in a table --------------------------------------------------------------------------


def short_day(ordinal: int) -> str:
    found = date.fromordinal(ordinal)
    return f"{found.day} {MONTHS[found.month - 1]}"


def tidy(value: float, decimals: int = 1) -> str:
    """A number for reading: no trailing zeros, a true minus sign."""
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text.replace("-", "\u2212")


def level_words(figure: LifterFigure) -> str:
    """The lift now with the interval that eight of ten fall into."""
    trend = figure.trend
    if trend is None:
        reason = f": {figure.missing_because}" if figure.missing_because else ""
        return f"{figure.lift}: no trend yet{reason}."
    # The estimate's own interval is 90 %; the page speaks of eight in ten throughout.
    half = (trend.e1rm.high - trend.e1rm.low) / 2 * BANDS[1][1] / 1.644854
    low, mean, high = (
        tidy((trend.e1rm.mean + d) * figure.per_kg, 0 if figure.unit == "lb" else 1) for d in (-half, 0, half)
    )
    return f"{figure.lift} now {mean} {figure.unit}, 8 of 10 between {low} and {high}."


def slope_words(trend: Trend) -> str:
    """Direction of the last six weeks in words, with the slope and its interval."""
    slope = trend.slope_pct_per_week
    word = direction(slope.mean, trend.probability_rising)
    mean, low, high = (tidy(v, 2) for v in (slope.mean, slope.low, slope.high))
    return f"{word} over the last six weeks: {mean} % a week (9 of 10 between {low} and {high})"


def stress_words(figure: LifterFigure, *, short: bool = False) -> str:
    """What the lower panel measures, in which unit, and what the line over the columns is."""
    line = np.isfinite(figure.planned).any()
    if short:
        return f"{figure.stress_unit} a week{'; line: planned' * bool(line)}"
    unit = "" if figure.stress_unit == "sets" else f", {figure.stress_unit}"
    dark = f"; dark: {figure.lift.lower()}" if np.nansum(figure.own) > 0 else ""
    return f"stress: {figure.stress_name}{unit} a week{dark}{'; line: planned' * bool(line)}"


def sentence(figure: LifterFigure, *, with_level: bool = True) -> str:
    """What the figure shows, for readers who do not see it and for those in a hurry."""
    parts = [level_words(figure)] if with_level else []
    trend = figure.trend
    if trend is not None:
        rests = f"{trend.sets_used} sets in {trend.sessions_used} sessions"
        slope = slope_words(trend)
        parts.append(f"{slope[:1].upper()}{slope[1:]}, from {rests}.")
        if trend.forecast_day.size:
            half = float(trend.forecast_sd_kg[-1]) * BANDS[1][1]
            low, mean, high = (
                tidy((float(trend.forecast_kg[-1]) + d) * figure.per_kg, 0) for d in (-half, 0.0, half)
            )
            parts.append(
                f"Level and slope lead to {mean} {figure.unit} by {short_day(int(trend.forecast_day[-1]))}, "
                f"8 of 10 between {low} and {high}."
            )
    whole = whole_weeks(figure)
    if whole.any():
        last = float(figure.done[whole][-1])
        usual = figure.done[whole][-5:-1]
        scale = figure.stress_scale
        average = float(usual.mean()) * scale if usual.size == 4 else np.nan
        versus = f", {tidy(average, 0)} on average in the four before" if np.isfinite(average) else ""
        own = float(figure.own[whole][-1]) * scale
        share = f", {tidy(own, 0)} of it {figure.lift.lower()}" if np.isfinite(own) and own > 0 else ""
        parts.append(
            f"Stress in the week of {short_day(int(figure.week[whole][-1]))} was {tidy(last * scale, 0)} "
            f"({figure.stress_name}, {figure.stress_unit}){share}{versus}."
        )
    parts.extend(f"{f.text[:1].upper()}{f.text[1:]}." for f in figure.findings)
    return " ".join(parts)


@dataclass(frozen=True, slots=True)
class WeekRow:
    """One week of the figure as numbers, ready to print; empty where there is none."""

    week: int
    block: str
    level: str
    interval: str
    sessions: str
    done: str
    own: str
    planned: str
    is_forecast: bool


def table(figure: LifterFigure) -> list[WeekRow]:
    """The figure's numbers by week, newest first."""
    drawn = course(figure)
    monday = figure.first_day - (figure.first_day - 1) % 7  # Ordinal 1 was a Monday.
    scale = figure.stress_scale
    done = dict(zip(figure.week.tolist(), (figure.done * scale).tolist(), strict=True))
    own = dict(zip(figure.week.tolist(), (figure.own * scale).tolist(), strict=True))
    planned = dict(zip(figure.planned_week.tolist(), (figure.planned * scale).tolist(), strict=True))
    rows = []
    for week in range(monday, figure.last_day, 7):
        level = interval = sessions = ""
        ahead = week > figure.today
        if drawn is not None:
            past = (drawn.day, drawn.level, drawn.sd)
            day, value, sd = (drawn.ahead_day, drawn.ahead, drawn.ahead_sd) if ahead else past
            inside = np.flatnonzero((day >= week) & (day < week + 7))
            if inside.size:
                at = inside[-1]
                half = sd[at] * BANDS[1][1]
                level = tidy(float(value[at]))
                interval = f"{tidy(float(value[at] - half))} to {tidy(float(value[at] + half))}"
            seen = drawn.point[(drawn.point_day >= week) & (drawn.point_day < week + 7)]
            sessions = ", ".join(tidy(float(v)) for v in seen)
        named = [b.name for b in figure.blocks if b.start < week + 7 and b.end > week]
        amounts = (done.get(week), own.get(week), planned.get(week))
        all_lifts, this_lift, meant = ("" if v is None or not np.isfinite(v) else tidy(v) for v in amounts)
        rows.append(
            WeekRow(week, ", ".join(named), level, interval, sessions, all_lifts, this_lift, meant, ahead)
        )
    return rows[::-1]


def whole_weeks(figure: LifterFigure) -> Bools:
    """Which of the weeks done are over on the as-of day; the running one is drawn as unfinished. (w,)"""
    return figure.week + 7 <= figure.today


assert set(HATCHES) == set(KIND_WORDS) == set(BLOCK_KINDS)
