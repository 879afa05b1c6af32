"""A statement compiled once and handed to the driver, for the one path where that is worth it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Dialect, Executable
from sqlalchemy.sql import ClauseElement
from sqlalchemy.types import TypeEngine

Convert = Callable[[Any], Any] | None


@dataclass(frozen=True, slots=True)
class _Made:
    """The statement in one dialect's words."""

    text: str
    constants: dict[str, Any]
    binds: list[tuple[str, Convert]]
    converts: list[Convert]
    by_place: bool


class Prepared:
    """SQLAlchemy looks a statement up, binds and wraps it anew each time: longer than SQLite needs to run it.

    Values still pass through the types of their columns, and errors through the engine's, so nothing but
    the time changes.
    """

    def __init__(self, statement: Executable, *results: TypeEngine[Any]) -> None:
        assert isinstance(statement, ClauseElement)
        self.statement, self.results = statement, results
        self._made: dict[str, _Made] = {}

    def __call__(self, connection: Connection, values: dict[str, Any]) -> tuple[Any, ...] | None:
        """Run it; the first row, if it gives any."""
        made = self._made.get(connection.dialect.name) or self._make(connection.dialect)
        given = made.constants | values
        bound = {
            name: given[name] if convert is None else convert(given[name]) for name, convert in made.binds
        }
        found = connection.exec_driver_sql(
            made.text, tuple(bound[name] for name, _ in made.binds) if made.by_place else bound
        )
        row = found.fetchone() if made.converts else None
        if row is None:
            return None
        return tuple(
            value if convert is None else convert(value)
            for value, convert in zip(row, made.converts, strict=True)
        )

    def _make(self, dialect: Dialect) -> _Made:
        compiled: Any = self.statement.compile(dialect=dialect)
        types = {name: bind.type for bind, name in compiled.bind_names.items()}
        names = list(compiled.positiontup) if compiled.positional else list(types)
        made = self._made[dialect.name] = _Made(
            text=str(compiled),
            constants={name: value for name, value in compiled.params.items() if value is not None},
            binds=[(name, types[name].dialect_impl(dialect).bind_processor(dialect)) for name in names],
            converts=[one.dialect_impl(dialect).result_processor(dialect, None) for one in self.results],
            by_place=bool(compiled.positional),
        )
        return made
