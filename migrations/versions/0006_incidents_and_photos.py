"""Incidents and planned abuse with their pieces, causes and photos; photos of concerns.

Existing rows: none is touched; eight tables are added. Going back drops them with what was filed in them, photos too.
Triggers keep every row from being changed or deleted: a cause that is classed later is a new row.
"""

import sqlalchemy as sa
from alembic import op

MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(32), "sqlite")

TABLES = (
    "photos", "concern_photos", "abuse_tests", "abuse_test_pieces", "incidents", "incident_pieces", "incident_causes", "incident_photos",
)  # fmt: skip

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _photos()
    _concern_photos()
    _abuse_tests()
    _abuse_test_pieces()
    _incidents()
    _incident_pieces()
    _incident_causes()
    _incident_photos()
    for table in TABLES:
        for event in ("UPDATE", "DELETE"):
            _trigger(table, event, f"{table}_no_{event.lower()}")


def downgrade() -> None:
    for table in reversed(TABLES):
        op.drop_table(table)  # and its triggers with it


def _key(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}"))


def _photos() -> None:
    op.create_table(
        "photos",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("image", sa.LargeBinary(), nullable=True),
        sa.Column("thumbnail", sa.LargeBinary(), nullable=True),
        sa.Column("added_by_id", sa.Integer(), nullable=False),
        sa.Column("added_at", MOMENT, nullable=False),
        _key("photos", "programme_id", "programmes"),
        _key("photos", "added_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photos")),
        sa.UniqueConstraint("programme_id", "digest", name=op.f("uq_photos_programme_id_digest")),
    )


def _concern_photos() -> None:
    op.create_table(
        "concern_photos",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("concern_id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("alt", sa.String(length=200), nullable=False),
        sa.Column("added_by_id", sa.Integer(), nullable=False),
        sa.Column("added_at", MOMENT, nullable=False),
        _key("concern_photos", "concern_id", "concerns"),
        _key("concern_photos", "photo_id", "photos"),
        _key("concern_photos", "added_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_concern_photos")),
        sa.UniqueConstraint("concern_id", "photo_id", name=op.f("uq_concern_photos_concern_id_photo_id")),
    )


def _abuse_tests() -> None:
    op.create_table(
        "abuse_tests",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("struck", sa.String(length=120), nullable=False),
        sa.Column("hits_planned", sa.Integer(), nullable=False),
        sa.Column("check_every", sa.Integer(), nullable=False),
        sa.Column("tweak_limit_mm", sa.Float(), nullable=True),
        sa.Column("speed_mps", sa.Float(), nullable=True),
        sa.Column("drop_height_m", sa.Float(), nullable=True),
        sa.Column("started_by_id", sa.Integer(), nullable=False),
        sa.Column("started_at", MOMENT, nullable=False),
        _key("abuse_tests", "programme_id", "programmes"),
        _key("abuse_tests", "started_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_abuse_tests")),
        sa.CheckConstraint(
            "hits_planned BETWEEN 1 AND 10000 AND check_every BETWEEN 1 AND 10000",
            name=op.f("ck_abuse_tests_hits_range"),
        ),
        sa.CheckConstraint(
            "kind IN ('board hit, nose', 'board hit, side', 'board hit, rear', 'pipe clip', 'flat landing', 'cased jump', 'over-jump', 'cartwheel', 'traction roll', 'car-to-car', 'stuck throttle or failsafe', 'radio glitch', 'thermal cut-off', 'low-voltage cut-off', 'wheel lost', 'tyre unglued', 'ball joint popped', 'screw lost', 'belt or gear skip', 'driver error', 'marshal mishandling')",
            name=op.f("ck_abuse_tests_kind_word"),
        ),
        sa.UniqueConstraint("programme_id", "number", name=op.f("uq_abuse_tests_programme_id_number")),
    )


