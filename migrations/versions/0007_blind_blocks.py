"""Blind blocks: codes, the sealed key with what is on the car, guesses and forced choices.

Existing rows: runs get no code, and none is under a sealed key. Seven tables are added. Going back drops them with what was filed in them.
Triggers keep codes, runs, builds, guesses and choices as filed, and an opened key from being closed or reworded.
"""

import sqlalchemy as sa
from alembic import op

MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(32), "sqlite")

BLOCKS = "blind_blocks"
ADDED_ONLY = ("blind_codes", "blind_runs", "blind_builds", "blind_pieces", "blind_guesses", "blind_choices")
AS_FILED = ("programme_id", "session_id", "number", "question_id", "kind", "asked", "expected_id", "holder_id", "made_at")
OPENED = ("state", "opened_by_id", "opened_at", "opened_why", "missing")  # once it is
OF_RUNS = "runs_code_once"

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("runs", sa.Column("blind_code", sa.Integer(), nullable=True))
    op.add_column("runs", sa.Column("sealed_question_id", sa.Integer(), nullable=True))
    _blocks()
    _codes()
    _runs()
    _builds()
    _answers()
    _guard()


def downgrade() -> None:
    for table in (*reversed(ADDED_ONLY), BLOCKS):
        op.drop_table(table)  # and its triggers with it
    op.execute(f"DROP TRIGGER {OF_RUNS}" + ("" if op.get_bind().dialect.name == "sqlite" else " ON runs"))
    op.drop_column("runs", "sealed_question_id")
    op.drop_column("runs", "blind_code")


def _key(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}"))


def _id() -> sa.Column:
    return sa.Column("id", sa.Integer(), nullable=False)


def _whole(*names: str) -> list[sa.Column]:
    return [sa.Column(name, sa.Integer(), nullable=False) for name in names]


def _primary(table: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}"))


