"""Promises as code: every figure that was asked for, measured, one line each.

`python -m benchmarks.figures [--only prefix]` imports every module of this package that has a list named
``FIGURES`` and prints ``name value unit target met|missed how``. A new module joins by having that list.
Ratios measure their floor in the same run, because only those survive a busy or another machine.
"""

from __future__ import annotations

import argparse
import importlib
import math
import pkgutil
import sys
import time
import traceback
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import quantiles
from typing import Literal

import benchmarks


@dataclass(frozen=True, slots=True)
class Target:
    """``<=`` and ``>=`` a value, or ``in`` the closed interval up to ``high``."""

    comparison: Literal["<=", ">=", "in"]
    value: float
    high: float = math.nan


def most(value: float) -> Target:
    return Target("<=", value)


def least(value: float) -> Target:
    return Target(">=", value)


def between(low: float, high: float) -> Target:
    return Target("in", low, high)


@dataclass(frozen=True, slots=True)
class Figure:
    """One promise: ``measure`` is called when the figure is asked for, ``how`` says in words what it does."""

    name: str
    unit: str
    target: Target
    measure: Callable[[], float]
    how: str


def met(target: Target, value: float) -> bool:
    """Whether a measured value keeps the promise; a value that is no number keeps none."""
    if target.comparison == "<=":
        return value <= target.value
    if target.comparison == ">=":
        return value >= target.value
    return target.value <= value <= target.high


def target_text(target: Target) -> str:
    if target.comparison == "in":
        return f"{target.value:g}..{target.high:g}"
    return f"{target.comparison}{target.value:g}"


def line(figure: Figure, value: float) -> str:
    """``name value unit target met|missed how``, parted by spaces, ``how`` to the end of the line."""
    word = "met" if met(figure.target, value) else "missed"
    return f"{figure.name} {value:.4g} {figure.unit} {target_text(figure.target)} {word} {figure.how}"


def discover() -> list[Figure]:
    """Figures of every module in this package that has some, in the order of the modules' names."""
    found: list[Figure] = []
    for module in sorted(m.name for m in pkgutil.iter_modules(benchmarks.__path__)):
        if module != "figures":
            found += getattr(importlib.import_module(f"benchmarks.{module}"), "FIGURES", [])
    names = [f.name for f in found]
    if twice := sorted({n for n in names if names.count(n) > 1}):
        raise ValueError(f"figure names must differ, but these stand twice: {', '.join(twice)}")
    return found


def p10(seconds: Sequence[float]) -> float:
    """Tenth percentile: what the machine can do when nobody else is at it."""
    # Inclusive: a few measured times must not be extrapolated below the shortest.
    return quantiles(seconds, n=10, method="inclusive")[0] if len(seconds) > 1 else seconds[0]


def ratio(
    subject: Callable[[], object],
    floor: Callable[[], object],
    *,
    rounds: int = 30,
    repeats: int = 3,
    clock: Callable[[], float] = time.perf_counter,
) -> float:
    """Time of `subject` over time of `floor`: rounds alternated, 10th percentiles, best of `repeats`."""
    subject(), floor()
    best = math.inf
    for _ in range(repeats):
        ours, theirs = [], []
        for _ in range(rounds):
            start = clock()
            subject()
            middle = clock()
            floor()
            ours.append(middle - start)
            theirs.append(clock() - middle)
        best = min(best, p10(ours) / p10(theirs))
    return best


def seconds(subject: Callable[[], object], *, rounds: int = 5) -> float:
    """Shortest wall-clock time of a call. [s]"""
    taken = []
    for _ in range(rounds):
        start = time.perf_counter()
        subject()
        taken.append(time.perf_counter() - start)
    return min(taken)


def run(figures: Iterable[Figure], only: str = "") -> int:
    """Measure and print. Returns the number of promises not kept.

    A figure that cannot be measured is missed and says why; the others are measured all the same.
    """
    missed = 0
    for figure in figures:
        if not figure.name.startswith(only):
            continue
        try:
            value, why = float(figure.measure()), ""
        except Exception as error:
            traceback.print_exc()
            value, why = math.nan, f"; not measured: {type(error).__name__}: {' '.join(str(error).split())}"
        print(line(figure, value) + why, flush=True)
        missed += not met(figure.target, value)
    return missed


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.figures", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--only", default="", metavar="PREFIX", help="figures whose name begins so")
    parser.add_argument("--strict", action="store_true", help="exit 1 if a promise is not kept")
    given = parser.parse_args(arguments)
    figures = discover()
    if not any(f.name.startswith(given.only) for f in figures):
        names = ", ".join(sorted({f.name.split(".")[0] for f in figures}))
        parser.error(f"no figure's name begins with {given.only!r}; there are figures of: {names}")
    missed = run(figures, given.only)
    return 1 if given.strict and missed else 0


if __name__ == "__main__":
    sys.exit(main())
