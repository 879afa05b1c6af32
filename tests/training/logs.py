"""Small logs for the core's tests: what a test names, and the usual for the rest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np

from app.training.records import Exercise, SetLog

NAN = float("nan")
MONDAY = date(2026, 3, 2).toordinal()

ARRAYS = (
    "exercise",
    "day",
    "session",
    "set_number",
    "load_kg",
    "reps",
    "rpe",
    "warm_up",
    "failed",
    "row",
)


def make_log(
    sets: Sequence[dict[str, Any]],
    *,
    exercises: tuple[Exercise, ...] = (Exercise("squat", "squat"),),
    **changes: Any,
) -> SetLog:
    """A log of the given sets; a session is a day unless a set says otherwise."""
    usual = {
        "exercise": 0,
        "day": MONDAY,
        "load_kg": 100.0,
        "reps": 5,
        "rpe": NAN,
        "warm_up": False,
        "failed": False,
    }
    rows = [{"row": n, "set_number": n + 1, **usual, **each} for n, each in enumerate(sets)]
    rows = [{"session": each["day"], **each} for each in rows]
    kinds = {"load_kg": float, "rpe": float, "warm_up": bool, "failed": bool}
    columns = {
        name: np.array([each[name] for each in rows], dtype=kinds.get(name, np.int64)) for name in ARRAYS
    }
    return SetLog(exercises=exercises, **columns, **changes)


def straight(day: int, load_kg: float, reps: int, sets: int, **rest: Any) -> list[dict[str, Any]]:
    """Straight sets of one day."""
    return [{"day": day, "load_kg": load_kg, "reps": reps, **rest} for _ in range(sets)]


def reordered(log: SetLog, order: Any) -> SetLog:
    """The same sets, listed in another order."""
    return replace(log, **{name: getattr(log, name)[order] for name in ARRAYS})


def shifted(log: SetLog, days: int) -> SetLog:
    """The same sets, so many days later."""
    return replace(log, day=log.day + days)
