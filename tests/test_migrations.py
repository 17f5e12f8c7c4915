"""Migrations on both databases: up and down with data, the same schema as the models, and guards that hold."""

import importlib
import itertools
import re
import sqlite3
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from alembic.script import ScriptDirectory
from sqlalchemy import JSON, CheckConstraint, Connection, Engine, Table, delete, insert, inspect, select, text, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from app.db import Base, Database, UtcDateTime, transaction
from app.migrate import alembic_config, downgrade, upgrade
from app.schema import metadata
from app.sessions.models import RunState
from app.settings import ROOT
from tests.access.rows import MOMENT, fill_every_table, row_for, stored

FIRST = importlib.import_module("migrations.versions.0001_the_whole_programme")
TABLES = metadata.tables
NOT_OURS = ("alembic_version",)


@pytest.fixture
def keys(database) -> dict[str, Any]:
    with database.engine.begin() as connection:
        return fill_every_table(connection)


@pytest.fixture
def empty_url(tmp_path, postgres) -> Any:
    """A database with nothing in it at all, not even a schema."""
    if postgres is None:
        yield f"sqlite:///{tmp_path / 'nothing.sqlite3'}"
        return
    with postgres.admin() as admin:
        admin.execute("CREATE DATABASE nothing")
    yield postgres.url("nothing")
    with postgres.admin() as admin:
        admin.execute("DROP DATABASE nothing WITH (FORCE)")


def inventory(engine: Engine) -> dict[str, Any]:
    """Everything that a database holds besides rows: columns, keys, checks, indexes and triggers with their text."""
    look = inspect(engine)
    found: dict[str, Any] = {}
    for name in sorted(set(look.get_table_names()) - set(NOT_OURS)):
        found[name] = {
            "columns": sorted((c["name"], str(c["type"]), c["nullable"]) for c in look.get_columns(name)),
            "primary key": look.get_pk_constraint(name)["constrained_columns"],
            "foreign keys": sorted(
                (k["name"] or "", tuple(k["constrained_columns"]), k["referred_table"])
                for k in look.get_foreign_keys(name)
            ),
            "unique": sorted((u["name"] or "", tuple(u["column_names"])) for u in look.get_unique_constraints(name)),
            "checks": sorted((c["name"] or "", c["sqltext"]) for c in look.get_check_constraints(name)),
            "indexes": sorted(
                (i["name"] or "", tuple(i["column_names"]), bool(i["unique"])) for i in look.get_indexes(name)
            ),
        }
    with engine.connect() as connection:
        found["triggers"] = triggers(connection)
    return found


def triggers(connection: Connection) -> list[tuple[str, ...]]:
    asked = "SELECT name, tbl_name, sql FROM sqlite_master WHERE type='trigger'"
    if connection.dialect.name == "postgresql":
        asked = (
            "SELECT tgname, tgrelid::regclass::text, pg_get_triggerdef(oid) || tgenabled::text "
            "FROM pg_trigger WHERE NOT tgisinternal"
        )
    return sorted(tuple(row) for row in connection.execute(text(asked)))


# --- up and down
def test_there_is_one_head_and_each_step_says_what_becomes_of_the_rows(database):
    script = ScriptDirectory.from_config(alembic_config(database.url))
    assert len(script.get_heads()) == 1
    for step in script.walk_revisions():
        assert "xisting rows" in (step.doc + (step.module.__doc__ or "")), step.revision
        source = Path(step.path).read_text()
        assert not re.search(r"^\s*(from|import) app\b", source, re.M), f"{step.path} imports the app"


def test_the_models_and_the_migrations_say_the_same(database):
    command.check(alembic_config(database.url))


def test_the_checks_of_the_models_are_the_checks_of_the_database(database):
    """Which autogenerate does not compare: their names, and the words that they allow."""
    look, wrong = inspect(database.engine), []
    for table in TABLES.values():
        there = {
            c["name"]: sorted(re.findall(r"'([^']*)'|(\d+)", c["sqltext"]))
            for c in look.get_check_constraints(table.name)
        }
        meant = {str(c.name): sorted(re.findall(r"'([^']*)'|(\d+)", str(c.sqltext))) for c in table.constraints
                 if isinstance(c, CheckConstraint)}  # fmt: skip
        if there != meant:
            wrong.append(f"{table.name}: {there} in the database, {meant} in the model")
    assert not wrong, "\n".join(wrong)


