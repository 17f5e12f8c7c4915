"""Laps, forced preferences, use with its failures and gauge readings, in batches that can be withdrawn.

Existing rows: none is touched; five tables are added. Going back drops them with what was filed in them. Triggers keep
the rows from being changed or deleted, and a withdrawal from being taken back or reworded.
"""

import sqlalchemy as sa
from alembic import op

MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(32), "sqlite")

ADDED_ONLY = ("laps", "preferences", "exposures", "readings")
BATCHES = "measurement_batches"
AS_FILED = ("programme_id", "kind", "file_name", "digest", "rows", "added_by_id", "added_at")
WITHDRAWN = ("withdrawn_by_id", "withdrawn_at", "withdrawn_why")  # once it is

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _batches()
    _laps()
    _preferences()
    _exposures()
    _readings()
    _guard()


def downgrade() -> None:
    for table in (*reversed(ADDED_ONLY), BATCHES):
        op.drop_table(table)  # and its triggers with it


def _key(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}"))


def _batches() -> None:
    op.create_table(
        BATCHES,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("file_name", sa.String(length=200), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("added_by_id", sa.Integer(), nullable=False),
        sa.Column("added_at", MOMENT, nullable=False),
        sa.Column("withdrawn_by_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn_at", MOMENT, nullable=True),
        sa.Column("withdrawn_why", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('laps', 'preferences', 'exposures', 'readings')", name=op.f("ck_measurement_batches_kind_word")
        ),
        _key(BATCHES, "programme_id", "programmes"),
        _key(BATCHES, "added_by_id", "accounts"),
        _key(BATCHES, "withdrawn_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measurement_batches")),
    )
    op.create_index("ix_measurement_batches_programme_id_kind", BATCHES, ["programme_id", "kind"], unique=False)


def _laps() -> None:
    op.create_table(
        "laps",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("batch_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("time_ms", sa.Integer(), nullable=False),
        sa.Column("clock_ms", sa.Integer(), nullable=True),
        sa.Column("flag", sa.String(length=60), nullable=False),
        _key("laps", "batch_id", BATCHES),
        _key("laps", "run_id", "runs"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_laps")),
        sa.UniqueConstraint("batch_id", "run_id", "number", name=op.f("uq_laps_batch_id_run_id_number")),
    )
    op.create_index("ix_laps_run_id", "laps", ["run_id"], unique=False)


def _preferences() -> None:
    once = ("batch_id", "session_id", "rater_id", "question_id", "first_variant_id", "second_variant_id")
    op.create_table(
        "preferences",
        sa.Column("id", sa.Integer(), nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in once),
        sa.Column("preferred_variant_id", sa.Integer(), nullable=True),
        _key("preferences", "batch_id", BATCHES),
        _key("preferences", "session_id", "sessions"),
        _key("preferences", "rater_id", "accounts"),
        _key("preferences", "question_id", "questions"),
        _key("preferences", "first_variant_id", "variants"),
        _key("preferences", "second_variant_id", "variants"),
        _key("preferences", "preferred_variant_id", "variants"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_preferences")),
        sa.UniqueConstraint(*once, name=op.f("uq_preferences_once")),
    )
    op.create_index("ix_preferences_session_id", "preferences", ["session_id"], unique=False)
    op.create_index("ix_preferences_question_id", "preferences", ["question_id"], unique=False)


def _exposures() -> None:
    op.create_table(
        "exposures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("batch_id", sa.Integer(), nullable=False),
        sa.Column("revision_id", sa.Integer(), nullable=True),
        sa.Column("variant_id", sa.Integer(), nullable=True),
        sa.Column("session_id", sa.Integer(), nullable=True),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in ("laps", "minutes_hundredths", "failures", "impacts")),
        sa.Column("note", sa.String(length=300), nullable=False),
        _key("exposures", "batch_id", BATCHES),
        _key("exposures", "revision_id", "revisions"),
        _key("exposures", "variant_id", "variants"),
        _key("exposures", "session_id", "sessions"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_exposures")),
        sa.CheckConstraint("revision_id IS NOT NULL OR variant_id IS NOT NULL", name=op.f("ck_exposures_of_something")),
        sa.CheckConstraint("laps >= 0 AND minutes_hundredths >= 0 AND failures >= 0 AND impacts >= 0",
                           name=op.f("ck_exposures_not_negative")),
    )  # fmt: skip
    for column in ("batch_id", "revision_id", "variant_id"):
        op.create_index(f"ix_exposures_{column}", "exposures", [column], unique=False)


def _readings() -> None:
    op.create_table(
        "readings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("batch_id", sa.Integer(), nullable=False),
        sa.Column("revision_id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=True),
        sa.Column("characteristic", sa.String(length=60), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("unit", sa.String(length=12), nullable=False),
        sa.Column("lower", sa.Float(), nullable=True),
        sa.Column("upper", sa.Float(), nullable=True),
        sa.Column("uncertainty", sa.Float(), nullable=True),
        sa.Column("raw", sa.String(length=40), nullable=False),
        _key("readings", "batch_id", BATCHES),
        _key("readings", "revision_id", "revisions"),
        _key("readings", "piece_id", "pieces"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
        sa.CheckConstraint("length(trim(characteristic)) > 0", name=op.f("ck_readings_characteristic_not_blank")),
    )
    for column in ("batch_id", "revision_id"):
        op.create_index(f"ix_readings_{column}", "readings", [column], unique=False)


def _guard() -> None:
    for table in ADDED_ONLY:
        _trigger(table, "UPDATE", f"{table}_no_update")
    for table in (*ADDED_ONLY, BATCHES):
        _trigger(table, "DELETE", f"{table}_no_delete")
    _trigger(BATCHES, f"UPDATE OF {', '.join(AS_FILED)}", f"{BATCHES}_as_filed", _differs(AS_FILED))
    _trigger(BATCHES, "UPDATE", f"{BATCHES}_as_withdrawn", f"OLD.withdrawn_at IS NOT NULL AND ({_differs(WITHDRAWN)})")


def _differs(columns: tuple[str, ...]) -> str:
    same = "IS NOT" if op.get_bind().dialect.name == "sqlite" else "IS DISTINCT FROM"
    return " OR ".join(f"CAST(OLD.{c} AS TEXT) {same} CAST(NEW.{c} AS TEXT)" for c in columns)


def _trigger(table: str, event: str, name: str, when: str = "") -> None:
    only = f" WHEN ({when})" if when else ""
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW{only} "
                   f"BEGIN SELECT RAISE(ABORT, '{table}: what was filed is never changed'); END")  # fmt: skip
        return
    op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW{only} EXECUTE FUNCTION refuse_change()")
    op.execute(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}")
