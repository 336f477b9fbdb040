"""The request of a check as JSON and back, so that a kept check can be run again exactly as asked.

Works on the request's own type hints (nested frozen dataclasses, mappings, tuples, literals,
optional values), so a field added to the request is kept without a change here. Reading is strict
about types and lenient about history: a field that an older record lacks takes its default, one
that this program no longer has is named in the answer of unknown_fields, never silently used.
Numbers go through JSON as Python writes them, shortest text that reads back as the same float, so
nothing is lost.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping
from typing import Any, TypeVar

T = TypeVar("T")


def to_json(value: Any) -> Any:
    """A value of dataclasses, mappings, sequences and scalars as what json.dumps takes."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_json(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(k): to_json(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [to_json(v) for v in (sorted(value) if isinstance(value, (set, frozenset)) else value)]
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    raise TypeError(f"{type(value).__name__} cannot be kept as JSON")


def from_json(kind: type[T], data: Any) -> T:
    """A `kind` from what to_json made of one. Raises ValueError where the data do not fit it."""
    return typing.cast(T, _read(kind, data, kind.__name__))


def unknown_fields(kind: type, data: Mapping[str, Any]) -> list[str]:
    """Entries of `data` that the dataclass `kind` has no field for."""
    return sorted(set(data) - {f.name for f in dataclasses.fields(kind)})


def _read(hint: Any, data: Any, where: str) -> Any:
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if hint is Any:
        return data
    if origin in (typing.Union, types.UnionType):
        if data is None and type(None) in inner:
            return None
        problems = []
        for choice in (c for c in inner if c is not type(None)):
            try:
                return _read(choice, data, where)
            except ValueError as error:
                problems.append(str(error))
        raise ValueError("; ".join(problems))
    if origin is typing.Literal:
        if data in inner:
            return data
    elif dataclasses.is_dataclass(hint):
        return _read_dataclass(hint, data, where)
    elif origin in (tuple, frozenset, list) and isinstance(data, list):
        return _read_sequence(origin, inner, data, where)
    elif origin is not None and isinstance(origin, type) and issubclass(origin, Mapping) and isinstance(data, Mapping):
        return {_read(inner[0], k, where): _read(inner[1], v, f"{where}.{k}") for k, v in data.items()}
    elif hint is float and isinstance(data, (int, float)) and not isinstance(data, bool):
        return float(data)
    elif hint in (int, str, bool) and type(data) is hint:
        return data
    elif hint is type(None) and data is None:
        return None
    raise ValueError(f"{where} is not what it should be: {data!r}")


def _read_sequence(origin: Any, inner: tuple[Any, ...], data: list[Any], where: str) -> Any:
    if origin is tuple and len(inner) == 2 and inner[1] is Ellipsis:
        return tuple(_read(inner[0], v, where) for v in data)
    if origin is tuple:
        if len(data) != len(inner):
            raise ValueError(f"{where} has {len(data)} entries, not {len(inner)}")
        return tuple(_read(h, v, where) for h, v in zip(inner, data, strict=True))
    return origin(_read(inner[0], v, where) for v in data)


def _read_dataclass(kind: Any, data: Any, where: str) -> Any:
    if not isinstance(data, Mapping):
        raise ValueError(f"{where} is not an object")
    hints = typing.get_type_hints(kind)
    given = {}
    for field in dataclasses.fields(kind):
        if field.name in data and field.init:
            given[field.name] = _read(hints[field.name], data[field.name], f"{where}.{field.name}")
        elif field.init and field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING:
            raise ValueError(f"{where} lacks {field.name}")
    return kind(**given)
