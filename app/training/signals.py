"""Flags and notices: what asks for a decision, with its evidence, and what would clear it.

Every rule is strict on purpose: a coach of a hundred lifters reads a flag only while most of them matter.
Rules that rest on an estimate are judged by posterior probability, with a higher bar to raise than to keep.
The analysis keeps no state, so what stands today is found by replaying the past weeks, each with the
evidence up to it alone: the factor of the trend's covariance is causal, and one product gives every week.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property

import numpy as np

from app.training import inputs, trend
from app.training.records import (
    BLOCK_KINDS,
    AnalysisSettings,
    BlockKind,
    BlockSpan,
    DataError,
    Exercise,
    Flag,
    Floats,
    Ints,
    SetLog,
)

EASY_KINDS: tuple[BlockKind, ...] = ("low-stress", "maintenance", "re-entry", "test")
"""Kinds of block in which nothing is expected to come back, so that no standstill is raised in them."""


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Bars of the rules. Where the unit is a probability, a coach's sensitivity lowers the bar to raise."""

    problem_on: float = 0.265  # [1] probability of a standstill or fall that raises
    problem_off: float = 0.23  # [1] and the one under which it clears
    problem_clear: float = 0.60  # [1] needed inside the first weeks of a new emphasis
    change_days: int = 21  # [d] that a change of emphasis may hide or feign a standstill
    stress_held: float = 0.80  # [1] of the weeks before: with less work nothing is owed
    falling_share: float = 0.8  # [1] of the probability that must be for falling to call it a regression
    spike_over_recent: float = 1.35  # [1] x the largest week of the last four
    spike_over_range: float = 1.25  # [1] x the largest week of like repetitions in sixteen weeks
    spike_of_sets: float = 1.2  # [1] x both for sets, of which one more is soon done
    spike_alike: float = 1.35  # [1] repetitions within this factor are alike
    layoff_days: int = 10  # [d]
    dip_share: float = 0.005  # [1] of strength below the best of the weeks before the change
    dip_days: int = 21  # [d] after which a shortfall is no longer the change's
    drift_on: float = 0.33  # [1]
    drift_off: float = 0.25
    drift_weeks: float = 9.0  # [weeks] after which a new use of the scale is the lifter's usual one
    drift_reps: float = 0.4  # [reps] a smaller shift is not worth a word
    over_prescribed: float = 0.5  # [1] RPE above prescribed, mean of the sessions
    stale_weeks: int = 12
    stale_band: float = 0.03  # [1] of load
    headroom_reps: float = 0.3  # [reps] predicted in reserve in the last sessions' hardest sets
    ready_reps: float = 1.0  # [1] RPE under prescribed, two sessions running


THRESHOLDS = Thresholds()


@dataclass(frozen=True, slots=True)
class Changes:
    """Priors of a change of slope. Shares of strength by week."""

    hazard: float = 0.08  # [1/week] that the slope changes, chosen so that probabilities are about right
    spread: float = 0.010  # [1/week] size of a change
    slope_sd: float = 0.003  # [1/week] long-run slope, around the trend's prior mean
    standstill: float = 0.0004  # [1/week] slope at or under which nothing is coming back
    falling: float = -0.0015  # [1/week]
    walk_sd: float = 0.003
    wander_sd: float = 0.003  # of slopes that come and go and mean nothing
    block_sd: float = 0.008
    youngest: float = 2.5  # [weeks]
    oldest: float = 10.0  # [weeks] of a change that raises a flag
    remembered: float = 16.0  # [weeks] of one that keeps it up
    scatter_nodes: float = 20.0  # weight of the model's own scatter, in weeks
    nodes: int = 52  # weeks looked back


CHANGES = Changes()
SHIFTS = replace(CHANGES, walk_sd=0.002, wander_sd=0.002, block_sd=0.006, scatter_nodes=60.0)
"""The level moves less while a shift of reporting is looked for: a step on all lifts at once must not pass
for the walk of each."""


