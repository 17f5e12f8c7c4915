"""Planning: change-over of parts, tyre sets and packs, a session's sheet, accepted plans, freeze date, hall time on offer.

Existing rows: none is touched; seven tables are added. Going back drops them; the runs that a plan made stay as they are.
Triggers keep an accepted plan and its lines from being changed or deleted: a re-plan is a new version.
"""

import sqlalchemy as sa
from alembic import op

MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(32), "sqlite")
TABLES = ("part_figures", "kit", "day_sheets", "run_plans", "planned_runs", "season_sheets", "hall_offers")
ADDED_ONLY = ("run_plans", "planned_runs")

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _part_figures()
    _kit()
    _day_sheets()
    _run_plans()
    _planned_runs()
    _season_sheets()
    _hall_offers()
    for table in ADDED_ONLY:
        for event in ("UPDATE", "DELETE"):
            _trigger(table, event, f"{table}_no_{event.lower()}")


def downgrade() -> None:
    for table in reversed(TABLES):
        op.drop_table(table)  # and its triggers with it


def _key(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}"))


def _part_figures() -> None:
    op.create_table(
        "part_figures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("part_id", sa.Integer(), nullable=False),
        sa.Column("change_min", sa.Float(), nullable=False),
        sa.Column("corrections", sa.Integer(), nullable=False),
        sa.Column("correction_days", sa.Integer(), nullable=False),
        _key("part_figures", "programme_id", "programmes"),
        _key("part_figures", "part_id", "parts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_part_figures")),
        sa.CheckConstraint("change_min >= 0 AND corrections >= 0 AND correction_days >= 0", name=op.f("ck_part_figures_not_negative")),
        sa.UniqueConstraint("part_id", name=op.f("uq_part_figures_part_id")),
    )
    op.create_index("ix_part_figures_programme_id", "part_figures", ["programme_id"], unique=False)


def _kit() -> None:
    op.create_table(
        "kit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("name_key", sa.String(length=80), nullable=False),
        sa.Column("most_runs", sa.Integer(), nullable=True),
        sa.Column("charging_min", sa.Float(), nullable=True),
        sa.Column("retired_at", MOMENT, nullable=True),
        _key("kit", "programme_id", "programmes"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_kit")),
        sa.CheckConstraint("length(trim(name)) > 0", name=op.f("ck_kit_name_not_blank")),
        sa.CheckConstraint("kind IN ('tyre set', 'pack')", name=op.f("ck_kit_kind_word")),
        sa.UniqueConstraint("programme_id", "kind", "name_key", name=op.f("uq_kit_programme_id_kind_name_key")),
    )


def _day_sheets() -> None:
    op.create_table(
        "day_sheets",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("starts_at", MOMENT, nullable=False),
        sa.Column("booked_min", sa.Float(), nullable=False),
        sa.Column("set_up_min", sa.Float(), nullable=False),
        sa.Column("warm_up_min", sa.Float(), nullable=False),
        sa.Column("breaks_min", sa.Float(), nullable=False),
        sa.Column("tear_down_min", sa.Float(), nullable=False),
        sa.Column("run_min", sa.Float(), nullable=False),
        sa.Column("turnround_min", sa.Float(), nullable=False),
        sa.Column("brackets", sa.Integer(), nullable=False),
        sa.Column("cars", sa.JSON(), nullable=False),
        sa.Column("drivers", sa.JSON(), nullable=False),
        sa.Column("questions", sa.JSON(), nullable=False),
        sa.Column("blind", sa.JSON(), nullable=False),
        sa.Column("fit_only", sa.JSON(), nullable=False),
        sa.Column("limits", sa.Text(), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("saved_by_id", sa.Integer(), nullable=False),
        sa.Column("saved_at", MOMENT, nullable=False),
        sa.Column("edition", sa.Integer(), nullable=False),
        _key("day_sheets", "programme_id", "programmes"),
        _key("day_sheets", "session_id", "sessions"),
        _key("day_sheets", "saved_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_day_sheets")),
        sa.UniqueConstraint("session_id", name=op.f("uq_day_sheets_session_id")),
    )
    op.create_index("ix_day_sheets_programme_id", "day_sheets", ["programme_id"], unique=False)


def _run_plans() -> None:
    op.create_table(
        "run_plans",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("wish", sa.String(length=40), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("starts_at", MOMENT, nullable=False),
        sa.Column("available_min", sa.Float(), nullable=False),
        sa.Column("slack_min", sa.Float(), nullable=False),
        sa.Column("imbalance", sa.Float(), nullable=False),
        sa.Column("told", sa.JSON(), nullable=False),
        sa.Column("why", sa.String(length=300), nullable=False),
        sa.Column("accepted_by_id", sa.Integer(), nullable=False),
        sa.Column("accepted_at", MOMENT, nullable=False),
        _key("run_plans", "programme_id", "programmes"),
        _key("run_plans", "session_id", "sessions"),
        _key("run_plans", "accepted_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_run_plans")),
        sa.UniqueConstraint("session_id", "version", name=op.f("uq_run_plans_session_id_version")),
    )
    op.create_index("ix_run_plans_programme_id", "run_plans", ["programme_id"], unique=False)


def _planned_runs() -> None:
    op.create_table(
        "planned_runs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("plan_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("start_min", sa.Float(), nullable=False),
        sa.Column("role", sa.String(length=8), nullable=False),
        sa.Column("serves", sa.String(length=300), nullable=False),
        sa.Column("on_car", sa.String(length=400), nullable=False),
        sa.Column("change", sa.String(length=300), nullable=False),
        sa.Column("tyre_set", sa.String(length=40), nullable=False),
        sa.Column("pack", sa.String(length=40), nullable=False),
        sa.Column("code", sa.String(length=3), nullable=False),
        _key("planned_runs", "plan_id", "run_plans"),
        _key("planned_runs", "run_id", "runs"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_planned_runs")),
        sa.CheckConstraint("role IN ('control', 'test', 'sealed')", name=op.f("ck_planned_runs_role_word")),
        sa.UniqueConstraint("plan_id", "place", name=op.f("uq_planned_runs_plan_id_place")),
    )
    op.create_index("ix_planned_runs_run_id", "planned_runs", ["run_id"], unique=False)


def _season_sheets() -> None:
    op.create_table(
        "season_sheets",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("freeze_on", sa.Date(), nullable=True),
        sa.Column("edition", sa.Integer(), nullable=False),
        _key("season_sheets", "programme_id", "programmes"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_season_sheets")),
        sa.UniqueConstraint("programme_id", name=op.f("uq_season_sheets_programme_id")),
    )


def _hall_offers() -> None:
    op.create_table(
        "hall_offers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("place", sa.String(length=80), nullable=False),
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("running_min", sa.Float(), nullable=False),
        sa.Column("price", sa.Float(), nullable=False),
        sa.Column("withdrawn_at", MOMENT, nullable=True),
        _key("hall_offers", "programme_id", "programmes"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hall_offers")),
        sa.CheckConstraint("length(trim(place)) > 0", name=op.f("ck_hall_offers_place_not_blank")),
        sa.CheckConstraint("running_min > 0 AND price >= 0", name=op.f("ck_hall_offers_plausible")),
    )
    op.create_index("ix_hall_offers_programme_id", "hall_offers", ["programme_id"], unique=False)


def _trigger(table: str, event: str, name: str) -> None:
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW "
                   f"BEGIN SELECT RAISE(ABORT, '{table}: what was filed is never changed'); END")  # fmt: skip
        return
    op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}")
