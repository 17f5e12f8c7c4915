"""What was filed about measurements is never changed, whoever asks, and an archive carries it to the letter."""

import importlib
import io
from typing import Any

import pytest
from sqlalchemy import delete, select, text, update
from sqlalchemy.exc import DBAPIError

from app.archive.commands import import_archive
from app.archive.queries import write_archive
from app.db import Database, transaction
from app.migrate import downgrade, upgrade
from app.schema import metadata
from tests import fixture
from tests.access.rows import MOMENT, fill_every_table, stored
from tests.archive.conftest import empty  # noqa: F401 - a fixture
from tests.measurements.steps import add_all, look

SECOND = importlib.import_module("migrations.versions.0002_laps_and_other_tables")
TABLES = metadata.tables
FILED = "what was filed is never changed"


@pytest.fixture
def keys(database) -> dict[str, Any]:
    with database.engine.begin() as connection:
        return fill_every_table(connection)


def refused(database: Database, statement: Any) -> str:
    with database.engine.connect() as connection:
        before = stored(connection)
    with pytest.raises(DBAPIError) as said, database.sessions() as db, transaction(db):
        db.execute(statement)
    with database.engine.connect() as connection:
        assert stored(connection) == before
    return str(said.value.orig)


def changed(table: str, column: str) -> Any:
    of = TABLES[table].columns[column]
    if of.foreign_keys:
        return 999_999
    return MOMENT.replace(year=2031) if column.endswith("_at") else {int: 7, float: 7.5, str: "changed"}[of.type.python_type]


def test_the_guarded_tables_are_these():
    """Written by hand: a table that loses its guard is a decision."""
    assert set(SECOND.ADDED_ONLY) == {"laps", "preferences", "exposures", "readings"}
    assert set(SECOND.AS_FILED) == {"programme_id", "kind", "file_name", "digest", "rows", "added_by_id", "added_at"}


def test_rows_are_neither_changed_nor_deleted(database, keys):
    for table in SECOND.ADDED_ONLY:
        for column in TABLES[table].columns:
            if not column.primary_key:
                assert FILED in refused(database, update(TABLES[table]).values({column.name: changed(table, column.name)})), column
        assert FILED in refused(database, delete(TABLES[table]))
        assert FILED in refused(database, text(f"DELETE FROM {table}"))


def test_a_batch_keeps_what_was_filed_and_its_withdrawal(database, keys):
    batches = TABLES[SECOND.BATCHES]
    for column in SECOND.AS_FILED:
        assert FILED in refused(database, update(batches).values({column: changed(SECOND.BATCHES, column)})), column
    assert FILED in refused(database, delete(batches))
    with database.engine.begin() as connection:
        connection.execute(update(batches).values(withdrawn_at=MOMENT, withdrawn_why="wrong day", withdrawn_by_id=keys["accounts"]))
    for column, value in (("withdrawn_at", None), ("withdrawn_why", "other words"), ("withdrawn_by_id", None)):
        assert FILED in refused(database, update(batches).values({column: value})), column


@pytest.mark.only("postgresql")
def test_postgresql_keeps_the_guards_up_for_everybody(database):
    with database.engine.connect() as connection:
        lax = connection.execute(text("SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'A'")).scalars().all()
    assert lax == []


def test_a_database_of_the_first_step_is_brought_up_with_its_rows_and_takes_measurements(database):
    with database.session() as db:
        w = fixture.s03(db)
    downgrade(database.url, "0001")
    database.dispose()
    with database.engine.connect() as connection:
        runs = connection.execute(text("SELECT count(*) FROM runs")).scalar_one()
    upgrade(database.url)
    database.dispose()
    with database.session() as db:
        add_all(db, w)
        assert len(look(db, w).laps) == 5
        assert len(look(db, w).marks) == runs == 15


def test_an_archive_carries_it_to_the_letter(database, empty):  # noqa: F811 - the fixture
    with database.session() as db:
        w = fixture.s03(db)
        add_all(db, w)
        before = look(db, w)
    target = io.BytesIO()
    with database.session() as db:
        write_archive(db, target)
    other = empty()
    with other.session() as db, transaction(db):
        import_archive(db, io.BytesIO(target.getvalue()))
    names = [*SECOND.ADDED_ONLY, SECOND.BATCHES]
    with database.engine.connect() as here, other.engine.connect() as there:
        for name in names:
            rows = here.execute(select(TABLES[name]).order_by(TABLES[name].c.id)).all()
            assert rows
            assert there.execute(select(TABLES[name]).order_by(TABLES[name].c.id)).all() == rows
    with other.session() as db:
        assert look(db, w).fingerprint() == before.fingerprint()
