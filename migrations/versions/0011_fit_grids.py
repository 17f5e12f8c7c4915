"""Fit grids: factors and levels, rules, trial builds, what was tried and on which revisions, carry-overs, settings.

Existing rows: none is touched; eleven tables are added. Going back drops them and what was filed in them.
Triggers keep everything but the grid's own row from being changed or deleted: results are added, and withdrawn by a row of their own.
"""

import sqlalchemy as sa
from alembic import op

MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(32), "sqlite")
ADDED_ONLY = (
    "grid_factors", "grid_levels", "grid_rules", "build_lists", "trial_builds", "fits", "fit_levels", "carry_overs", "grid_settings",
    "grid_withdrawals",
)  # fmt: skip
TABLES = ("grids", *ADDED_ONLY)

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _grids()
    _grid_factors()
    _grid_levels()
    _grid_rules()
    _build_lists()
    _trial_builds()
    _fits()
    _fit_levels()
    _carry_overs()
    _grid_settings()
    _grid_withdrawals()
    for table in ADDED_ONLY:
        for event in ("UPDATE", "DELETE"):
            _trigger(table, event, f"{table}_no_{event.lower()}")


def downgrade() -> None:
    for table in reversed(TABLES):
        op.drop_table(table)  # and its triggers with it


def _key(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}"))


def _grids() -> None:
    op.create_table(
        "grids",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("title", sa.String(length=120), nullable=False),
        sa.Column("strength", sa.Integer(), nullable=False),
        sa.Column("proof", sa.String(length=16), nullable=False),
        sa.Column("question_id", sa.Integer(), nullable=True),
        sa.Column("owner_id", sa.Integer(), nullable=False),
        sa.Column("created_by_id", sa.Integer(), nullable=False),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("edition", sa.Integer(), nullable=False),
        _key("grids", "programme_id", "programmes"),
        _key("grids", "question_id", "questions"),
        _key("grids", "owner_id", "accounts"),
        _key("grids", "created_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_grids")),
        sa.CheckConstraint("proof IN ('each cell', 'combinations')", name=op.f("ck_grids_proof_word")),
        sa.CheckConstraint("strength IN (2, 3)", name=op.f("ck_grids_strength_range")),
        sa.CheckConstraint("length(trim(title)) > 0", name=op.f("ck_grids_title_not_blank")),
        sa.UniqueConstraint("programme_id", "number", name=op.f("uq_grids_programme_id_number")),
    )
    op.create_index("ix_grids_question_id", "grids", ["question_id"], unique=False)


def _grid_factors() -> None:
    op.create_table(
        "grid_factors",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("grid_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("name_key", sa.String(length=80), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        _key("grid_factors", "grid_id", "grids"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_grid_factors")),
        sa.CheckConstraint("kind IN ('option', 'third-party item')", name=op.f("ck_grid_factors_kind_word")),
        sa.UniqueConstraint("grid_id", "name_key", name=op.f("uq_grid_factors_grid_id_name_key")),
        sa.UniqueConstraint("grid_id", "position", name=op.f("uq_grid_factors_grid_id_position")),
    )


