"""A whole installation as one file: copied while people work, checked before it gets its name, and brought back.

SQLite: the engine's own online copy, in one step, so it is the state of one moment and holds nobody up; a plain copy of the file
would miss what stands in the write-ahead log. PostgreSQL: `pg_dump` and `pg_restore` in their custom format, one snapshot.
Source: sqlite.org/backup.html; postgresql.org/docs, pg_dump.
"""

import hashlib
import os
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import inspect, text
from sqlalchemy.engine import URL, make_url

from app.db import Database
from app.errors import Refused
from app.migrate import known_schemas, upgrade

SQLITE_HEAD, POSTGRESQL_HEAD = b"SQLite format 3\x00", b"PGDMP"
COUNTED = ("programmes", "runs", "slips", "concerns", "photos", "rulings")


class Held(NamedTuple):
    """What a backup or a restored installation holds. counts : table -> rows, of the tables that people ask for."""

    schema: str
    counts: Mapping[str, int]


class Made(NamedTuple):
    held: Held
    sha256: str
    size: int  # bytes


def make_backup(database_url: str, file: Path) -> Made:
    """Write `file`, which must not be there yet; it appears whole or not at all."""
    if file.exists():
        raise Refused(f"{file} is there already", "", "Name another file, or move it away.")
    url = make_url(database_url)
    unfinished = file.with_name(file.name + ".part")
    try:
        held = _copy_sqlite(url, unfinished) if _is_sqlite(url) else _dump(url, unfinished)
        made = Made(held, _sha256(unfinished), unfinished.stat().st_size)
        with unfinished.open("rb") as written:
            os.fsync(written.fileno())
        os.replace(unfinished, file)
        _sync_folder(file.parent)
        return made
    finally:
        unfinished.unlink(missing_ok=True)


def restore_backup(file: Path, database_url: str) -> Held:
    """Bring `file` into an installation that is empty, then to the newest schema. Nothing that is there is overwritten."""
    url = make_url(database_url)
    with file.open("rb") as opened:
        head = opened.read(len(SQLITE_HEAD))
    kind = "SQLite" if head == SQLITE_HEAD else "PostgreSQL" if head.startswith(POSTGRESQL_HEAD) else ""
    if not kind:
        raise Refused(f"{file} is no backup", "It begins like neither a copy of SQLite nor a dump of PostgreSQL",
                      "An archive (.zip) comes in with import-archive.")  # fmt: skip
    if (kind == "SQLite") != _is_sqlite(url):
        here = "SQLite" if _is_sqlite(url) else "PostgreSQL"
        raise Refused(f"{file} is a backup of {kind}, and this installation keeps {here}", "",
                      "To change the database, export from the old installation and import-archive into the new one.")  # fmt: skip
    if kind == "SQLite":
        _bring_back_sqlite(file, url)
    else:
        _bring_back_dump(file, url)
    upgrade(database_url)
    with _connected(url) as database:
        return _held(database)


def _is_sqlite(url: URL) -> bool:
    return url.get_backend_name() == "sqlite"


def _held(database: Database) -> Held:
    with database.session() as db:
        return _counted(set(inspect(db.connection()).get_table_names()), lambda sql: db.scalar(text(sql)))


def _counted(there: Collection[str], ask: Callable[[str], Any]) -> Held:
    schema = ask("SELECT version_num FROM alembic_version") if "alembic_version" in there else None
    if schema is None:
        raise Refused("That is no installation's database", "It has no schema of this program")
    return Held(schema, {name: int(ask(f"SELECT count(*) FROM {name}")) for name in COUNTED if name in there})


def _refuse_newer(schema: str, database_url: str) -> None:
    if schema not in known_schemas(database_url):
        raise Refused(f"The backup has schema {schema}, which this program does not know", "It was made by a newer one",
                      "Bring this program up to date, then restore.")  # fmt: skip


# --- SQLite
def _copy_sqlite(url: URL, target: Path) -> Held:
    assert url.database is not None
    if not Path(url.database).exists():
        raise Refused(f"There is no installation at {url.database}", "", "Give its data folder with --data.")
    target.unlink(missing_ok=True)
    with closing(sqlite3.connect(url.database)) as source, closing(sqlite3.connect(target)) as copy:
        source.execute("PRAGMA busy_timeout = 10000")
        source.backup(copy)  # all pages in one step
        copy.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
    return _check_sqlite(target)


