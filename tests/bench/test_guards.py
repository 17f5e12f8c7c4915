"""What was noted on the bench is never changed or deleted, whoever asks; a withdrawal is never taken back."""

import importlib

import pytest
from sqlalchemy import update

from tests.access.rows import MOMENT, fill_every_table
from tests.test_migrations import FILED, TABLES, by_core_delete, by_core_update, refused

BENCH = importlib.import_module("migrations.versions.0012_the_bench")
FILED_COLUMNS = [
    *((name, column.name) for name in BENCH.ADDED_ONLY for column in TABLES[name].columns if not column.primary_key),
    *((name, column) for name, columns in BENCH.AS_FILED.items() for column in columns.split()),
]


@pytest.fixture
def keys(database):
    with database.engine.begin() as connection:
        return fill_every_table(connection)


def test_no_row_of_the_bench_is_deleted(database, keys):
    assert len(BENCH.TABLES) == 10
    for name in BENCH.TABLES:
        assert FILED in refused(database, by_core_delete(name)), name


def test_no_column_of_what_was_noted_is_changed(database, keys):
    assert len(FILED_COLUMNS) > 80
    for name, column in FILED_COLUMNS:
        assert FILED in refused(database, by_core_update(name, column)), f"{name}.{column}"


@pytest.mark.parametrize("name", ["reading_sets", "gauge_studies", "mating_fits", "chains", "expected_effects"])
def test_a_withdrawal_is_kept(database, keys, name):
    with database.engine.begin() as connection:
        connection.execute(update(TABLES[name]).values(withdrawn_at=MOMENT, withdrawn_why="wrong piece"))
    for values in ({"withdrawn_at": None}, {"withdrawn_why": "another reason"}):
        assert FILED in refused(database, lambda db, values=values: db.execute(update(TABLES[name]).values(values)))


def test_a_gauge_stays_retired(database, keys):
    with database.engine.begin() as connection:
        connection.execute(update(TABLES["gauges"]).values(retired_at=MOMENT, retired_why="dropped"))
    assert FILED in refused(database, lambda db: db.execute(update(TABLES["gauges"]).values(retired_at=None)))
