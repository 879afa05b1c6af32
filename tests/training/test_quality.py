from __future__ import annotations

import numpy as np
import pytest

from app.training import quality
from tests.training.logs import MONDAY, NAN, make_log, straight

TODAY = MONDAY


def test_an_empty_log_has_no_errors() -> None:
    assert quality.screen(make_log([])) == ()


def weeks_of_squats(sessions: int = 20, load_kg: float = 100.0) -> list[dict[str, object]]:
    return [
        each
        for n in range(sessions)
        for each in straight(TODAY - 4 * (sessions - n), load_kg + n % 3 * 2.5, 5, 3, rpe=NAN)
    ]


@pytest.mark.parametrize(
    ("load_kg", "reps", "reason", "proposed"),
    [
        (220.5, 5, "pounds_as_kilograms", (100.0, 5)),
        (1000.0, 5, "slipped_decimal", (100.0, 5)),
        (10.25, 5, "slipped_decimal", (102.5, 5)),
        (5.0, 100, "swapped_columns", (100.0, 5)),
    ],
)
def test_a_mistyped_set_is_found_and_a_correction_proposed(
    load_kg: float, reps: int, reason: str, proposed: tuple[float, int]
) -> None:
    log = make_log([*weeks_of_squats(), {"day": TODAY, "load_kg": load_kg, "reps": reps}])
    (error,) = quality.screen(log)
    assert (error.row, error.day, error.exercise, error.reason) == (60, TODAY, 0, reason)
    assert (error.proposed_load_kg, error.proposed_reps) == proposed
    assert np.array_equal(quality.without(log, (error,)).row, np.arange(60))
