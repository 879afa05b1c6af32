"""The scorecard: what the analysis says about simulated lifters, against what is true.

`python -m benchmarks.scorecard` runs every simulated lifter week by week through the analysis, each time
with the log as it was on that day, and prints one line a figure: naive value, value, what it must reach,
what it aims at. The held-out seeds are for judging, the tuning seeds for working.

How the figures are taken:

* A flag that stays open, or comes back within two weeks, is one flag.
* A problem (a lift that stands still or falls although the work goes on) counts as seen if a stall or
  regression flag is open between a week after its onset and three weeks after its end.
* A stall or regression flag is a false alarm unless a problem of that lift was under way or had ended less
  than four weeks before. A flag that begins on a day on which the lift really had gained nothing in six
  trained weeks, planted or not, counts for nothing either way.
* A planned change counts against the analysis if a stall or regression flag is open on any lift without a
  problem within three weeks of it.
* Level, slope and forecast are compared with the strength expressed in the work being done, fatigue
  included; the slope is also compared with the rested strength.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from itertools import pairwise
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np
from tqdm import tqdm

from app.training.records import Floats, SetLog
from benchmarks import naive, reading
from benchmarks.figures import Target, between, least, met, most, target_text
from benchmarks.reading import Z90, Reading, from_report, terrace, until
from benchmarks.simulate import SCENARIOS, Episode, SimulatedLifter, Truth, roster, write_blocks, write_log

HELD_OUT_LIFTERS = 147  # of each scenario 21: recalls of rare events need that many
WARM_UP_WEEKS = {"few_data": 10}
PROBLEM = frozenset({"stall", "regression"})
AWAY = frozenset({"detraining", "silent"})
SENSITIVITIES = (0.5, 0.75, 1.0, 1.4, 1.9)
PICTURE_LIFTERS = 21  # of which the detection curve is drawn


@dataclass(slots=True)
class Tally:
    """What one lifter, or many, contributed. Lists are joined, counts are added."""

    years: float = 0.0
    # (lifter-lift key, scenario number, error, low - truth, high - truth) [% of truth]
    levels: list[tuple[int, int, float, float, float]] = field(default_factory=list)
    alternatives: list[tuple[int, float]] = field(default_factory=list)
    slopes: list[tuple[float, float, float]] = field(default_factory=list)  # said, expressed, rested [%/week]
    ahead: dict[int, list[tuple[float, float]]] = field(default_factory=lambda: {28: [], 56: []})
    asked: int = 0  # lifts and days a level was asked for
    true: dict[str, int] = field(default_factory=dict)
    seen: dict[str, int] = field(default_factory=dict)
    false: dict[str, int] = field(default_factory=dict)
    right: dict[str, int] = field(default_factory=dict)
    delays: list[int] = field(default_factory=list)
    changes: int = 0
    changes_flagged: int = 0
    rows: dict[str, int] = field(default_factory=dict)
    quiet_years: float = 0.0
    quiet_flags: int = 0
    quiet_notices: int = 0

    def add(self, other: Tally) -> None:
        for name in self.__slots__:
            mine, theirs = getattr(self, name), getattr(other, name)
            if isinstance(mine, dict):
                for key, value in theirs.items():
                    mine[key] = mine[key] + value if key in mine else value
            else:
                setattr(self, name, mine + theirs)


def count(into: dict[str, int], kind: str, by: int = 1) -> None:
    into[kind] = into.get(kind, 0) + by


def as_of_days(lifter: SimulatedLifter, step: int = 7) -> range:
    """Every week (or `step` days), once the log is long enough to say something."""
    first = lifter.truth.first_day + 7 * WARM_UP_WEEKS.get(lifter.truth.scenario, 16)
    return range(first + hash_free(lifter.name) % 7, lifter.truth.first_day + lifter.truth.days(), step)


def hash_free(name: str) -> int:
    """A number from a name that is the same in every process."""
    return sum(name.encode())


Analyst = Callable[[SetLog, Any, int], Reading]


def analyst(name: str, sensitivity: float = 1.0) -> Analyst:
    if name == "naive":
        return naive.read
    return partial(reading.of_product, settings=reading.with_sensitivity(sensitivity))


def runs(days: Sequence[int], up: Iterable[int], join: int = 14) -> list[tuple[int, int]]:
    """First and last as-of days of each flag, joined over short gaps."""
    out: list[tuple[int, int]] = []
    for day in sorted(up):
        if out and day - out[-1][1] <= max(join, 2 * (days[1] - days[0] if len(days) > 1 else 0)):
            out[-1] = (out[-1][0], day)
        else:
            out.append((day, day))
    return out


def judge(lifter: SimulatedLifter, key: int, ask: Analyst, step: int = 7) -> Tally:
    """Ask about one lifter week by week and compare with the truth."""
    days = as_of_days(lifter, step)
    answers = [ask(until(lifter.log, day), lifter.blocks, day) for day in days]
    return compare(lifter, key, days, answers)


def compare(lifter: SimulatedLifter, key: int, days: Sequence[int], answers: Sequence[Reading]) -> Tally:
    """What was said on some days, evenly apart, against the truth."""
    truth, tally = lifter.truth, Tally()
    step = days[1] - days[0] if len(days) > 1 else 7
    tally.years = (days[-1] - days[0] + step) / 365.25
    _numbers(truth, key, answers, tally)
    _problems(truth, days, answers, tally)
    _spikes_and_layoffs(lifter, days, answers, tally)
    _dips(truth, days, answers, tally)
    _drift(truth, days, answers, tally)
    _rows(lifter, answers[-1], tally)
    if truth.quiet:
        tally.quiet_years = tally.years
        for kind, lift, notice in {f for a in answers for f in a.flags}:
            up = [a.as_of for a in answers if (kind, lift, notice) in a.flags]
            if notice:
                tally.quiet_notices += len(runs(days, up))
            else:
                tally.quiet_flags += len(runs(days, up))
    return tally


def _line(values: Floats) -> float:
    """Slope of a line through daily values of a logarithm. [% / week]"""
    return 700.0 * float(np.polyfit(np.arange(len(values)), np.log(values), 1)[0])


def _numbers(truth: Truth, key: int, answers: Sequence[Reading], tally: Tally) -> None:
    scenario = SCENARIOS.index(truth.scenario)
    for answer in answers:
        t = answer.as_of - truth.first_day
        for i, said in enumerate(answer.lifts):
            tally.asked += 1
            if said is None:
                continue
            actual = truth.expressed_kg[i, t]
            percent = [100.0 * (x / actual - 1.0) for x in (said.level, said.low, said.high)]
            tally.levels.append((key * 10 + i, scenario, percent[0], percent[1], percent[2]))
            if not math.isnan(said.alternative):
                tally.alternatives.append((key * 10 + i, 100.0 * (said.alternative / actual - 1.0)))
            window = slice(max(t - 42, 0), t + 1)
            tally.slopes.append(
                (said.slope, _line(truth.expressed_kg[i, window]), _line(truth.strength_kg[i, window]))
            )
            for horizon, told in tally.ahead.items():
                if t + horizon < truth.days() and said.forecast:
                    nearest = min(said.forecast, key=lambda d: abs(d - horizon))
                    if abs(nearest - horizon) > 4:
                        continue
                    value, half = said.forecast[nearest]
                    then = truth.expressed_kg[i, t + nearest] if t + nearest < truth.days() else actual
                    told.append((100.0 * (value / then - 1.0), 100.0 * half / then))


def _up(answers: Sequence[Reading], kinds: frozenset[str], lift: int) -> list[int]:
    """Days on which one of these flags is open for a lift."""
    return [a.as_of for a in answers if any(k in kinds and i == lift for k, i, _ in a.flags)]


def _hits(lifts: int, e: Episode, up: Sequence[Sequence[int]], low: int, high: int) -> list[int]:
    """Days of a flag inside a window, on the lifts an episode touches."""
    touched = [i for i in range(lifts) if e.touches(i)]
    return sorted({day for i in touched for day in up[i] if low <= day <= high})


def _problems(truth: Truth, days: Sequence[int], answers: Sequence[Reading], tally: Tally) -> None:
    lifts = len(truth.strength_kg)
    problems = [e for e in truth.episodes if e.kind in ("stalled", "regressing")]
    up = [_up(answers, PROBLEM, i) for i in range(lifts)]
    for e in problems:
        if e.start < days[0] or e.start + 42 > days[-1]:
            continue
        count(tally.true, "problem")
        hits = _hits(lifts, e, up, e.start + 7, e.end + 21)
        if hits:
            count(tally.seen, "problem")
            tally.delays.append(hits[0] - e.start)
    for i in range(lifts):
        for first, last in runs(days, up[i]):
            # A flag that was up long before its cause was no warning of it.
            if any(
                e.touches(i) and e.start <= last and e.start - 28 <= first <= e.end + 28 for e in problems
            ):
                count(tally.right, "problem")
            elif not truth.flat[i, first - truth.first_day]:
                count(tally.false, "problem")
    for change in truth.changes:
        if not days[0] <= change <= days[-1] - 21:
            continue
        clear = [
            i
            for i in range(lifts)
            if not any(e.touches(i) and e.start <= change + 21 and change <= e.end + 28 for e in problems)
        ]
        if clear:
            tally.changes += 1
            tally.changes_flagged += any(change <= d < change + 21 for i in clear for d in up[i])


def gaps(log: SetLog, lift: int, last: int, at_least: int = 10) -> list[tuple[int, int]]:
    """Days without the lift, ten or more in a row: first and last of each gap."""
    on = np.append(np.unique(log.day[log.exercise == lift]), last + 1)
    return [(int(a) + 1, int(b) - 1) for a, b in pairwise(on) if b - a - 1 >= at_least]


def _spikes_and_layoffs(
    lifter: SimulatedLifter, days: Sequence[int], answers: Sequence[Reading], tally: Tally
) -> None:
    truth = lifter.truth
    lifts = len(truth.strength_kg)
    spikes = [e for e in truth.episodes if e.kind == "load_spike"]
    layoffs = [e for e in truth.episodes if e.kind == "layoff"]
    whole = _up(answers, frozenset({"load_spike"}), -1)
    spike_up = [_up(answers, frozenset({"load_spike"}), i) + whole for i in range(lifts)]
    silent = _up(answers, AWAY, -1)
    away_up = [_up(answers, AWAY, i) + silent for i in range(lifts)]
    for kind, episodes, up, (low, high) in (
        ("load_spike", spikes, spike_up, (3, 10)),
        ("layoff", layoffs, away_up, (9, 14)),
    ):
        for e in episodes:
            if days[0] <= e.start and e.end + high <= days[-1]:
                count(tally.true, kind)
                count(tally.seen, kind, bool(_hits(lifts, e, up, e.start + low, e.end + high)))
    for i in range(lifts):
        away = gaps(lifter.log, i, days[-1])
        for first, last in runs(days, set(spike_up[i])):
            if not any(e.touches(i) and e.start <= last and first <= e.end + 21 for e in spikes):
                count(tally.false, "load_spike")
        for first, last in runs(days, set(away_up[i])):
            if not any(start + 9 <= last and first <= end + 21 for start, end in away):
                count(tally.false, "layoff")


def _dips(truth: Truth, days: Sequence[int], answers: Sequence[Reading], tally: Tally) -> None:
    dips = [e for e in truth.episodes if e.kind == "expected_dip"]
    for i in range(len(truth.strength_kg)):
        up = _up(answers, frozenset({"expected_dip"}), i)
        own = [e for e in dips if e.touches(i)]
        for e in own:
            if days[0] <= e.start and e.end + 7 <= days[-1]:
                count(tally.true, "expected_dip")
                count(tally.seen, "expected_dip", any(e.start <= d <= e.end + 7 for d in up))
        for first, last in runs(days, up, join=7):
            hit = any(e.start - 7 <= last and first <= e.end + 14 for e in own)
            count(tally.right if hit else tally.false, "expected_dip")


def _drift(truth: Truth, days: Sequence[int], answers: Sequence[Reading], tally: Tally) -> None:
    drifts = [e for e in truth.episodes if e.kind == "effort_drift"]
    up = [a.as_of for a in answers if any(k == "effort_drift" for k, _, _ in a.flags)]
    for e in drifts:
        if days[0] <= e.start and e.start + 42 <= days[-1]:
            count(tally.true, "effort_drift")
            count(tally.seen, "effort_drift", any(e.start + 7 <= d <= e.end + 28 for d in up))
    for first, last in runs(days, up):
        if not any(e.start <= last and first <= e.end + 42 for e in drifts):
            count(tally.false, "effort_drift")


def _rows(lifter: SimulatedLifter, answer: Reading, tally: Tally) -> None:
    """Rows held out on the last day. Of a double entry either copy may be the one held out."""
    truth = lifter.truth
    log = until(lifter.log, answer.as_of)
    known = set(log.row.tolist())
    wrong = set(truth.error_rows) & known
    said = set(answer.held_out)
    for copy, original in truth.duplicate_of.items():
        if copy in known and copy not in said and original in said:
            said = (said - {original}) | {copy}
    count(tally.rows, "wrong", len(wrong))
    count(tally.rows, "held out", len(said))
    count(tally.rows, "both", len(said & wrong))


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the scorecard."""

    name: str
    label: str
    unit: str
    value: float
    must: Target
    aim: Target
    note: str = ""