@dataclass(frozen=True)
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
    progress: Progress | None = None  # of the lift, when it has a number
    calendar: bool = True  # whether ``spans`` were planned, or else read from the log
    attended: Ints | None = None  # (m,) [d] days with the lift, those with impossible sets too

    @cached_property
    def rows(self) -> Ints:
        """Places of the lift's working sets in the log, oldest first."""
        mine = np.flatnonzero((self.log.exercise == self.exercise) & ~self.log.warm_up)
        return mine[np.argsort(self.log.day[mine], kind="stable")]

    @cached_property
    def set_days(self) -> Ints:
        return self.log.day[self.rows]

    @cached_property
    def days(self) -> Ints:
        """Days on which the lift was trained."""
        days = self.set_days
        return days[np.concatenate([[True], days[1:] != days[:-1]])] if days.size else days

    @cached_property
    def daily(self) -> Floats:
        """Stress of the lift by day, from its first day to the as-of day."""
        first = int(self.set_days[0])
        return np.bincount(self.set_days - first, self.stress[self.rows], self.as_of - first + 1).astype(
            float
        )

    def stress_before(self, day: Ints, width: int) -> Floats:
        """Stress of the lift in the ``width`` days up to each day."""
        total = np.concatenate([[0.0], np.cumsum(self.daily)])
        last = np.clip(day - int(self.set_days[0]) + 1, 0, self.daily.size)
        return np.asarray(total[last] - total[np.clip(last - width, 0, None)])


def block_at(spans: Sequence[BlockSpan], day: int) -> BlockSpan | None:
    """The block a day lies in; of overlapping ones the latest begun."""
    inside = [s for s in spans if s.start <= day <= s.end]
    return max(inside, key=lambda s: s.start) if inside else None


def emphasis_changes(spans: Sequence[BlockSpan]) -> Ints:
    """First days of blocks whose emphasis differs from the one before; easy weeks in between do not count."""
    begun, last = [], None
    for span in sorted(spans, key=lambda s: s.start):
        if span.kind == "low-stress":
            continue
        if last is not None and span.kind != last:
            begun.append(span.start)
        last = span.kind
    return np.array(begun, dtype=np.int64)


def _iso(day: int) -> str:
    return date.fromordinal(day).isoformat()


def _signed(value: float, decimals: int) -> str:
    """A change as it is printed, with a true minus."""
    return f"{value:+.{decimals}f}".replace("-", "\u2212")


def _bar(on: float, sensitivity: float) -> float:
    """A bar of probability at a coach's sensitivity: odds are divided by it."""
    odds = on / (1 - on) / max(sensitivity, 0.05)
    return odds / (1 + odds)


# --- stall and regression ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Progress:
    """What is known of a lift's slope at each node, from the nodes up to it alone."""

    day: Ints  # (n,) [d]
    standstill: Floats  # (n,) probability that the slope changed to nothing or less
    begun: Floats  # (n,) the same, of a change of the last weeks alone: what raises a flag
    falling: Floats  # (n,) probability that it changed to a fall
    onset: Ints  # (n,) [d] most probable day of the change
    slope: Floats  # (n,) [1/week] since that day
    before: Floats  # (n,) [1/week] until then


@dataclass(frozen=True, slots=True)
class _Lately:
    """Last nodes of every lift, padded at the end."""

    count: Ints  # (L,)
    t: Floats  # (L, n) [weeks]
    design: Floats  # (L, n, 8)
    level: Floats  # (L, n) less its prior course
    factor: Floats  # (L, n, n) Cholesky factor of its covariance


def _lately(f: trend.Fit, slope_sd: float, c: Changes) -> _Lately:
    """What whitens the last nodes of every lift.

    The covariance is the trend's, with ``c``'s movements, and with what is not known of the constants: a
    drift of repetitions inside a block must not pass for a drift of strength. The factor is causal, row t
    knows the nodes up to t alone, so that one solution replays every past week, and padding says nothing.
    """
    low = np.maximum(f.count - c.nodes, 0)
    place = low[:, None] + np.arange(min(c.nodes, f.time.shape[1]))
    each = np.arange(low.size)[:, None]
    t, block, design, level = (some[each, place] for some in (f.time, f.block, f.design, f.level))
    own = replace(f.priors, slope_sd=slope_sd, walk_sd=c.walk_sd, wander_sd=c.wander_sd, block_sd=c.block_sd)
    since = t - t[:, :1]
    V = trend.covariance(since[:, :, None], since[:, None], block[:, :, None], block[:, None], own)
    V += design @ f.each_constants[1] @ np.swapaxes(design, 1, 2)
    along = np.arange(place.shape[1])
    V[:, along, along] += f.noise[each, place]
    level = level - level[:, :1] - f.priors.slope_mean * since
    return _Lately(f.count - low, t, design, np.asarray(level), np.asarray(np.linalg.cholesky(V), float))


