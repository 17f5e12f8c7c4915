"""The loop of a concern: containments, causes, tries with results, fixes, closing rules, concessions, judged failures.

Existing rows: each concern that was closed under concession gets its concession as a row, with the scope (or else the reason) and day of its closing;
nothing else is touched. Eight tables are added. Going back drops them with what was filed in them.
Triggers keep every row as filed; of a containment only its lifting is added, once.
"""

import json
from datetime import date

import sqlalchemy as sa
from alembic import op

MOMENT = sa.DateTime(timezone=True).with_variant(sa.String(32), "sqlite")
CONTAINMENTS = "containments"
ADDED_ONLY = ("concern_causes", "concern_tries", "try_outcomes", "concern_fixes", "closing_rules", "concessions", "failure_judgements")
AS_FILED = ("programme_id", "concern_id", "revision_id", "piece_id", "words", "from_at", "until_at", "by_id", "at")
LIFTED = ("lifted_at", "lifted_by_id", "lifted_why")
CAUSES = ("design", "material", "making of the piece", "assembly", "wear", "other part", "accident beyond design", "unknown")
RESULTS = ("gone, as far as was seen", "better, not gone", "no change", "worse", "no telling")
EXPOSURES = ("board hit", "flat landing", "any impact", "cased jump", "over-jump", "cartwheel", "traction roll", "pipe clip",
             "car-to-car", "run", "lap", "minute")  # fmt: skip
CONCESSION = "lived with under concession"

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _containments()
    _causes_and_tries()
    _fixes_and_rules()
    _judgements()
    _carry_concessions()
    _guard()


def downgrade() -> None:
    for table in (*reversed(ADDED_ONLY), CONTAINMENTS):
        op.drop_table(table)  # and its triggers with it


def _key(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}"))


def _whole(*names: str, nullable: bool = False) -> list[sa.Column]:
    return [sa.Column(name, sa.Integer(), nullable=nullable) for name in names]


def _text(*names: str) -> list[sa.Column]:
    return [sa.Column(name, sa.Text(), nullable=False) for name in names]


def _at(name: str = "at", *, nullable: bool = False) -> sa.Column:
    return sa.Column(name, MOMENT, nullable=nullable)


def _words(table: str, column: str, words: tuple[str, ...]) -> sa.CheckConstraint:
    listed = ", ".join(f"'{word}'" for word in words)
    return sa.CheckConstraint(f"{column} IN ({listed})", name=op.f(f"ck_{table}_{column}_word"))