def _blocks() -> None:
    op.create_table(
        BLOCKS, _id(), *_whole("programme_id", "session_id", "number", "question_id"),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("asked", sa.String(length=120), nullable=False),
        sa.Column("expected_id", sa.Integer(), nullable=True),
        sa.Column("holder_id", sa.Integer(), nullable=False),
        sa.Column("made_at", MOMENT, nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("opened_by_id", sa.Integer(), nullable=True),
        sa.Column("opened_at", MOMENT, nullable=True),
        sa.Column("opened_why", sa.Text(), nullable=False),
        sa.Column("missing", sa.Integer(), nullable=True),
        sa.CheckConstraint("kind IN ('rated', 'triangle', 'paired')", name=op.f("ck_blind_blocks_kind_word")),
        sa.CheckConstraint("state IN ('sealed', 'opened on plan', 'opened early')", name=op.f("ck_blind_blocks_state_word")),
        _key(BLOCKS, "programme_id", "programmes"), _key(BLOCKS, "session_id", "sessions"),
        _key(BLOCKS, "question_id", "questions"), _key(BLOCKS, "expected_id", "variants"),
        _key(BLOCKS, "holder_id", "accounts"), _key(BLOCKS, "opened_by_id", "accounts"), _primary(BLOCKS),
        sa.UniqueConstraint("session_id", "number", name=op.f("uq_blind_blocks_session_id_number")),
    )  # fmt: skip
    op.create_index("ix_blind_blocks_programme_id", BLOCKS, ["programme_id"], unique=False)
    op.create_index("ix_blind_blocks_question_id", BLOCKS, ["question_id"], unique=False)


def _codes() -> None:
    op.create_table(
        "blind_codes", _id(), *_whole("block_id", "session_id", "code", "variant_id"),
        sa.Column("repeat", sa.Boolean(), nullable=False),
        sa.CheckConstraint("code BETWEEN 100 AND 999", name=op.f("ck_blind_codes_three_digits")),
        _key("blind_codes", "block_id", BLOCKS), _key("blind_codes", "session_id", "sessions"),
        _key("blind_codes", "variant_id", "variants"), _primary("blind_codes"),
        sa.UniqueConstraint("session_id", "code", name=op.f("uq_blind_codes_session_id_code")),
    )  # fmt: skip
    op.create_index("ix_blind_codes_block_id", "blind_codes", ["block_id"], unique=False)


def _runs() -> None:
    op.create_table(
        "blind_runs", _id(), *_whole("block_id", "run_id", "code_id"),
        _key("blind_runs", "block_id", BLOCKS), _key("blind_runs", "run_id", "runs"),
        _key("blind_runs", "code_id", "blind_codes"), _primary("blind_runs"),
        sa.UniqueConstraint("run_id", name=op.f("uq_blind_runs_run_id")),
    )  # fmt: skip
    op.create_index("ix_blind_runs_block_id", "blind_runs", ["block_id"], unique=False)


def _builds() -> None:
    op.create_table(
        "blind_builds", _id(), *_whole("run_id", "version"),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.Column("confirmed", sa.Boolean(), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=False),
        sa.Column("made_at", MOMENT, nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        _key("blind_builds", "run_id", "runs"), _key("blind_builds", "made_by_id", "accounts"), _primary("blind_builds"),
        sa.UniqueConstraint("run_id", "version", name=op.f("uq_blind_builds_run_id_version")),
    )  # fmt: skip
    op.create_table(
        "blind_pieces", _id(), *_whole("build_id", "piece_id"),
        _key("blind_pieces", "build_id", "blind_builds"), _key("blind_pieces", "piece_id", "pieces"), _primary("blind_pieces"),
        sa.UniqueConstraint("build_id", "piece_id", name=op.f("uq_blind_pieces_build_id_piece_id")),
    )  # fmt: skip


def _answers() -> None:
    op.create_table(
        "blind_guesses", _id(), *_whole("code_id", "rater_id", "variant_id"), sa.Column("at", MOMENT, nullable=False),
        _key("blind_guesses", "code_id", "blind_codes"), _key("blind_guesses", "rater_id", "accounts"),
        _key("blind_guesses", "variant_id", "variants"), _primary("blind_guesses"),
        sa.UniqueConstraint("code_id", "rater_id", name=op.f("uq_blind_guesses_code_id_rater_id")),
    )  # fmt: skip
    op.create_table(
        "blind_choices", _id(), *_whole("block_id", "rater_id", "first_run_id", "chosen_run_id"),
        sa.Column("at", MOMENT, nullable=False),
        _key("blind_choices", "block_id", BLOCKS), _key("blind_choices", "rater_id", "accounts"),
        _key("blind_choices", "first_run_id", "runs"), _key("blind_choices", "chosen_run_id", "runs"), _primary("blind_choices"),
        sa.UniqueConstraint("first_run_id", name=op.f("uq_blind_choices_first_run_id")),
    )  # fmt: skip
    op.create_index("ix_blind_choices_block_id", "blind_choices", ["block_id"], unique=False)


def _guard() -> None:
    same = "IS NOT" if op.get_bind().dialect.name == "sqlite" else "IS DISTINCT FROM"
    for table in ADDED_ONLY:
        _trigger(table, "UPDATE", f"{table}_no_update")
    for table in (*ADDED_ONLY, BLOCKS):
        _trigger(table, "DELETE", f"{table}_no_delete")
    _trigger(BLOCKS, f"UPDATE OF {', '.join(AS_FILED)}", f"{BLOCKS}_as_filed", _differs(AS_FILED))
    _trigger(BLOCKS, "UPDATE", f"{BLOCKS}_as_opened", f"OLD.state <> 'sealed' AND ({_differs(OPENED)})")
    _trigger("runs", "UPDATE OF blind_code, sealed_question_id", OF_RUNS,
             f"OLD.blind_code IS NOT NULL AND (NEW.blind_code {same} OLD.blind_code OR (NEW.sealed_question_id IS NOT NULL "
             f"AND NEW.sealed_question_id {same} OLD.sealed_question_id))")  # fmt: skip


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