def test_up_down_and_up_again_leaves_the_same_schema(database, keys):
    before = inventory(database.engine)
    assert len(before["triggers"]) >= 20
    with database.engine.connect() as connection:
        assert all(connection.execute(select(table).limit(1)).first() for table in TABLES.values())
    downgrade(database.url, "base")
    database.dispose()
    assert inventory(database.engine) == {"triggers": []}
    upgrade(database.url)
    database.dispose()
    assert inventory(database.engine) == before
    with database.engine.begin() as connection:
        fill_every_table(connection)


def every_row(connection: Connection) -> dict[str, list[dict[str, str]]]:
    return {t.name: [{c: repr(v) for c, v in row._mapping.items()} for row in connection.execute(select(t).order_by(*t.primary_key))]
            for t in metadata.sorted_tables}  # fmt: skip


def test_each_step_down_and_up_keeps_every_row_of_the_steps_before(database, keys):
    """From the second migration on: what an older release filed must survive the walk, in every column that it knew."""
    script = ScriptDirectory.from_config(alembic_config(database.url))
    steps = [step.revision for step in script.walk_revisions()][::-1]
    for older, newer in itertools.pairwise(steps):
        upgrade(database.url)
        with database.engine.connect() as connection:
            before = every_row(connection)
        downgrade(database.url, older)
        database.dispose()
        look = inspect(database.engine)
        known = {name: [c["name"] for c in look.get_columns(name)] for name in set(look.get_table_names()) & set(before)}
        upgrade(database.url)
        database.dispose()
        with database.engine.connect() as connection:
            after = every_row(connection)
        assert len(known) > 30
        for name, columns in known.items():
            then, now = ([{c: row[c] for c in columns} for row in rows[name]] for rows in (before, after))
            assert now == then, f"{name}: {newer} -> {older} -> {newer}"


def test_a_question_that_was_looked_at_before_keeps_the_default_noise(database, keys):
    with database.engine.begin() as connection:
        question = connection.execute(select(TABLES["looks"].c.question_id)).scalar_one()
    downgrade(database.url, "0002")
    database.dispose()
    upgrade(database.url)
    database.dispose()
    asked = TABLES["questions"]
    with database.engine.connect() as connection:
        found = dict(connection.execute(select(asked.c.id, asked.c.panel_noise)).all())
    assert found[question] == {}


def test_what_the_panel_had_taught_is_fixed_once(database, keys):
    asked = TABLES["questions"]
    with database.engine.begin() as connection:
        question = connection.execute(select(asked.c.id).limit(1)).scalar_one()
        connection.execute(update(asked).where(asked.c.id == question).values(panel_noise={"questions": 7}))
    for other in (None, {"questions": 99}):
        with pytest.raises(DBAPIError), database.engine.begin() as connection:
            connection.execute(update(asked).where(asked.c.id == question).values(panel_noise=other))


def test_upgrading_what_is_up_to_date_changes_nothing(database, keys):
    with database.engine.connect() as connection:
        before = stored(connection)
    upgrade(database.url)
    with database.engine.connect() as connection:
        assert stored(connection) == before


def test_every_row_still_points_somewhere_after_the_walk(database, keys):
    if database.engine.dialect.name == "sqlite":
        with database.engine.connect() as connection:
            assert connection.execute(text("PRAGMA foreign_keys")).scalar_one() == 1
            assert connection.execute(text("PRAGMA foreign_key_check")).all() == []
            assert connection.execute(text("PRAGMA integrity_check")).scalar_one() == "ok"


def test_three_processes_that_upgrade_at_once_all_succeed(empty_url):
    code = f"from app.migrate import upgrade; upgrade({empty_url!r})"
    started = [
        subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stderr=subprocess.PIPE, text=True) for _ in range(3)
    ]
    errors = [process.communicate(timeout=120)[1] for process in started]
    assert [process.returncode for process in started] == [0, 0, 0], errors
    database = Database(empty_url)
    assert set(inspect(database.engine).get_table_names()) == {*TABLES, *NOT_OURS}
    database.dispose()


def test_a_migration_that_fails_in_the_middle_leaves_nothing(empty_url, monkeypatch):
    def broken() -> None:
        raise RuntimeError("planted, when every table was made")

    script = ScriptDirectory.from_config(alembic_config(empty_url))
    monkeypatch.setattr(FIRST, "_guard", broken)
    module = script.get_revision("0001").module
    monkeypatch.setattr(module, "_guard", broken)
    monkeypatch.setattr("alembic.script.base.Script._from_path", _planted(module))
    with pytest.raises(RuntimeError, match="planted"):
        upgrade(empty_url)
    database = Database(empty_url)
    assert set(inspect(database.engine).get_table_names()) <= set(NOT_OURS)
    database.dispose()
    monkeypatch.undo()
    upgrade(empty_url)


