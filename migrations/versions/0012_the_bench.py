"""The bench: characteristics with limits, gauges, reading sets, gauge studies, fits, chains of parts, expected effects.

Existing rows: none is touched; ten tables are added. Going back drops them with what was noted in them. Triggers keep what
was read from being changed or deleted, and a withdrawal or retirement from being taken back or reworded.
"""

import sqlalchemy as sa
from alembic import op

MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(32), "sqlite")
ADDED_ONLY = ("characteristic_limits", "set_readings", "study_readings")
AS_FILED = {
    "characteristics": "programme_id part_id kind name name_key note added_by_id added_at",
    "gauges": "programme_id number name name_key unit resolution standard_uncertainty lowest highest typed certificate calibrated_on "
              "added_by_id added_at",
    "reading_sets": "programme_id piece_id characteristic_id gauge_id resolution gauge_uncertainty temperature_degC temperature_raw taken "
                    "session_id measured_at taken_by_id noted_by_id noted_at note",
    "gauge_studies": "programme_id number characteristic_id gauge_id note noted_by_id noted_at",
    "mating_fits": "programme_id number name nominal_mm hole_typed hole_lower_um hole_upper_um hole_source shaft_typed shaft_lower_um "
            "shaft_upper_um shaft_source spread_mm hole_characteristic_id shaft_characteristic_id seed noted_by_id noted_at",
    "chains": "programme_id number name typed lowest_mm highest_mm seed noted_by_id noted_at",
    "expected_effects": "programme_id variant_id kind inputs says note noted_by_id noted_at",
}  # fmt: skip
WITHDRAWN = ("withdrawn_by_id", "withdrawn_at", "withdrawn_why")  # once it is
RETIRED = ("retired_at", "retired_why")
TABLES = ("characteristics", "characteristic_limits", "gauges", "reading_sets", "set_readings", "gauge_studies", "study_readings",
          "mating_fits", "chains", "expected_effects")  # fmt: skip

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _characteristics()
    _characteristic_limits()
    _gauges()
    _reading_sets()
    _set_readings()
    _gauge_studies()
    _study_readings()
    _fits()
    _chains()
    _expected_effects()
    _guard()


def downgrade() -> None:
    for table in reversed(TABLES):
        op.drop_table(table)  # and its triggers with it


def _key(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}"))


def _characteristics() -> None:
    op.create_table(
        "characteristics",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("part_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=30), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("name_key", sa.String(length=120), nullable=False),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.Column("paired_with_id", sa.Integer(), nullable=True),
        sa.Column("added_by_id", sa.Integer(), nullable=False),
        sa.Column("added_at", MOMENT, nullable=False),
        _key("characteristics", "programme_id", "programmes"),
        _key("characteristics", "part_id", "parts"),
        _key("characteristics", "paired_with_id", "characteristics"),
        _key("characteristics", "added_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_characteristics")),
        sa.CheckConstraint("kind IN ('radial play', 'end float', 'breakaway torque', 'torsional flex', 'bending stiffness', 'mass', "
                           "'tweak, corner gap', 'left to right wheel load', 'run-out', 'ride height', 'link length', 'thickness', 'bore', "
                           "'pin or shaft diameter', 'other length', 'angle', 'pack voltage')",
                           name=op.f("ck_characteristics_kind_word")),
        sa.CheckConstraint("length(trim(name)) > 0", name=op.f("ck_characteristics_name_not_blank")),
        sa.UniqueConstraint("part_id", "name_key", name=op.f("uq_characteristics_part_id_name_key")),
    )
    op.create_index("ix_characteristics_programme_id", "characteristics", ["programme_id"], unique=False)


