"""Every SELECT of the report on concerns."""

from collections.abc import Collection
from typing import NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import aliased

from app.concerns.models import Concern, ConcernCause
from app.concerns.rules import ShowRule
from app.db import Db
from app.parts.models import Part, Revision
from app.proving import report_rules
from app.proving.queries import list_piece_marks, load_exposed, show_nothing


def list_causes(db: Db, programme_id: int) -> dict[int, str]:
    """Concern id -> the class of cause named last."""
    newer = aliased(ConcernCause)
    newest = ~select(newer.id).where(newer.concern_id == ConcernCause.concern_id, newer.version > ConcernCause.version).exists()
    rows = db.execute(select(ConcernCause.concern_id, ConcernCause.cause).join(Concern, Concern.id == ConcernCause.concern_id)
                      .where(Concern.programme_id == programme_id, newest))  # fmt: skip
    return {concern_id: cause for concern_id, cause in rows}  # noqa: C416 - rows are not pairs to mypy


class PartOf(NamedTuple):
    """A revision with its part, in the order of issue."""

    revision_id: int
    label: str
    part_id: int
    code: str
    title: str


def list_lineage(db: Db, programme_id: int) -> list[PartOf]:
    """Every revision with its part, the earliest issued first."""
    rows = db.execute(
        select(Revision.id, Revision.label, Part.id, Part.code, Part.title).join(Part, Part.id == Revision.part_id)
        .where(Revision.programme_id == programme_id).order_by(Revision.created_at, Revision.id)
    )  # fmt: skip
    return [PartOf(*row) for row in rows]


def grow(db: Db, rule: ShowRule, lineage: Collection[PartOf], hidden: Collection[int]) -> list[report_rules.Grown]:
    """Failures of exposures, revision by revision; each in them counts, whichever concern it belongs to. At most four queries."""
    ids = [row.revision_id for row in lineage]
    exposed = load_exposed(db, ids, hidden, with_runs=not rule.is_hit)
    nothing = show_nothing(list_piece_marks(db, ids)) if ids else frozenset()
    counted = [(row.label, row.revision_id, exposed.count_of(rule, row.revision_id, shows_nothing=nothing, within=True))
               for row in lineage]  # fmt: skip
    return report_rules.growth(rule, counted)
