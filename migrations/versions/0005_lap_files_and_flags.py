"""Lap files of halls with what is remembered of them, and flags that a person sets on laps later.

Existing rows: none is touched; four tables are added. Laps that are here keep the flag they came with until a person says
otherwise. Going back drops the four tables: laps stay, and count again by the flag they came with. Triggers keep rows from
being changed or deleted.
"""

import sqlalchemy as sa
from alembic import op

MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(32), "sqlite")
ADDED_ONLY = ("lap_flags", "lap_layouts", "transponders", "lap_files")

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _flags()
    _layouts()
    _transponders()
    _files()
    for table in ADDED_ONLY:
        for event in ("UPDATE", "DELETE"):
            _trigger(table, event, f"{table}_no_{event.lower()}")


def downgrade() -> None:
    for table in reversed(ADDED_ONLY):
        op.drop_table(table)  # and its triggers with it


def _key(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}"))


def _flags() -> None:
    op.create_table(
        "lap_flags",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lap_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("flag", sa.String(length=60), nullable=False),
        sa.Column("said_by_id", sa.Integer(), nullable=False),
        sa.Column("said_at", MOMENT, nullable=False),
        _key("lap_flags", "lap_id", "laps"),
        _key("lap_flags", "said_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lap_flags")),
        sa.UniqueConstraint("lap_id", "version", name=op.f("uq_lap_flags_lap_id_version")),
    )


def _layouts() -> None:
    op.create_table(
        "lap_layouts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("shape", sa.String(length=64), nullable=False),
        sa.Column("reading", sa.JSON(), nullable=False),
        sa.Column("added_by_id", sa.Integer(), nullable=False),
        sa.Column("added_at", MOMENT, nullable=False),
        _key("lap_layouts", "programme_id", "programmes"),
        _key("lap_layouts", "added_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lap_layouts")),
    )
    op.create_index("ix_lap_layouts_programme_id_shape", "lap_layouts", ["programme_id", "shape"], unique=False)


def _transponders() -> None:
    op.create_table(
        "transponders",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("name_key", sa.String(length=120), nullable=False),
        sa.Column("car_id", sa.Integer(), nullable=True),
        sa.Column("added_by_id", sa.Integer(), nullable=False),
        sa.Column("added_at", MOMENT, nullable=False),
        _key("transponders", "programme_id", "programmes"),
        _key("transponders", "car_id", "cars"),
        _key("transponders", "added_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_transponders")),
    )
    op.create_index("ix_transponders_programme_id_name_key", "transponders", ["programme_id", "name_key"], unique=False)


def _files() -> None:
    op.create_table(
        "lap_files",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("batch_id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("layout_id", sa.Integer(), nullable=False),
        sa.Column("shift_ms", sa.Integer(), nullable=True),
        sa.Column("laps_read", sa.Integer(), nullable=False),
        sa.Column("not_matched", sa.JSON(), nullable=False),
        _key("lap_files", "batch_id", "measurement_batches"),
        _key("lap_files", "session_id", "sessions"),
        _key("lap_files", "layout_id", "lap_layouts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lap_files")),
        sa.UniqueConstraint("batch_id", name=op.f("uq_lap_files_batch_id")),
    )
    op.create_index("ix_lap_files_session_id", "lap_files", ["session_id"], unique=False)


def _trigger(table: str, event: str, name: str) -> None:
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW "
                   f"BEGIN SELECT RAISE(ABORT, '{table}: what was filed is never changed'); END")  # fmt: skip
        return
    op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}")
