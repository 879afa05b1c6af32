"""Who is on a coach's roster."""

from __future__ import annotations

from app.storage import lifters
from app.storage.engine import Store
from app.storage.models import Coach


def ids_by_name(store: Store, coach: Coach) -> dict[str, int]:
    """Numbers of a coach's lifters by case-folded name, archived ones too."""
    with store.reading() as db:
        return {name: one.id for name, one in lifters.by_name(db, coach).items()}
