"""What the panel's marks on other questions had taught at a question's first look.

Existing rows: a question that was looked at before keeps the default figures ({}); one that was not stays open (no value).
Going back drops the column with what was learned. A trigger keeps the value from being changed once it is there.
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

TRIGGER = "questions_noise_once"


def upgrade() -> None:
    op.add_column("questions", sa.Column("panel_noise", sa.JSON(none_as_null=True), nullable=True))
    op.execute("UPDATE questions SET panel_noise = '{}' WHERE id IN (SELECT question_id FROM looks)")
    changed = "OLD.panel_noise IS NOT NULL AND CAST(OLD.panel_noise AS TEXT) {} CAST(NEW.panel_noise AS TEXT)"
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"CREATE TRIGGER {TRIGGER} BEFORE UPDATE OF panel_noise ON questions FOR EACH ROW WHEN ({changed.format('IS NOT')}) "
                   "BEGIN SELECT RAISE(ABORT, 'questions: what was filed is never changed'); END")  # fmt: skip
        return
    op.execute(f"CREATE TRIGGER {TRIGGER} BEFORE UPDATE OF panel_noise ON questions FOR EACH ROW "
               f"WHEN ({changed.format('IS DISTINCT FROM')}) EXECUTE FUNCTION refuse_change()")  # fmt: skip
    op.execute(f"ALTER TABLE questions ENABLE ALWAYS TRIGGER {TRIGGER}")


def downgrade() -> None:
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"DROP TRIGGER {TRIGGER}")
    else:
        op.execute(f"DROP TRIGGER {TRIGGER} ON questions")
    op.drop_column("questions", "panel_noise")
