"""The database: engine, base class, column types, and the one way to write.

Reads run in an ordinary transaction. Every write runs inside `transaction(db)`, which commits where
the reader of the code can see it and *before* any answer is sent. On SQLite writers take the write
lock at BEGIN and queue fairly on a process lock; on PostgreSQL commands lock the rows they judge.
"""

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import CheckConstraint, DateTime, MetaData, String, create_engine, event, text
from sqlalchemy.engine import Dialect, Engine, make_url
from sqlalchemy.exc import DBAPIError, IntegrityError, InterfaceError, OperationalError
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.orm import DeclarativeBase, Session, sessionmaker
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import TypeDecorator

Db = Session
AlreadyThere = IntegrityError
DatabaseDown = (OperationalError, InterfaceError)
DatabaseFault = DBAPIError

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


class UtcDateTime(TypeDecorator[datetime]):
    """An aware UTC moment. Stored as ISO text on SQLite (whose driver drops zones), timestamptz elsewhere."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> Any:
        if dialect.name == "sqlite":
            return dialect.type_descriptor(String(32))
        return dialect.type_descriptor(DateTime(timezone=True))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a moment without a time zone can't be stored")
        moment = value.astimezone(UTC)
        return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ") if dialect.name == "sqlite" else moment

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if isinstance(value, str):
            return read_moment(value)
        return value.astimezone(UTC)


class moment_text(FunctionElement[str]):
    """A moment as the text that SQLite stores, on either database; `read_moment` reads it. For unions of unlike rows."""

    inherit_cache = True
    type = String()


@compiles(moment_text)
def _moment_on_sqlite(element: Any, compiler: Any, **more: Any) -> str:
    return compiler.process(element.clauses, **more)


@compiles(moment_text, "postgresql")
def _moment_on_postgresql(element: Any, compiler: Any, **more: Any) -> str:
    return f"""to_char({compiler.process(element.clauses, **more)} AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"')"""


def read_moment(text_: str) -> datetime:
    return datetime.strptime(text_, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC)


class Base(DeclarativeBase):
    metadata = MetaData(naming_convention=NAMING)


def one_of(column: str, values: Any, *, name: str | None = None) -> CheckConstraint:
    """A CHECK that keeps `column` to the given words (an Enum of str, or an iterable of str)."""
    words = ", ".join(f"'{value}'" for value in values)
    return CheckConstraint(f"{column} IN ({words})", name=name or f"{column}_word")


def not_blank(column: str) -> CheckConstraint:
    return CheckConstraint(f"length(trim({column})) > 0", name=f"{column}_not_blank")


class Database:
    """One engine with its session maker; made once by `main.create_app`, the commands and the tests."""

    def __init__(self, url: str) -> None:
        self.url = url
        self.engine = _engine(url)
        self.sessions = sessionmaker(self.engine, expire_on_commit=True, autoflush=True)

    @contextmanager
    def session(self) -> Iterator[Db]:
        with self.sessions() as db:
            yield db

    def check_durable(self) -> None:
        """Refuse to start where an acknowledged write could be lost in a power cut."""
        with self.engine.connect() as connection:
            if self.engine.dialect.name == "sqlite":
                level = connection.execute(text("PRAGMA synchronous")).scalar_one()
                if level < 2:
                    raise RuntimeError(f"SQLite synchronous is {level}; at least 2 (FULL) is needed")
                return
            for name in ("fsync", "synchronous_commit", "full_page_writes"):
                value = connection.execute(text(f"SHOW {name}")).scalar_one()
                if value == "off":
                    raise RuntimeError(f"PostgreSQL runs with {name}=off: an acknowledged slip could be lost")

    def dispose(self) -> None:
        self.engine.dispose()


def _engine(url: str) -> Engine:
    if make_url(url).get_backend_name() != "sqlite":
        # As long as SQLite waits for its lock: a person in the hall is answered, not kept hanging.
        waits = {"options": "-c lock_timeout=15000"} if "options" not in make_url(url).query else {}
        return create_engine(
            url,
            hide_parameters=True,
            pool_pre_ping=True,
            pool_size=20,
            max_overflow=20,
            pool_timeout=10,
            connect_args=waits,
        )
    engine = create_engine(
        url,
        hide_parameters=True,
        connect_args={"timeout": 15, "check_same_thread": False},
        pool_size=20,
        max_overflow=30,
    )
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: Any, record: Any) -> None:
    connection.isolation_level = None  # SQLAlchemy, not the driver, says when a transaction begins
    for pragma in ("foreign_keys=ON", "journal_mode=WAL", "synchronous=FULL", "recursive_triggers=ON"):
        connection.execute(f"PRAGMA {pragma}")
    path = connection.execute("PRAGMA database_list").fetchone()[2]
    record.info["file"] = (path, _file_at(path))


def _file_at(path: str) -> tuple[int, int] | None:
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _begin_sqlite(connection: Any) -> None:
    # A deferred BEGIN that reads and then writes fails at once with "database is locked".
    writes = connection.get_execution_options().get("writes", False)
    path, opened = connection.info["file"]
    if writes and _file_at(path) != opened:
        # A file that was moved or removed still takes writes, and loses them when the last reader lets go.
        connection.invalidate()
        raise OperationalError(
            "BEGIN IMMEDIATE", None, sqlite3.OperationalError("the database file is not there any more")
        )
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


_write_locks: dict[str, threading.RLock] = {}
_write_locks_guard = threading.Lock()


def _write_lock(db: Db) -> threading.RLock:
    url = str(db.get_bind().engine.url)
    with _write_locks_guard:
        return _write_locks.setdefault(url, threading.RLock())


@contextmanager
def transaction(db: Db) -> Iterator[Db]:
    """Write: commits at the end of the block, rolls everything back when it raises.

    What was read before is dropped first, so that nothing stale is written; load again inside.
    """
    db.rollback()
    if db.get_bind().dialect.name != "sqlite":
        with _committed(db):
            yield db
        return
    with _write_lock(db):  # SQLite's own queue is unfair: measured worst waits of five seconds
        db.connection(execution_options={"writes": True})
        with _committed(db):
            yield db


@contextmanager
def _committed(db: Db) -> Iterator[None]:
    db.info["writing"] = True
    try:
        yield
        db.commit()
    except BaseException:
        db.rollback()
        raise
    finally:
        db.info["writing"] = False


def is_writing(db: Db) -> bool:
    """Inside `transaction(db)`? There a second writer of our own would wait for us for ever."""
    return bool(db.info.get("writing"))
