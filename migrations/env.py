"""Runs migrations on SQLite and PostgreSQL; called by `app.migrate` and by the alembic command."""

import os

from alembic import context
from sqlalchemy import text

from app.db import Database
from app.schema import metadata

LOCK = 5_042_026  # any number, the same for every process of this product


def run() -> None:
    url = (
        context.config.attributes.get("database_url")
        or os.environ.get("DATABASE_URL")
        or "sqlite:///data/proveout.sqlite3"
    )
    database = Database(url)
    sqlite = database.engine.dialect.name == "sqlite"
    try:
        with database.engine.connect().execution_options(writes=True) as connection:
            if sqlite:
                # Outside the transaction, where the pragma still has an effect: a batch rewrite of a parent
                # table would otherwise delete its children.
                connection.connection.driver_connection.execute("PRAGMA foreign_keys=OFF")
            context.configure(
                connection=connection, target_metadata=metadata, render_as_batch=sqlite, compare_type=True
            )
            with context.begin_transaction():
                if not sqlite:
                    connection.execute(text("SET LOCAL lock_timeout = 0"))  # however long the other process migrates
                    connection.execute(text(f"SELECT pg_advisory_xact_lock({LOCK})"))
                context.run_migrations()
                if sqlite and connection.execute(text("PRAGMA foreign_key_check")).first():
                    raise RuntimeError("a migration left rows that point nowhere; nothing was changed")
            if connection.in_transaction():
                connection.commit()
    finally:
        database.dispose()


run()