def progress(f: trend.Fit, c: Changes = CHANGES) -> tuple[Progress, ...]:
    """Posterior of a change of slope to a standstill or a fall, of every lift at every week.

    The level has a slope that may have changed once, k weeks ago by an amount to be estimated, on top of the
    trend's own block offsets, random walk and wandering slope, and of what is not known of the constants.
    Each k is weighed by its marginal likelihood against "goes on". A slope that was always small is not a
    change: what counts is that the lift gained, and gains no more.
    """
    mu, known = f.priors.slope_mean, _lately(f, 0.0, c)
    t = known.t - known.t[:, :1]
    age = t[:, :, None] - t[:, None]
    told = np.concatenate([known.level[:, :, None], t[:, :, None], np.maximum(age, 0.0)], axis=2)
    white = np.linalg.solve(known.factor, told)
    r, w, h = white[:, :, :1], white[:, :, 1:2], white[:, :, 2:]
    # Normal equations of (slope, change at k) at every node: rows are nodes, columns are the nodes k before
    # them, as far back as a change may be remembered.
    each = np.arange(t.shape[1])
    ago = np.arange(min(t.shape[1], math.ceil(c.remembered) + 10))
    back = np.maximum(each[:, None] - ago, 0)
    since = t[:, :, None] - t[:, back]
    a11, b1 = np.cumsum(w**2, axis=1), np.cumsum(w * r, axis=1)
    a22, a12, b2 = (np.cumsum(h * with_, axis=1)[:, each[:, None], back] for with_ in (h, w, r))
    # How far a lift's weeks scatter, against what the model expects of a lift: known better as it goes on.
    rest = np.cumsum(r**2, axis=1) - b1**2 / (a11 + c.slope_sd**-2.0)
    scale = (c.scatter_nodes + rest) / (c.scatter_nodes + each[:, None] + 1)
    a11, a22, a12, b1, b2 = (q / scale for q in (a11, a22, a12, b1, b2))
    a11, a22 = a11 + c.slope_sd**-2.0, a22 + c.spread**-2.0
    det = a11 * a22 - a12**2
    slope, change = (a22 * b1 - a12 * b2) / det, (a11 * b2 - a12 * b1) / det
    evidence = np.exp(np.clip(0.5 * (slope * b1 + change * b2 - b1**2 / a11), -50, 50))
    evidence *= np.sqrt(a11 / det) / c.spread * c.hazard
    now, sd = mu + slope + change, np.sqrt((a11 + a22 - 2 * a12) / det)
    ripe = (since >= c.youngest) & (ago < known.count[:, None, None])
    weight = np.where(ripe & (since <= c.remembered), evidence, 0.0)
    young = np.where(ripe & (since <= c.oldest), evidence, 0.0)
    still, fall = (trend.normal_cdf((bar - now) / sd) for bar in (c.standstill, c.falling))
    best = np.argmax(weight * still, axis=2)
    day = np.round(f.origin + 7 * known.t).astype(np.int64)
    standstill = (weight * still).sum(axis=2) / (1 + weight.sum(axis=2))
    begun = (young * still).sum(axis=2) / (1 + young.sum(axis=2))
    falling = (weight * fall).sum(axis=2) / (1 + weight.sum(axis=2))
    found = []
    for lift, nodes in enumerate(known.count.tolist()):
        here, likeliest = each[:nodes], best[lift, :nodes]
        found.append(
            Progress(
                day=day[lift, here],
                standstill=standstill[lift, here],
                begun=begun[lift, here],
                falling=falling[lift, here],
                onset=day[lift, back[here, likeliest]],
                slope=now[lift, here, likeliest],
                before=mu + slope[lift, here, likeliest],
            )
        )
    return tuple(found)


