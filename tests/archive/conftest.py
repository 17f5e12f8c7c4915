"""An installation worth archiving, and empty ones to bring it into."""

import io
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from app.archive.queries import write_archive
from app.db import Database, Db, transaction
from app.history.commands import record
from app.imports.commands import import_ratings
from app.migrate import upgrade
from app.tables import read_table
from tests import make
from tests.access.rows import fill_every_table
from tests.imports.tables import WINE, wine_choices

NASTY = (
    "",
    " ",
    "\\N",
    "\\",
    "\\\\N",
    "=1+1",
    "+1",
    "-1",
    "@x",
    "'",
    "'=1",
    "\t=1",
    "a,b",
    'a"b',
    "a\r\nb",
    "a\nb",
    "a\rb",
    "NULL",
    "true",
    "né 🏎️ ",
    "\u202e",
)


@pytest.fixture
def full(database: Database) -> make.Team:
    """A row in every table, an imported panel, and texts that a careless format would spoil."""
    with database.session() as db:
        team = make.programme(db)
        with transaction(db):
            import_ratings(db, read_table(WINE), wine_choices(), by=team.OW)
        with transaction(db):
            for text in NASTY:
                record(db, "noted", "note", 1, text, by_id=None, programme_id=team.id, why=text, words=text, figure=0.1)
        with transaction(db):
            fill_every_table(db.connection(), account_id=team.OW.account_id, programme_id=team.id)
    return team


@pytest.fixture
def empty(tmp_path: Path, template_file, postgres) -> Iterator[Callable[..., Database]]:
    """Makes further empty installations; `empty(sqlite=True)` always on SQLite."""
    with ExitStack() as stack:
        count = iter(range(100))

        def make_one(*, sqlite: bool = False) -> Database:
            if postgres is not None and not sqlite:
                url = stack.enter_context(postgres.fresh_database())
            else:
                url = f"sqlite:///{tmp_path / f'empty{next(count)}.sqlite3'}"
                upgrade(url)
            database = Database(url)
            stack.callback(database.dispose)
            return database

        yield make_one


def export(database: Database) -> bytes:
    """The archive of an installation."""
    target = io.BytesIO()
    with database.session() as db:
        write_archive(db, target)
    return target.getvalue()


@pytest.fixture
def archive(full: make.Team, database: Database, db: Db) -> bytes:
    return export(database)
