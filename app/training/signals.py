"""Flags and notices: what asks for a decision, with its evidence, and what would clear it.

Every rule is strict on purpose: a coach of a hundred lifters reads a flag only while most of them matter.
Rules that rest on an estimate are judged by posterior probability, with a higher bar to raise than to
keep. The analysis keeps no state, so what stands today is found by replaying the past weeks.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from app.training import trend
from app.training.records import (
    AnalysisSettings,
    BlockSpan,
    Bools,
    DataError,
    Exercise,
    Flag,
    Floats,
    Ints,
    SetLog,
)

EASY_KINDS = ("low-stress", "maintenance", "re-entry", "test")


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Bars of the rules, with where they come from. ``sensitivity`` divides or multiplies some of them."""

    problem_on: float = 0.60  # posterior probability
    problem_off: float = 0.35
    spike_over_recent: float = 1.35  # x the largest week of the last four
    spike_over_range: float = 1.25  # x the largest week in the same rep range in sixteen weeks
    layoff_days: int = 10
    dip_share: float = 0.005  # of strength, below the best of the weeks before the change
    dip_days: int = 21
    stress_held: float = 0.85  # of the weeks before
    drift_on: float = 0.80
    drift_off: float = 0.5
    drift_reps: float = 0.75
    stale_weeks: int = 10


THRESHOLDS = Thresholds()


@dataclass(frozen=True, slots=True)
class LiftView:
    """One lift as the rules see it."""

    log: SetLog  # screened, nothing after as_of
    exercise: int
    as_of: int
    spans: Sequence[BlockSpan]
    stress: Floats  # (n,) relative volume load of every set of the log
    settings: AnalysisSettings
    fit: trend.Fit | None
    lift: int  # number of the lift in the fit, -1 when it has none


def block_at(spans: Sequence[BlockSpan], day: int) -> BlockSpan | None:
    """The block a day lies in; of overlapping ones the latest begun."""
    inside = [s for s in spans if s.start <= day <= s.end]
    return max(inside, key=lambda s: s.start) if inside else None


def _text(day: int) -> str:
    return date.fromordinal(day).isoformat()


def _mine(view: LiftView) -> Bools:
    return np.asarray((view.log.exercise == view.exercise) & ~view.log.warm_up)


def _days(view: LiftView) -> Ints:
    return np.unique(view.log.day[_mine(view)])


def hold(raised: Sequence[float], on: float, off: float) -> int | None:
    """Replay a probability with two bars: index since which it stands, None when it does not."""
    since: int | None = None
    for i, p in enumerate(raised):
        if since is None and p >= on:
            since = i
        elif since is not None and p < off:
            since = None
    return since


# -- stall and regression ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Progress:
    """Posterior of "flat or falling since week k" at each node of a lift, using nodes up to it only."""

    day: Ints  # (n,)
    problem: Floats  # (n,) probability
    falling: Floats  # (n,) probability of falling, part of problem
    onset: Ints  # (n,) [d] most probable onset
    usual_slope: float  # [1/week]


FLAT_SHORT = 0.0
FALLS = (0.003, 0.007)  # [1/week] below zero
RISES = (0.003,)
HAZARD = 0.02  # a change of slope a week, either way