def _share(part: float, whole: float) -> float:
    return part / whole if whole else math.nan


def _rmse(errors: Floats) -> float:
    return float(np.sqrt(np.mean(errors**2))) if len(errors) else math.nan


def _unbiased(keys: Floats, errors: Floats) -> float:
    """RMSE when each lifter's and lift's constant bias is removed."""
    if not len(errors):
        return math.nan
    _, group = np.unique(keys, return_inverse=True)
    mean = np.bincount(group, errors) / np.bincount(group)
    return _rmse(errors - mean[group])


def best_set_error(tally: Tally) -> tuple[float, float]:
    """RMSE of the week's best set through Epley, plain and with the constant bias removed. [%]"""
    keys, errors = np.array(tally.alternatives, float).reshape(-1, 2).T
    return _rmse(errors), _unbiased(keys, errors)


def rows(tally: Tally) -> list[Row]:
    """The scorecard's lines from what was counted."""
    levels = np.array(tally.levels, float).reshape(-1, 5)
    key, scenario, error, low, high = levels.T
    inside = (low <= 0) & (high >= 0)
    by_scenario: dict[str, float] = {
        s: inside[scenario == k].mean() for k, s in enumerate(map(str, SCENARIOS)) if (scenario == k).any()
    }
    worst = min(by_scenario, key=lambda s: by_scenario[s], default="")
    winkler = (high - low) + 20 * np.maximum(low, 0) + 20 * np.maximum(-high, 0)
    said, expressed, rested = np.array(tally.slopes, float).reshape(-1, 3).T
    ahead = {h: np.array(v, float).reshape(-1, 2).T for h, v in tally.ahead.items()}
    false = {k: _share(n, tally.years) for k, n in tally.false.items()}

    def recall(kind: str) -> float:
        return _share(tally.seen.get(kind, 0), tally.true.get(kind, 0))

    def alarms(kind: str) -> float:
        return false.get(kind, 0.0)

    def balanced(actual: Floats) -> float:
        return (
            _share(((said > 0) & (actual > 0)).sum(), (actual > 0).sum())
            + _share(((said <= 0) & (actual <= 0)).sum(), (actual <= 0).sum())
        ) / 2

    def correlation(actual: Floats) -> float:
        return float(np.corrcoef(said, actual)[0, 1]) if len(said) > 2 else math.nan

    def covers(h: int) -> float:
        return float((np.abs(ahead[h][0]) <= ahead[h][1]).mean()) if ahead[h].size else math.nan

    seen = f"{tally.seen.get('problem', 0)} of {tally.true.get('problem', 0)} problems"
    notices = _share(tally.quiet_notices, tally.quiet_years)
    dips_said = tally.right.get("expected_dip", 0) + tally.false.get("expected_dip", 0)
    unit_alarms = "1/lifter-year"
    each = ", ".join(f"{s} {v:.2f}" for s, v in by_scenario.items())
    return [
        Row("level_rmse", "level, RMSE", "%", _rmse(error), most(3.2), most(2.4),
            f"{len(error)} levels of {tally.asked} asked for"),
        Row("level_rmse_unbiased", "level, RMSE, constant bias removed", "%", _unbiased(key, error),
            most(1.6), most(1.25)),
        Row("coverage", "90 % interval covers", "1", float(inside.mean()) if len(inside) else math.nan,
            between(0.85, 0.95), between(0.88, 0.92)),
        Row("coverage_worst_scenario", "90 % interval covers, worst scenario", "1",
            float(by_scenario.get(worst, math.nan)), least(0.80), least(0.80), each),
        Row("interval_score", "90 % interval, width score", "%",
            float(winkler.mean()) if len(winkler) else math.nan, most(16.0), most(12.0),
            f"mean width {float((high - low).mean()) if len(low) else math.nan:.1f} %"),
        Row("slope_sign", "slope sign, balanced accuracy", "1", balanced(expressed), least(0.78), least(0.84),
            "against the strength expressed"),
        Row("slope_correlation", "slope, correlation", "1", correlation(expressed), least(0.50), least(0.65),
            "against the strength expressed"),
        Row("slope_sign_rested", "slope sign, balanced accuracy, rested", "1", balanced(rested),
            least(0.78), least(0.84), "against the rested strength"),
        Row("slope_correlation_rested", "slope, correlation, rested", "1", correlation(rested),
            least(0.50), least(0.65), "against the rested strength"),
        Row("problem_recall", "stall or regression, recall", "1", recall("problem"), least(0.40), least(0.60),
            seen),
        Row("problem_false_alarms", "stall or regression, false alarms", unit_alarms, alarms("problem"),
            most(1.2), most(1.2)),
        Row("problem_delay", "stall or regression, median delay", "d",
            float(np.median(tally.delays)) if tally.delays else math.nan, most(34), most(27)),
        Row("flag_at_change", "stall flag up at a planned change", "%",
            100 * _share(tally.changes_flagged, tally.changes), most(6), most(1), f"{tally.changes} changes"),
        Row("load_spike_recall", "load spike, recall", "1", recall("load_spike"), least(0.85), least(0.95),
            f"{tally.true.get('load_spike', 0)} spikes"),
        Row("load_spike_false_alarms", "load spike, false alarms", unit_alarms, alarms("load_spike"),
            most(0.3), most(0.05)),
        Row("layoff_recall", "layoff, recall", "1", recall("layoff"), least(0.90), least(0.97),
            f"{tally.true.get('layoff', 0)} layoffs"),
        Row("layoff_false_alarms", "layoff, false alarms", unit_alarms, alarms("layoff"), most(0.1),
            most(0.0)),
        Row("expected_dip_recall", "expected dip, recall", "1", recall("expected_dip"), least(0.70),
            least(0.80), f"{tally.true.get('expected_dip', 0)} dips"),
        Row("expected_dip_precision", "expected dip, precision", "1",
            _share(tally.right.get("expected_dip", 0), dips_said), least(0.55), least(0.70),
            f"{dips_said} notices"),
        Row("effort_drift_recall", "effort drift, recall", "1", recall("effort_drift"), least(0.40),
            least(0.55), f"{tally.true.get('effort_drift', 0)} drifts"),
        Row("effort_drift_false_alarms", "effort drift, false alarms", unit_alarms, alarms("effort_drift"),
            most(0.5), most(0.25)),
        Row("data_error_recall", "data errors, recall by row", "1",
            _share(tally.rows.get("both", 0), tally.rows.get("wrong", 0)), least(0.90), least(0.98),
            f"{tally.rows.get('wrong', 0)} wrong rows"),
        Row("data_error_precision", "data errors, precision by row", "1",
            _share(tally.rows.get("both", 0), tally.rows.get("held out", 0)), least(0.97), least(0.999),
            f"{tally.rows.get('held out', 0)} held out"),
        Row("quiet_flags", "quiet lifters, flags of all kinds", unit_alarms,
            _share(tally.quiet_flags, tally.quiet_years), most(6), most(2), f"and {notices:.1f} notices"),
        Row("forecast_4_weeks", "forecast 4 weeks, RMSE", "%", _rmse(ahead[28][0]), most(3.0), most(2.5)),
        Row("forecast_8_weeks", "forecast 8 weeks, RMSE", "%", _rmse(ahead[56][0]), most(3.4), most(2.8)),
        Row("forecast_4_weeks_coverage", "forecast 4 weeks, covers", "1", covers(28), between(0.85, 0.95),
            between(0.85, 0.95)),
        Row("forecast_8_weeks_coverage", "forecast 8 weeks, covers", "1", covers(56), between(0.85, 0.95),
            between(0.85, 0.95)),
    ]  # fmt: skip