def _said(table: str, column: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(f"length(trim({column})) > 0", name=op.f(f"ck_{table}_{column}_not_blank"))


def _once(table: str, *columns: str) -> sa.UniqueConstraint:
    return sa.UniqueConstraint(*columns, name=op.f(f"uq_{table}_{'_'.join(columns)}"))


def _primary(table: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}"))


def _containments() -> None:
    name = CONTAINMENTS
    op.create_table(
        name, *_whole("id", "programme_id", "concern_id", "revision_id"), *_whole("piece_id", nullable=True), *_text("words"),
        _at("from_at"), _at("until_at", nullable=True), *_whole("by_id"), _at(), _at("lifted_at", nullable=True),
        *_whole("lifted_by_id", nullable=True), *_text("lifted_why"),
        _key(name, "programme_id", "programmes"), _key(name, "concern_id", "concerns"), _key(name, "revision_id", "revisions"),
        _key(name, "piece_id", "pieces"), _key(name, "by_id", "accounts"), _key(name, "lifted_by_id", "accounts"), _primary(name),
        _said(name, "words"),
    )  # fmt: skip
    for column in ("programme_id", "concern_id", "revision_id"):
        op.create_index(f"ix_{name}_{column}", name, [column], unique=False)


def _causes_and_tries() -> None:
    name = "concern_causes"
    op.create_table(
        name, *_whole("id", "concern_id", "version"), sa.Column("cause", sa.String(length=24), nullable=False), *_text("words"),
        *_whole("by_id"), _at(), _key(name, "concern_id", "concerns"), _key(name, "by_id", "accounts"), _primary(name),
        _once(name, "concern_id", "version"), _words(name, "cause", CAUSES),
    )  # fmt: skip
    name = "concern_tries"
    op.create_table(
        name, *_whole("id", "concern_id", "number"), *_text("words"), *_whole("revision_id", "piece_id", nullable=True), *_whole("by_id"),
        _at(), _key(name, "concern_id", "concerns"), _key(name, "revision_id", "revisions"), _key(name, "piece_id", "pieces"),
        _key(name, "by_id", "accounts"), _primary(name), _once(name, "concern_id", "number"), _said(name, "words"),
    )  # fmt: skip
    op.create_index(f"ix_{name}_revision_id", name, ["revision_id"], unique=False)
    name = "try_outcomes"
    op.create_table(
        name, *_whole("id", "try_id", "version"), sa.Column("result", sa.String(length=24), nullable=False), *_text("words"),
        *_whole("by_id"), _at(), _key(name, "try_id", "concern_tries"), _key(name, "by_id", "accounts"), _primary(name),
        _once(name, "try_id", "version"), _words(name, "result", RESULTS),
    )  # fmt: skip


def _fixes_and_rules() -> None:
    name = "concern_fixes"
    op.create_table(
        name, *_whole("id", "concern_id", "version", "revision_id"), *_text("words"), *_whole("by_id"), _at(),
        _key(name, "concern_id", "concerns"), _key(name, "revision_id", "revisions"), _key(name, "by_id", "accounts"), _primary(name),
        _once(name, "concern_id", "version"),
    )  # fmt: skip
    op.create_index(f"ix_{name}_revision_id", name, ["revision_id"], unique=False)
    name = "closing_rules"
    op.create_table(
        name, *_whole("id", "concern_id", "version"), sa.Column("exposure", sa.String(length=16), nullable=False),
        sa.Column("most_per_100", sa.Float(), nullable=False), *_text("reason"), *_whole("by_id"), _at(),
        _key(name, "concern_id", "concerns"), _key(name, "by_id", "accounts"), _primary(name), _once(name, "concern_id", "version"),
        _words(name, "exposure", EXPOSURES),
        sa.CheckConstraint("most_per_100 > 0 AND most_per_100 <= 50", name=op.f(f"ck_{name}_most_range")),
    )  # fmt: skip
    name = "concessions"
    op.create_table(
        name, *_whole("id", "concern_id"), *_text("scope"), sa.Column("until", sa.Date(), nullable=False), *_whole("granted_by_id"), _at(),
        _key(name, "concern_id", "concerns"), _key(name, "granted_by_id", "accounts"), _primary(name), _said(name, "scope"),
    )  # fmt: skip
    op.create_index(f"ix_{name}_concern_id", name, ["concern_id"], unique=False)


def _judgements() -> None:
    name = "failure_judgements"
    op.create_table(
        name, *_whole("id", "concern_id", "incident_id", "version"), sa.Column("same", sa.Boolean(), nullable=False), *_text("reason"),
        *_whole("by_id"), _at(), _key(name, "concern_id", "concerns"), _key(name, "incident_id", "incidents"),
        _key(name, "by_id", "accounts"), _primary(name), _once(name, "concern_id", "incident_id", "version"),
    )  # fmt: skip
    op.create_index(f"ix_{name}_incident_id", name, ["incident_id"], unique=False)


def _carry_concessions() -> None:
    """What was granted so far stands in the event of its closing."""
    events = sa.table("concern_events", *(sa.column(n) for n in ("id", "concern_id", "kind", "text", "detail", "by_id", "at")))
    concessions = sa.table("concessions", sa.column("concern_id"), sa.column("scope"), sa.column("until", sa.Date()),
                           sa.column("granted_by_id"), sa.column("at"))  # fmt: skip
    connection = op.get_bind()
    for row in connection.execute(sa.select(events).where(events.c.kind == "closed").order_by(events.c.id)).all():
        detail = json.loads(row.detail) if isinstance(row.detail, str) else row.detail or {}
        if detail.get("close_kind") == CONCESSION and detail.get("until"):
            connection.execute(sa.insert(concessions).values(
                concern_id=row.concern_id, scope=detail.get("scope") or row.text or "as said when it was closed",
                until=date.fromisoformat(detail["until"]),
                granted_by_id=row.by_id, at=row.at))  # fmt: skip


def _guard() -> None:
    for table in ADDED_ONLY:
        _trigger(table, "UPDATE", f"{table}_no_update")
    for table in (*ADDED_ONLY, CONTAINMENTS):
        _trigger(table, "DELETE", f"{table}_no_delete")
    _trigger(CONTAINMENTS, f"UPDATE OF {', '.join(AS_FILED)}", f"{CONTAINMENTS}_as_filed", _differs(AS_FILED))
    _trigger(CONTAINMENTS, "UPDATE", f"{CONTAINMENTS}_lifted_once", f"OLD.lifted_at IS NOT NULL AND ({_differs(LIFTED)})")


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
