"""A log added up by calendar week, as a workbook for whoever likes to look at it in a spreadsheet."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from app.exchange.writers import LogLine, Sheet, xlsx_bytes
from app.training.units import parse_mass

if TYPE_CHECKING:
    import pandas as pd

WEEKS = "Weeks"
VOLUME = "Volume load"


def weekly_xlsx(lines: Iterable[LogLine]) -> bytes:
    """Two sheets: what was done by week and exercise; volume load alone, weeks down and exercises across.

    Weeks begin on Monday. Warm-ups are left out; volume load is load x repetitions. [kg]
    """
    frame = _frame(lines)
    by_week = frame.groupby(["week", "exercise"], sort=True).agg(
        sets=("reps", "size"), reps=("reps", "sum"), volume=("volume", "sum"), heaviest=("load", "max")
    )
    across = frame.pivot_table(
        index="week", columns="exercise", values="volume", aggfunc="sum", fill_value=0.0
    )
    return xlsx_bytes(
        [
            Sheet(
                WEEKS,
                ("week_from", "exercise", "working_sets", "reps", "volume_load_kg", "heaviest_kg"),
                (
                    (week, exercise, int(sets), int(reps), round(float(volume), 3), round(float(top), 3))
                    for (week, exercise), sets, reps, volume, top in zip(
                        by_week.index,
                        by_week.sets,
                        by_week.reps,
                        by_week.volume,
                        by_week.heaviest,
                        strict=True,
                    )
                ),
                {"exercise": 26},
            ),
            Sheet(
                VOLUME,
                ("week_from", *map(str, across.columns)),
                (
                    (week, *(round(float(one), 3) for one in row))
                    for week, row in zip(across.index, across.to_numpy(), strict=True)
                ),
            ),
        ]
    )


def _frame(lines: Iterable[LogLine]) -> pd.DataFrame:
    # Imported here: a third of a second that only this workbook should cost.
    import pandas as pd

    rows = [
        (one.day, one.exercise, parse_mass(one.load_typed, one.unit, most_kg=10_000).kg, one.reps)
        for one in lines
        if not one.warm_up
    ]
    frame = pd.DataFrame(rows, columns=["day", "exercise", "load", "reps"])
    day = pd.to_datetime(frame["day"])
    frame["week"] = (day - pd.to_timedelta(day.dt.day_of_week, unit="D")).dt.date
    frame["volume"] = frame["load"] * frame["reps"]
    return frame