def _one(index: int, seeds: str, name: str, sensitivity: float, step: int) -> Tally:
    lifter = next(roster(seeds, 1, first=index))
    return judge(lifter, index, analyst(name, sensitivity), step)


def score_each(
    name: str,
    seeds: str = "held-out",
    lifters: int = HELD_OUT_LIFTERS,
    *,
    sensitivity: float = 1.0,
    step: int = 7,
    jobs: int = 1,
) -> list[Tally]:
    """Judge an analyst ("product" or "naive") on each lifter of a seed set."""
    work = partial(_one, seeds=seeds, name=name, sensitivity=sensitivity, step=step)
    bar = partial(tqdm, total=lifters, desc=f"{name} x{sensitivity:g}", leave=False, disable=None)
    if jobs == 1:
        return list(bar(map(work, range(lifters))))
    with ProcessPoolExecutor(jobs) as pool:
        return list(bar(pool.map(work, range(lifters))))


def total(tallies: Iterable[Tally]) -> Tally:
    """Everybody together."""
    joined = Tally()
    for tally in tallies:
        joined.add(tally)
    return joined


def score(name: str, seeds: str = "held-out", lifters: int = HELD_OUT_LIFTERS, *, step: int = 7) -> Tally:
    """Judge an analyst on a seed set."""
    return total(score_each(name, seeds, lifters, step=step, jobs=os.cpu_count() or 1))


