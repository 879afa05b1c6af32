"""The core's records as JSON-ready values and back, so that an analysis can be kept and read again."""

from __future__ import annotations

import types
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

from app.training.records import Bools, Floats, Ints

Record = TypeVar("Record")

_ARRAYS: dict[Any, Any] = {Floats: np.float64, Ints: np.int64, Bools: np.bool_}
_DECIMALS = 4  # A tenth of a gram in a level in kilograms; half the bytes of a full double.


def plain(value: Any) -> Any:
    """A record of the core with everything in it as dicts, lists and numbers; NaN becomes None."""
    if is_dataclass(value) and not isinstance(value, type):
        return {one.name: plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, (tuple, list, frozenset)):
        return [plain(one) for one in value]
    if isinstance(value, np.ndarray):
        if value.dtype.kind != "f":
            return value.tolist()
        # One pass for whole series: most have no gap.
        listed = np.round(value, _DECIMALS).tolist()
        return listed if np.isfinite(value).all() else [plain(one) for one in listed]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return round(value, 6) if np.isfinite(value) else None
    return value


def record(kind: type[Record], body: Any) -> Record:
    """The record that `plain` made this of.

    Raises
    ------
    KeyError, TypeError, ValueError
        If the value is not one of this kind; a snapshot of another version is then made anew.
    """
    found: Record = _read(kind, body)
    return found


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _read(kind: Any, body: Any) -> Any:
    if kind in _ARRAYS:
        return np.array([np.nan if one is None else one for one in body], dtype=_ARRAYS[kind])
    if kind is float:
        return float("nan") if body is None else float(body)
    if isinstance(kind, type) and is_dataclass(kind):
        hints = _hints(kind)
        return kind(**{name: _read(hint, body[name]) for name, hint in hints.items() if name in body})
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        wanted = [one for one in inner if one is not type(None)]
        if body is None and len(wanted) < len(inner):
            return None
        if len(wanted) == 1:
            return _read(wanted[0], body)
        return _read(float, None) if body is None and float in wanted else body
    if origin is tuple:
        if inner[-1] is Ellipsis:
            return tuple(_read(inner[0], one) for one in body)
        return tuple(_read(hint, one) for hint, one in zip(inner, body, strict=True))
    if origin is not None and origin is not Literal and issubclass(origin, Mapping):
        # Keys of JSON objects are strings; the core's own mappings of this kind are keyed by words.
        return {key: _read(inner[1], one) for key, one in body.items()}
    return body