def _planted(module: Any) -> Any:
    from alembic.script.base import Script

    original = Script._from_path.__func__  # type: ignore[attr-defined]

    def from_path(cls: Any, scriptdir: Any, path: Any) -> Any:
        script = original(cls, scriptdir, path)
        if script is not None and script.revision == "0001":
            script.module._guard = module._guard
        return script

    return classmethod(from_path)


# --- what was filed is never changed, whoever asks
NO_UPDATE = sorted(FIRST.ADDED_ONLY)
NO_DELETE = sorted({*FIRST.ADDED_ONLY, *FIRST.NEVER_DELETED})


def mapped(name: str) -> type:
    return next(mapper.class_ for mapper in Base.registry.mappers if mapper.local_table.name == name)


def other_value(table: Table, name: str) -> Any:
    column = table.columns[name]
    if column.foreign_keys:
        return 999_999
    if isinstance(column.type, JSON):
        return {"changed": 1}
    if isinstance(column.type, UtcDateTime):
        return MOMENT + timedelta(days=400)
    return {int: 7, float: 7.5, str: "changed", bool: True, date: date(2031, 1, 1)}[column.type.python_type]


def refused(database: Database, act: Any) -> str:
    """What the database says to it; nothing may be changed."""
    with database.engine.connect() as connection:
        before = stored(connection)
    with pytest.raises(DBAPIError) as said:
        in_transaction(database, act)
    with database.engine.connect() as connection:
        assert stored(connection) == before
    return str(said.value.orig)


def in_transaction(database: Database, act: Any) -> None:
    with database.sessions() as db, transaction(db):
        act(db)


def by_orm_update(name: str, column: str) -> Any:
    def act(db: Session) -> None:
        thing = db.scalars(select(mapped(name))).first()
        key = next(attr.key for attr in inspect(mapped(name)).column_attrs if attr.columns[0].name == column)
        setattr(thing, key, other_value(TABLES[name], column))
        db.flush()

    return act


def by_core_update(name: str, column: str) -> Any:
    return lambda db: db.execute(update(TABLES[name]).values({column: other_value(TABLES[name], column)}))


def by_raw_update(name: str, column: str) -> Any:
    def act(db: Session) -> None:
        was = db.execute(text(f"SELECT {column} FROM {name}")).scalar()
        by_core_update(name, column)(db) if was is None else db.execute(text(f"UPDATE {name} SET {column} = NULL"))

    return act


def by_orm_delete(name: str) -> Any:
    def act(db: Session) -> None:
        db.delete(db.scalars(select(mapped(name))).first())
        db.flush()

    return act


def by_core_delete(name: str) -> Any:
    return lambda db: db.execute(delete(TABLES[name]))


def by_raw_delete(name: str) -> Any:
    return lambda db: db.execute(text(f"DELETE FROM {name}"))


FILED = "what was filed is never changed"


def test_the_guarded_tables_are_these():
    """Written by hand: a table that loses its guard is a decision."""
    added_only = {"happenings", "marks", "counting_notes", "concern_events", "build_pieces", "build_variants"}
    kept = {"slips", "slip_versions", "runs", "as_run_builds", "rulings", "concerns", "rule_versions", "accounts"}
    assert set(NO_UPDATE) >= added_only
    assert set(NO_DELETE) >= added_only | kept
    assert set(FIRST.GUARDED) >= {"slips", "slip_versions", "rulings", "rule_versions", "concerns", "as_run_builds"}


GUARDED = [*((name, column.name) for name in NO_UPDATE for column in TABLES[name].columns if not column.primary_key),
           *((name, column) for name in sorted(FIRST.GUARDED) for column in FIRST.GUARDED[name])]  # fmt: skip


@pytest.mark.parametrize("way", [by_orm_update, by_core_update, by_raw_update], ids=["orm", "core", "raw"])
def test_what_was_filed_is_not_changed(database, keys, way):
    """Rows that are only ever added, and the guarded columns of the others: each column by itself."""
    for name, column in GUARDED:
        assert FILED in refused(database, way(name, column)), f"{name}.{column}"


