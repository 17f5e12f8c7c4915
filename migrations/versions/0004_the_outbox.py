"""Receipts of what phones sent later, what phones said of runs' starts and ends and of conditions, and the time a slip's phone showed.

Existing rows: slips keep no phone time (none was asked for) and no doubt about it; nothing else is touched. Going back
drops the receipts, the reports, the notes of conditions and the phone times; a session keeps the conditions it carries.
Triggers keep all of them as they came in; where a receipt led to is noted once.
"""

import sqlalchemy as sa
from alembic import op

MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(32), "sqlite")

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

PHONE = ("phone_ms", "phone_offset_ms", "clock_doubt")
RECEIVED = ("account_id", "token", "number", "hash", "path", "at")
TRIGGERS = (
    ("outbox_receipts_no_delete", "outbox_receipts"), ("outbox_receipts_as_sent", "outbox_receipts"),
    ("outbox_receipts_answered", "outbox_receipts"), ("run_reports_no_update", "run_reports"),
    ("run_reports_no_delete", "run_reports"), ("condition_notes_no_update", "condition_notes"),
    ("condition_notes_no_delete", "condition_notes"), ("slips_phone_as_filed", "slips"),
)  # fmt: skip


def upgrade() -> None:
    op.create_table(
        "outbox_receipts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("token", sa.String(length=64), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("path", sa.String(length=400), nullable=False),
        sa.Column("outcome", sa.String(length=8), nullable=False),
        sa.Column("went", sa.String(length=400), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.CheckConstraint("outcome IN ('filed', 'same', 'proposed')", name=op.f("ck_outbox_receipts_outcome_word")),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_outbox_receipts_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox_receipts")),
        sa.UniqueConstraint("account_id", "token", "number", name=op.f("uq_outbox_receipts_account_id_token_number")),
    )
    op.create_table(
        "run_reports",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("what", sa.String(length=5), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("taken", sa.Boolean(), nullable=False),
        sa.Column("said", sa.JSON(), nullable=False),
        sa.Column("clock_doubt", sa.String(length=80), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=False),
        sa.Column("received_at", MOMENT, nullable=False),
        sa.CheckConstraint("what IN ('start', 'end')", name=op.f("ck_run_reports_what_word")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_run_reports_programme_id")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_run_reports_run_id")),
        sa.ForeignKeyConstraint(["by_id"], ["accounts.id"], name=op.f("fk_run_reports_by_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run_reports")),
    )
    op.create_index("ix_run_reports_run_id", "run_reports", ["run_id"], unique=False)
    op.create_table(
        "condition_notes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("noted", sa.JSON(), nullable=False),
        sa.Column("clock_doubt", sa.String(length=80), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=False),
        sa.Column("received_at", MOMENT, nullable=False),
        sa.ForeignKeyConstraint(["session_id"], ["sessions.id"], name=op.f("fk_condition_notes_session_id")),
        sa.ForeignKeyConstraint(["by_id"], ["accounts.id"], name=op.f("fk_condition_notes_by_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_condition_notes")),
    )
    op.create_index("ix_condition_notes_session_id", "condition_notes", ["session_id"], unique=False)
    op.add_column("slips", sa.Column("phone_ms", sa.BigInteger(), nullable=True))
    op.add_column("slips", sa.Column("phone_offset_ms", sa.BigInteger(), nullable=True))
    op.add_column("slips", sa.Column("clock_doubt", sa.String(length=80), server_default="", nullable=False))
    _trigger("outbox_receipts", "DELETE", "outbox_receipts_no_delete")
    _trigger("outbox_receipts", f"UPDATE OF {', '.join(RECEIVED)}", "outbox_receipts_as_sent", RECEIVED)
    _trigger("outbox_receipts", "UPDATE OF went, outcome", "outbox_receipts_answered", ("went", "outcome"), only="OLD.went <> '' AND ")
    _trigger("run_reports", "UPDATE", "run_reports_no_update")
    _trigger("run_reports", "DELETE", "run_reports_no_delete")
    _trigger("condition_notes", "UPDATE", "condition_notes_no_update")
    _trigger("condition_notes", "DELETE", "condition_notes_no_delete")
    _trigger("slips", f"UPDATE OF {', '.join(PHONE)}", "slips_phone_as_filed", PHONE)


def downgrade() -> None:
    sqlite = op.get_bind().dialect.name == "sqlite"
    for name, table in TRIGGERS:
        op.execute(f"DROP TRIGGER {name}" + ("" if sqlite else f" ON {table}"))
    for column in reversed(PHONE):
        op.drop_column("slips", column)
    op.drop_table("condition_notes")
    op.drop_table("run_reports")
    op.drop_table("outbox_receipts")


def _trigger(table: str, event: str, name: str, columns: tuple[str, ...] = (), only: str = "") -> None:
    sqlite = op.get_bind().dialect.name == "sqlite"
    same = "IS NOT" if sqlite else "IS DISTINCT FROM"
    changed = " OR ".join(f"CAST(OLD.{c} AS TEXT) {same} CAST(NEW.{c} AS TEXT)" for c in columns)
    when = f" WHEN ({only}({changed}))" if columns else ""
    if sqlite:
        op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW{when} "
                   f"BEGIN SELECT RAISE(ABORT, '{table}: what was filed is never changed'); END")  # fmt: skip
        return
    op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW{when} EXECUTE FUNCTION refuse_change()")
    op.execute(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}")
