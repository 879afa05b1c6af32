"""A statement compiled once and handed to the driver, for the few places where that is worth it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Dialect, Executable, exc
from sqlalchemy.sql import ClauseElement
from sqlalchemy.types import TypeEngine

Convert = Callable[[Any], Any] | None


def straight(connection: Connection, statement: str, given: tuple[Any, ...] = ()) -> Any:
    """Run a statement on SQLite's own connection, on the transaction that is open; the driver's cursor.

    Raises
    ------
    sqlalchemy.exc.DBAPIError
        If the database refuses, as the error SQLAlchemy itself would have made of it.
    """
    driver: Any = connection.connection.driver_connection
    try:
        return driver.execute(statement, given)
    except connection.dialect.loaded_dbapi.Error as error:
        base = connection.dialect.loaded_dbapi.Error
        raise exc.DBAPIError.instance(statement, given, error, base, dialect=connection.dialect) from error


@dataclass(frozen=True, slots=True)
class _Made:
    """The statement in one dialect's words."""

    text: str
    constants: dict[str, Any]
    binds: list[tuple[str, Convert]]
    converts: list[Convert]
    by_place: bool  # SQLite's driver takes a tuple, PostgreSQL's a dict


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
        found: Any
        if made.by_place:
            bound = tuple(
                [given[name] if convert is None else convert(given[name]) for name, convert in made.binds]
            )
            found = straight(connection, made.text, bound)
        else:
            named = {
                name: given[name] if convert is None else convert(given[name]) for name, convert in made.binds
            }
            found = connection.exec_driver_sql(made.text, named)
        row = found.fetchone() if made.converts else None
        if row is None:
            return None
        return tuple(
            [
                value if convert is None else convert(value)
                for value, convert in zip(row, made.converts, strict=True)
            ]
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
