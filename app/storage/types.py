"""Column types that refuse what the database would silently take."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import orjson
from sqlalchemy import DateTime, Dialect, Text, TypeDecorator


class Instant(TypeDecorator[datetime]):
    """An aware UTC instant. SQLite would take a naive one without a word; this refuses it."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"an instant needs a time zone, got {value!r}")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Document(TypeDecorator[Any]):
    """A small JSON document kept as text, the same bytes on both engines."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        if value is None:
            return None
        return orjson.dumps(value, option=orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_SORT_KEYS).decode()

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any:
        return None if value is None else orjson.loads(value)
