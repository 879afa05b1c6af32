"""Figures of the analysis: the scorecard on held-out lifters, and what it costs.

The scorecard's figures share one run. The speed figures use one made-up lifter with 12,500 sets on six
lifts over three years; ratios against other libraries are taken on the same numbers in the same run.
"""

from __future__ import annotations

import sqlite3
import subprocess
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from functools import cache, partial
from pathlib import Path

import numpy as np

from app.training.records import BlockKind, BlockSpan, Bools, Exercise, Floats, Ints, SetLog
from benchmarks import reading, scorecard, simulate
from benchmarks.figures import Figure, Target, least, most, ratio, seconds
from benchmarks.reading import until

LIFTS = 6
WEEKS = 156
NAMES = ("Back squat", "Bench press", "Deadlift", "Overhead press", "Front squat", "Barbell row")


@cache
def big_lifter(seed: int = 0, weeks: int = WEEKS) -> tuple[SetLog, tuple[BlockSpan, ...]]:
    """A lifter with 80 sets a week on six lifts: 12,480 in three years."""
    rng = np.random.default_rng([4, seed])
    curves = [simulate.draw_curve(rng, NAMES[i % 4], 1.0) for i in range(LIFTS)]
    start = rng.uniform(60, 160, LIFTS)
    rows = []
    for day in range(weeks * 7):
        if day % 7 not in (0, 1, 3, 4):
            continue
        form = rng.normal(0, 0.02)
        for k in range(4):
            lift = (day % 7 + k) % LIFTS
            reps = (8, 5, 3)[(day // 28) % 3]
            now = start[lift] * np.exp(0.0015 * day / 7 + form)
            load = round(now * curves[lift].fraction(reps + 2.5) / 2.5) * 2.5
            for number in range(1, 6):
                left = curves[lift].reps(load / now * (1 + 0.008 * number)) - reps
                rpe = float(np.clip(round((10 - left + rng.normal(0, 0.7)) * 2) / 2, 5, 10))
                rows.append((lift, simulate.FIRST_MONDAY + day, day, number, load, reps, rpe))
    columns = [np.array(c) for c in zip(*rows, strict=True)]
    log = _log(*columns)
    kinds: tuple[BlockKind, ...] = ("volume", "strength", "peak")
    first = [simulate.FIRST_MONDAY + 28 * k for k in range(weeks // 4)]
    blocks = tuple(BlockSpan(f"block {k + 1}", kinds[k % 3], d, d + 27) for k, d in enumerate(first))
    return log, blocks


def _log(
    lift: Ints,
    day: Ints,
    session: Ints,
    number: Ints,
    load: Floats,
    reps: Ints,
    rpe: Floats,
    failed: Bools | None = None,
) -> SetLog:
    return SetLog(
        exercises=tuple(Exercise(n, n) for n in NAMES),
        exercise=lift,
        day=day,
        session=session,
        set_number=number,
        load_kg=load,
        reps=reps,
        rpe=rpe,
        warm_up=np.zeros(len(day), bool),
        failed=np.zeros(len(day), bool) if failed is None else failed,
        row=np.arange(len(day)),
    )


def last_day(log: SetLog) -> int:
    return int(log.day.max())


def analyse(log: SetLog, blocks: tuple[BlockSpan, ...]) -> object:
    from app.training.analysis import analyse_lifter

    return analyse_lifter(log, blocks, as_of=last_day(log))


def one_lifter_ms() -> float:
    log, blocks = big_lifter()
    analyse(log, blocks)
    return 1000 * seconds(partial(analyse, log, blocks), rounds=7)


def five_hundred_lifters_s() -> float:
    rosters = [big_lifter(k) for k in range(10)]
    analyse(*rosters[0])
    start = time.perf_counter()
    for log, blocks in rosters:
        analyse(log, blocks)
    return 50 * (time.perf_counter() - start)


def to_reading_rows() -> float:
    """The whole analysis over fetching the same rows from SQLite."""
    log, blocks = big_lifter()
    db = sqlite3.connect(":memory:")
    db.execute(
        "CREATE TABLE sets (lifter INT, day INT, n INT, exercise INT, grams INT, reps INT, rpe REAL,"
        " PRIMARY KEY (lifter, day, n)) WITHOUT ROWID"
    )
    columns = zip(
        log.day.tolist(),
        log.row.tolist(),
        log.exercise.tolist(),
        np.rint(log.load_kg * 1000).astype(int).tolist(),
        log.reps.tolist(),
        log.rpe.tolist(),
        strict=True,
    )
    db.executemany("INSERT INTO sets VALUES (1,?,?,?,?,?,?)", columns)
    query = "SELECT day, exercise, grams, reps, rpe FROM sets WHERE lifter = 1 ORDER BY day, n"
    return ratio(partial(analyse, log, blocks), lambda: db.execute(query).fetchall(), rounds=5)


@cache
def weekly_series() -> Floats:
    """Six weekly series of ln e1RM, three years long, shape (6, 156)."""
    rng = np.random.default_rng(8)
    path = np.cumsum(rng.normal(0.0015, 0.003, (LIFTS, WEEKS)), axis=1)
    return np.asarray(np.log(100.0) + path + rng.normal(0, 0.02, (LIFTS, WEEKS)))


PARAMETERS = (4e-4, 1e-5, 1e-6)  # variances of noise, level and slope by week


def _statsmodels(task: str) -> Callable[[], object]:
    from statsmodels.tsa.statespace.structural import (  # type: ignore[import-untyped]
        UnobservedComponents,
    )

    observed = weekly_series()
    models = [UnobservedComponents(y, "local linear trend") for y in observed]
    parameters = list(PARAMETERS)

    def smooth() -> object:
        return [m.smooth(parameters) for m in models]

    def fit() -> object:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # its optimiser tells of slow convergence, which is no news here
            return [m.fit(disp=0) for m in models]

    return {"smooth": smooth, "fit": fit}[task]


def _against(theirs: Callable[[], object], ours: Callable[[], object], rounds: int) -> float:
    return ratio(theirs, ours, rounds=rounds, repeats=3)


def smoothing_against_statsmodels() -> float:
    from app.training import statespace

    variances = statespace.Variances.of(*PARAMETERS)
    ours = partial(statespace.smoothed, np.arange(WEEKS), weekly_series(), variances)
    return _against(_statsmodels("smooth"), ours, 8)


def fitting_against_statsmodels() -> float:
    from app.training import statespace

    ours = partial(statespace.fit, np.arange(WEEKS), weekly_series())
    return _against(_statsmodels("fit"), ours, 3)


def daily_load() -> Floats:
    return np.random.default_rng(9).gamma(1.2, 900, WEEKS * 7)


def pandas_rolling() -> float:
    import pandas

    from app.training import rolling

    x = daily_load()
    series = pandas.Series(x)
    return _against(lambda: series.rolling(28).sum(), lambda: rolling.rolling_sum(x, 28), 30)


def pandas_ewm() -> float:
    import pandas

    from app.training import rolling

    x = daily_load()
    series = pandas.Series(x)
    return _against(
        lambda: series.ewm(span=28, adjust=False).mean(),
        lambda: rolling.ewma(x, weight=2 / 29, start=float(x[0])),
        30,
    )


def new_session_ms() -> float:
    """From the answer before the last session to the answer with it."""
    log, blocks = big_lifter()
    day = last_day(log)
    from app.training import analysis

    extend = getattr(analysis, "extend", None)
    if extend is None:  # the whole analysis is what a new session costs
        return one_lifter_ms()
    before = analysis.analyse_lifter(until(log, day - 1), blocks, as_of=day - 1)
    return 1000 * seconds(partial(extend, before, log, blocks, as_of=day), rounds=7)


@cache
def log_file(sets: int = 20_000) -> tuple[Path, Path, str, tempfile.TemporaryDirectory[str]]:
    """LOG.csv and BLOCKS.csv of simulated lifters without wrong rows, and the day after the last set."""
    folder = tempfile.TemporaryDirectory(prefix="terrace-")
    lifters, rows, k = [], 0, 0
    while rows < sets:
        lifter = next(simulate.roster("tuning", 1, first=k))
        k += 1
        if not lifter.truth.error_rows:
            keep = min(len(lifter.log.day), sets - rows)
            lifters.append(replace(lifter, log=until(lifter.log, int(lifter.log.day[keep - 1]))))
            rows += len(lifters[-1].log.day)
    log, blocks = Path(folder.name, "LOG.csv"), Path(folder.name, "BLOCKS.csv")
    simulate.write_log(log, lifters)
    simulate.write_blocks(blocks, lifters)
    day = date.fromordinal(max(last_day(x.log) for x in lifters) + 1).isoformat()
    return log, blocks, day, folder


def command_cold_s() -> float:
    """A new process each time; nothing of its own is kept between them but what the package brings."""
    log, blocks, day, _ = log_file()
    command = [
        reading.terrace(),
        "analyse",
        str(log),
        "--blocks",
        str(blocks),
        "--as-of",
        day,
        "--format",
        "json",
    ]
    return seconds(partial(subprocess.run, command, check=True, capture_output=True), rounds=3)


@cache
def held_out() -> dict[str, float]:
    return {row.name: row.value for row in scorecard.rows(scorecard.score("product"))}


def _scored(name: str) -> Callable[[], float]:
    return lambda: held_out()[name]


def _scorecard_figures() -> list[Figure]:
    """One figure a line of the scorecard, with the scorecard's own words and targets."""
    empty = scorecard.rows(scorecard.Tally())
    return [
        Figure(
            f"analysis.{row.name}",
            row.unit,
            row.must,
            _scored(row.name),
            f"{row.label}; {scorecard.HELD_OUT_LIFTERS} held-out lifters, weekly; aim {_text(row.aim)}",
        )
        for row in empty
    ]


def _text(target: Target) -> str:
    from benchmarks.figures import target_text

    return target_text(target)


FIGURES = [
    *_scorecard_figures(),
    Figure(
        "analysis.speed_one_lifter",
        "ms",
        most(50),
        one_lifter_ms,
        "analyse_lifter, 12,480 sets on 6 lifts, warm, best of 7; aim <=8",
    ),
    Figure(
        "analysis.speed_500_lifters",
        "s",
        most(30),
        five_hundred_lifters_s,
        "analyse_lifter on 10 such lifters in a row, times 50; aim <=4",
    ),
    Figure(
        "analysis.speed_new_session",
        "ms",
        most(5),
        new_session_ms,
        "answer after one more session of that lifter, warm, best of 7; aim <=0.1",
    ),
    Figure(
        "analysis.speed_to_reading_rows",
        "x",
        most(7),
        to_reading_rows,
        "analyse_lifter over sqlite3 fetchall of the same 12,480 rows, p10, same run",
    ),
    Figure(
        "analysis.speed_smoothing_against_statsmodels",
        "x",
        least(20),
        smoothing_against_statsmodels,
        "statsmodels' local linear trend, smooth at given variances, over statespace.smoothed: 6 weekly "
        "series of 156, levels, slopes and variances, p10, same run; aim >=90",
    ),
    Figure(
        "analysis.speed_fitting_against_statsmodels",
        "x",
        least(100),
        fitting_against_statsmodels,
        "statsmodels' local linear trend, variances by maximum likelihood, over statespace.fit: the same "
        "series, p10, same run; aim >=2000",
    ),
    Figure(
        "analysis.speed_rolling_against_pandas",
        "x",
        least(1),
        pandas_rolling,
        "pandas Series.rolling(28).sum over rolling.rolling_sum, 1,092 days, p10, same run",
    ),
    Figure(
        "analysis.speed_ewma_against_pandas",
        "x",
        least(1),
        pandas_ewm,
        "pandas Series.ewm(span=28).mean over rolling.ewma, 1,092 days, p10, same run",
    ),
    Figure(
        "analysis.speed_command_cold",
        "s",
        most(3),
        command_cold_s,
        "terrace analyse of 20,000 sets as a new process, best of 3; aim <=1",
    ),
]
