"""Names of exercises: guesses that a coach confirms."""

import csv
from pathlib import Path

import pytest

from app.exchange.exercise_names import (
    body_mass_share,
    close_names,
    guess,
    is_main,
    main_lift,
    plain_name,
    suggestions,
)


@pytest.mark.parametrize(
    ("name", "lift"),
    [
        ("Squat", "squat"),
        ("Paused high-bar back squat", "squat"),
        ("Front Squats", "squat"),
        ("Box squat (wide)", "squat"),
        ("Bulgarian split squat", None),
        ("Hack squat", None),
        ("Leg press", None),
        ("Bench", "bench press"),
        ("Close-grip bench press", "bench press"),
        ("CGBP", "bench press"),
        ("Bench pull", None),
        ("Dumbbell bench press", None),
        ("Deadlift", "deadlift"),
        ("dead lift from blocks", "deadlift"),
        ("RDL", "deadlift"),
        ("Sumo deadlifts", "deadlift"),
        ("OHP", "overhead press"),
        ("Strict press", "overhead press"),
        ("Press", "overhead press"),
        ("Clean & jerk", "clean and jerk"),
        ("Snatch", "snatch"),
        ("Snatch-grip deadlift", "deadlift"),
        ("Barbell curl", None),
        ("", None),
    ],
)
def test_a_name_says_which_main_lift_it_trains(name: str, lift: str | None) -> None:
    assert main_lift(name) == lift


@pytest.mark.parametrize(
    "name", ["Squat", "back squat", "Barbell Squat", "Bench Press", "bench", "press", "Deadlift"]
)
def test_the_main_lift_itself_is_told_from_its_variants(name: str) -> None:
    assert is_main(name)
    assert not is_main(f"Paused {name}")


@pytest.mark.published
def test_the_moved_share_of_a_push_up_is_the_measured_one() -> None:
    # Mier et al. 2014, abstract: static up and down position, men and women.
    path = Path(__file__).parents[2] / "shared" / "body_mass_share.csv"
    with path.open(newline="") as file:
        shares = [
            float(row["percent_body_mass"])
            for row in csv.DictReader(file)
            if row["exercise"] == "push-up standard"
            and row["position"].startswith("static")
            and row["status"] == "verified"
        ]
    assert len(shares) == 4
    assert body_mass_share("Push-ups") == pytest.approx(sum(shares) / 400, abs=0.005)


def test_what_hangs_from_the_hands_moves_nearly_all_of_it() -> None:
    assert body_mass_share("Weighted pull-up") == body_mass_share("Dips") == 0.97
    assert body_mass_share("Assisted pull-up") == body_mass_share("Squat") == 0.0
    assert guess("Chin-ups") == (None, 0.97)


def test_plain_names_ignore_what_does_not_matter() -> None:
    assert plain_name("  Pull-Ups ") == plain_name("pullup") == "pull up"
    assert plain_name("Développé couché") == "developpe couche"


def test_close_names_are_proposed_the_likeliest_first() -> None:
    known = ["Bench press", "Incline bench press", "Back squat", "Deadlift", "Romanian deadlift"]
    assert close_names("bench-press", known)[0] == "Bench press"
    assert close_names("press, bench", known)[0] == "Bench press"
    assert close_names("Dedlift", known)[0] == "Deadlift"
    assert close_names("RDL", known)[0] == "Romanian deadlift"
    assert close_names("Hammer curl", known) == []


def test_nothing_is_merged_without_being_asked() -> None:
    assert suggestions(["Squat", "squat", "Curl"], ["Squat"]) == {"squat": ["Squat"], "Curl": []}
