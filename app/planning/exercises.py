"""The coach's exercises: what they are called, which main lift they train, how much body mass they move."""

from __future__ import annotations

from collections.abc import Sequence

from app.storage import exercises
from app.storage.engine import Store
from app.storage.models import Coach, Exercise


def of_roster(store: Store, coach: Coach) -> Sequence[Exercise]:
    """A coach's exercises by name, those put away left out."""
    with store.reading() as db:
        return [one for one in exercises.all_of(db, coach) if one.archived_at is None]