def progress(f: trend.Fit, lift: int) -> Progress:
    """Compare "goes on", "flat since k", "falling since k" and "rising since k" by marginal likelihood.

    The base model is the trend's without its wandering slope, so that a change of slope has to be named.
    Its factor is causal, so one product gives every onset at every week.
    """
    n = int(f.used[lift].sum())
    t, y, noise, block = f.time[lift, :n], f.y[lift, :n], f.noise[lift, :n], f.block[lift, :n]
    p = f.priors
    low = np.minimum(t[:, None], t[None, :])
    V = p.start_sd**2 + p.slope_sd**2 * np.outer(t, t) + (1.3 * p.walk_sd) ** 2 * low
    V += p.block_sd**2 * (block[:, None] == block[None, :]) + np.diag(noise)
    factor = np.linalg.inv(np.linalg.cholesky(V))
    resid = factor @ (y - f.centre[lift] - p.slope_mean * t)
    wt = factor @ t
    # Long-run slope as estimated at each node; it is what "goes on" means.
    information = np.cumsum(wt**2) + 1e-9
    usual = p.slope_mean + np.cumsum(wt * resid) / (information + 1 / p.slope_sd**2)
    usual = np.clip(usual, 0.0005, 0.005)
    hinge = factor @ np.maximum(t[:, None] - t[None, :], 0.0)
    A = np.cumsum(hinge**2, axis=0)
    B = np.cumsum(hinge * resid[:, None], axis=0)
    age = t[:, None] - t[None, :]
    valid = (age >= 2.5) & (age <= 20)

    def evidence(delta: Floats) -> Floats:
        change = delta[:, None]
        return np.where(valid, np.exp(np.clip(change * B - 0.5 * change**2 * A, -50, 50)), 0.0)

    flat = evidence(-usual) * 0.5
    fall = sum((evidence(-(usual + d)) for d in FALLS), np.zeros_like(A)) * (0.5 / len(FALLS))
    rise = sum((evidence(np.full(n, d)) for d in RISES), np.zeros_like(A)) / len(RISES)
    total = 1.0 + HAZARD * (flat + fall + rise).sum(axis=1)
    bad = flat + fall
    onset = np.argmax(bad, axis=1)
    day = np.round(f.origin + 7 * t).astype(np.int64)
    return Progress(
        day=day,
        problem=HAZARD * bad.sum(axis=1) / total,
        falling=HAZARD * fall.sum(axis=1) / total,
        onset=day[onset],
        usual_slope=float(usual[-1]),
    )


def _rolling(view: LiftView, days: Ints, width: int) -> Floats:
    """Stress of the lift in the ``width`` days up to each given day."""
    mine = _mine(view)
    order = np.argsort(view.log.day[mine], kind="stable")
    d, total = view.log.day[mine][order], np.r_[0.0, np.cumsum(view.stress[mine][order])]
    upto, before = (np.searchsorted(d, edge, side="right") for edge in (days, days - width))
    return np.asarray(total[upto] - total[before], dtype=float)


def stall(view: LiftView) -> Flag | None:
    f, th = view.fit, THRESHOLDS
    if f is None or view.lift < 0 or int(f.used[view.lift].sum()) < 8:
        return None
    seen = progress(f, view.lift)
    recent, before = _rolling(view, seen.day, 28) / 4, _rolling(view, seen.day - 28, 56) / 8
    ratio = recent / np.maximum(before, 1e-9)
    on = 1 - (1 - th.problem_on) * view.settings.sensitivity
    state, since, easy_weeks = False, 0, 0
    for i, day in enumerate(seen.day.tolist()):
        block = block_at(view.spans, day)
        easy = block is not None and block.kind in EASY_KINDS
        p = seen.problem[i]
        if not state:
            young = block is not None and day - block.start < th.dip_days
            if p >= on and ratio[i] >= th.stress_held and not easy and not young:
                state, since, easy_weeks = True, int(seen.onset[i]), 0
            continue
        easy_weeks = easy_weeks + 1 if easy else 0
        if p < th.problem_off or easy_weeks > 2:
            state = False
    last = seen.day[-1]
    if not state or view.as_of - last > 14:
        return None
    p, falling = float(seen.problem[-1]), float(seen.falling[-1])
    days = np.array([since, view.as_of])
    mean, _ = trend.predict(f, view.lift, days)
    weeks = max((view.as_of - since) / 7, 1.0)
    change = 100 * float(mean[1] - mean[0])
    regression = falling > 0.6 * p
    return Flag(
        kind="regression" if regression else "stall",
        severity="act" if regression and p > 0.8 else "watch",
        since=since,
        probability=p,
        evidence={
            "weeks": round(weeks, 1),
            "change_pct": round(change, 1),
            "usual_slope_pct_per_week": round(100 * seen.usual_slope, 2),
            "stress_ratio": round(float(ratio[-1]), 2),
            "probability": round(p, 2),
        },
        advice=(
            f"Worth a look: e1RM changed by {change:+.1f} % in {weeks:.0f} weeks where "
            f"{100 * seen.usual_slope:+.2f} % a week was usual, "
            f"with stress at {ratio[-1]:.2f} of the weeks before. "
            "Consider a step back, wider spacing, or another kind of stress."
        ),
        clears_when=f"the probability of a standstill falls under {th.problem_off:.0%}",
    )


