"""A coach's exercises, found by name whatever the case and spacing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.storage.models import Coach, Exercise, ExerciseAlias


class ExerciseNotFound(LookupError):
    """The exercise does not exist, or is another coach's."""


def key_of(name: str) -> str:
    """What makes two spellings the same name: case and spacing do not count."""
    return " ".join(name.split()).casefold()


def all_of(db: Session, coach: Coach) -> Sequence[Exercise]:
    return db.scalars(select(Exercise).where(Exercise.coach_id == coach.id).order_by(Exercise.name)).all()


def of_coach(db: Session, coach: Coach, exercise_id: int) -> Exercise:
    found = db.scalar(select(Exercise).where(Exercise.id == exercise_id, Exercise.coach_id == coach.id))
    if found is None:
        raise ExerciseNotFound(exercise_id)
    return found


def by_key(db: Session, coach: Coach) -> dict[str, Exercise]:
    """Exercises by name key, confirmed other spellings included."""
    exercises = {one.id: one for one in all_of(db, coach)}
    found = {one.key: one for one in exercises.values()}
    for alias in db.scalars(select(ExerciseAlias).where(ExerciseAlias.coach_id == coach.id)):
        found.setdefault(alias.key, exercises[alias.exercise_id])
    return found


def add(db: Session, coach: Coach, name: str, **values: Any) -> Exercise:
    exercise = Exercise(coach_id=coach.id, name=" ".join(name.split()), key=key_of(name), **values)
    db.add(exercise)
    db.flush()
    return exercise


def add_alias(db: Session, coach: Coach, name: str, exercise: Exercise) -> None:
    db.merge(ExerciseAlias(coach_id=coach.id, key=key_of(name), exercise_id=exercise.id))
