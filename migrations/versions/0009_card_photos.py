"""Photos of paper cards, with the slip that was typed from them.

Existing rows: none is touched; one table is added. Going back drops it; the photos themselves stay. Triggers keep every row from being
changed or deleted.
"""

import sqlalchemy as sa
from alembic import op

MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(32), "sqlite")
TABLE = "slip_photos"

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        TABLE,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("slip_id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("added_by_id", sa.Integer(), nullable=False),
        sa.Column("added_at", MOMENT, nullable=False),
        *(sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_slip_photos_{column}"))
          for column, target in (("slip_id", "slips"), ("photo_id", "photos"), ("added_by_id", "accounts"))),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_slip_photos")),
        sa.UniqueConstraint("slip_id", "photo_id", name=op.f("uq_slip_photos_slip_id_photo_id")),
    )  # fmt: skip
    for event in ("UPDATE", "DELETE"):
        _trigger(TABLE, event, f"{TABLE}_no_{event.lower()}")


def downgrade() -> None:
    op.drop_table(TABLE)  # and its triggers with it


def _trigger(table: str, event: str, name: str) -> None:
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW "
                   f"BEGIN SELECT RAISE(ABORT, '{table}: what was filed is never changed'); END")  # fmt: skip
        return
    op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}")