def expected_dip(view: LiftView) -> Flag | None:
    f, th = view.fit, THRESHOLDS
    block = block_at(view.spans, view.as_of)
    if f is None or view.lift < 0 or block is None or view.as_of - block.start >= th.dip_days:
        return None
    before = [s for s in view.spans if s.start < block.start and s.kind not in EASY_KINDS]
    if (
        not before
        or block.kind in ("low-stress", "maintenance")
        or max(before, key=lambda s: s.end).kind == block.kind
    ):
        return None
    trained = view.log.day[_mine(view)]
    if not ((trained >= block.start) & (trained <= view.as_of)).any():
        return None
    days = np.r_[np.arange(block.start - 43, block.start, 7), view.as_of]
    days = days[days >= f.origin]
    if days.size < 3:
        return None
    mean, cov = trend.predict(f, view.lift, days)
    best = int(np.argmax(mean[:-1]))
    gap = float(mean[best] - mean[-1])
    sd = math.sqrt(max(cov[best, best] + cov[-1, -1] - 2 * cov[best, -1], 1e-12))
    if gap < th.dip_share:
        return None
    until = block.start + th.dip_days
    return Flag(
        kind="expected_dip",
        severity="notice",
        since=block.start,
        probability=float(trend.normal_cdf(np.array((gap - 0.0) / sd))),
        evidence={"below_best_pct": round(100 * gap, 1), "until": _text(until), "block": block.name},
        advice=(
            f"The change to {block.kind} work explains the {100 * gap:.1f} % below the best of the weeks "
            "before. Keep the plan."
        ),
        clears_when=f"the level is back, or on {_text(until)}",
    )


# -- load ---------------------------------------------------------------------------------------------


def load_spike(view: LiftView) -> Flag | None:
    th = THRESHOLDS
    mine = _mine(view)
    if not mine.any():
        return None
    first = int(view.log.day[mine].min())
    span = view.as_of - first + 1
    if span < 42:
        return None
    day = view.log.day[mine] - first
    lows = np.array([r[0] for r in view.settings.rep_ranges])
    band = np.clip(np.searchsorted(lows, view.log.reps[mine], side="right") - 1, 0, lows.size - 1)
    daily = np.zeros((lows.size, span))
    np.add.at(daily, (band, day), view.stress[mine])
    week = np.cumsum(daily, axis=1)
    week[:, 7:] -= week[:, :-7].copy()
    total = week.sum(axis=0)
    scale = 1 + (view.settings.sensitivity - 1) * -0.2
    since = None
    for i in range(span - 7, span):
        if i < 35:
            continue
        recent = total[i - 34 : i - 6]
        top = int(np.argmax(week[:, i]))
        same = week[top, max(0, i - 118) : i - 6].max()
        if (recent[::7] > 0).sum() < 3 or total[i] <= 0:
            continue
        if (
            total[i] > th.spike_over_recent * scale * recent.max()
            and week[top, i] > th.spike_over_range * scale * same
        ):
            since, ratio, over = i, total[i] / recent.max(), week[top, i] / max(same, 1e-9)
            break
    if since is None:
        return None
    low, high = view.settings.rep_ranges[top]
    return Flag(
        kind="load_spike",
        severity="watch",
        since=first + since,
        probability=math.nan,
        evidence={
            "over_largest_of_four_weeks": round(float(ratio), 2),
            "over_largest_in_range": round(float(min(over, 99.0)), 2),
            "rep_range": f"{low}-{high}",
        },
        advice=(
            f"The week's stress is {ratio:.2f} times the largest of the four weeks before. "
            "Let the next week step back unless this was meant."
        ),
        clears_when="seven days pass without another such week",
    )


