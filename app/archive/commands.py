"""Bring an archive into an empty installation: all of it, in one transaction, or nothing; and new passwords."""

import struct
import zipfile
import zlib
from collections.abc import Sequence
from typing import IO, Any

from sqlalchemy import Table, TypeDecorator, func, insert, select, text, update

from app import clock
from app.access.viewer import Viewer
from app.archive import queries
from app.archive.cells import Column
from app.archive.format import MANIFEST, BadArchive, Manifest, TableFile, cell_words, digest, read_manifest, read_rows
from app.db import DatabaseFault, Db, UtcDateTime
from app.errors import Conflict, NotFound
from app.history.commands import record
from app.people.commands import end_sign_ins
from app.people.models import Account, Invitation
from app.people.passwords import Hasher
from app.people.queries import count_accounts, find_account_by_login
from app.people.rules import check_password

MOST_BYTES = 500_000_000  # unpacked
MOST_MANIFEST_BYTES = 1_000_000
MOST_RATIO = 200  # unpacked to packed, of an entry larger than a megabyte
CHUNK = 1000
BROKEN_ZIP = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    NotImplementedError,
    RuntimeError,
    OSError,
    ValueError,
    OverflowError,
    struct.error,
)

Rows = list[tuple[int, dict[str, Any]]]


def import_archive(db: Db, source: IO[bytes]) -> Manifest:
    """Every table of the archive; call inside a transaction. Refused unless nobody is here yet."""
    if count_accounts(db):
        raise Conflict("This installation has people already", "An archive goes into an empty one only",
                       "Name an empty data folder with --data.")  # fmt: skip
    try:
        archive = zipfile.ZipFile(source)
    except BROKEN_ZIP as broken:
        raise BadArchive("The file is not a zip archive, or it is cut off") from broken
    with archive:
        names = [table.name for table in queries.archived_tables()]
        manifest = read_manifest(_read(archive, MANIFEST, MOST_MANIFEST_BYTES), names)
        _check_entries(archive, manifest)
        here = queries.schema_revision(db)
        if manifest.schema != here:
            raise BadArchive(
                f"The archive is of schema {manifest.schema}, this installation of {here}",
                "An archive is read by the version that wrote it",
                "Import it with that version, then upgrade.",
            )
        _load(db, archive, manifest)
    _check_written(db, manifest)
    _set_sequences(db)
    db.execute(update(Invitation).where(Invitation.used_at.is_(None)).values(withdrawn_at=clock.now()))
    return manifest


def _check_entries(archive: zipfile.ZipFile, manifest: Manifest) -> None:
    """Exactly the files that the manifest names, once each, and not too much in them."""
    entries = archive.infolist()
    wanted = {MANIFEST, *(table.file for table in manifest.tables)}
    names = [entry.filename for entry in entries]
    for name in names:
        if name not in wanted:
            raise BadArchive(f"The archive holds “{name[:80]}”, which is no table of this version")
        if names.count(name) > 1:
            raise BadArchive(f"The archive holds {name} twice")
    for name in sorted(wanted - set(names)):
        raise BadArchive(f"The archive lacks {name}")
    total = sum(entry.file_size for entry in entries)
    if total > MOST_BYTES:
        raise BadArchive(f"The archive unpacks to {total / 1e6:.0f} MB", f"At most {MOST_BYTES / 1e6:.0f} MB are taken")
    for entry in entries:
        if entry.file_size > 1_000_000 and entry.file_size > MOST_RATIO * max(entry.compress_size, 1):
            raise BadArchive(f"{entry.filename} unpacks to more than {MOST_RATIO} times its size",
                             "No table of ours does; the archive was tampered with")  # fmt: skip


def _read(archive: zipfile.ZipFile, name: str, most: int) -> bytes:
    """An entry's bytes, never more than `most`, whatever the zip says about its size."""
    try:
        with archive.open(name) as entry:
            content = entry.read(most + 1)
    except KeyError as absent:
        raise BadArchive(f"The archive lacks {name}", "It is no archive of this program") from absent
    except BROKEN_ZIP as broken:
        raise BadArchive(f"{name} in the archive is damaged and can't be unpacked") from broken
    if len(content) > most:
        raise BadArchive(f"{name} in the archive unpacks to more than {most / 1e6:.0f} MB")
    return content


def _load(db: Db, archive: zipfile.ZipFile, manifest: Manifest) -> None:
    listed = {table.name: table for table in manifest.tables}
    known: dict[str, set[int]] = {}
    for table in queries.archived_tables():
        rows = _table_rows(archive, table, listed[table.name])
        columns = queries.archived_columns(table)
        known[table.name] = {values["id"] for _, values in rows if "id" in values}
        _check_references(table.name, columns, rows, known)
        _insert(db, table, _as_stored(db, table, rows))