def _characteristic_limits() -> None:
    op.create_table(
        "characteristic_limits",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("characteristic_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("revision_id", sa.Integer(), nullable=True),
        sa.Column("lower_limit", sa.Float(), nullable=True),
        sa.Column("upper_limit", sa.Float(), nullable=True),
        sa.Column("lower_raw", sa.String(length=40), nullable=False),
        sa.Column("upper_raw", sa.String(length=40), nullable=False),
        sa.Column("reason", sa.String(length=300), nullable=False),
        sa.Column("set_by_id", sa.Integer(), nullable=False),
        sa.Column("set_at", MOMENT, nullable=False),
        _key("characteristic_limits", "characteristic_id", "characteristics"),
        _key("characteristic_limits", "revision_id", "revisions"),
        _key("characteristic_limits", "set_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_characteristic_limits")),
        sa.CheckConstraint("lower_limit IS NULL OR upper_limit IS NULL OR lower_limit <= upper_limit",
                           name=op.f("ck_characteristic_limits_in_order")),
        sa.UniqueConstraint("characteristic_id", "version", name=op.f("uq_characteristic_limits_characteristic_id_version")),
    )


def _gauges() -> None:
    op.create_table(
        "gauges",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("name_key", sa.String(length=160), nullable=False),
        sa.Column("unit", sa.String(length=12), nullable=False),
        sa.Column("resolution", sa.Float(), nullable=False),
        sa.Column("standard_uncertainty", sa.Float(), nullable=False),
        sa.Column("lowest", sa.Float(), nullable=True),
        sa.Column("highest", sa.Float(), nullable=True),
        sa.Column("typed", sa.JSON(), nullable=False),
        sa.Column("certificate", sa.String(length=200), nullable=False),
        sa.Column("calibrated_on", sa.Date(), nullable=True),
        sa.Column("added_by_id", sa.Integer(), nullable=False),
        sa.Column("added_at", MOMENT, nullable=False),
        sa.Column("retired_at", MOMENT, nullable=True),
        sa.Column("retired_why", sa.String(length=300), nullable=False),
        _key("gauges", "programme_id", "programmes"),
        _key("gauges", "added_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauges")),
        sa.CheckConstraint("length(trim(name)) > 0", name=op.f("ck_gauges_name_not_blank")),
        sa.CheckConstraint("resolution >= 0 AND standard_uncertainty >= 0", name=op.f("ck_gauges_not_negative")),
        sa.CheckConstraint("unit IN ('mm', 'N·mm', 'N·m/°', 'N/mm', 'g', '%', '°', 'V')", name=op.f("ck_gauges_unit_word")),
        sa.UniqueConstraint("programme_id", "number", name=op.f("uq_gauges_programme_id_number")),
        sa.UniqueConstraint("programme_id", "name_key", name=op.f("uq_gauges_programme_id_name_key")),
    )


def _reading_sets() -> None:
    op.create_table(
        "reading_sets",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("characteristic_id", sa.Integer(), nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=False),
        sa.Column("resolution", sa.Float(), nullable=False),
        sa.Column("gauge_uncertainty", sa.Float(), nullable=False),
        sa.Column("temperature_degC", sa.Float(), nullable=True),
        sa.Column("temperature_raw", sa.String(length=40), nullable=False),
        sa.Column("taken", sa.String(length=8), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=True),
        sa.Column("measured_at", MOMENT, nullable=False),
        sa.Column("taken_by_id", sa.Integer(), nullable=False),
        sa.Column("noted_by_id", sa.Integer(), nullable=False),
        sa.Column("noted_at", MOMENT, nullable=False),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.Column("withdrawn_at", MOMENT, nullable=True),
        sa.Column("withdrawn_by_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn_why", sa.String(length=300), nullable=False),
        _key("reading_sets", "programme_id", "programmes"),
        _key("reading_sets", "piece_id", "pieces"),
        _key("reading_sets", "characteristic_id", "characteristics"),
        _key("reading_sets", "gauge_id", "gauges"),
        _key("reading_sets", "session_id", "sessions"),
        _key("reading_sets", "taken_by_id", "accounts"),
        _key("reading_sets", "noted_by_id", "accounts"),
        _key("reading_sets", "withdrawn_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reading_sets")),
        sa.CheckConstraint("taken IN ('', 'before', 'after')", name=op.f("ck_reading_sets_taken_word")),
    )
    op.create_index("ix_reading_sets_characteristic_id", "reading_sets", ["characteristic_id"], unique=False)
    op.create_index("ix_reading_sets_piece_id", "reading_sets", ["piece_id"], unique=False)
    op.create_index("ix_reading_sets_programme_id", "reading_sets", ["programme_id"], unique=False)