def detraining(view: LiftView) -> Flag | None:
    days = _days(view)
    if days.size < 6:
        return None
    gap = view.as_of - int(days[-1])
    if gap < THRESHOLDS.layoff_days:
        return None
    recent = days[days > days[-1] - 56]
    if recent.size < 5:
        return None
    usual = float(np.percentile(np.diff(recent), 80))
    if usual > 8 or gap > 120:
        return None
    return Flag(
        kind="detraining",
        severity="watch" if gap < 21 else "act",
        since=int(days[-1]) + 1,
        probability=math.nan,
        evidence={"days_without": gap, "usual_days_between": round(usual, 1)},
        advice=(
            f"{gap} days without the lift, usually {usual:.0f} at most. "
            "Plan a re-entry below the recent best rather than resuming where it stopped."
        ),
        clears_when="the lift is trained again",
    )


# -- effort -------------------------------------------------------------------------------------------


def effort_drift(view: LiftView) -> Flag | None:
    """Logged above prescribed effort, where a prescription exists."""
    target = view.log.prescribed_rpe
    if target is None:
        return None
    mine = _mine(view) & np.isfinite(target) & np.isfinite(view.log.rpe)
    recent = mine & (view.log.day > view.as_of - 28)
    sessions, inverse = np.unique(view.log.session[recent], return_inverse=True)
    if sessions.size < 4:
        return None
    over = (view.log.rpe - target)[recent]
    mean = np.bincount(inverse, over) / np.bincount(inverse)
    excess, se = float(mean.mean()), float(mean.std(ddof=1) / math.sqrt(mean.size))
    z = (excess - 0.5) / max(se, 0.15)
    p = float(trend.normal_cdf(np.array(z)))
    if p < THRESHOLDS.drift_on:
        return None
    since = int(view.log.day[recent].min())
    return Flag(
        kind="effort_drift",
        severity="watch",
        since=since,
        probability=p,
        evidence={"rpe_above_prescribed": round(excess, 1), "sessions": int(sessions.size)},
        advice=(
            f"Sets of the last four weeks were rated {excess:.1f} above what was prescribed. "
            "Check loads, sleep and how the scale is used."
        ),
        clears_when="four sessions average within half a point of the prescription",
    )


def data_errors(errors: Sequence[DataError], exercises: Sequence[Exercise]) -> dict[int, tuple[Flag, ...]]:
    """One flag an exercise and day, by exercise."""
    grouped: dict[tuple[int, int], list[DataError]] = {}
    for error in errors:
        grouped.setdefault((error.exercise, error.day), []).append(error)
    flags: dict[int, list[Flag]] = {}
    for (exercise, day), found in sorted(grouped.items()):
        flags.setdefault(exercise, []).append(
            Flag(
                kind="data_error",
                severity="watch",
                since=day,
                probability=math.nan,
                evidence={
                    "sets": len(found),
                    "reason": found[0].reason,
                    "rows": ",".join(str(e.row) for e in found),
                },
                advice=(
                    f"{len(found)} set(s) of {exercises[exercise].name} on {_text(day)} cannot be what they "
                    "say. Correct or confirm them; until then they are held out."
                ),
                clears_when="the sets are corrected or confirmed",
            )
        )
    return {exercise: tuple(found) for exercise, found in flags.items()}


def silent(log: SetLog, as_of: int) -> Flag | None:
    days = np.unique(log.day)
    if days.size < 6:
        return None
    gap = as_of - int(days[-1])
    recent = np.diff(days[days > days[-1] - 84])
    if recent.size < 5:
        return None
    usual = float(np.percentile(recent, 90))
    if gap <= max(2 * usual, 7):
        return None
    return Flag(
        kind="silent",
        severity="act" if gap >= 14 else "watch",
        since=int(days[-1]) + 1,
        probability=math.nan,
        evidence={"days_without_log": gap, "usual_longest_gap": round(usual, 1)},
        advice=f"Nothing logged for {gap} days; {usual:.0f} is usually the longest. Ask how it is going.",
        clears_when="anything is logged",
    )


RULES: tuple[Callable[[LiftView], Flag | None], ...] = (
    stall,
    expected_dip,
    load_spike,
    detraining,
    effort_drift,
)


def lift_flags(view: LiftView) -> tuple[Flag, ...]:
    """All flags of one lift that stand on the as-of day."""
    return tuple(flag for rule in RULES if (flag := rule(view)) is not None)
