"""Everything in the installation, as an archive: each table as the schema lists it, in the order of its keys."""

import hashlib
import zipfile
from collections.abc import Iterator, Sequence
from typing import IO, Any

from sqlalchemy import JSON, BigInteger, Boolean, Date, Float, Integer, LargeBinary, Table, func, select, text
from sqlalchemy.sql.sqltypes import TypeEngine

from app import clock
from app.access.actions import Action
from app.access.viewer import ProgrammeRef, Viewer, require
from app.archive.cells import Column, Kind
from app.archive.format import LEFT_OUT, MANIFEST, Manifest, TableFile, write_rows
from app.blind.queries import sealed_keys
from app.db import Db, UtcDateTime
from app.errors import Conflict
from app.feedback.queries import hidden_sessions
from app.people.models import Account, Hat, Membership
from app.programmes.models import Programme
from app.schema import metadata

FIXED_TIME = (1980, 1, 1, 0, 0, 0)  # zip entries carry no time, so that equal tables make equal entries
KINDS: tuple[tuple[type[TypeEngine[Any]] | type[UtcDateTime], Kind], ...] = (
    (UtcDateTime, Kind.MOMENT), (JSON, Kind.JSON), (Boolean, Kind.BOOLEAN), (BigInteger, Kind.LARGE),
    (Integer, Kind.WHOLE), (Float, Kind.DECIMAL), (Date, Kind.DAY), (LargeBinary, Kind.BYTES),
)  # fmt: skip


def archived_tables() -> Sequence[Table]:
    """Every table an archive holds, those that are pointed to before those that point."""
    return [table for table in metadata.sorted_tables if table.name not in LEFT_OUT]


def archived_columns(table: Table) -> list[Column]:
    found = []
    for column in table.columns:
        if f"{table.name}.{column.name}" in LEFT_OUT:
            continue
        kind = next((kind for known, kind in KINDS if isinstance(column.type, known)), Kind.TEXT)
        stored = getattr(column.type, "impl", column.type)
        target = next((key.column.table.name for key in column.foreign_keys), "")
        found.append(Column(column.name, kind, bool(column.nullable), getattr(stored, "length", None), target))
    return found


def read_table(db: Db, table: Table) -> Iterator[bytes]:
    """The table's CSV in pieces, ordered by primary key."""
    columns = archived_columns(table)
    chosen = [table.c[column.name] for column in columns]
    at_once = 20 if any(column.kind == Kind.BYTES for column in columns) else 2000  # photos are large
    rows = db.execute(select(*chosen).order_by(*table.primary_key).execution_options(yield_per=at_once))
    types = [column.type for column in chosen]
    dialect = db.get_bind().dialect
    written = ([_stored(value, of, dialect) for value, of in zip(row, types, strict=True)] for row in rows)
    return write_rows(columns, written)


def _stored(value: Any, of: Any, dialect: Any) -> Any:
    """Sets of words are archived as the text they are stored as."""
    return of.process_bind_param(value, dialect) if isinstance(value, frozenset) else value


def write_archive(db: Db, target: IO[bytes]) -> Manifest:
    """The whole installation as one moment saw it, without its secrets. Refused while a key is sealed: it would be in it."""
    _look_once(db)
    check_no_sealed_key(db)
    listed = []
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for table in archived_tables():
            sha256, rows = hashlib.sha256(), _count(db, table)
            with archive.open(_entry(f"{table.name}.csv"), "w", force_zip64=True) as entry:
                for piece in read_table(db, table):
                    sha256.update(piece)
                    entry.write(piece)
            listed.append(TableFile(table.name, f"{table.name}.csv", rows, sha256.hexdigest()))
        manifest = Manifest(schema_revision(db), clock.now().strftime("%Y-%m-%dT%H:%M:%SZ"), tuple(listed))
        archive.writestr(_entry(MANIFEST), manifest.text())
    return manifest


def _look_once(db: Db) -> None:
    """Let every table be read as of the same moment."""
    db.rollback()
    if db.get_bind().dialect.name == "postgresql":
        db.connection(execution_options={"isolation_level": "REPEATABLE READ"})


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, FIXED_TIME)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.create_system, entry.external_attr = 3, 0o600 << 16
    return entry


def _count(db: Db, table: Table) -> int:
    return db.scalar(select(func.count()).select_from(table)) or 0


def schema_revision(db: Db) -> str:
    return str(db.execute(text("SELECT version_num FROM alembic_version")).scalar_one())


def check_no_sealed_key(db: Db) -> None:
    if sealed := sealed_keys(db):
        raise Conflict(f"The key of block {sealed[0]} is sealed" if len(sealed) == 1 else f"{len(sealed)} keys are sealed: "
                       f"{', '.join(sealed[:5])}", "An archive holds what is behind the codes", "Open the key first.")  # fmt: skip


def check_may_export(db: Db, viewer: Viewer) -> None:
    """An archive holds every programme and every slip, so it is for who may see all of them already."""
    require(viewer, Action.EXPORT_ALL)
    rows = db.execute(
        select(Programme, Membership.hats).outerjoin(
            Membership, (Membership.programme_id == Programme.id) & (Membership.account_id == viewer.account_id)
            & Membership.left_at.is_(None)
        )
    ).all()  # fmt: skip
    foreign = sum(Hat.MANAGER not in (hats or frozenset()) for _, hats in rows)
    if foreign:
        raise Conflict("An archive holds every programme of this installation",
                         f"You are not a manager of {foreign} of them", "Whoever runs the installation can export "
                         "with: python -m app export FILE.zip")  # fmt: skip
    check_no_sealed_key(db)
    for programme, hats in rows:
        here = ProgrammeRef(programme.id, programme.name, programme.time_zone, programme.state)
        if hidden_sessions(db, viewer._replace(programme=here, hats=hats)):
            raise Conflict(f"You are due to rate in an open session of {programme.name}",
                           "An archive would show you what others filed there before you did",
                           "Export when it is closed, or let another manager do it.")  # fmt: skip


def list_founders(db: Db) -> Sequence[str]:
    """Sign-in names of those who may start programmes, the first first."""
    return db.scalars(
        select(Account.login).where(Account.starts_programmes, Account.disabled_at.is_(None)).order_by(Account.id)
    ).all()


def count_rows(db: Db) -> Sequence[tuple[str, int]]:
    """(table, rows) of what an archive would hold."""
    return [(table.name, _count(db, table)) for table in archived_tables()]