def score_command(seeds: str, lifters: int, *, step: int = 28) -> Tally:
    """Judge what `terrace analyse` prints: the whole roster in one file, once per as-of day.

    Its answers hold no forecast, and data errors only by exercise and day.
    """
    everyone = list(roster(seeds, lifters))
    asked = [as_of_days(x, 1) for x in everyone]
    said: dict[str, list[Reading]] = {x.name: [] for x in everyone}
    with tempfile.TemporaryDirectory(prefix="terrace-") as folder:
        log, blocks = Path(folder, "LOG.csv"), Path(folder, "BLOCKS.csv")
        write_log(log, everyone)
        write_blocks(blocks, everyone)
        days = range(min(d[0] for d in asked), max(d[-1] for d in asked) + 1, step)
        for day in tqdm(days, desc="terrace analyse", leave=False, disable=None):
            command = [terrace(), "analyse", str(log), "--blocks", str(blocks), "--format", "json"]
            command += ["--as-of", date.fromordinal(day).isoformat()]
            done = subprocess.run(command, capture_output=True, check=False)
            if done.returncode:
                raise RuntimeError(f"terrace analyse left with {done.returncode}: {done.stderr.decode()}")
            report = {one["lifter"]: one for one in json.loads(done.stdout)["lifters"]}
            for x, own in zip(everyone, asked, strict=True):
                if own[0] <= day <= own[-1]:
                    now = until(x.log, day)
                    said[x.name].append(from_report(now, x.truth.error_rows, day, report[x.name]))
    return total(
        compare(x, key, [a.as_of for a in said[x.name]], said[x.name])
        for key, x in enumerate(everyone)
        if said[x.name]
    )