def _check_sqlite(file: Path) -> Held:
    """Refuses a damaged file, and one that is no installation's."""
    try:
        with closing(sqlite3.connect(file)) as copy:
            said = copy.execute("PRAGMA integrity_check(5)").fetchall()
            loose = copy.execute("PRAGMA foreign_key_check").fetchall()
            there = {name for (name,) in copy.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            held = _counted(there, lambda sql: (copy.execute(sql).fetchone() or [None])[0])  # opened as the app does it, it got a log
    except sqlite3.DatabaseError as damaged:
        raise Refused(f"{file} is damaged", f"SQLite says “{damaged}”", "Take an older backup.") from damaged
    if said != [("ok",)] or loose:
        found = said[0][0] if said != [("ok",)] else f"{len(loose)} rows point at rows that are not there"
        raise Refused(f"{file} is damaged", f"Its check says “{found}”", "Take an older backup.")
    return held


def _bring_back_sqlite(file: Path, url: URL) -> None:
    assert url.database is not None
    target = Path(url.database)
    if target.exists():
        raise Refused(f"{target} is there already", "A backup is brought back beside what is there, never over it",
                      "Name a data folder that is not there yet, or stop the server and move the old one away.")  # fmt: skip
    target.parent.mkdir(parents=True, exist_ok=True)
    unfinished = target.with_name(target.name + ".part")
    try:
        shutil.copyfile(file, unfinished)
        _refuse_newer(_check_sqlite(unfinished).schema, str(url))
        for leftover in ("-wal", "-shm"):
            target.with_name(target.name + leftover).unlink(missing_ok=True)  # of a database that was moved away
        os.replace(unfinished, target)
    finally:
        for leftover in ("", "-wal", "-shm"):
            unfinished.with_name(unfinished.name + leftover).unlink(missing_ok=True)


# --- PostgreSQL
def _dump(url: URL, target: Path) -> Held:
    _run(url, ["pg_dump", "--format=custom", "--no-owner", "--no-privileges", f"--file={target}"])
    _run(url, ["pg_restore", "--list", str(target)])
    with _connected(url) as database:
        return _held(database)


def _bring_back_dump(file: Path, url: URL) -> None:
    with _connected(url) as database, database.session() as db:
        there = inspect(db.connection()).get_table_names()
    if there:
        raise Refused("The database is not empty", f"It has {len(there)} tables, and a backup is never brought back over what is there",
                      "Make an empty database and name it in DATABASE_URL.")  # fmt: skip
    _run(url, ["pg_restore", "--no-owner", "--no-privileges", "--exit-on-error", "--single-transaction", f"--dbname={url.database}",
               str(file)])  # fmt: skip
    with _connected(url) as database:
        _refuse_newer(_held(database).schema, url.render_as_string(hide_password=False))


@contextmanager
def _connected(url: URL) -> Iterator[Database]:
    database = Database(url.render_as_string(hide_password=False))
    try:
        yield database
    finally:
        database.dispose()


def _run(url: URL, words: list[str]) -> None:
    """One of PostgreSQL's own tools; the address and the password travel in the environment, where no list of processes shows them."""
    host = url.host or str(url.query.get("host", ""))
    said = {"PGHOST": host, "PGPORT": str(url.port or ""), "PGUSER": url.username or "", "PGPASSWORD": str(url.password or ""),
            "PGDATABASE": url.database or "", "PGSSLMODE": str(url.query.get("sslmode", ""))}  # fmt: skip
    try:
        done = subprocess.run(words, env={**os.environ, **{name: value for name, value in said.items() if value}},
                              capture_output=True, text=True)  # fmt: skip
    except FileNotFoundError:
        raise Refused(f"{words[0]} is not on this machine", "A backup of PostgreSQL is made by PostgreSQL's own tools",
                      "Install its client of the server's version or newer.") from None  # fmt: skip
    if done.returncode:
        raise Refused(f"{words[0]} did not finish", done.stderr.strip().splitlines()[-1] if done.stderr.strip() else "It said nothing")


# --- the file
def _sha256(file: Path) -> str:
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()


def _sync_folder(folder: Path) -> None:
    """So that the name survives a power cut too."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
