"""How invented lifters train: strength that grows with work, days that differ, sets that are done and rated.

Nothing here is shared with the estimators: strength follows a saturating gain with a bonus for the kind of
work just done, and repetitions fall off hyperbolically with a steepness of each person's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seed_demo.club import Person

HELPERS = {
    "Squat": "Paused squat",
    "Bench press": "Close-grip bench press",
    "Deadlift": "Romanian deadlift",
    "Overhead press": "Dumbbell overhead press",
}
HELPER_SHARE = {"Squat": 0.86, "Bench press": 0.9, "Deadlift": 0.72, "Overhead press": 0.55}
STALLED_DAYS = 84  # how long the stalled lift has gone nowhere, a little downwards
ROWS = ("Barbell row", 0.55)  # share of the deadlift


@dataclass(frozen=True, slots=True)
class Spell:
    """A stretch of weeks with one emphasis: sets and repetitions of the main work, and repetitions left."""

    name: str
    kind: str
    weeks: int
    sets: int
    reps: int
    left: float
    helper_reps: int


SPELLS = {
    "volume": Spell("Volume eights", "volume", 6, 4, 8, 2.5, 10),
    "strength": Spell("Fives to triples", "strength", 5, 4, 4, 2.0, 6),
    "peak": Spell("Peak", "peak", 3, 3, 2, 1.5, 5),
    "low-stress": Spell("Easy week", "low-stress", 1, 2, 5, 4.0, 8),
    "novice": Spell("Three fives", "strength", 8, 3, 5, 2.0, 8),
}
CYCLES = {
    "novice": ("novice", "low-stress"),
    "intermediate": ("volume", "low-stress", "strength", "low-stress"),
    "advanced": ("volume", "low-stress", "strength", "peak", "low-stress"),
}


@dataclass(frozen=True, slots=True)
class DoneSet:
    """One set as it went."""

    exercise: str
    number: int
    load_kg: float
    reps: int
    rpe: float | None
    warm_up: bool = False
    failed: bool = False


class Life:
    """A person's strength on any day of the demo, and how a set goes for them."""

    def __init__(self, person: Person, *, first: int, today: int, rng: np.random.Generator) -> None:
        self.person, self.first, self.today, self.rng = person, first, today, rng
        self.wander = {lift: np.cumsum(rng.normal(0, 0.0012, today - first + 15)) for lift in person.strength}

    def strength(self, lift: str, day: int) -> float:
        """The one-repetition maximum as it would be shown on this day. [kg]"""
        age = min(day, self.today) - self.first
        stalled = self.person.story == "stalled" and lift == "Deadlift"
        if stalled:
            age = min(age, self.today - STALLED_DAYS - self.first)
        share = 1 - np.exp(-age / 420)
        level = self.person.strength[lift] * (1 + self.person.gain * share / (1 - np.exp(-365 / 420)))
        level *= 1 + self.wander[lift][max(0, day - self.first)] * 0.5
        back = self.today - day
        if stalled and back < STALLED_DAYS:
            level *= 1 - 0.035 * (1 - back / STALLED_DAYS)
        if self.person.story == "dip" and 0 <= back < 17:
            # Heavy work after weeks of eights: the strength is there, its expression is not yet.
            level *= 1 - 0.045 * np.exp(-(17 - back) / 12)
        if self.person.story == "holiday" and 0 <= back < 12:
            level *= 0.955 + 0.002 * (12 - back)
        return float(level)

    def day_form(self) -> float:
        return float(np.exp(self.rng.normal(0, 0.013)))

    def reps_possible(self, load_kg: float, strength: float) -> float:
        """Repetitions to failure at a load: hyperbolic, with this person's steepness."""
        return max(0.0, 1 + self.person.curve * (strength / max(load_kg, 1.0) - 1))

    def load_for(self, reps: float, left: float, strength: float) -> float:
        return strength / (1 + (reps + left - 1) / self.person.curve)

    def do(self, exercise: str, number: int, load_kg: float, reps: int, strength: float) -> DoneSet:
        """Do a set: fewer repetitions when they are not there, and an honest but noisy rating."""
        possible = self.reps_possible(load_kg, strength) + self.rng.normal(0, 0.35)
        done = int(min(reps, np.floor(possible + 0.3)))
        failed = done < reps
        left = max(0.0, possible - max(done, 0))
        said = 10 - left + self.person.rpe_bias + self.rng.normal(0, 0.35 + 0.12 * left)
        rpe = None
        if self.rng.random() < self.person.gives_rpe:
            rpe = 10.0 if failed else float(np.clip(np.round(said * 2) / 2, 5, 10))
        return DoneSet(exercise, number, load_kg, max(done, 1), rpe, failed=failed and done >= 1)


def plates(load_kg: float, unit: str) -> float:
    """A load that the usual plates can show. [kg]"""
    if unit == "lb":
        return float(round(load_kg / 0.45359237 / 5) * 5 * 0.45359237)
    return float(round(load_kg / 2.5) * 2.5)


def spells(person: Person, weeks: int, *, turn: int) -> list[tuple[int, Spell]]:
    """Start week and spell, until the weeks are used up; ``turn`` says where in the cycle to begin."""
    cycle, found, week = CYCLES[person.level], [], 0
    while week < weeks:
        spell = SPELLS[cycle[turn % len(cycle)]]
        found.append((week, spell))
        week += spell.weeks
        turn += 1
    return found


def session(life: Life, spell: Spell, week: int, turn: int, day: int) -> list[DoneSet]:
    """One session of a spell: main work on one or two lifts, then a helper for each."""
    person, form, done = life.person, life.day_form(), []
    lifts = person.lifts
    today = [lifts[turn % len(lifts)], lifts[(turn + 1) % len(lifts)]]
    ramp = (week / max(1, spell.weeks - 1)) if spell.weeks > 1 else 0.5
    for place, lift in enumerate(today):
        strength = life.strength(lift, day) * form
        sets = spell.sets if place == 0 else max(2, spell.sets - 1)
        left = spell.left + 1.0 * (1 - ramp) + (0.5 if place else 0.0)
        load = plates(life.load_for(spell.reps, left, life.strength(lift, day)), person.unit)
        for number in range(sets):
            done.append(life.do(lift, number + 1, load, spell.reps, strength * (1 - 0.006 * number)))
        helper = HELPERS[lift]
        base = life.strength(lift, day) * HELPER_SHARE[lift]
        light = plates(life.load_for(spell.helper_reps, 2.5, base), person.unit)
        for number in range(3 if spell.kind != "low-stress" else 2):
            done.append(life.do(helper, number + 1, light, spell.helper_reps, base * form))
    row = life.strength("Deadlift", day) * ROWS[1]
    for number in range(3):
        done.append(
            life.do(ROWS[0], number + 1, plates(life.load_for(10, 2.5, row), person.unit), 10, row * form)
        )
    return done