def print_table(product: Sequence[Row], today: Sequence[Row]) -> None:
    print(f"{'figure':40} {'naive':>8} {'value':>8} {'unit':13} {'must':>12} {'':7} {'aim':>12} {'':7} note")
    for row, old in zip(product, today, strict=True):
        print(
            f"{row.label:40} {old.value:8.3g} {row.value:8.3g} {row.unit:13} "
            f"{target_text(row.must):>12} {_word(row.must, row.value):7} "
            f"{target_text(row.aim):>12} {_word(row.aim, row.value):7} {row.note}"
        )
    missed = [r.label for r in product if not met(r.must, r.value)]
    short = [r.label for r in product if met(r.must, r.value) and not met(r.aim, r.value)]
    print(f"\nmust missed ({len(missed)}): {'; '.join(missed) or 'none'}")
    print(f"aim missed ({len(short)} more): {'; '.join(short) or 'none'}")


def _word(target: Target, value: float) -> str:
    return "met" if met(target, value) else "missed"


def calibration(tally: Tally) -> dict[str, list[tuple[float, float]]]:
    """Nominal against actual coverage, of the level and of both forecasts."""
    levels = np.array(tally.levels, float).reshape(-1, 5)
    below = levels[:, 3] - levels[:, 2]  # negative
    above = levels[:, 4] - levels[:, 2]
    scaled = {"level today": Z90 * np.where(levels[:, 2] > 0, levels[:, 2] / -below, -levels[:, 2] / above)}
    for weeks, horizon in ((4, 28), (8, 56)):
        told = np.array(tally.ahead[horizon], float).reshape(-1, 2)
        scaled[f"forecast {weeks} weeks"] = Z90 * np.abs(told[:, 0]) / told[:, 1]
    nominal = np.arange(0.05, 1.0, 0.05)
    half = [NormalDist().inv_cdf(0.5 + p / 2) for p in nominal]
    return {
        name: [(float(p), float((z <= h).mean())) for p, h in zip(nominal, half, strict=True)]
        for name, z in scaled.items()
        if len(z)
    }