def _table_rows(archive: zipfile.ZipFile, table: Table, listed: TableFile) -> Rows:
    content = _read(archive, listed.file, MOST_BYTES)
    if digest(content) != listed.sha256:
        raise BadArchive(f"Table {table.name} is not as it was exported", "Its SHA-256 differs from the manifest's")
    rows = list(read_rows(table.name, queries.archived_columns(table), content))
    if len(rows) != listed.rows:
        raise BadArchive(f"Table {table.name} has {len(rows)} rows, the manifest says {listed.rows}")
    return rows


def _check_references(table: str, columns: Sequence[Column], rows: Rows, known: dict[str, set[int]]) -> None:
    """Every id must be of a row that is there; a row of its own table only of one before it."""
    for column in (column for column in columns if column.refers_to):
        for line, values in rows:
            target = values[column.name]
            if target is None:
                continue
            later = column.refers_to == table and target >= values["id"]
            if later or target not in known.get(column.refers_to, ()):
                problem = f"points to no row of {column.refers_to}" + (" before it" if later else "")
                raise BadArchive(cell_words(table, line, column.name, str(target), problem))


def _as_stored(db: Db, table: Table, rows: Rows) -> Rows:
    """Sets of words back from their text."""
    for column in table.columns:
        of = column.type
        if not isinstance(of, TypeDecorator) or isinstance(of, UtcDateTime):
            continue
        for line, values in rows:
            cell = values[column.name]
            try:
                values[column.name] = of.process_result_value(cell, db.get_bind().dialect)
            except ValueError as unknown:
                raise BadArchive(
                    cell_words(table.name, line, column.name, cell, "has a word not known here")
                ) from unknown
    return rows


def _insert(db: Db, table: Table, rows: Rows) -> None:
    for start in range(0, len(rows), CHUNK):
        chunk = rows[start : start + CHUNK]
        try:
            with db.begin_nested():
                db.execute(insert(table), [values for _, values in chunk])
        except DatabaseFault:
            _find_culprit(db, table, chunk)


def _find_culprit(db: Db, table: Table, chunk: Rows) -> None:
    """Say which line the database refuses; the whole import is then given up."""
    for line, values in chunk:
        try:
            with db.begin_nested():
                db.execute(insert(table), [values])
        except DatabaseFault as refused:
            raise BadArchive(f"Table {table.name}, line {line}: the row breaks a rule of the database",
                             _rule(refused)) from refused  # fmt: skip
    raise BadArchive(f"Table {table.name} can't be stored", "Its rows contradict each other")


def _rule(refused: Any) -> str:
    named = getattr(getattr(refused.orig, "diag", None), "constraint_name", None)
    return str(named or str(refused.orig).splitlines()[0])[:200]


def _check_written(db: Db, manifest: Manifest) -> None:
    """Export again and compare: what is in the database is what was in the archive, byte for byte."""
    for table, listed in zip(queries.archived_tables(), manifest.tables, strict=True):
        if digest(b"".join(queries.read_table(db, table))) != listed.sha256:
            raise BadArchive(
                f"Table {table.name} reads back differently from this database", "It was not written as it stands"
            )


def _set_sequences(db: Db) -> None:
    """PostgreSQL counts ids apart from the rows: the next one must be free."""
    if db.get_bind().dialect.name != "postgresql":
        return
    for table in queries.archived_tables():
        if "id" in table.c:
            highest = db.scalar(select(func.max(table.c.id)))
            if highest is not None:
                db.execute(text("SELECT setval(pg_get_serial_sequence(:name, 'id'), :highest)"),
                           {"name": table.name, "highest": highest})  # fmt: skip


def note_export(db: Db, *, by: Viewer, manifest: Manifest) -> None:
    """The trail says who took everything along, and when."""
    rows = sum(table.rows for table in manifest.tables)
    record(db, "exported everything", "programme", by.programme_id, f"{rows} rows in {len(manifest.tables)} tables",
           by_id=by.account_id, programme_id=by.programme_id)  # fmt: skip


def reset_password(db: Db, hasher: Hasher, login: str, password: str) -> Account:
    """A new password for an account, by whoever runs the installation; ends every sign-in of that account."""
    account = find_account_by_login(db, login)
    if account is None:
        raise NotFound(f"Nobody signs in here as {login}")
    if account.disabled_at is not None:
        raise Conflict(f"{account.name} is disabled", "", "Let a manager enable the account first.")
    check_password(password, login=account.login)
    account.password_hash = hasher.hash(password)
    end_sign_ins(db, account.id)
    record(db, "reset password", "person", account.id, account.name, by_id=None, programme_id=None)
    return account