def stall(view: LiftView) -> Flag | None:
    """A lift that gained and gains no more, or falls, although the work goes on."""
    f, seen, th = view.fit, view.progress, THRESHOLDS
    on = _bar(th.problem_on, view.settings.sensitivity)
    if f is None or seen is None or int(f.count[view.lift]) < 8 or seen.begun.max() < on:
        return None
    work = view.stress_before(seen.day, 28) / 4
    ratio = work / np.maximum(view.stress_before(seen.day - 28, 56) / 8, 1e-9)
    changes = emphasis_changes(view.spans)
    since_change = (
        seen.day - np.concatenate([[-10_000], changes])[np.searchsorted(changes, seen.day, "right")]
    )
    certain = _bar(th.problem_clear, view.settings.sensitivity)
    off = min(th.problem_off, 0.88 * on)
    easy = np.isin(trend.kind_of(seen.day, view.spans), [BLOCK_KINDS.index(kind) for kind in EASY_KINDS])
    raises, keeps = (seen.begun >= on) & ~easy & (ratio >= th.stress_held), seen.standstill >= off
    standing, since, easy_weeks = False, 0, 0
    for i in range(seen.day.size):
        if not standing:
            if raises[i]:
                standing, since, easy_weeks = True, int(seen.onset[i]), 0
            continue
        # Easy weeks neither confirm nor deny; after two the work has stepped back, as was advised.
        easy_weeks = easy_weeks + 1 if easy[i] else 0
        standing = bool(keeps[i]) and easy_weeks <= 2
    # Inside the first weeks of a new emphasis only what is plain is said: the change itself costs strength.
    p = float(seen.standstill[-1])
    today = view.as_of - int(changes[changes <= view.as_of][-1]) if (changes <= view.as_of).any() else 10_000
    young = min(int(since_change[-1]), today) < th.change_days
    if not standing or (young and p < certain) or view.as_of - int(seen.day[-1]) > 14:
        return None
    falling = float(seen.falling[-1])
    mean, _ = trend.predict(f, view.lift, np.array([since, view.as_of]))
    weeks, change = max((view.as_of - since) / 7, 1.0), 100 * float(mean[1] - mean[0])
    usual = 100 * float(seen.before[-1])
    regression = falling > th.falling_share * p
    word = "fallen" if regression else "stood still"
    return Flag(
        kind="regression" if regression else "stall",
        severity="act" if regression and p > 2 * on else "watch",
        since=since,
        probability=p,
        evidence={
            "weeks": round(weeks, 1),
            "change_pct": round(change, 1),
            "usual_slope_pct_per_week": round(usual, 2),
            "stress_ratio": round(float(ratio[-1]), 2),
            "probability": round(p, 2),
        },
        advice=(
            f"Worth a look, probability {100 * p:.0f} %: strength seems to have {word} for {weeks:.0f} weeks "
            f"({_signed(change, 1)} %) where {_signed(usual, 2)} % a week was usual, with stress at "
            f"{ratio[-1]:.2f} of the weeks before. Step back for a week, spread the exposures further "
            "apart, or change the kind of stress."
        ),
        clears_when=(
            f"its probability falls under {100 * off:.0f} %, the work has been easy for more than two weeks, "
            "or a new emphasis begins"
        ),
    )