def _set_readings() -> None:
    op.create_table(
        "set_readings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("reading_set_id", sa.Integer(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("raw", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        _key("set_readings", "reading_set_id", "reading_sets"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_set_readings")),
        sa.UniqueConstraint("reading_set_id", "place", name=op.f("uq_set_readings_reading_set_id_place")),
    )


def _gauge_studies() -> None:
    op.create_table(
        "gauge_studies",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("characteristic_id", sa.Integer(), nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=False),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.Column("noted_by_id", sa.Integer(), nullable=False),
        sa.Column("noted_at", MOMENT, nullable=False),
        sa.Column("withdrawn_at", MOMENT, nullable=True),
        sa.Column("withdrawn_by_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn_why", sa.String(length=300), nullable=False),
        _key("gauge_studies", "programme_id", "programmes"),
        _key("gauge_studies", "characteristic_id", "characteristics"),
        _key("gauge_studies", "gauge_id", "gauges"),
        _key("gauge_studies", "noted_by_id", "accounts"),
        _key("gauge_studies", "withdrawn_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_studies")),
        sa.UniqueConstraint("programme_id", "number", name=op.f("uq_gauge_studies_programme_id_number")),
    )


def _study_readings() -> None:
    op.create_table(
        "study_readings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("gauge_study_id", sa.Integer(), nullable=False),
        sa.Column("operator", sa.String(length=40), nullable=False),
        sa.Column("piece", sa.String(length=40), nullable=False),
        sa.Column("trial", sa.String(length=20), nullable=False),
        sa.Column("raw", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        _key("study_readings", "gauge_study_id", "gauge_studies"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_study_readings")),
        sa.UniqueConstraint("gauge_study_id", "operator", "piece", "trial", name=op.f("uq_study_readings_once")),
    )


def _fits() -> None:
    op.create_table(
        "mating_fits",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("nominal_mm", sa.Float(), nullable=False),
        sa.Column("hole_typed", sa.String(length=60), nullable=False),
        sa.Column("hole_lower_um", sa.Float(), nullable=False),
        sa.Column("hole_upper_um", sa.Float(), nullable=False),
        sa.Column("hole_source", sa.String(length=60), nullable=False),
        sa.Column("shaft_typed", sa.String(length=60), nullable=False),
        sa.Column("shaft_lower_um", sa.Float(), nullable=False),
        sa.Column("shaft_upper_um", sa.Float(), nullable=False),
        sa.Column("shaft_source", sa.String(length=60), nullable=False),
        sa.Column("spread_mm", sa.Float(), nullable=True),
        sa.Column("hole_characteristic_id", sa.Integer(), nullable=True),
        sa.Column("shaft_characteristic_id", sa.Integer(), nullable=True),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("noted_by_id", sa.Integer(), nullable=False),
        sa.Column("noted_at", MOMENT, nullable=False),
        sa.Column("withdrawn_at", MOMENT, nullable=True),
        sa.Column("withdrawn_by_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn_why", sa.String(length=300), nullable=False),
        _key("mating_fits", "programme_id", "programmes"),
        _key("mating_fits", "hole_characteristic_id", "characteristics"),
        _key("mating_fits", "shaft_characteristic_id", "characteristics"),
        _key("mating_fits", "noted_by_id", "accounts"),
        _key("mating_fits", "withdrawn_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mating_fits")),
        sa.CheckConstraint("hole_lower_um <= hole_upper_um AND shaft_lower_um <= shaft_upper_um", name=op.f("ck_mating_fits_in_order")),
        sa.CheckConstraint("length(trim(name)) > 0", name=op.f("ck_mating_fits_name_not_blank")),
        sa.UniqueConstraint("programme_id", "number", name=op.f("uq_mating_fits_programme_id_number")),
    )


def _chains() -> None:
    op.create_table(
        "chains",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("typed", sa.Text(), nullable=False),
        sa.Column("lowest_mm", sa.Float(), nullable=True),
        sa.Column("highest_mm", sa.Float(), nullable=True),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("noted_by_id", sa.Integer(), nullable=False),
        sa.Column("noted_at", MOMENT, nullable=False),
        sa.Column("withdrawn_at", MOMENT, nullable=True),
        sa.Column("withdrawn_by_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn_why", sa.String(length=300), nullable=False),
        _key("chains", "programme_id", "programmes"),
        _key("chains", "noted_by_id", "accounts"),
        _key("chains", "withdrawn_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_chains")),
        sa.CheckConstraint("length(trim(name)) > 0", name=op.f("ck_chains_name_not_blank")),
        sa.UniqueConstraint("programme_id", "number", name=op.f("uq_chains_programme_id_number")),
    )


