"""One plausible row in every table, made from the schema itself, and a fingerprint of everything stored.

For tests that go through all routes or all tables: a new table is covered the day it is made. What a row means
is tested elsewhere, with things made through commands.
"""

import hashlib
import re
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    CheckConstraint,
    Column,
    Connection,
    Date,
    Float,
    Integer,
    LargeBinary,
    Numeric,
    Table,
    insert,
    select,
)

from app.db import UtcDateTime
from app.people.models import Hat, HatSet
from app.questions.rules import DeclaredRule, GoalRule
from app.schema import metadata

MOMENT = datetime(2026, 2, 3, 9, 0, tzinfo=UTC)
# What the schema alone can't say: a word that only the code knows.
KNOWN: dict[tuple[str, str], Any] = {
    ("questions", "asked_ground"): "handling",
    ("rulings", "verdict"): "retest",
    ("session_people", "duty"): "driver",
    ("sessions", "time_zone"): "UTC",
    ("slip_versions", "confidence"): "sure",
    ("concern_events", "kind"): "remark",
    ("parts", "code"): "FST",
    ("rule_versions", "declared"): lambda keys: DeclaredRule(goals=(GoalRule(keys["attributes"]),)).stored(),
    ("looks", "readings"): [],
    ("incident_pieces", "damage"): "cracked",
    ("blind_blocks", "state"): "opened on plan",
    ("blind_codes", "code"): 417,
    ("grids", "strength"): 2,
    ("grid_rules", "levels"): [1],
    ("trial_builds", "cell"): [1],
    ("grid_settings", "setting"): [1],
    ("grid_settings", "same_as"): [],
}


def fill_every_table(connection: Connection, *, account_id: int = 0, programme_id: int = 0) -> dict[str, Any]:
    """The key of one row of each table, by table name; rows are added where a table has none."""
    keys: dict[str, Any] = {}
    for table in metadata.sorted_tables:
        chosen = {"accounts": account_id, "programmes": programme_id}.get(table.name)
        found = connection.execute(select(*table.primary_key.columns).limit(1)).first()
        if not (chosen or found):
            found = connection.execute(insert(table).values(row_for(table, keys))).inserted_primary_key
        keys[table.name] = chosen or found[0]  # type: ignore[index]
    return keys


def row_for(table: Table, keys: dict[str, Any]) -> dict[str, Any]:
    """Values for every column that needs one; `keys` names the rows that foreign keys point to."""
    values = {}
    for column in table.columns:
        if column.foreign_keys:
            target = next(iter(column.foreign_keys)).column.table.name
            if column.nullable and target not in keys:
                continue
            values[column.name] = keys[target]
        elif column is not table.autoincrement_column and not column.nullable:
            value = _value(table, column)
            values[column.name] = value(keys) if callable(value) else value
    return values


def _value(table: Table, column: Column[Any]) -> Any:
    if (table.name, column.name) in KNOWN:
        return KNOWN[table.name, column.name]
    if column.default is not None and column.default.is_scalar:
        return column.default.arg  # type: ignore[attr-defined]
    for check in table.constraints:
        if isinstance(check, CheckConstraint):
            word = re.match(rf"{column.name} IN \('([^']*)'", str(check.sqltext))
            if word:
                return word.group(1)
    return _value_of_kind(column)


def _value_of_kind(column: Column[Any]) -> Any:
    kind = column.type
    if isinstance(kind, HatSet):
        return frozenset({Hat.DRIVER})
    if isinstance(kind, UtcDateTime):
        return MOMENT
    if isinstance(kind, Date):
        return date(2026, 2, 3)
    if isinstance(kind, Boolean):
        return False
    if isinstance(kind, Integer | Float | Numeric):
        return 1
    if isinstance(kind, JSON):
        return {}
    if isinstance(kind, LargeBinary):
        return b"\xff\xd8\x00\x80"
    return f"{column.name}"[: getattr(kind, "length", None) or 20]


def stored(connection: Connection) -> dict[str, str]:
    """A digest of every table's content, by table name."""
    digests = {}
    for table in metadata.sorted_tables:
        rows = sorted(repr(tuple(row)) for row in connection.execute(select(table)))
        digests[table.name] = hashlib.sha256("\n".join(rows).encode()).hexdigest()
    return digests
