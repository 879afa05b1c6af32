"""Impulse response: what training does to strength, drawn as fitness less fatigue, and whether to believe it.

The model of Banister and co-workers: every day's stress adds to a fitness and a fatigue that both decay, and
performance is a base plus one less the other. Two variants: a constant gain of fatigue [1]_, and a fatigue
whose gain grows with the stress of the days before (variable dose-response [2]_) with a dose that saturates,
so that returns diminish. Each is fitted per lift by maximum a posteriori with published priors.

Convention: stress of days strictly before a day acts on it, s < t (``shared/response_constants.csv``).

The parameters are so correlated that none can be read by itself (Hellard et al. 2006), and on simulated
lifters such a fit was never better than carrying the level on. So the model draws stress and recovery, and it
speaks about the future only where, on this lifter's own past, it beat both the last value and the drift.

References
----------
.. [1] Morton RH, Fitz-Clarke JR, Banister EW (1990) J Appl Physiol 69(3):1171-1177.
.. [2] Busso T (2003) Med Sci Sports Exerc 35(7):1188-1195.
.. [3] Fitz-Clarke JR, Morton RH, Banister EW (1991) J Appl Physiol 71(3):1151-1158.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.linalg.lapack import dtbtrs

from app.training import statespace
from app.training.records import Floats, Ints
from app.training.statespace import Variances
from app.training.trend import FORECAST_OWN, PRIORS, Z90

Variant = Literal["constant", "variable dose"]


@dataclass(frozen=True, slots=True)
class Constants:
    """Time constants and gains of the model.

    ``k_fatigue`` is the gain of fatigue of the constant variant, and the gain by unit of recent stress of the
    variable one, whose recent stress decays with ``tau_gain``. ``saturation`` is the dose at which half of
    the largest effect is reached, infinite without diminishing returns. [unit of stress]
    """

    base: float
    k_fitness: float
    k_fatigue: float
    tau_fitness: float  # [d]
    tau_fatigue: float  # [d]
    tau_gain: float = math.nan  # [d]
    saturation: float = math.inf


def decayed(stress: Floats, tau: float, *, today: bool = False) -> Floats:
    """Sum of earlier days' stress, each decayed by exp(-(t - s) / tau), for every day, shape (n + 1,).

    Parameters
    ----------
    stress : ndarray, shape (n,)
        One value a day, oldest first. [any unit]
    tau : float
        [d]
    today : bool
        Whether the day's own stress counts, undecayed.

    Returns
    -------
    ndarray, shape (n + 1,)
        The last element is the morning after the last day.
    """
    if tau <= 0 or stress.ndim != 1 or not np.isfinite(stress).all():
        raise ValueError(f"need a positive time constant and a finite series, got {tau}, {stress!r}")
    # The recursion x(t + 1) = (x(t) + w(t)) exp(-1 / tau) as one bidiagonal system.
    keep = math.exp(-1 / tau)
    band, right = np.empty((stress.size + 1, 2)), np.zeros((stress.size + 1, 1))
    band[:, 0], band[:, 1] = 1.0, -keep
    right[1:, 0] = keep * stress
    before = np.asarray(dtbtrs(band.T, right, uplo="L", diag="U")[0][:, 0])
    return before + np.append(stress, 0.0) if today else before


def saturating(stress: Floats, half: float) -> Floats:
    """Dose with diminishing returns: proportional while small, half of its limit at ``half``. [unit of "
    "stress]"""
    return stress if math.isinf(half) else np.asarray(stress * half / (stress + half), dtype=float)


def components(stress: Floats, c: Constants) -> tuple[Floats, Floats]:
    """Fitness and fatigue, each times its gain, on every day and the morning after the last, shape (n + 1,).

    With a ``tau_gain`` the fatigue a day adds is ``k_fatigue`` x the decayed stress up to and including that
    day x its own stress [1]_.

    References
    ----------
    .. [1] Busso (2003), equations; their form is from memory, the convention that of
       ``shared/response_checks.csv``.
    """
    dose = saturating(stress, c.saturation)
    if math.isnan(c.tau_gain):
        return c.k_fitness * decayed(dose, c.tau_fitness), c.k_fatigue * decayed(dose, c.tau_fatigue)
    gain = c.k_fatigue * decayed(dose, c.tau_gain, today=True)[:-1]
    return c.k_fitness * decayed(dose, c.tau_fitness), decayed(gain * dose, c.tau_fatigue)


def performance(stress: Floats, c: Constants) -> Floats:
    """Base plus fitness less fatigue on every day and the morning after the last, shape (n + 1,)."""
    fitness, fatigue = components(stress, c)
    return np.asarray(c.base + fitness - fatigue)


def influence(days_before: Floats, c: Constants) -> Floats:
    """What a unit of stress so many days before a date does to performance on it [1]_.

    References
    ----------
    .. [1] Fitz-Clarke, Morton & Banister (1991), influence curve.
    """
    if not math.isnan(c.tau_gain):
        raise ValueError(
            "the influence of a day is a curve of its own only where the gain of fatigue is constant"
        )
    t = np.asarray(days_before, dtype=float)
    return np.asarray(c.k_fitness * np.exp(-t / c.tau_fitness) - c.k_fatigue * np.exp(-t / c.tau_fatigue))


def critical_days(c: Constants) -> tuple[float, float]:
    """Days before a date on which stress neither helps nor hurts, t_n, and on which it helps most, t_g [1]_.

    Returns
    -------
    tuple of float
        ``t_n = T ln(k2 / k1)`` and ``t_g = T ln(k2 tau1 / (k1 tau2))``, T = tau1 tau2 / (tau1 - tau2); zero
        where stress helps from the first day on. [d] NaN where fitness does not outlast fatigue or a gain is
        not positive.

    References
    ----------
    .. [1] Fitz-Clarke, Morton & Banister (1991).
    """
    if not c.tau_fitness > c.tau_fatigue or c.k_fitness <= 0 or c.k_fatigue <= 0:
        return math.nan, math.nan
    scale = c.tau_fitness * c.tau_fatigue / (c.tau_fitness - c.tau_fatigue)
    t_n = scale * math.log(c.k_fatigue / c.k_fitness)
    t_g = t_n + scale * math.log(c.tau_fitness / c.tau_fatigue)
    return max(t_n, 0.0), max(t_g, 0.0)


# --- fit --------------------------------------------------------------------------------------------------

# Mean and 95 % interval of nine swimmers, 38 (17, 59) and 19 (6, 32) days (Hellard et al. 2006): as normal
# distributions of the logarithm, cut to the range published for all sports, 4 to 74 days.
TAU_FITNESS, TAU_FITNESS_LOG_SD = 38.0, 0.32
TAU_FATIGUE, TAU_FATIGUE_LOG_SD = 19.0, 0.40
TAU_GAIN = 5.0  # [d]
_FITNESS_GRID = np.array([20.0, 28.0, 38.0, 50.0, 65.0])
_FATIGUE_GRID = np.array([4.0, 7.0, 11.0, 16.0, 22.0])
_SATURATION_GRID = (math.inf, 2.0)  # x the usual training day
# What usual training does as a share of strength; nobody published it, so this is wide and a judgement.
FITNESS_EFFECT, FITNESS_EFFECT_SD = 0.10, 0.05
# Gain of fatigue over that of fitness: t_n of 19 (7, 35) days is exp(0.5) at the swimmers' mean constants and
# 1.2 to 2.5 over its interval (response_checks.csv); twice as wide, since lifters are no swimmers. Without it
# a log of rising strength says that no day ever costs: fitness explains the rise, and fatigue nothing.
LOG_GAIN_RATIO, LOG_GAIN_RATIO_SD = 0.5, 0.4
BASE_SD = 0.3
WEEK_SD = 0.03
"""[1] A week's mean errs by about two percent, and the weeks next to it alike: together they say less."""
FORGET_DAYS = 91  # [d] in which a week's say halves: the base drifts, and the model has no word for that

MINIMUM_POINTS = 12
ORIGIN_EVERY_DAYS = 21  # [d] not four weeks, or every origin stands in the same week of a four-week block
HORIZONS = (28, 56)  # [d] ahead, for which skill is measured; nothing is said beyond the last
FIRST_ORIGIN_DAYS = 112
ORIGINS_NEEDED = 6
SURE_BY = 1.3  # [standard errors] one in ten by luck
CARRIED_WEEKS = 3
"""What the fit missed in these last weeks is carried on: a drift of the base is not the model's to lose."""


@dataclass(frozen=True, slots=True)
class Skill:
    """Forecasts from past days so many days ahead, against two that need no model.

    Skill is 1 - mean squared error / that of the other; positive is better. ``origins`` is how many past days
    it rests on, ``sure`` the smaller mean gain in squared error in its standard errors: half of all models
    without any skill show a positive one on a handful of days. ``error`` is the root mean square of the
    model's own errors, as a share of strength.
    """

    days: int  # [d]
    against_last: float
    against_drift: float
    origins: int
    sure: float
    error: float

    @property
    def positive(self) -> bool:
        skilled = self.against_last > 0 and self.against_drift > 0
        return skilled and self.origins >= ORIGINS_NEEDED and self.sure >= SURE_BY


@dataclass(frozen=True, slots=True)
class Ahead:
    """Performance on days to come with its 90 % interval, as wide as the model's errors on the past were."""

    kg: Floats  # (n,)
    low_kg: Floats  # (n,)
    high_kg: Floats  # (n,)


@dataclass(frozen=True, slots=True)
class Response:
    """A fitted lift: the drawing of stress and recovery, and whether it may speak about the future."""

    variant: Variant
    constants: Constants  # effects as shares of strength (ln kg), stress in usual training days
    day: Ints  # (n,) [d] every day from the first of the log to the last
    stress: Floats  # (n,) [usual training days]
    fitness: Floats  # (n,) share of strength
    fatigue: Floats  # (n,)
    performance_kg: Floats  # (n,)
    week: Ints  # (w,) [d] middle of each week with sessions
    seen_kg: Floats  # (w,) their smoothed mean
    t_n: float  # [d] see :func:`critical_days`, NaN for the variable dose
    t_g: float
    carried: float  # share of strength that the fit missed of late, see CARRIED_WEEKS
    skills: tuple[Skill, ...]  # one a horizon
    sentence: str

    @property
    def speaks(self) -> bool:
        """Whether it beat the last value and the drift at every horizon."""
        return all(skill.positive for skill in self.skills)

    def forecast(self, stress_ahead: Floats) -> Ahead:
        """Performance on the days after the last, the first of which only the past acts on.

        Parameters
        ----------
        stress_ahead : ndarray, shape (n,)
            Stress of the days to come. [usual training days]

        Returns
        -------
        Ahead
            Of n + 1 days.

        Raises
        ------
        ValueError
            If the model has shown no skill on this lift, or is asked beyond the days it has shown it for.
        """
        if not self.speaks:
            raise ValueError(self.sentence)
        if stress_ahead.size >= HORIZONS[-1]:
            raise ValueError(f"its skill is known for {HORIZONS[-1]} days ahead, not {stress_ahead.size + 1}")
        known = self.performance_kg.size
        course = performance(np.concatenate([self.stress, stress_ahead]), self.constants)[known:]
        mean = course + self.carried
        error = np.interp(
            np.arange(1, mean.size + 1), HORIZONS, np.maximum.accumulate([s.error for s in self.skills])
        )
        # Few errors were seen: the quantile of Student's distribution, to first order.
        few = min(skill.origins for skill in self.skills)
        reach = error * (Z90 + (Z90**3 + Z90) / (4 * few))
        return Ahead(np.exp(mean), np.exp(mean - reach), np.exp(mean + reach))


def weekly_means(day: Ints, level: Floats) -> tuple[Ints, Floats, Ints]:
    """Weeks of the log that have sessions: middle day, mean and number of sessions."""
    week = (day - day[0]) // 7
    seen, inverse, count = np.unique(week, return_inverse=True, return_counts=True)
    return day[0] + 7 * seen + 3, np.asarray(np.bincount(inverse, level) / count), count


def smoothed(week: Ints, y: Floats) -> Floats:
    """Weekly means smoothed by a local linear trend at its maximum likelihood variances, same shape."""
    variances = statespace.fit(week, y).variances
    return np.asarray(statespace.smoothed(week, y, variances).level[0])


def fit_response(
    day: Ints, level_kg: Floats, stress_day: Ints, stress: Floats, *, as_of: int
) -> Response | None:
    """Fit both variants to one lift and keep the one that explains its past better.

    Parameters
    ----------
    day : ndarray, shape (s,)
        Days of the lift's sessions, ascending. [d]
    level_kg : ndarray, shape (s,)
        What each session showed: e1RM by the lifter's own curve (``Trend.point_kg``). [kg]
    stress_day, stress : ndarray, shape (n,)
        Day and stress of the lift's sets. [d] and [any unit]
    as_of : int
        Last day of the drawing. [d]

    Returns
    -------
    Response or None
        None with fewer than twelve weeks that have sessions.

    Raises
    ------
    ValueError
        If days do not ascend or a level is not positive.
    """
    if np.any(np.diff(day) < 0) or np.any(level_kg <= 0):
        raise ValueError("need sessions in order of their days, with positive levels")
    if not day.size:
        return None
    week, y, count = weekly_means(day, np.log(level_kg))
    if week.size < MINIMUM_POINTS:
        return None
    first = int(min(day[0], stress_day.min()))
    daily = np.bincount(stress_day - first, stress, as_of - first + 1)[: as_of - first + 1].astype(float)
    usual = daily[daily > 0].mean()
    doses = daily / usual
    fits = [_Candidates(doses, week - first, y, count, variant) for variant in ("constant", "variable dose")]
    best = max((f.best(week.size) for f in fits), key=lambda found: found[0])
    variant: Variant = best[2]
    constants = best[1]
    model = next(f for f in fits if f.variant == variant)
    skills = _skills(model, week, y)
    fitness, fatigue = components(doses, constants)
    t_n, t_g = critical_days(constants) if variant == "constant" else (math.nan, math.nan)
    return Response(
        variant=variant,
        constants=constants,
        day=np.arange(first, as_of + 1, dtype=np.int64),
        stress=doses,
        fitness=fitness[:-1],
        fatigue=fatigue[:-1],
        performance_kg=np.exp(constants.base + fitness - fatigue)[:-1],
        week=week,
        seen_kg=np.exp(smoothed(week, y)),
        t_n=t_n,
        t_g=t_g,
        carried=model.missed(week.size),
        skills=skills,
        sentence=_in_words(skills),
    )


def _in_words(skills: tuple[Skill, ...]) -> str:
    """Whether the model may speak, with the numbers that decide it."""
    if any(skill.origins < ORIGINS_NEEDED for skill in skills):
        few = min(skill.origins for skill in skills)
        return (
            f"Too little past to tell whether this model can forecast: {few} of the {ORIGINS_NEEDED} past "
            "days that it takes. It only draws stress and recovery."
        )
    numbers = ", and ".join(
        f"{skill.days // 7} weeks ahead {skill.against_last:+.2f} against the last value and "
        f"{skill.against_drift:+.2f} against the drift"
        for skill in skills
    ).replace("-", "\u2212")
    past = f", from {skills[0].origins} past days."
    if all(skill.positive for skill in skills):
        return f"On this lift's past the model forecast better than both others. Skill {numbers}{past}"
    if all(skill.against_last > 0 and skill.against_drift > 0 for skill in skills):
        return (
            "On this lift's past the model forecast a little better than the others, which may be luck: it "
            f"only draws stress and recovery. Skill {numbers}{past}"
        )
    return (
        "On this lift's past the model did not forecast better than both the last value and the drift: it "
        f"only draws stress and recovery. Skill {numbers}{past}"
    )


class _Candidates:
    """A grid of time constants; base and gains of each by penalised least squares on any part of the past."""

    def __init__(self, doses: Floats, at: Ints, y: Floats, count: Ints, variant: Variant) -> None:
        self.variant, self.y, self.at = variant, y, np.minimum(at, doses.size)
        at = self.at
        self.weight = np.sqrt(np.minimum(count, 3.0))
        self.grid: list[tuple[float, float, float]] = []
        designs = []
        self.units: list[tuple[float, float]] = []
        ties = []
        for half in _SATURATION_GRID if variant == "variable dose" else (math.inf,):
            dose = saturating(doses, half)
            gain = (
                decayed(dose, TAU_GAIN, today=True)[:-1] if variant == "variable dose" else np.ones_like(dose)
            )
            # With a gain that varies, the ratio of gains is read where most of the dose is.
            usual_gain = float(gain @ dose / dose.sum())
            slow = {tau: decayed(dose, tau) for tau in _FITNESS_GRID.tolist()}
            fast = {tau: decayed(gain * dose, tau) for tau in _FATIGUE_GRID.tolist()}
            for tau1, one in slow.items():
                for tau2, two in fast.items():
                    if tau2 < 0.6 * tau1:
                        # Gains in shares of strength at usual training have the same priors.
                        unit = max(float(one[at].mean()), 1e-9), max(float(two[at].mean()), 1e-9)
                        self.grid.append((tau1, tau2, half))
                        self.units.append(unit)
                        ties.append(math.exp(LOG_GAIN_RATIO) * unit[1] / (usual_gain * unit[0]))
                        designs.append(
                            np.stack([np.ones(at.size), one[at] / unit[0], -two[at] / unit[1]], axis=1)
                        )
        self.design = np.stack(designs)  # (g, w, 3)
        tau1, tau2, _ = np.array(self.grid).T
        self.log_prior = -0.5 * (np.log(tau1 / TAU_FITNESS) / TAU_FITNESS_LOG_SD) ** 2
        self.log_prior -= 0.5 * (np.log(tau2 / TAU_FATIGUE) / TAU_FATIGUE_LOG_SD) ** 2
        # Fatigue's effect at usual training is about so many times that of fitness: b2 - tie b1 = 0 +- sd.
        tie = np.array(ties)
        self.tied = np.stack([np.zeros_like(tie), -tie, np.ones_like(tie)], axis=1) / (
            LOG_GAIN_RATIO_SD * FITNESS_EFFECT * tie[:, None]
        )

    def solve(self, upto: int) -> tuple[Floats, Floats]:
        """Coefficients (g, 3) and log posterior (g,) from the first ``upto`` weeks."""
        w = self.weight[:upto] * 0.5 ** ((self.at[upto - 1] - self.at[:upto]) / (2 * FORGET_DAYS))
        x, y = self.design[:, :upto] * w[:, None], self.y[:upto] * w
        noise = WEEK_SD**2
        mean = np.array([self.y[:upto].mean(), FITNESS_EFFECT, 0.0])
        prior = np.array([BASE_SD, FITNESS_EFFECT_SD, math.inf]) ** -2.0 * noise
        tied = self.tied * math.sqrt(noise)
        normal = np.swapaxes(x, 1, 2) @ x + np.diag(prior) + tied[:, :, None] * tied[:, None, :]
        score = x.transpose(0, 2, 1) @ y + prior * mean
        beta = np.linalg.solve(normal, score[:, :, None])[:, :, 0]
        # Neither can be negative: training does not make fatigue into strength.
        beta[:, 1:] = np.maximum(beta[:, 1:], 0.0)
        rest = y - (x @ beta[:, :, None])[:, :, 0]
        cost = (rest**2).sum(axis=1) + ((beta - mean) ** 2 * prior).sum(axis=1)
        cost += (tied * beta).sum(axis=1) ** 2
        return beta, -0.5 * cost / noise + self.log_prior

    def best(self, upto: int) -> tuple[float, Constants, Variant]:
        beta, log_posterior = self.solve(upto)
        i = int(np.argmax(log_posterior))
        tau1, tau2, half = self.grid[i]
        constants = Constants(
            base=float(beta[i, 0]),
            k_fitness=float(beta[i, 1] / self.units[i][0]),
            k_fatigue=float(beta[i, 2] / self.units[i][1]),
            tau_fitness=tau1,
            tau_fatigue=tau2,
            tau_gain=TAU_GAIN if self.variant == "variable dose" else math.nan,
            saturation=half,
        )
        return float(log_posterior[i]), constants, self.variant

    def forecast(self, upto: int, at: Ints) -> Floats:
        """Level in the weeks ``at``, fitted on the first ``upto``; the work in between is the work done."""
        beta, log_posterior = self.solve(upto)
        i = int(np.argmax(log_posterior))
        return np.asarray(self.design[i, at] @ beta[i] + self._missed(upto, i, beta[i]))

    def missed(self, upto: int) -> float:
        """Mean of what the best fit on the first ``upto`` weeks missed in the last of them."""
        beta, log_posterior = self.solve(upto)
        i = int(np.argmax(log_posterior))
        return self._missed(upto, i, beta[i])

    def _missed(self, upto: int, i: int, beta: Floats) -> float:
        recent = slice(max(0, upto - CARRIED_WEEKS), upto)
        return float(np.mean(self.y[recent] - self.design[i, recent] @ beta))


def _skills(model: _Candidates, week: Ints, y: Floats) -> tuple[Skill, ...]:
    """Rolling-origin forecasts against the filtered last value and the default forecast's drift.

    Those two may use variances fitted to the whole series: who is to speak has to beat them at their best.
    The drift is what the pages print: the usual gain and a share of the lift's own departure from it.
    """
    origins = np.arange(int(week[0]) + FIRST_ORIGIN_DAYS, int(week[-1]), ORIGIN_EVERY_DAYS)
    upto = np.searchsorted(week, origins, side="right")
    origins, upto = origins[upto >= MINIMUM_POINTS], upto[upto >= MINIMUM_POINTS]
    if not origins.size:
        return tuple(Skill(days, math.nan, math.nan, 0, math.nan, math.nan) for days in HORIZONS)
    # The past of every origin is a series of its own; on its last week the smoother knows what a filter does.
    past = np.where(np.arange(week.size) < upto[:, None], y, np.nan)
    v = statespace.fit(week, y).variances
    still = Variances(v.observation, np.maximum(v.level, v.observation / 500))
    last = np.arange(origins.size), upto - 1
    level = statespace.smoothed(week, past, still).level[last]
    course = statespace.smoothed(week, past, v)
    usual = PRIORS.slope_mean / 7
    drift = usual + FORECAST_OWN * (course.slope[last] - usual)
    target = origins[:, None] + np.array(HORIZONS)
    at = np.abs(week - target[:, :, None]).argmin(axis=2)  # (o, h)
    told = (at >= upto[:, None]) & (np.abs(week[at] - target) <= 7)
    ours = np.stack([model.forecast(int(n), where) for n, where in zip(upto, at, strict=True)])
    ahead = week[at] - week[upto - 1][:, None]
    forecasts = np.stack(
        [
            ours,
            np.broadcast_to(level[:, None], ours.shape),
            course.level[last][:, None] + ahead * drift[:, None],
        ],
        axis=2,
    )
    squared = (forecasts - y[at][:, :, None]) ** 2
    return tuple(_skill(days, squared[told[:, h], h]) for h, days in enumerate(HORIZONS))


def _skill(days: int, squared: Floats) -> Skill:
    """Skill from squared errors, shape (origins, 3), of the model, the last value and the drift."""
    origins = squared.shape[0]
    if not origins:
        return Skill(days, math.nan, math.nan, 0, math.nan, math.nan)
    ours, last_value, drift = squared.mean(axis=0).tolist()
    gain = squared[:, 1:] - squared[:, :1]
    # Horizons that overlap share their errors.
    shared = max(days / ORIGIN_EVERY_DAYS, 1.0)
    error = gain.std(axis=0, ddof=min(1, origins - 1)) * math.sqrt(shared / origins)
    sure = float((gain.mean(axis=0) / np.maximum(error, 1e-12)).min())
    return Skill(
        days,
        1 - ours / max(last_value, 1e-12),
        1 - ours / max(drift, 1e-12),
        origins,
        sure,
        math.sqrt(ours),
    )