def _expected_effects() -> None:
    op.create_table(
        "expected_effects",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("variant_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("inputs", sa.JSON(), nullable=False),
        sa.Column("says", sa.String(length=400), nullable=False),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.Column("noted_by_id", sa.Integer(), nullable=False),
        sa.Column("noted_at", MOMENT, nullable=False),
        sa.Column("withdrawn_at", MOMENT, nullable=True),
        sa.Column("withdrawn_by_id", sa.Integer(), nullable=True),
        sa.Column("withdrawn_why", sa.String(length=300), nullable=False),
        _key("expected_effects", "programme_id", "programmes"),
        _key("expected_effects", "variant_id", "variants"),
        _key("expected_effects", "noted_by_id", "accounts"),
        _key("expected_effects", "withdrawn_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_expected_effects")),
        sa.CheckConstraint("kind IN ('round pin or bar', 'flat plate', 'anti-roll bar', 'coil spring', 'stiffness of a bar', 'Ackermann')",
                           name=op.f("ck_expected_effects_kind_word")),
    )
    op.create_index("ix_expected_effects_variant_id", "expected_effects", ["variant_id"], unique=False)


def _guard() -> None:
    for table in ADDED_ONLY:
        _trigger(table, "UPDATE", f"{table}_no_update")
    for table in TABLES:
        _trigger(table, "DELETE", f"{table}_no_delete")
    for table, names in AS_FILED.items():
        columns = tuple(names.split())
        quoted = ", ".join(f'"{column}"' for column in columns)
        _trigger(table, f"UPDATE OF {quoted}", f"{table}_as_filed", _differs(columns))
        if table == "gauges":
            _trigger(table, "UPDATE", f"{table}_as_retired", f"OLD.retired_at IS NOT NULL AND ({_differs(RETIRED)})")
        elif table != "characteristics":
            _trigger(table, "UPDATE", f"{table}_as_withdrawn", f"OLD.withdrawn_at IS NOT NULL AND ({_differs(WITHDRAWN)})")


def _differs(columns: tuple[str, ...]) -> str:
    same = "IS NOT" if op.get_bind().dialect.name == "sqlite" else "IS DISTINCT FROM"
    return " OR ".join(f'CAST(OLD."{c}" AS TEXT) {same} CAST(NEW."{c}" AS TEXT)' for c in columns)


def _trigger(table: str, event: str, name: str, when: str = "") -> None:
    only = f" WHEN ({when})" if when else ""
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW{only} "
                   f"BEGIN SELECT RAISE(ABORT, '{table}: what was filed is never changed'); END")  # fmt: skip
        return
    op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW{only} EXECUTE FUNCTION refuse_change()")
    op.execute(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}")
