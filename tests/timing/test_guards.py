"""What was said of files and laps is never changed, and an archive carries it to the letter."""

import importlib
import io

import pytest
from sqlalchemy import delete, select, text, update

from app.archive.commands import import_archive
from app.archive.queries import write_archive
from app.db import transaction
from app.measurements.queries import list_laps
from app.migrate import downgrade, upgrade
from app.schema import metadata
from tests import fixture
from tests.archive.conftest import empty  # noqa: F401 - a fixture
from tests.measurements.steps import add_all, look
from tests.measurements.test_guards import FILED, changed, keys, refused  # noqa: F401 - a fixture among them
from tests.timing.files import T40
from tests.timing.steps import attach, flag

FIFTH = importlib.import_module("migrations.versions.0005_lap_files_and_flags")
TABLES = metadata.tables


def test_the_guarded_tables_are_these():
    """Written by hand: a table that loses its guard is a decision."""
    assert set(FIFTH.ADDED_ONLY) == {"lap_flags", "lap_layouts", "transponders", "lap_files"}


@pytest.mark.parametrize("table", FIFTH.ADDED_ONLY)
def test_rows_are_neither_changed_nor_deleted(database, keys, table):  # noqa: F811 - the fixture
    for column in TABLES[table].columns:
        if not column.primary_key:
            value = [1] if column.name == "not_matched" else {"a": 1} if column.name == "reading" else changed(table, column.name)
            assert FILED in refused(database, update(TABLES[table]).values({column.name: value})), column
    assert FILED in refused(database, delete(TABLES[table]))
    assert FILED in refused(database, text(f"DELETE FROM {table}"))


def test_laps_that_are_here_keep_their_flag_when_the_tables_are_added_and_taken_away(database):
    with database.session() as db:
        w = fixture.s03(db)
        add_all(db, w)
    for step in (lambda: downgrade(database.url, FIFTH.down_revision), lambda: upgrade(database.url)):
        step()
        database.dispose()
    with database.session() as db:
        assert [lap.flag for lap in list_laps(db, w.runs[0])] == ["", "", "clipped a board"]


def test_an_archive_carries_it_to_the_letter(database, empty):  # noqa: F811 - the fixture
    with database.session() as db:
        w = fixture.s03(db)
        attach(db, w)
        lap = list_laps(db, w.runs[0])[T40.index(25.92)]
        flag(db, w, {lap.id: (0, "incident")})
        before = look(db, w)
    target = io.BytesIO()
    with database.session() as db:
        write_archive(db, target)
    other = empty()
    with other.session() as db, transaction(db):
        import_archive(db, io.BytesIO(target.getvalue()))
    with database.engine.connect() as here, other.engine.connect() as there:
        for name in FIFTH.ADDED_ONLY:
            rows = here.execute(select(TABLES[name]).order_by(TABLES[name].c.id)).all()
            assert rows
            assert there.execute(select(TABLES[name]).order_by(TABLES[name].c.id)).all() == rows
    with other.session() as db:
        assert look(db, w).fingerprint() == before.fingerprint()