@pytest.mark.parametrize("way", [by_orm_delete, by_core_delete, by_raw_delete], ids=["orm", "core", "raw"])
def test_what_was_filed_is_not_deleted(database, keys, way):
    for name in NO_DELETE:
        assert FILED in refused(database, way(name)), name


def another(database: Database, name: str) -> tuple[dict[str, Any], str]:
    """The row of a table with one value changed, and the name of that column."""
    table = TABLES[name]
    with database.engine.connect() as connection:
        row = dict(connection.execute(select(table)).first()._mapping)  # type: ignore[union-attr]
    names = FIRST.GUARDED.get(name) or [column.name for column in table.columns if not column.primary_key]
    changed = sorted(names, key=lambda column: bool(table.columns[column].foreign_keys))[0]
    return {**row, changed: other_value(table, changed)}, changed


@pytest.mark.only("sqlite")
def test_what_was_filed_is_not_replaced_by_another_row(database, keys):
    """INSERT OR REPLACE deletes in silence, unless recursive triggers are on."""
    for name in NO_DELETE:
        replacing = insert(TABLES[name]).prefix_with("OR REPLACE").values(another(database, name)[0])
        assert FILED in refused(database, lambda db, statement=replacing: db.execute(statement)), name


def test_what_was_filed_is_not_updated_by_an_insert(database, keys):
    """ON CONFLICT DO UPDATE, on both."""
    maker = {"sqlite": sqlite.insert, "postgresql": postgresql.insert}[database.engine.dialect.name]
    for name in sorted({*NO_UPDATE, *FIRST.GUARDED}):
        row, changed = another(database, name)
        key = next(iter(TABLES[name].primary_key.columns)).name
        upsert = (
            maker(TABLES[name]).values(row).on_conflict_do_update(index_elements=[key], set_={changed: row[changed]})
        )
        assert FILED in refused(database, lambda db, statement=upsert: db.execute(statement)), name


def test_a_signature_is_not_taken_back(database, keys):
    with database.engine.begin() as connection:
        connection.execute(
            update(TABLES["rulings"]).values(state="standing", signed_by_id=keys["accounts"], signed_at=MOMENT)
        )
    for column in FIRST.SIGNED:
        assert FILED in refused(database, by_core_update("rulings", column)), column


def test_what_may_change_still_can(database, keys):
    """The guards stop changes of what was filed, and not the life of the thing."""
    with database.engine.begin() as connection:
        connection.execute(update(TABLES["concerns"]).values(state="closed", product_severity=9))
        connection.execute(update(TABLES["rulings"]).values(state="superseded"))
        connection.execute(update(TABLES["accounts"]).values(name="Married Name"))
        connection.execute(update(TABLES["slips"]).values(version=2))
        connection.execute(update(TABLES["runs"]).values(state=list(RunState)[-1]))


@pytest.mark.only("postgresql")
def test_postgresql_keeps_its_guards_up_for_everybody(database, keys):
    """ENABLE ALWAYS: a session that replicates does not walk around them."""
    with database.engine.connect() as connection:
        lax = (
            connection.execute(text("SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'A'"))
            .scalars()
            .all()
        )
        assert lax == []

    def as_a_replica(db: Session) -> None:
        db.execute(text("SET LOCAL session_replication_role = replica"))
        db.execute(text("UPDATE happenings SET why = 'x'"))

    assert FILED in refused(database, as_a_replica)


@pytest.mark.only("sqlite")
def test_sqlite_without_our_settings_shows_why_they_are_needed(tmp_path, database, keys):
    """The negative control: a bare connection replaces a filed row in silence; ours has recursive triggers on."""
    database.dispose()
    with sqlite3.connect(database.url.removeprefix("sqlite:///")) as bare:
        row = bare.execute("SELECT * FROM happenings").fetchone()
        replaced = bare.execute(f"INSERT OR REPLACE INTO happenings VALUES ({', '.join('?' * len(row))})", row)
        assert replaced.rowcount == 1
        bare.rollback()
    with database.engine.connect() as connection:
        assert connection.execute(text("PRAGMA recursive_triggers")).scalar_one() == 1


def test_a_row_can_be_made_in_every_table(database, keys):
    """The maker of rows used here and at every door: a second row of its own is refused or kept, never half made."""
    assert set(keys) == set(TABLES)
    assert all(row_for(table, keys) for table in TABLES.values())