def _abuse_test_pieces() -> None:
    op.create_table(
        "abuse_test_pieces",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("abuse_test_id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        _key("abuse_test_pieces", "abuse_test_id", "abuse_tests"),
        _key("abuse_test_pieces", "piece_id", "pieces"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_abuse_test_pieces")),
        sa.UniqueConstraint("abuse_test_id", "piece_id", name=op.f("uq_abuse_test_pieces_abuse_test_id_piece_id")),
    )
    op.create_index("ix_abuse_test_pieces_piece_id", "abuse_test_pieces", ["piece_id"], unique=False)


def _incidents() -> None:
    op.create_table(
        "incidents",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("programme_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=True),
        sa.Column("session_id", sa.Integer(), nullable=True),
        sa.Column("abuse_test_id", sa.Integer(), nullable=True),
        sa.Column("happened_at", MOMENT, nullable=False),
        sa.Column("lap_number", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("struck", sa.String(length=120), nullable=False),
        sa.Column("speed_mps", sa.Float(), nullable=True),
        sa.Column("drop_height_m", sa.Float(), nullable=True),
        sa.Column("car_mass_g", sa.Float(), nullable=True),
        sa.Column("hits", sa.Integer(), nullable=False),
        sa.Column("tweak_before_mm", sa.Float(), nullable=True),
        sa.Column("tweak_after_mm", sa.Float(), nullable=True),
        sa.Column("pack_damage", sa.String(length=80), nullable=False),
        sa.Column("effect", sa.String(length=20), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("reported_by_id", sa.Integer(), nullable=False),
        sa.Column("reported_at", MOMENT, nullable=False),
        sa.Column("concern_id", sa.Integer(), nullable=True),
        sa.Column("pack_concern_id", sa.Integer(), nullable=True),
        _key("incidents", "programme_id", "programmes"),
        _key("incidents", "run_id", "runs"),
        _key("incidents", "session_id", "sessions"),
        _key("incidents", "abuse_test_id", "abuse_tests"),
        _key("incidents", "reported_by_id", "accounts"),
        _key("incidents", "concern_id", "concerns"),
        _key("incidents", "pack_concern_id", "concerns"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_incidents")),
        sa.CheckConstraint(
            "effect IN ('stopped', 'continued degraded', 'no effect')", name=op.f("ck_incidents_effect_word")
        ),
        sa.CheckConstraint("hits BETWEEN 1 AND 1000", name=op.f("ck_incidents_hits_range")),
        sa.CheckConstraint(
            "kind IN ('board hit, nose', 'board hit, side', 'board hit, rear', 'pipe clip', 'flat landing', 'cased jump', 'over-jump', 'cartwheel', 'traction roll', 'car-to-car', 'stuck throttle or failsafe', 'radio glitch', 'thermal cut-off', 'low-voltage cut-off', 'wheel lost', 'tyre unglued', 'ball joint popped', 'screw lost', 'belt or gear skip', 'driver error', 'marshal mishandling')",
            name=op.f("ck_incidents_kind_word"),
        ),
        sa.UniqueConstraint("programme_id", "number", name=op.f("uq_incidents_programme_id_number")),
    )
    op.create_index("ix_incidents_abuse_test_id", "incidents", ["abuse_test_id"], unique=False)
    op.create_index("ix_incidents_run_id", "incidents", ["run_id"], unique=False)
    op.create_index("ix_incidents_session_id", "incidents", ["session_id"], unique=False)


def _incident_pieces() -> None:
    op.create_table(
        "incident_pieces",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("incident_id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("damage", sa.String(length=300), nullable=False),
        sa.Column("quarantined", sa.Boolean(), nullable=False),
        _key("incident_pieces", "incident_id", "incidents"),
        _key("incident_pieces", "piece_id", "pieces"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_incident_pieces")),
        sa.UniqueConstraint("incident_id", "piece_id", name=op.f("uq_incident_pieces_incident_id_piece_id")),
    )
    op.create_index("ix_incident_pieces_piece_id", "incident_pieces", ["piece_id"], unique=False)


def _incident_causes() -> None:
    op.create_table(
        "incident_causes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("incident_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("cause", sa.String(length=24), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        _key("incident_causes", "incident_id", "incidents"),
        _key("incident_causes", "by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_incident_causes")),
        sa.CheckConstraint(
            "cause IN ('unknown', 'part', 'assembly', 'other part', 'accident beyond design')",
            name=op.f("ck_incident_causes_cause_word"),
        ),
        sa.UniqueConstraint("incident_id", "version", name=op.f("uq_incident_causes_incident_id_version")),
    )


def _incident_photos() -> None:
    op.create_table(
        "incident_photos",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("incident_id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("alt", sa.String(length=200), nullable=False),
        sa.Column("added_by_id", sa.Integer(), nullable=False),
        sa.Column("added_at", MOMENT, nullable=False),
        _key("incident_photos", "incident_id", "incidents"),
        _key("incident_photos", "photo_id", "photos"),
        _key("incident_photos", "added_by_id", "accounts"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_incident_photos")),
        sa.UniqueConstraint("incident_id", "photo_id", name=op.f("uq_incident_photos_incident_id_photo_id")),
    )


def _trigger(table: str, event: str, name: str) -> None:
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW "
                   f"BEGIN SELECT RAISE(ABORT, '{table}: what was filed is never changed'); END")  # fmt: skip
        return
    op.execute(f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW EXECUTE FUNCTION refuse_change()")
    op.execute(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}")