def main(arguments: Sequence[str] | None = None) -> int:
    from benchmarks import pictures

    parser = argparse.ArgumentParser(prog="python -m benchmarks.scorecard", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--seeds", choices=("held-out", "tuning"), default="held-out")
    parser.add_argument("--lifters", type=int, default=HELD_OUT_LIFTERS)
    parser.add_argument("--quick", action="store_true", help="14 lifters, every second week")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="worker processes")
    parser.add_argument(
        "--analyst",
        choices=("product", "naive", "command"),
        default="product",
        help="command: through files and terrace analyse, unless --step says otherwise every fourth week",
    )
    parser.add_argument("--step", type=int, help="days from one as-of day to the next, usually 7")
    parser.add_argument("--sensitivity", type=float, default=1.0)
    parser.add_argument("--plots", type=Path, help="folder for calibration.svg and detection.svg")
    given = parser.parse_args(arguments)
    lifters, step = (14, 14) if given.quick else (given.lifters, 7)
    step = given.step or (28 if given.analyst == "command" else step)
    run = partial(score_each, seeds=given.seeds, step=step, jobs=given.jobs)
    today = total(run("naive", lifters=lifters))
    if given.analyst == "command":
        each = [score_command(given.seeds, lifters, step=step)]
    else:
        each = run(given.analyst, lifters=lifters, sensitivity=given.sensitivity)
    product = total(each)
    print(
        f"{lifters} lifters of the {given.seeds} seeds, {product.years:.0f} lifter-years, every {step} days"
    )
    print_table(rows(product), rows(today))
    best = best_set_error(today)
    print(f"naive best set of the week: RMSE {best[0]:.2f} %, bias removed {best[1]:.2f} %")
    if given.plots:
        given.plots.mkdir(parents=True, exist_ok=True)
        (given.plots / "calibration.svg").write_text(pictures.calibration(calibration(product)), "utf-8")
        some = min(lifters, PICTURE_LIFTERS)
        at = {given.sensitivity: each[:some]}
        for sensitivity in SENSITIVITIES:
            if sensitivity not in at:
                at[sensitivity] = run(given.analyst, lifters=some, sensitivity=sensitivity)
        points = []
        for sensitivity, tallies in at.items():
            value = {r.name: r.value for r in rows(total(tallies))}
            names = ("problem_false_alarms", "problem_recall", "problem_delay")
            points.append((*(value[name] for name in names), sensitivity))
        (given.plots / "detection.svg").write_text(pictures.detection(points), "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
