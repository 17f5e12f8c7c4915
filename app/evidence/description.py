"""A model description and a table of text, turned into the arrays `ordinal.fit_ordinal` takes.

Categorical columns are treatment coded against their first level in natural order ("2" before "10"), named column +
level. A colon joins columns: into one grouping factor ("driver:session"), or into an interaction of fixed columns.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from app.evidence.links import Array, IntArray
from app.evidence.refusals import EvidenceError


@dataclass(frozen=True, slots=True)
class ModelDescription:
    """What to fit. `numeric` names the fixed columns used as numbers; all others are categorical."""

    response: str
    fixed: tuple[str, ...] = ()
    groups: tuple[str, ...] = ()
    link: str = "logit"
    nodes: int = 1
    numeric: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Coded:
    """Arrays and the names that go with them. Thresholds are named 'lower|upper' between observed categories."""

    y: IntArray
    x: Array
    groups: tuple[IntArray, ...]
    categories: tuple[str, ...]
    columns: tuple[str, ...]
    levels: tuple[tuple[str, ...], ...]

    @property
    def thresholds(self) -> tuple[str, ...]:
        return tuple(f"{a}|{b}" for a, b in zip(self.categories, self.categories[1:], strict=False))


def natural_order(values: Sequence[str]) -> tuple[str, ...]:
    """The distinct values, numbers inside them compared as numbers: S2 before S10."""

    def key(text: str) -> list[tuple[int, float, str]]:
        pieces = re.findall(r"-?\d+(?:\.\d+)?|\D+", text) if _is_number(text) else re.findall(r"\d+|\D+", text)
        return [(0, float(p), "") if _is_number(p) else (1, 0.0, p) for p in pieces]

    return tuple(sorted(set(values), key=lambda text: (key(text), text)))


def code(table: Mapping[str, Sequence[str]], model: ModelDescription) -> Coded:
    """Arrays for one model. Raises EvidenceError when a column is missing or a numeric one holds text."""
    for name in (model.response, *(part for term in (*model.fixed, *model.groups) for part in term.split(":"))):
        if name not in table:
            raise EvidenceError("model", name, "The table has no such column.")
    categories = natural_order(table[model.response])
    y = np.array([categories.index(value) for value in table[model.response]], dtype=np.int64)
    columns: list[str] = []
    x: list[Array] = []
    for name in model.fixed:
        for column, values in _fixed_columns(table, name.split(":"), model.numeric):
            columns.append(column)
            x.append(values)
    groups, levels = [], []
    for name in model.groups:
        joined = [":".join(parts) for parts in zip(*(table[p] for p in name.split(":")), strict=True)]
        levels.append(natural_order(joined))
        groups.append(np.array([levels[-1].index(value) for value in joined], dtype=np.int64))
    matrix = np.column_stack(x) if x else np.zeros((len(y), 0))
    return Coded(y, matrix, tuple(groups), categories, tuple(columns), tuple(levels))


def _fixed_columns(
    table: Mapping[str, Sequence[str]], parts: Sequence[str], numeric: Sequence[str]
) -> list[tuple[str, Array]]:
    """Named columns of one term; an interaction multiplies those of its parts, the first part varying fastest."""
    found: list[tuple[str, Array]] = [("", np.ones(len(next(iter(table.values())))))]
    for name in parts:
        if name in numeric:
            own = [(name, _numbers(name, table[name]))]
        else:
            levels = natural_order(table[name])[1:]
            own = [(name + level, np.array([v == level for v in table[name]], dtype=float)) for level in levels]
        found = [(f"{a}:{b}" if a else b, left * right) for b, right in own for a, left in found]
    return found


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))  # a session may be called "nan"
    except ValueError:
        return False


def _numbers(name: str, values: Sequence[str]) -> Array:
    for value in values:
        if not _is_number(value) or not np.isfinite(float(value)):
            raise EvidenceError(name, value, "A numeric column holds only finite numbers.")
    return np.array([float(value) for value in values])