def _grid_levels() -> None:
    op.create_table(
        "grid_levels",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("factor_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=24), nullable=False),
        sa.Column("code_key", sa.String(length=48), nullable=False),
        sa.Column("revision_id", sa.Integer(), nullable=True),
        _key("grid_levels", "factor_id", "grid_factors"),
        _key("grid_levels", "revision_id", "revisions"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_grid_levels")),
        sa.CheckConstraint("length(trim(code)) > 0", name=op.f("ck_grid_levels_code_not_blank")),
        sa.UniqueConstraint("factor_id", "code_key", name=op.f("uq_grid_levels_factor_id_code_key")),
        sa.UniqueConstraint("factor_id", "position", name=op.f("uq_grid_levels_factor_id_position")),
    )
    op.create_index("ix_grid_levels_revision_id", "grid_levels", ["revision_id"], unique=False)


def _grid_rules() -> None:
    op.create_table(
        "grid_rules",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("grid_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("levels", sa.JSON(), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        _key("grid_rules", "grid_id", "grids"),
        _key("grid_rules", "by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_grid_rules")),
        sa.CheckConstraint("kind IN ('excluded', 'forbidden', 'required')", name=op.f("ck_grid_rules_kind_word")),
        sa.CheckConstraint("length(trim(sentence)) > 0", name=op.f("ck_grid_rules_sentence_not_blank")),
    )
    op.create_index("ix_grid_rules_grid_id", "grid_rules", ["grid_id"], unique=False)


def _build_lists() -> None:
    op.create_table(
        "build_lists",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("grid_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("strength", sa.Integer(), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("wanted", sa.Integer(), nullable=False),
        sa.Column("floor", sa.Integer(), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=False),
        sa.Column("made_at", MOMENT, nullable=False),
        _key("build_lists", "grid_id", "grids"),
        _key("build_lists", "made_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_build_lists")),
        sa.UniqueConstraint("grid_id", "number", name=op.f("uq_build_lists_grid_id_number")),
    )


def _trial_builds() -> None:
    op.create_table(
        "trial_builds",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("build_list_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("cell", sa.JSON(), nullable=False),
        _key("trial_builds", "build_list_id", "build_lists"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trial_builds")),
        sa.UniqueConstraint("build_list_id", "number", name=op.f("uq_trial_builds_build_list_id_number")),
    )


def _fits() -> None:
    op.create_table(
        "fits",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("grid_id", sa.Integer(), nullable=False),
        sa.Column("cell", sa.Text(), nullable=False),
        sa.Column("result", sa.String(length=20), nullable=False),
        sa.Column("how", sa.String(length=8), nullable=False),
        sa.Column("shim", sa.String(length=80), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("trial_build_id", sa.Integer(), nullable=True),
        sa.Column("photo_id", sa.Integer(), nullable=True),
        sa.Column("photo_alt", sa.String(length=200), nullable=False),
        sa.Column("tried_at", MOMENT, nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=False),
        sa.Column("filed_at", MOMENT, nullable=False),
        _key("fits", "grid_id", "grids"),
        _key("fits", "trial_build_id", "trial_builds"),
        _key("fits", "photo_id", "photos"),
        _key("fits", "by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fits")),
        sa.CheckConstraint("how IN ('by hand', 'by CAD')", name=op.f("ck_fits_how_word")),
        sa.CheckConstraint("result IN ('fits', 'fits with shim', 'rubs', 'does not assemble')", name=op.f("ck_fits_result_word")),
    )
    op.create_index("ix_fits_grid_id", "fits", ["grid_id"], unique=False)
    op.create_index("ix_fits_photo_id", "fits", ["photo_id"], unique=False)
    op.create_index("ix_fits_trial_build_id", "fits", ["trial_build_id"], unique=False)


def _fit_levels() -> None:
    op.create_table(
        "fit_levels",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fit_id", sa.Integer(), nullable=False),
        sa.Column("level_id", sa.Integer(), nullable=False),
        sa.Column("revision_id", sa.Integer(), nullable=True),
        _key("fit_levels", "fit_id", "fits"),
        _key("fit_levels", "level_id", "grid_levels"),
        _key("fit_levels", "revision_id", "revisions"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fit_levels")),
        sa.UniqueConstraint("fit_id", "level_id", name=op.f("uq_fit_levels_fit_id_level_id")),
    )
    op.create_index("ix_fit_levels_revision_id", "fit_levels", ["revision_id"], unique=False)


def _carry_overs() -> None:
    op.create_table(
        "carry_overs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("grid_id", sa.Integer(), nullable=False),
        sa.Column("level_id", sa.Integer(), nullable=False),
        sa.Column("from_revision_id", sa.Integer(), nullable=False),
        sa.Column("to_revision_id", sa.Integer(), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        _key("carry_overs", "grid_id", "grids"),
        _key("carry_overs", "level_id", "grid_levels"),
        _key("carry_overs", "from_revision_id", "revisions"),
        _key("carry_overs", "to_revision_id", "revisions"),
        _key("carry_overs", "by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_carry_overs")),
        sa.CheckConstraint("length(trim(sentence)) > 0", name=op.f("ck_carry_overs_sentence_not_blank")),
    )
    op.create_index("ix_carry_overs_grid_id", "carry_overs", ["grid_id"], unique=False)


def _grid_settings() -> None:
    op.create_table(
        "grid_settings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("grid_id", sa.Integer(), nullable=False),
        sa.Column("setting", sa.JSON(), nullable=False),
        sa.Column("mark", sa.String(length=12), nullable=False),
        sa.Column("same_as", sa.JSON(), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        _key("grid_settings", "grid_id", "grids"),
        _key("grid_settings", "by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_grid_settings")),
        sa.CheckConstraint("mark IN ('published', 'equivalent', 'unsafe', 'not marked')", name=op.f("ck_grid_settings_mark_word")),
    )
    op.create_index("ix_grid_settings_grid_id", "grid_settings", ["grid_id"], unique=False)


def _grid_withdrawals() -> None:
    op.create_table(
        "grid_withdrawals",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fit_id", sa.Integer(), nullable=True),
        sa.Column("rule_id", sa.Integer(), nullable=True),
        sa.Column("carry_over_id", sa.Integer(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        _key("grid_withdrawals", "fit_id", "fits"),
        _key("grid_withdrawals", "rule_id", "grid_rules"),
        _key("grid_withdrawals", "carry_over_id", "carry_overs"),
        _key("grid_withdrawals", "by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_grid_withdrawals")),
        sa.CheckConstraint("length(trim(reason)) > 0", name=op.f("ck_grid_withdrawals_reason_not_blank")),
        sa.UniqueConstraint("carry_over_id", name=op.f("uq_grid_withdrawals_carry_over_id")),
        sa.UniqueConstraint("fit_id", name=op.f("uq_grid_withdrawals_fit_id")),
        sa.UniqueConstraint("rule_id", name=op.f("uq_grid_withdrawals_rule_id")),
    )

def _trigger(table: str, event: str, name: str) -> None:
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW "
                   f"BEGIN SELECT RAISE(ABORT, '{table}: what was filed is never changed'); END")  # fmt: skip
        return
    op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}")
