"""A sheet's JSON form and back. Imports neither numpy nor scipy.

`to_json` and `sheet_from_json` are inverse to each other: a stored sheet reads back equal.
"""

import math
import types
from collections.abc import Mapping
from dataclasses import MISSING, Field, fields, is_dataclass
from typing import Any, Union, get_args, get_origin, get_type_hints

from app.evidence.results import Sheet


def to_json(value: Any) -> Any:
    """A result as plain dicts, lists, numbers and strings, ready for `json.dumps`. Refuses NaN and infinity."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_json(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): to_json(item) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [to_json(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("A result must be finite to be stored.")
    return value


def sheet_from_json(stored: Mapping[str, Any]) -> Sheet:
    """The inverse of `to_json` for a whole sheet. Raises KeyError where a stored sheet lacks a field."""
    return _read(Sheet, stored)


def _has_default(field: Field) -> bool:
    """A field that came later than a stored sheet reads as its default."""
    return field.default is not MISSING


def _read(kind: Any, value: Any) -> Any:
    """`value` as read from JSON, turned into the annotated `kind`."""
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        present = [option for option in get_args(kind) if option is not type(None)]
        return None if value is None else _read(present[0], value)
    if origin is tuple:
        inner = get_args(kind)
        if len(inner) == 2 and inner[1] is Ellipsis:
            return tuple(_read(inner[0], item) for item in value)
        return tuple(_read(part, item) for part, item in zip(inner, value, strict=True))
    if origin is dict:
        return {key: _read(get_args(kind)[1], item) for key, item in value.items()}
    if is_dataclass(kind):
        hints = get_type_hints(kind)
        known = {f.name: _read(hints[f.name], value[f.name]) for f in fields(kind) if f.name in value or not _has_default(f)}
        return kind(**known)  # type: ignore[operator]
    return float(value) if kind is float else value