def expected_dip(view: LiftView) -> Flag | None:
    """In the first weeks of a new emphasis: how far below the best before, as the change explains."""
    f, th = view.fit, THRESHOLDS
    changes = emphasis_changes(view.spans)
    begun = changes[changes <= view.as_of]
    if f is None or view.lift < 0 or not view.calendar or not begun.size:
        return None
    if view.as_of - begun[-1] >= th.dip_days:
        return None
    start = int(begun[-1])
    block = block_at(view.spans, view.as_of)
    trained = (view.days >= start) & (view.days <= view.as_of)
    weeks_before = np.arange(start - 43, start, 7)
    weeks_before = weeks_before[weeks_before >= max(f.origin, int(view.days[0]))]
    if (
        block is None
        or block.kind in ("low-stress", "maintenance")
        or not trained.any()
        or weeks_before.size < 2
    ):
        return None
    days = np.concatenate([weeks_before, [view.as_of]])
    mean, cov = trend.predict(f, view.lift, days)
    best = int(np.argmax(mean[:-1]))
    gap = float(mean[best] - mean[-1])
    sd = math.sqrt(max(float(cov[best, best] + cov[-1, -1] - 2 * cov[best, -1]), 1e-12))
    state = inputs.at_days(f.evidence.inputs, view.lift, days)
    unfamiliar = float(state[-1, 0] - state[:-1, 0].mean())
    predicted = -float(f.theta[trend.UNFAMILIAR]) * max(unfamiliar, 0.0)
    if gap < th.dip_share:
        return None
    # Every session takes a share of the unfamiliarity away: until under half a percent is left of it.
    per_week = 7 * max(trained.sum(), 1) / max(view.as_of - start + 1, 7)
    left = math.log(max(predicted, gap, th.dip_share) / th.dip_share) / inputs.FAMILIAR_A_SESSION / per_week
    until = min(max(view.as_of + math.ceil(7 * left), view.as_of + 3), start + th.dip_days)
    return Flag(
        kind="expected_dip",
        severity="notice",
        since=start,
        probability=float(trend.normal_cdf(np.array(gap / sd))),
        evidence={
            "below_best_pct": round(100 * gap, 1),
            "predicted_pct": round(100 * predicted, 1),
            "until": _iso(until),
            "block": block.name,
        },
        advice=(
            f"{100 * gap:.1f} % below the best of the weeks before, {100 * predicted:.1f} % predicted from "
            "how long "
            f"this rep range was not trained. The change to {block.kind} work explains it. Keep the plan."
        ),
        clears_when=f"the level is back, or the change is {th.dip_days // 7} weeks old",
    )


# --- load -------------------------------------------------------------------------------------------------


def load_spike(view: LiftView) -> Flag | None:
    """A week far above the lift's own recent weeks, in total and in its rep range.

    Weeks are those of the calendar of blocks, else Monday to Sunday: in a window that rolls, a session moved
    by a day is a week of double stress.
    """
    th = THRESHOLDS
    if not view.rows.size or view.as_of - int(view.set_days[0]) < 42:
        return None
    block = block_at(view.spans, view.as_of)
    anchor = block.start if block is not None else 1  # Ordinal 1 is a Monday.
    this = (view.as_of - anchor) // 7
    back = this - (view.set_days - anchor) // 7
    near = back < 19
    back, reps, stress = back[near], view.log.reps[view.rows][near], view.stress[view.rows][near]
    changes = emphasis_changes(view.spans)
    scale = view.settings.sensitivity**-0.25
    for ago in (1, 0):  # The week before stands as long as this one has not shown itself.
        # A planned block of more work reaches what was done before or starts something else: its first week
        # is its plan.
        begins = anchor + 7 * (this - ago)
        if ((changes >= begins) & (changes < begins + 7)).any():
            continue
        # Heavy work is little in volume: twice as many sets of it may be less than a week of eights.
        for what, work in (("stress", stress), ("number of sets", np.ones(back.size))):
            total = np.bincount(back, work, 19)
            recent, most = total[ago + 1 : ago + 5], float(total[ago + 1 : ago + 17].max())
            if (recent > 0).sum() < 3 or total[ago] <= most:  # After an empty month it is a return.
                continue
            typical = float(np.average(reps[back == ago], weights=work[back == ago]))
            alike = np.abs(np.log(np.maximum(reps, 1) / typical)) <= math.log(th.spike_alike)
            week = np.bincount(back[alike], work[alike], 19)
            same = float(week[ago + 1 : ago + 17].max())
            if same <= 0:  # Work not done in sixteen weeks is new, not too much.
                continue
            over, over_range = float(total[ago] / recent.max()), float(week[ago] / same)
            bar = scale if work is stress else scale * th.spike_of_sets
            if over <= th.spike_over_recent * bar or over_range <= th.spike_over_range * bar:
                continue
            return Flag(
                kind="load_spike",
                severity="watch",
                since=int(view.set_days[near][back == ago][0]),
                probability=math.nan,
                evidence={
                    "over_largest_of_four_weeks": round(over, 2),
                    "over_largest_in_range": round(min(over_range, 99.0), 2),
                    "typical_reps": round(typical, 1),
                    "measure": what,
                },
                advice=(
                    f"The week's {what} is {over:.2f} times the largest of the four before, and "
                    f"{over_range:.2f} times the largest of sixteen weeks of like repetitions. Unless this "
                    "was meant, let the next week step back to the usual."
                ),
                clears_when="the week after it has passed without another",
            )
    return None


