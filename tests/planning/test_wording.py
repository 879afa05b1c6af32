"""The words of flags: as sure as the numbers are, and no surer."""

from __future__ import annotations

from typing import Any

import pytest

from app.planning import wording

EVIDENCE: dict[str, Any] = {"weeks": 5.0, "change_pct": -1.2, "stress_ratio": 1.14}


def said(kind: str, probability: float | None) -> wording.Words:
    return wording.of_flag(
        kind, lift="Squat", probability=probability, since_day=700_000, evidence=EVIDENCE, advice="Look."
    )


@pytest.mark.parametrize(
    ("probability", "title"),
    [
        (0.32, "Squat: possible stall, about 3 in 10"),
        (0.71, "Squat: stall likely, about 7 in 10"),
        (0.99, "Squat: stall likely, almost sure"),
        (None, "Squat: stall likely"),
    ],
)
def test_a_stall_is_called_likely_only_when_it_is(probability: float | None, title: str) -> None:
    assert said("stall", probability).title == title


def test_changes_are_printed_with_a_true_minus() -> None:
    assert said("regression", 0.6).why == "\u22121.2 % in 5 weeks, work up 14 %"
