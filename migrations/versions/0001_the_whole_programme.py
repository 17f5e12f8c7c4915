"""The whole programme, from accounts to rulings.

Existing rows: none, this is the first migration. Triggers keep what was filed from being changed or
deleted by accident, whatever the application does.
"""

import sqlalchemy as sa
from alembic import op

MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(32), "sqlite")

# Rows of these tables are only ever added.
ADDED_ONLY = ("happenings", "marks", "counting_notes", "concern_events", "build_pieces", "build_variants")
# Rows of these are never deleted; what was filed in them has guarded columns.
NEVER_DELETED = ("slips", "slip_versions", "runs", "as_run_builds", "rulings", "concerns", "rule_versions", "accounts")
GUARDED = {
    "slip_versions": ("slip_id", "version", "run_id", "made_by_id", "made_at", "remark", "confidence", "content_hash"),
    "slips": ("programme_id", "token", "rater_id", "filed_by_id", "captured_at", "received_at"),
    "rulings": (
        "number",
        "question_id",
        "variant_id",
        "decision",
        "form",
        "scope",
        "grounds",
        "dissent",
        "missing",
        "missing_by",
        "against_verdict_why",
        "filed_by_id",
        "filed_at",
        "fingerprint",
        "slips_at_ruling",
        "method_version",
        "verdict",
        "clause",
        "reading",
        "snapshot",
    ),
    "rule_versions": ("question_id", "version", "kind", "declared", "reason", "made_by_id", "made_at"),
    "summaries": ("fingerprint", "sheet", "method_version"),
    "concerns": ("number", "words", "raised_by_id", "raised_at"),
    "as_run_builds": ("run_id", "version", "made_by_id", "made_at"),
}
SIGNED = ("signed_by_id", "signed_at", "both_hats")  # of a ruling, once it has them

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "accounts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("login", sa.String(length=120), nullable=False),
        sa.Column("login_key", sa.String(length=120), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("password_hash", sa.String(length=200), nullable=True),
        sa.Column("starts_programmes", sa.Boolean(), nullable=False),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("disabled_at", MOMENT, nullable=True),
        sa.CheckConstraint("length(trim(login_key)) > 0", name=op.f("ck_accounts_login_key_not_blank")),
        sa.CheckConstraint("length(trim(name)) > 0", name=op.f("ck_accounts_name_not_blank")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_accounts")),
        sa.UniqueConstraint("login_key", name=op.f("uq_accounts_login_key")),
    )
    op.create_table(
        "form_receipts",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("answer", sa.String(length=400), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_form_receipts")),
    )
    op.create_table(
        "programmes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("name_key", sa.String(length=160), nullable=False),
        sa.Column("team", sa.String(length=80), nullable=False),
        sa.Column("car", sa.String(length=120), nullable=False),
        sa.Column("time_zone", sa.String(length=60), nullable=False),
        sa.Column("freeze_on", sa.Date(), nullable=True),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("started_at", MOMENT, nullable=False),
        sa.Column("edition", sa.Integer(), nullable=False),
        sa.CheckConstraint("state IN ('open', 'frozen', 'shipped', 'archived')", name=op.f("ck_programmes_state_word")),
        sa.CheckConstraint("length(trim(name)) > 0", name=op.f("ck_programmes_name_not_blank")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_programmes")),
        sa.UniqueConstraint("name_key", name=op.f("uq_programmes_name_key")),
    )
    op.create_table(
        "sign_in_failures",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("throttle_key", sa.String(length=64), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_failures")),
    )
    op.create_index("ix_sign_in_failures_throttle_key_at", "sign_in_failures", ["throttle_key", "at"], unique=False)

    op.create_table(
        "attributes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("name_key", sa.String(length=120), nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("lowest_hundredths", sa.Integer(), nullable=False),
        sa.Column("highest_hundredths", sa.Integer(), nullable=False),
        sa.Column("step_hundredths", sa.Integer(), nullable=False),
        sa.Column("anchors", sa.JSON(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("on_slip", sa.Boolean(), nullable=False),
        sa.CheckConstraint("kind IN ('quality', 'ideal_zero')", name=op.f("ck_attributes_kind_word")),
        sa.CheckConstraint("length(trim(name)) > 0", name=op.f("ck_attributes_name_not_blank")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_attributes_programme_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_attributes")),
        sa.UniqueConstraint("programme_id", "name_key", name=op.f("uq_attributes_programme_id_name_key")),
    )
    op.create_table(
        "cars",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("name_key", sa.String(length=80), nullable=False),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.CheckConstraint("length(trim(name)) > 0", name=op.f("ck_cars_name_not_blank")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_cars_programme_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cars")),
        sa.UniqueConstraint("programme_id", "name_key", name=op.f("uq_cars_programme_id_name_key")),
    )
    op.create_table(
        "happenings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=True),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=True),
        sa.Column("what", sa.String(length=60), nullable=False),
        sa.Column("thing", sa.String(length=30), nullable=False),
        sa.Column("thing_id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=160), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["by_id"], ["accounts.id"], name=op.f("fk_happenings_by_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_happenings_programme_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_happenings")),
    )
    op.create_index("ix_happenings_programme_id_id", "happenings", ["programme_id", "id"], unique=False)
    op.create_index("ix_happenings_thing", "happenings", ["programme_id", "thing", "thing_id"], unique=False)

    op.create_table(
        "invitations",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=True),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("initials", sa.String(length=12), nullable=False),
        sa.Column("hats", sa.String(length=80), nullable=False),
        sa.Column("invited_by_id", sa.Integer(), nullable=True),
        sa.Column("made_at", MOMENT, nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False),
        sa.Column("used_at", MOMENT, nullable=True),
        sa.Column("withdrawn_at", MOMENT, nullable=True),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_invitations_account_id")),
        sa.ForeignKeyConstraint(["invited_by_id"], ["accounts.id"], name=op.f("fk_invitations_invited_by_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_invitations_programme_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_invitations")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_invitations_token_hash")),
    )
    op.create_table(
        "known_devices",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("first_seen_at", MOMENT, nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_known_devices_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_known_devices")),
        sa.UniqueConstraint("account_id", "token_hash", name=op.f("uq_known_devices_account_id_token_hash")),
    )
    op.create_table(
        "memberships",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("initials", sa.String(length=12), nullable=False),
        sa.Column("initials_key", sa.String(length=24), nullable=False),
        sa.Column("hats", sa.String(length=80), nullable=False),
        sa.Column("joined_at", MOMENT, nullable=False),
        sa.Column("left_at", MOMENT, nullable=True),
        sa.CheckConstraint("length(trim(initials)) > 0", name=op.f("ck_memberships_initials_not_blank")),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_memberships_account_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_memberships_programme_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_memberships")),
        sa.UniqueConstraint("programme_id", "account_id", name=op.f("uq_memberships_programme_id_account_id")),
        sa.UniqueConstraint("programme_id", "initials_key", name=op.f("uq_memberships_programme_id_initials_key")),
    )
    op.create_index("ix_memberships_account_id", "memberships", ["account_id"], unique=False)

    op.create_table(
        "parts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=24), nullable=False),
        sa.Column("code", sa.String(length=12), nullable=False),
        sa.Column("code_key", sa.String(length=24), nullable=False),
        sa.Column("title", sa.String(length=120), nullable=False),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("edition", sa.Integer(), nullable=False),
        sa.CheckConstraint("length(trim(code)) > 0", name=op.f("ck_parts_code_not_blank")),
        sa.CheckConstraint("length(trim(title)) > 0", name=op.f("ck_parts_title_not_blank")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_parts_programme_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_parts")),
        sa.UniqueConstraint("programme_id", "code_key", name=op.f("uq_parts_programme_id_code_key")),
        sa.UniqueConstraint("programme_id", "number", name=op.f("uq_parts_programme_id_number")),
    )
    op.create_table(
        "questions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("title", sa.String(length=120), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("asked_ground", sa.String(length=20), nullable=False),
        sa.Column("deciding_ground", sa.String(length=20), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("owner_id", sa.Integer(), nullable=False),
        sa.Column("decide_by", sa.Date(), nullable=True),
        sa.Column("created_by_id", sa.Integer(), nullable=False),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("edition", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "state IN ('draft', 'asked', 'running', 'ready to rule', 'ruled', 'reopened', 'dropped')",
            name=op.f("ck_questions_state_word"),
        ),
        sa.CheckConstraint("length(trim(title)) > 0", name=op.f("ck_questions_title_not_blank")),
        sa.ForeignKeyConstraint(["created_by_id"], ["accounts.id"], name=op.f("fk_questions_created_by_id")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_questions_owner_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_questions_programme_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_questions")),
        sa.UniqueConstraint("programme_id", "number", name=op.f("uq_questions_programme_id_number")),
    )
    op.create_table(
        "sessions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("alias", sa.String(length=60), nullable=False),
        sa.Column("place", sa.String(length=80), nullable=False),
        sa.Column("time_zone", sa.String(length=60), nullable=False),
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("surface", sa.String(length=20), nullable=False),
        sa.Column("grip", sa.String(length=12), nullable=False),
        sa.Column("air_temp_degC", sa.Float(), nullable=True),
        sa.Column("track_temp_degC", sa.Float(), nullable=True),
        sa.Column("humidity_percent", sa.Float(), nullable=True),
        sa.Column("layout", sa.String(length=60), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("order_known", sa.Boolean(), nullable=False),
        sa.Column("opened_at", MOMENT, nullable=True),
        sa.Column("closed_at", MOMENT, nullable=True),
        sa.Column("created_by_id", sa.Integer(), nullable=False),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("edition", sa.Integer(), nullable=False),
        sa.CheckConstraint("grip IN ('low', 'medium', 'high', 'very high')", name=op.f("ck_sessions_grip_word")),
        sa.CheckConstraint(
            "state IN ('planned', 'open', 'cut short', 'closed', 'reconciled')", name=op.f("ck_sessions_state_word")
        ),
        sa.CheckConstraint(
            "surface IN ('carpet', 'artificial turf', 'clay', 'dirt', 'asphalt', 'wood', 'other')",
            name=op.f("ck_sessions_surface_word"),
        ),
        sa.CheckConstraint("length(trim(place)) > 0", name=op.f("ck_sessions_place_not_blank")),
        sa.ForeignKeyConstraint(["created_by_id"], ["accounts.id"], name=op.f("fk_sessions_created_by_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_sessions_programme_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sessions")),
        sa.UniqueConstraint("programme_id", "number", name=op.f("uq_sessions_programme_id_number")),
    )
    op.create_table(
        "sign_ins",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("started_at", MOMENT, nullable=False),
        sa.Column("last_seen_at", MOMENT, nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False),
        sa.Column("ended_at", MOMENT, nullable=True),
        sa.Column("device", sa.String(length=200), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_sign_ins_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_ins")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_sign_ins_token_hash")),
    )
    op.create_index("ix_sign_ins_account_id", "sign_ins", ["account_id"], unique=False)

    op.create_table(
        "looks",
        sa.Column("question_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("fingerprint", sa.String(length=64), nullable=False),
        sa.Column("stamp", sa.Integer(), nullable=False),
        sa.Column("readings", sa.JSON(), nullable=False),
        sa.Column("computed_at", MOMENT, nullable=False),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_looks_programme_id")),
        sa.ForeignKeyConstraint(["question_id"], ["questions.id"], name=op.f("fk_looks_question_id")),
        sa.PrimaryKeyConstraint("question_id", name=op.f("pk_looks")),
    )
    op.create_index("ix_looks_programme_id", "looks", ["programme_id"], unique=False)

    op.create_table(
        "revisions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("part_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.String(length=16), nullable=False),
        sa.Column("line_key", sa.String(length=32), nullable=False),
        sa.Column("step", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=60), nullable=False),
        sa.Column("alias", sa.String(length=60), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("file_name", sa.String(length=120), nullable=False),
        sa.Column("file_digest", sa.String(length=64), nullable=False),
        sa.Column("file_bytes", sa.BigInteger(), nullable=False),
        sa.Column("mass_g", sa.Float(), nullable=True),
        sa.Column("unit_cost", sa.Float(), nullable=True),
        sa.Column("lead_time_days", sa.Integer(), nullable=True),
        sa.Column("change_note", sa.Text(), nullable=False),
        sa.Column("created_by_id", sa.Integer(), nullable=False),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("edition", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "state IN ('draft', 'issued', 'in test', 'candidate', 'frozen', 'superseded', 'withdrawn')",
            name=op.f("ck_revisions_state_word"),
        ),
        sa.CheckConstraint("length(trim(line)) > 0", name=op.f("ck_revisions_line_not_blank")),
        sa.ForeignKeyConstraint(["created_by_id"], ["accounts.id"], name=op.f("fk_revisions_created_by_id")),
        sa.ForeignKeyConstraint(["part_id"], ["parts.id"], name=op.f("fk_revisions_part_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_revisions_programme_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_revisions")),
        sa.UniqueConstraint("part_id", "line_key", "step", name=op.f("uq_revisions_part_id_line_key_step")),
    )
    op.create_index("ix_revisions_programme_id", "revisions", ["programme_id"], unique=False)

    op.create_table(
        "rule_versions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("question_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("declared", sa.JSON(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=False),
        sa.Column("made_at", MOMENT, nullable=False),
        sa.Column("locked_at", MOMENT, nullable=True),
        sa.CheckConstraint("kind IN ('gain', 'no_worse')", name=op.f("ck_rule_versions_kind_word")),
        sa.ForeignKeyConstraint(["made_by_id"], ["accounts.id"], name=op.f("fk_rule_versions_made_by_id")),
        sa.ForeignKeyConstraint(["question_id"], ["questions.id"], name=op.f("fk_rule_versions_question_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rule_versions")),
        sa.UniqueConstraint("question_id", "version", name=op.f("uq_rule_versions_question_id_version")),
    )
    op.create_table(
        "runs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("alias", sa.String(length=60), nullable=False),
        sa.Column("car_id", sa.Integer(), nullable=False),
        sa.Column("driver_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("planned_at", MOMENT, nullable=True),
        sa.Column("started_at", MOMENT, nullable=True),
        sa.Column("ended_at", MOMENT, nullable=True),
        sa.Column("laps_driven", sa.Integer(), nullable=True),
        sa.Column("tyre_set", sa.String(length=40), nullable=False),
        sa.Column("tyre_runs", sa.Integer(), nullable=True),
        sa.Column("pack", sa.String(length=40), nullable=False),
        sa.Column("pack_rest_V", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("edition", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "state IN ('planned', 'driving', 'driven', 'short', 'void', 'not driven')", name=op.f("ck_runs_state_word")
        ),
        sa.ForeignKeyConstraint(["car_id"], ["cars.id"], name=op.f("fk_runs_car_id")),
        sa.ForeignKeyConstraint(["driver_id"], ["accounts.id"], name=op.f("fk_runs_driver_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_runs_programme_id")),
        sa.ForeignKeyConstraint(["session_id"], ["sessions.id"], name=op.f("fk_runs_session_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_runs")),
        sa.UniqueConstraint("session_id", "number", name=op.f("uq_runs_session_id_number")),
    )
    op.create_index("ix_runs_programme_id_driver_id", "runs", ["programme_id", "driver_id"], unique=False)

    op.create_table(
        "session_people",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("duty", sa.String(length=12), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_session_people_account_id")),
        sa.ForeignKeyConstraint(["session_id"], ["sessions.id"], name=op.f("fk_session_people_session_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_session_people")),
        sa.UniqueConstraint(
            "session_id", "account_id", "duty", name=op.f("uq_session_people_session_id_account_id_duty")
        ),
    )
    op.create_index("ix_session_people_account_id", "session_people", ["account_id"], unique=False)

    op.create_table(
        "summaries",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fingerprint", sa.String(length=64), nullable=False),
        sa.Column("question_id", sa.Integer(), nullable=False),
        sa.Column("method_version", sa.String(length=16), nullable=False),
        sa.Column("sheet", sa.JSON(), nullable=False),
        sa.Column("computed_at", MOMENT, nullable=False),
        sa.ForeignKeyConstraint(["question_id"], ["questions.id"], name=op.f("fk_summaries_question_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_summaries")),
        sa.UniqueConstraint("fingerprint", name=op.f("uq_summaries_fingerprint")),
    )
    op.create_index("ix_summaries_question_id", "summaries", ["question_id"], unique=False)

    op.create_table(
        "variants",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("question_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=24), nullable=False),
        sa.Column("code_key", sa.String(length=48), nullable=False),
        sa.Column("title", sa.String(length=120), nullable=False),
        sa.Column("is_control", sa.Boolean(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("whole_car", sa.Boolean(), nullable=False),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.CheckConstraint("state IN ('live', 'parked', 'eliminated')", name=op.f("ck_variants_state_word")),
        sa.CheckConstraint("length(trim(code)) > 0", name=op.f("ck_variants_code_not_blank")),
        sa.ForeignKeyConstraint(["question_id"], ["questions.id"], name=op.f("fk_variants_question_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_variants")),
        sa.UniqueConstraint("question_id", "code_key", name=op.f("uq_variants_question_id_code_key")),
    )
    op.create_index(
        "uq_variants_one_control",
        "variants",
        ["question_id"],
        unique=True,
        sqlite_where=sa.text("is_control"),
        postgresql_where=sa.text("is_control"),
    )

    op.create_table(
        "as_run_builds",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=False),
        sa.Column("made_at", MOMENT, nullable=False),
        sa.Column("confirmed_by_id", sa.Integer(), nullable=True),
        sa.Column("confirmed_at", MOMENT, nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.CheckConstraint("state IN ('assumed', 'confirmed', 'corrected')", name=op.f("ck_as_run_builds_state_word")),
        sa.ForeignKeyConstraint(["confirmed_by_id"], ["accounts.id"], name=op.f("fk_as_run_builds_confirmed_by_id")),
        sa.ForeignKeyConstraint(["made_by_id"], ["accounts.id"], name=op.f("fk_as_run_builds_made_by_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_as_run_builds_programme_id")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_as_run_builds_run_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_as_run_builds")),
        sa.UniqueConstraint("run_id", "version", name=op.f("uq_as_run_builds_run_id_version")),
    )
    op.create_index("ix_as_run_builds_programme_id", "as_run_builds", ["programme_id"], unique=False)

    op.create_table(
        "pieces",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("revision_id", sa.Integer(), nullable=False),
        sa.Column("mark", sa.String(length=12), nullable=False),
        sa.Column("process", sa.String(length=20), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("place", sa.String(length=60), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("modified_from_id", sa.Integer(), nullable=True),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("edition", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "process IN ('printed', 'machined', 'waterjet carbon', 'soft-tool moulded', 'production tool', 'bought in')",
            name=op.f("ck_pieces_process_word"),
        ),
        sa.CheckConstraint(
            "state IN ('on hand', 'on car', 'modified', 'quarantined', 'broken', 'scrapped', 'lost')",
            name=op.f("ck_pieces_state_word"),
        ),
        sa.ForeignKeyConstraint(["modified_from_id"], ["pieces.id"], name=op.f("fk_pieces_modified_from_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_pieces_programme_id")),
        sa.ForeignKeyConstraint(["revision_id"], ["revisions.id"], name=op.f("fk_pieces_revision_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pieces")),
        sa.UniqueConstraint("revision_id", "mark", name=op.f("uq_pieces_revision_id_mark")),
    )
    op.create_index("ix_pieces_programme_id", "pieces", ["programme_id"], unique=False)

    op.create_table(
        "rulings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("question_id", sa.Integer(), nullable=False),
        sa.Column("variant_id", sa.Integer(), nullable=False),
        sa.Column("decision", sa.String(length=8), nullable=False),
        sa.Column("form", sa.String(length=16), nullable=False),
        sa.Column("scope", sa.String(length=200), nullable=False),
        sa.Column("grounds", sa.Text(), nullable=False),
        sa.Column("dissent", sa.Text(), nullable=False),
        sa.Column("missing", sa.Text(), nullable=False),
        sa.Column("missing_by", sa.Date(), nullable=True),
        sa.Column("against_verdict_why", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("filed_by_id", sa.Integer(), nullable=False),
        sa.Column("filed_at", MOMENT, nullable=False),
        sa.Column("signed_by_id", sa.Integer(), nullable=True),
        sa.Column("signed_at", MOMENT, nullable=True),
        sa.Column("both_hats", sa.Boolean(), nullable=False),
        sa.Column("fingerprint", sa.String(length=64), nullable=False),
        sa.Column("slips_at_ruling", sa.Integer(), nullable=False),
        sa.Column("method_version", sa.String(length=16), nullable=False),
        sa.Column("verdict", sa.String(length=10), nullable=False),
        sa.Column("clause", sa.String(length=24), nullable=False),
        sa.Column("reading", sa.String(length=40), nullable=False),
        sa.Column("snapshot", sa.JSON(), nullable=False),
        sa.CheckConstraint("decision IN ('adopt', 'reject', 'retest')", name=op.f("ck_rulings_decision_word")),
        sa.CheckConstraint("form IN ('sole', 'as a setting', 'confirmed as is')", name=op.f("ck_rulings_form_word")),
        sa.CheckConstraint(
            "state IN ('provisional', 'standing', 'reopened', 'superseded')", name=op.f("ck_rulings_state_word")
        ),
        sa.ForeignKeyConstraint(["filed_by_id"], ["accounts.id"], name=op.f("fk_rulings_filed_by_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_rulings_programme_id")),
        sa.ForeignKeyConstraint(["question_id"], ["questions.id"], name=op.f("fk_rulings_question_id")),
        sa.ForeignKeyConstraint(["signed_by_id"], ["accounts.id"], name=op.f("fk_rulings_signed_by_id")),
        sa.ForeignKeyConstraint(["variant_id"], ["variants.id"], name=op.f("fk_rulings_variant_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rulings")),
        sa.UniqueConstraint("programme_id", "number", name=op.f("uq_rulings_programme_id_number")),
    )
    op.create_index(
        "uq_rulings_one_provisional",
        "rulings",
        ["variant_id"],
        unique=True,
        sqlite_where=sa.text("state = 'provisional'"),
        postgresql_where=sa.text("state = 'provisional'"),
    )
    op.create_index(
        "uq_rulings_one_standing",
        "rulings",
        ["variant_id"],
        unique=True,
        sqlite_where=sa.text("state = 'standing'"),
        postgresql_where=sa.text("state = 'standing'"),
    )

    op.create_table(
        "slips",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("token", sa.String(length=64), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("rater_id", sa.Integer(), nullable=False),
        sa.Column("filed_by_id", sa.Integer(), nullable=False),
        sa.Column("source", sa.String(length=16), nullable=False),
        sa.Column("paper_card", sa.String(length=40), nullable=False),
        sa.Column("captured_at", MOMENT, nullable=False),
        sa.Column("received_at", MOMENT, nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("withdrawn_at", MOMENT, nullable=True),
        sa.Column("withdrawn_why", sa.Text(), nullable=False),
        sa.CheckConstraint("source IN ('form', 'paper card', 'imported table')", name=op.f("ck_slips_source_word")),
        sa.ForeignKeyConstraint(["filed_by_id"], ["accounts.id"], name=op.f("fk_slips_filed_by_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_slips_programme_id")),
        sa.ForeignKeyConstraint(["rater_id"], ["accounts.id"], name=op.f("fk_slips_rater_id")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_slips_run_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_slips")),
        sa.UniqueConstraint("programme_id", "token", name=op.f("uq_slips_programme_id_token")),
    )
    op.create_index("ix_slips_rater_id", "slips", ["rater_id"], unique=False)
    op.create_index("ix_slips_run_id", "slips", ["run_id"], unique=False)
    op.create_index(
        "uq_slips_live_run_id_rater_id",
        "slips",
        ["run_id", "rater_id"],
        unique=True,
        sqlite_where=sa.text("withdrawn_at IS NULL"),
        postgresql_where=sa.text("withdrawn_at IS NULL"),
    )

    op.create_table(
        "variant_revisions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("variant_id", sa.Integer(), nullable=False),
        sa.Column("revision_id", sa.Integer(), nullable=False),
        sa.Column("added_at", MOMENT, nullable=False),
        sa.ForeignKeyConstraint(["revision_id"], ["revisions.id"], name=op.f("fk_variant_revisions_revision_id")),
        sa.ForeignKeyConstraint(["variant_id"], ["variants.id"], name=op.f("fk_variant_revisions_variant_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_variant_revisions")),
        sa.UniqueConstraint("variant_id", "revision_id", name=op.f("uq_variant_revisions_variant_id_revision_id")),
    )
    op.create_index("ix_variant_revisions_revision_id", "variant_revisions", ["revision_id"], unique=False)

    op.create_table(
        "build_pieces",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("build_id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["build_id"], ["as_run_builds.id"], name=op.f("fk_build_pieces_build_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_build_pieces_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_build_pieces")),
        sa.UniqueConstraint("build_id", "piece_id", name=op.f("uq_build_pieces_build_id_piece_id")),
    )
    op.create_index("ix_build_pieces_piece_id", "build_pieces", ["piece_id"], unique=False)

    op.create_table(
        "build_variants",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("build_id", sa.Integer(), nullable=False),
        sa.Column("question_id", sa.Integer(), nullable=False),
        sa.Column("variant_id", sa.Integer(), nullable=False),
        sa.Column("declared", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["build_id"], ["as_run_builds.id"], name=op.f("fk_build_variants_build_id")),
        sa.ForeignKeyConstraint(["question_id"], ["questions.id"], name=op.f("fk_build_variants_question_id")),
        sa.ForeignKeyConstraint(["variant_id"], ["variants.id"], name=op.f("fk_build_variants_variant_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_build_variants")),
        sa.UniqueConstraint("build_id", "question_id", name=op.f("uq_build_variants_build_id_question_id")),
    )
    op.create_index("ix_build_variants_variant_id", "build_variants", ["variant_id"], unique=False)

    op.create_table(
        "concerns",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("raised_by_id", sa.Integer(), nullable=False),
        sa.Column("raised_at", MOMENT, nullable=False),
        sa.Column("danger", sa.String(length=14), nullable=False),
        sa.Column("product_severity", sa.Integer(), nullable=False),
        sa.Column("blocker", sa.Boolean(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("owner_id", sa.Integer(), nullable=True),
        sa.Column("revision_id", sa.Integer(), nullable=True),
        sa.Column("piece_id", sa.Integer(), nullable=True),
        sa.Column("run_id", sa.Integer(), nullable=True),
        sa.Column("question_id", sa.Integer(), nullable=True),
        sa.Column("close_kind", sa.String(length=40), nullable=False),
        sa.Column("edition", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "danger IN ('catastrophic', 'critical', 'marginal', 'negligible')", name=op.f("ck_concerns_danger_word")
        ),
        sa.CheckConstraint("state IN ('raised', 'closed', 'open again')", name=op.f("ck_concerns_state_word")),
        sa.CheckConstraint("length(trim(words)) > 0", name=op.f("ck_concerns_words_not_blank")),
        sa.CheckConstraint("product_severity BETWEEN 1 AND 10", name=op.f("ck_concerns_product_severity_range")),
        sa.ForeignKeyConstraint(["owner_id"], ["accounts.id"], name=op.f("fk_concerns_owner_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["pieces.id"], name=op.f("fk_concerns_piece_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_concerns_programme_id")),
        sa.ForeignKeyConstraint(["question_id"], ["questions.id"], name=op.f("fk_concerns_question_id")),
        sa.ForeignKeyConstraint(["raised_by_id"], ["accounts.id"], name=op.f("fk_concerns_raised_by_id")),
        sa.ForeignKeyConstraint(["revision_id"], ["revisions.id"], name=op.f("fk_concerns_revision_id")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_concerns_run_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_concerns")),
        sa.UniqueConstraint("programme_id", "number", name=op.f("uq_concerns_programme_id_number")),
    )
    op.create_index("ix_concerns_question_id", "concerns", ["question_id"], unique=False)
    op.create_index("ix_concerns_revision_id", "concerns", ["revision_id"], unique=False)

    op.create_table(
        "counting_notes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("slip_id", sa.Integer(), nullable=True),
        sa.Column("counts", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.String(length=40), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.CheckConstraint(
            "reason IN ('wrong run', 'cars swapped', 'damaged before or during', 'too few laps', 'no closing control', 'drift over limit', 'condition out of band', 'tyres or pack not matched', 'second change on car', 'very late', 'filed by wrong person', 'piece out of tolerance', 'value changed after key open', 'filed twice', 'test entry')",
            name=op.f("ck_counting_notes_reason_word"),
        ),
        sa.ForeignKeyConstraint(["by_id"], ["accounts.id"], name=op.f("fk_counting_notes_by_id")),
        sa.ForeignKeyConstraint(["programme_id"], ["programmes.id"], name=op.f("fk_counting_notes_programme_id")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_counting_notes_run_id")),
        sa.ForeignKeyConstraint(["slip_id"], ["slips.id"], name=op.f("fk_counting_notes_slip_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_counting_notes")),
    )
    op.create_index("ix_counting_notes_run_id", "counting_notes", ["run_id"], unique=False)
    op.create_index("ix_counting_notes_slip_id", "counting_notes", ["slip_id"], unique=False)

    op.create_table(
        "slip_versions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("slip_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("build_id", sa.Integer(), nullable=True),
        sa.Column("made_by_id", sa.Integer(), nullable=False),
        sa.Column("made_at", MOMENT, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("confidence", sa.String(length=8), nullable=False),
        sa.Column("heard_others", sa.Boolean(), nullable=False),
        sa.Column("remark", sa.Text(), nullable=False),
        sa.Column("content_hash", sa.String(length=64), nullable=False),
        sa.CheckConstraint("state IN ('stands', 'proposed', 'refused')", name=op.f("ck_slip_versions_state_word")),
        sa.ForeignKeyConstraint(["build_id"], ["as_run_builds.id"], name=op.f("fk_slip_versions_build_id")),
        sa.ForeignKeyConstraint(["made_by_id"], ["accounts.id"], name=op.f("fk_slip_versions_made_by_id")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_slip_versions_run_id")),
        sa.ForeignKeyConstraint(["slip_id"], ["slips.id"], name=op.f("fk_slip_versions_slip_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_slip_versions")),
        sa.UniqueConstraint("slip_id", "version", name=op.f("uq_slip_versions_slip_id_version")),
    )
    op.create_table(
        "concern_events",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("concern_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.ForeignKeyConstraint(["by_id"], ["accounts.id"], name=op.f("fk_concern_events_by_id")),
        sa.ForeignKeyConstraint(["concern_id"], ["concerns.id"], name=op.f("fk_concern_events_concern_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_concern_events")),
    )
    op.create_index("ix_concern_events_concern_id", "concern_events", ["concern_id"], unique=False)

    op.create_table(
        "marks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("slip_version_id", sa.Integer(), nullable=False),
        sa.Column("attribute_id", sa.Integer(), nullable=False),
        sa.Column("mark_hundredths", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["attribute_id"], ["attributes.id"], name=op.f("fk_marks_attribute_id")),
        sa.ForeignKeyConstraint(["slip_version_id"], ["slip_versions.id"], name=op.f("fk_marks_slip_version_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_marks")),
        sa.UniqueConstraint("slip_version_id", "attribute_id", name=op.f("uq_marks_slip_version_id_attribute_id")),
    )
    op.create_index("ix_marks_attribute_id", "marks", ["attribute_id"], unique=False)
    _guard()


def downgrade() -> None:
    _unguard()

    op.drop_table("marks")

    op.drop_table("concern_events")
    op.drop_table("slip_versions")

    op.drop_table("counting_notes")

    op.drop_table("concerns")

    op.drop_table("build_variants")

    op.drop_table("build_pieces")

    op.drop_table("variant_revisions")

    op.drop_table("slips")

    op.drop_table("rulings")

    op.drop_table("pieces")

    op.drop_table("as_run_builds")

    op.drop_table("variants")

    op.drop_table("summaries")

    op.drop_table("session_people")

    op.drop_table("runs")
    op.drop_table("rule_versions")

    op.drop_table("revisions")

    op.drop_table("looks")

    op.drop_table("sign_ins")
    op.drop_table("sessions")
    op.drop_table("questions")
    op.drop_table("parts")

    op.drop_table("memberships")
    op.drop_table("known_devices")
    op.drop_table("invitations")

    op.drop_table("happenings")
    op.drop_table("cars")
    op.drop_table("attributes")

    op.drop_table("sign_in_failures")
    op.drop_table("programmes")
    op.drop_table("form_receipts")
    op.drop_table("accounts")


def _guard() -> None:
    sqlite = op.get_bind().dialect.name == "sqlite"
    if not sqlite:
        op.execute("""CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
            BEGIN RAISE EXCEPTION '% of %: what was filed is never changed', TG_OP, TG_TABLE_NAME; END $$""")
    for table in ADDED_ONLY:
        _trigger(sqlite, table, "UPDATE", f"{table}_no_update")
    for table in (*ADDED_ONLY, *NEVER_DELETED):
        _trigger(sqlite, table, "DELETE", f"{table}_no_delete")
    for table, columns in GUARDED.items():
        _trigger(sqlite, table, f"UPDATE OF {', '.join(columns)}", f"{table}_as_filed", columns)
    _trigger(sqlite, "rulings", "UPDATE", "rulings_as_signed", SIGNED, only="OLD.signed_at IS NOT NULL AND ")


def _trigger(sqlite: bool, table: str, event: str, name: str, columns: tuple[str, ...] = (), only: str = "") -> None:
    same = "IS NOT" if sqlite else "IS DISTINCT FROM"
    when = (
        f" WHEN ({only}({' OR '.join(f'CAST(OLD.{c} AS TEXT) {same} CAST(NEW.{c} AS TEXT)' for c in columns)}))"
        if columns
        else ""
    )
    if sqlite:
        op.execute(
            f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW{when} "
            f"BEGIN SELECT RAISE(ABORT, '{table}: what was filed is never changed'); END"
        )
        return
    op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW{when} EXECUTE FUNCTION refuse_change()")
    op.execute(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}")


def _unguard() -> None:
    sqlite = op.get_bind().dialect.name == "sqlite"
    names = [(f"{t}_no_update", t) for t in ADDED_ONLY] + [(f"{t}_no_delete", t) for t in (*ADDED_ONLY, *NEVER_DELETED)]
    for name, table in [*names, *((f"{t}_as_filed", t) for t in GUARDED), ("rulings_as_signed", "rulings")]:
        op.execute(f"DROP TRIGGER {name}" + ("" if sqlite else f" ON {table}"))
    if not sqlite:
        op.execute("DROP FUNCTION refuse_change()")