def detraining(view: LiftView) -> Flag | None:
    """Ten or more days without a lift that was trained regularly."""
    # A set that cannot be what it says was trained all the same.
    days = view.days if view.attended is None else view.attended
    if days.size < 6:
        return None
    gap = view.as_of - int(days[-1])
    recent = days[days > days[-1] - 56]
    if gap < THRESHOLDS.layoff_days or gap > 120 or recent.size < 5:
        return None
    usual = float(np.percentile(np.diff(recent), 80))
    if usual > 8:
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


def stale_stimulus(view: LiftView) -> Flag | None:
    """Many weeks of the same rep range at the same load."""
    th = THRESHOLDS
    weeks = round(th.stale_weeks / view.settings.sensitivity)
    recent = view.rows[view.set_days > view.as_of - 7 * weeks]
    block = block_at(view.spans, view.as_of)
    if not recent.size or view.set_days[0] > view.as_of - 7 * weeks or (block and block.kind in EASY_KINDS):
        return None
    load, day, reps = view.log.load_kg[recent], view.log.day[recent], view.log.reps[recent]
    trained = np.unique((view.as_of - day) // 7)
    if trained.size < 0.8 * weeks or load.min() <= 0:
        return None
    lows = np.array([low for low, _ in view.settings.rep_ranges])
    bands = np.searchsorted(lows, reps, side="right")
    if bands.min() != bands.max() or load.max() / load.min() > 1 + 2 * th.stale_band:
        return None
    since = int(day.min())
    return Flag(
        kind="stale_stimulus",
        severity="watch",
        since=since,
        probability=math.nan,
        evidence={
            "weeks": weeks,
            "load_low_kg": round(float(load.min()), 1),
            "load_high_kg": round(float(load.max()), 1),
            "reps_low": int(reps.min()),
            "reps_high": int(reps.max()),
        },
        advice=(
            f"{weeks} weeks within one rep range and {100 * (load.max() / load.min() - 1):.0f} % of load. "
            "The lift is used to it: change the rep range, the load or the number of sets."
        ),
        clears_when="a week leaves the rep range or the band of load",
    )


# --- effort -----------------------------------------------------------------------------------------------


def _sessions_over(view: LiftView, days: int) -> tuple[Ints, Floats] | None:
    """Logged less prescribed RPE of each session of the last days, oldest first."""
    target = view.log.prescribed_rpe
    if target is None:
        return None
    recent = view.rows[view.set_days > view.as_of - days]
    recent = recent[np.isfinite(target[recent]) & np.isfinite(view.log.rpe[recent])]
    if not recent.size:
        return None
    _, first, session = np.unique(view.log.session[recent], return_index=True, return_inverse=True)
    over = np.bincount(session, (view.log.rpe - target)[recent]) / np.bincount(session)
    order = np.argsort(view.log.day[recent[first]], kind="stable")
    return view.log.day[recent[first]][order], over[order]


def harder_than_prescribed(view: LiftView) -> Flag | None:
    """Logged RPE above prescribed in the last four weeks, where there is a prescription."""
    found = _sessions_over(view, 28)
    if found is None or found[1].size < 4:
        return None
    day, over = found
    excess, error = float(over.mean()), float(over.std(ddof=1) / math.sqrt(over.size))
    p = float(trend.normal_cdf(np.array((excess - THRESHOLDS.over_prescribed) / max(error, 0.15))))
    if p < _bar(0.8, view.settings.sensitivity):
        return None
    return Flag(
        kind="effort_drift",
        severity="watch",
        since=int(day[0]),
        probability=p,
        evidence={"rpe_above_prescribed": round(excess, 1), "sessions": int(over.size)},
        advice=(
            f"{over.size} sessions of the last four weeks were rated {excess:.1f} RPE above what was "
            "prescribed. "
            "Lower the loads, or look at sleep, stress outside training and how the scale is used."
        ),
        clears_when="four weeks average within half a point of the prescription",
    )


def low_headroom(view: LiftView) -> Flag | None:
    """The last sessions' work is at the end of what is possible, outside of blocks that are meant to be."""
    f, block = view.fit, block_at(view.spans, view.as_of)
    if f is None or view.lift < 0 or not view.calendar:
        return None
    if block is None or block.kind in ("peak", "test", "low-stress"):
        return None
    th, rpe = THRESHOLDS, view.log.rpe[view.rows]
    rated = np.isfinite(rpe)
    now = rated & (view.set_days > max(view.as_of - 14, block.start - 1))
    before = rated & (view.set_days > view.as_of - 70) & (view.set_days <= view.as_of - 14)
    sessions, inverse = np.unique(view.log.session[view.rows][now], return_inverse=True)
    if sessions.size < 3 or before.sum() < 12:
        return None
    # Who always stops at nothing left tells nothing by it; who surely stops earlier than most has room.
    surely = float(f.theta[trend.BIAS]) - math.sqrt(float(f.theta_cov[trend.BIAS, trend.BIAS]))
    left = 10 - rpe[now] + max(surely - f.priors.bias_mean, 0.0)
    spent = np.bincount(inverse, left <= th.headroom_reps) / np.bincount(inverse)
    if spent.min() < 0.3 or spent.mean() < 0.7 or (rpe[before] >= 10).mean() > 0.3:
        return None
    return Flag(
        kind="low_headroom",
        severity="watch",
        since=int(view.set_days[now].min()),
        probability=math.nan,
        evidence={"sessions": int(sessions.size), "sets_at_the_end": round(float(spent.mean()), 2)},
        advice=(
            f"{100 * spent.mean():.0f} % of the sets of the last {sessions.size} sessions had nothing left. "
            "The next step will not be completed: step back now rather than after a miss."
        ),
        clears_when="a session leaves at least one repetition in most sets",
    )


def ready_to_progress(view: LiftView) -> Flag | None:
    """Two sessions running rated at least one point under the prescription (after the 2-for-2 rule)."""
    found = _sessions_over(view, 21)
    if found is None or found[1].size < 2 or found[1][-2:].max() > -THRESHOLDS.ready_reps:
        return None
    easier = -float(found[1][-2:].mean())
    return Flag(
        kind="ready_to_progress",
        severity="notice",
        since=int(found[0][-2]),
        probability=math.nan,
        evidence={"rpe_below_prescribed": round(easier, 1), "sessions": 2},
        advice=(
            f"The last two sessions were rated {easier:.1f} RPE easier than prescribed. "
            "The next step is earned."
        ),
        clears_when="a session is rated within a point of its prescription",
    )


def reporting_shift(f: trend.Fit, as_of: int, sensitivity: float, c: Changes = SHIFTS) -> Flag | None:
    """The same work is rated differently on all lifts since some week: the lifter's use of the scale moved.

    A step of the RPE bias is added to the joint model at every week k and weighed by its marginal likelihood;
    strength would have to jump on every lift in the same week to look alike.
    """
    th = THRESHOLDS
    last = (as_of - f.origin) / 7
    starts = np.arange(max(4.0, math.floor(last) - 40), last - 1.0)
    weeks = np.arange(max(8.0, math.floor(last) - 30), math.floor(last) + 1) + (last - math.floor(last))
    if starts.size < 4 or weeks.size < 2:
        return None
    known = _lately(f, f.priors.slope_sd, c)
    step = known.design[:, :, trend.BIAS, None] * (known.t[:, :, None] >= starts)
    white = np.linalg.solve(known.factor, np.concatenate([known.level[:, :, None], step], axis=2))
    r, h = white[:, :, :1], white[:, :, 1:]
    # As in ``progress``: each lift's own scatter, but with less to say, for a shift is in it too.
    nodes = np.arange(1, r.shape[1] + 1)[:, None]
    scale = (c.scatter_nodes + np.cumsum(r**2, axis=1)) / (c.scatter_nodes + nodes)
    until = (known.t[:, None] <= weeks[:, None]).sum(axis=2)
    seen, at = until > 0, np.clip(until, 1, known.count[:, None]) - 1
    information, score = (
        ((np.cumsum(h * with_, axis=1) / scale)[np.arange(at.shape[0])[:, None], at] * seen[:, :, None]).sum(
            axis=0
        )
        for with_ in (h, r)
    )
    spread, hazard = 1.2, 0.01  # [reps], [1/week]
    variance = 1 / (information + spread**-2.0)
    shift = variance * score
    age = weeks[:, None] - starts
    weight = np.exp(np.clip(0.5 * shift * score, 0, 50)) * np.sqrt(variance) / spread * hazard
    weight = np.where((age >= 1.5) & (age <= th.drift_weeks), weight, 0.0)
    sd = np.sqrt(variance)
    large = trend.normal_cdf((shift - th.drift_reps) / sd) + trend.normal_cdf((-shift - th.drift_reps) / sd)
    p = (weight * large).sum(axis=1) / (1 + weight.sum(axis=1))
    on, standing, begun = _bar(th.drift_on, sensitivity), False, 0
    for i in range(weeks.size):
        if not standing and p[i] >= on:
            standing, begun = True, int(np.argmax(weight[i]))
        elif standing and p[i] < th.drift_off:
            standing = False
    if not standing:
        return None
    size = float(shift[-1, begun])
    rated = "harder" if size > 0 else "easier"
    return Flag(
        kind="effort_drift",
        severity="watch",
        since=round(f.origin + 7 * starts[begun]),
        probability=float(p[-1]),
        evidence={
            "rpe_above_usual": round(size, 1),
            "weeks": round(float(age[-1, begun]), 1),
            "probability": round(float(p[-1]), 2),
        },
        advice=(
            f"The same work is rated {abs(size):.1f} RPE {rated} on all lifts together, probability "
            f"{100 * p[-1]:.0f} %. "
            + (
                "Look at sleep, stress outside training and recovery before reading anything into the lifts."
                if size > 0
                else "Check how the scale is used with a set taken to failure before stepping up."
            )
        ),
        clears_when=f"its probability falls under {100 * th.drift_off:.0f} %",
    )


# --- about the lifter -------------------------------------------------------------------------------------


def silent(log: SetLog, as_of: int) -> Flag | None:
    """No log at all for longer than is usual for this lifter."""
    if not log.day.size:
        return None
    last = int(log.day.max())
    days = np.unique(log.day[log.day > last - 84])
    recent = np.diff(days)
    if recent.size < 5:
        return None
    gap, usual = as_of - int(days[-1]), float(np.percentile(recent, 90))
    if gap <= max(2 * usual, 9):
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


def missed_work(log: SetLog, planned: Sequence[int], as_of: int, days: int = 14) -> Flag | None:
    """Planned sessions of the last two weeks that were not done: two or more, and at least four in ten."""
    due = np.array([day for day in planned if as_of - days < day < as_of], dtype=np.int64)
    done = np.unique(log.day[log.day > as_of - days])
    # A session a day early or late is a session done, and answers one plan.
    left = done.tolist()
    missed = []
    for day in np.sort(due).tolist():
        near = [d for d in left if abs(d - day) <= 1]
        if near:
            left.remove(min(near, key=lambda d: abs(d - day)))
        else:
            missed.append(day)
    if len(missed) < 2 or len(missed) < 0.4 * due.size:
        return None
    return Flag(
        kind="missed_work",
        severity="watch" if len(missed) < 4 else "act",
        since=missed[0],
        probability=math.nan,
        evidence={"missed": len(missed), "due": int(due.size), "days": days},
        advice=(
            f"{len(missed)} of {due.size} planned sessions of the last {days} days were not done. Ask what "
            "came in "
            "the way, and plan for the sessions that do happen."
        ),
        clears_when="fewer than two of two weeks' planned sessions are missed",
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
                    "rows": ",".join(str(error.row) for error in found),
                },
                advice=(
                    f"{len(found)} set{'s' * (len(found) > 1)} of {exercises[exercise].name} on {_iso(day)} "
                    "cannot "
                    "be what they say. Correct or confirm them; until then they are held out."
                ),
                clears_when="the sets are corrected or confirmed",
            )
        )
    return {exercise: tuple(found) for exercise, found in flags.items()}


RULES: tuple[Callable[[LiftView], Flag | None], ...] = (
    stall,
    expected_dip,
    load_spike,
    detraining,
    stale_stimulus,
    harder_than_prescribed,
    low_headroom,
    ready_to_progress,
)


def lift_flags(view: LiftView) -> tuple[Flag, ...]:
    """All flags of one lift that stand on the as-of day."""
    return tuple(flag for rule in RULES if (flag := rule(view)) is not None)
