"""Everything known of a part, revision by revision: a fixed number of SELECTs, however many revisions, and what the viewer may see."""

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any, NamedTuple

from sqlalchemy import and_, select, union_all
from sqlalchemy.orm import aliased, defer

from app.bench.queries import evidence_facts, rows_of_revisions
from app.bench.rules import GaugedLine
from app.concerns.loop_queries import InForce, list_in_force
from app.concerns.queries import ConcernRow, list_concerns
from app.db import Db
from app.decisions.models import Ruling
from app.errors import NotFound
from app.feedback.models import Mark, Slip, SlipVersion
from app.grid.queries import CellOfPart, cells_of_part
from app.incidents.exposure_queries import list_facts_of_revisions, list_filed_of_revisions, list_runs_of_revisions
from app.incidents.exposures import IncidentFact, RunUse, Use, add_up, once
from app.measurements.models import Batch, Reading
from app.measurements.queries import FLOATS, INTS, OtherRow, wide
from app.parts.models import Part, Piece, Revision
from app.people.models import Membership
from app.programmes.models import Attribute
from app.questions.models import Question, Variant, VariantRevision
from app.sessions.models import AsRunBuild, BuildPiece, Run

TABLE = "table reading"
MOST_RUNS = 40  # listed by name; the sums are of all


@dataclass
class RevisionFile:
    """What is known of one revision."""

    revision: Revision
    pieces: list[Piece]
    use: Use
    runs: Sequence[RunUse]
    happened: Sequence[IncidentFact]
    marks: Sequence["Marks"]
    readings: Sequence["ReadingLine"]
    gauged: Sequence[GaugedLine]
    concerns: Sequence[ConcernRow]
    fitted: Sequence[ConcernRow]  # concerns whose cure went into it
    instructions: Sequence[InForce]
    answers: Sequence["Answer"]
    cells: Sequence[CellOfPart]  # of fit grids, tried with this revision

    @property
    def cells_by_result(self) -> Sequence[tuple[str, int]]:
        return sorted(Counter(cell.result for cell in self.cells).items())

    @property
    def open_concerns(self) -> Sequence[ConcernRow]:
        return [row for row in self.concerns if row.stands]

    @property
    def out_of_tolerance(self) -> Sequence[GaugedLine]:
        """Pieces that fail their newest reading of a characteristic."""
        newest = {(line.piece_id, line.characteristic): line for line in reversed(self.gauged)}
        return [line for line in newest.values() if line.state == "fail"]

    @property
    def newest_runs(self) -> Sequence[RunUse]:
        return list({run.run_id: run for run in self.runs}.values())[-MOST_RUNS:][::-1]


class Marks(NamedTuple):
    """What one driver said of one attribute with this revision on the car. Marks in points, as filed."""

    attribute: str
    driver: str
    n: int
    lowest: float
    middle: float
    highest: float


class ReadingLine(NamedTuple):
    """Readings of a table, one characteristic of one piece. uncertainty : expanded, k = 2, in `unit`; None where none was given."""

    characteristic: str
    piece: str
    unit: str
    n: int
    lowest: float
    mean: float
    highest: float
    lower: float | None
    upper: float | None
    uncertainty: float | None


class Answer(NamedTuple):
    """A question that the revision answers, and a ruling on that variant, if there is one."""

    question_id: int
    question: str
    title: str
    variant: str
    is_control: bool
    ruling: Ruling | None


def load_file(db: Db, programme_id: int, viewer: Any, hidden: Collection[int], *, part_id: int | None = None,
              revision_id: int | None = None) -> tuple[Part, list[Revision], list[RevisionFile]]:  # fmt: skip
    """The part, its lineage in the order of issue, and the file of every revision, or of one. Ten queries."""
    part, lineage, pieces = _lineage(db, programme_id, part_id, revision_id)
    wanted = [row for row in lineage if revision_id in (None, row.id)]
    ids = [row.id for row in wanted]
    runs, facts = list_runs_of_revisions(db, ids, hidden), list_facts_of_revisions(db, ids, hidden)
    filed, marks = list_filed_of_revisions(db, ids, hidden), _marks(db, programme_id, ids, hidden)
    (readings, gauged), answers = list_readings(db, programme_id, ids), _answers(db, ids)
    concerns = [row for row in list_concerns(db, programme_id, viewer=viewer, hidden=hidden) if not row.withheld]
    instructions, cells = list_in_force(db, programme_id, revision_ids=ids), cells_of_part(db, part.id)
    files = []
    for row in wanted:
        own_runs = [run for run in runs if run.revision_id == row.id]
        own_facts = [fact for fact in facts if fact.revision_id == row.id]
        files.append(RevisionFile(
            row, pieces.get(row.id, []), add_up(own_runs, own_facts, filed.get(row.id, ())), own_runs,
            [found.first for found in once(own_facts)], marks.get(row.id, []), readings.get(row.id, []),
            [line for line in gauged if line.revision_id == row.id],
            [c for c in concerns if c.revision_id == row.id], [c for c in concerns if c.fixed_id == row.id],
            [i for i in instructions if i.revision_id == row.id], answers.get(row.id, []),
            [cell for cell in cells if cell.revision_id == row.id],
        ))  # fmt: skip
    return part, lineage, files


Lineage = tuple[Part, list[Revision], dict[int, list[Piece]]]


def _lineage(db: Db, programme_id: int, part_id: int | None, revision_id: int | None) -> Lineage:
    """One query: the part, its revisions by issue, and their pieces."""
    query = (
        select(Part, Revision, Piece).outerjoin(Revision, Revision.part_id == Part.id).outerjoin(Piece, Piece.revision_id == Revision.id)
        .where(Part.programme_id == programme_id).order_by(Revision.created_at, Revision.id, Piece.id)
    )  # fmt: skip
    if revision_id is not None:
        query = query.where(Part.id == select(Revision.part_id).where(Revision.id == revision_id).scalar_subquery())
    else:
        query = query.where(Part.id == part_id)
    rows = db.execute(query).all()
    if not rows:
        raise NotFound("There is no such part in this programme", "", "Look for it under Parts.")
    pieces: dict[int, list[Piece]] = {}
    for _, revision, piece in rows:
        if piece is not None:
            pieces.setdefault(revision.id, []).append(piece)
    return rows[0][0], list({row[1].id: row[1] for row in rows if row[1] is not None}.values()), pieces


def _marks(db: Db, programme_id: int, revision_ids: Collection[int], hidden: Collection[int]) -> dict[int, list[Marks]]:
    """Revision id -> marks driver by driver, never pooled. A run under a sealed key has no build, so its marks are in none."""
    newer = aliased(AsRunBuild)
    newest = ~select(newer.id).where(newer.run_id == AsRunBuild.run_id, newer.version > AsRunBuild.version).exists()
    rows = db.execute(
        select(Piece.revision_id, Attribute.position, Attribute.name, Membership.initials, Slip.id, Mark.mark_hundredths, Run.session_id)
        .join(SlipVersion, SlipVersion.id == Mark.slip_version_id)
        .join(Slip, and_(Slip.id == SlipVersion.slip_id, Slip.version == SlipVersion.version)).join(Run, Run.id == Slip.run_id)
        .join(AsRunBuild, AsRunBuild.run_id == Run.id).join(BuildPiece, BuildPiece.build_id == AsRunBuild.id)
        .join(Piece, Piece.id == BuildPiece.piece_id).join(Attribute, Attribute.id == Mark.attribute_id)
        .join(Membership, and_(Membership.account_id == Slip.rater_id, Membership.programme_id == programme_id))
        .where(Piece.revision_id.in_(revision_ids), newest, Slip.withdrawn_at.is_(None), Mark.mark_hundredths.is_not(None),
               Run.sealed_question_id.is_(None))
    )  # fmt: skip
    found: dict[tuple[int, int, str, str], dict[int, int]] = {}
    for of, position, name, initials, slip_id, hundredths, session_id in rows:
        if session_id not in hidden:
            found.setdefault((of, position, name, initials), {})[slip_id] = hundredths or 0
    told: dict[int, list[Marks]] = {}
    for (of, _, name, initials), given in sorted(found.items()):
        values = [value / 100 for value in given.values()]
        told.setdefault(of, []).append(Marks(name, initials, len(values), min(values), median(values), max(values)))
    return told


def list_readings(db: Db, programme_id: int, revision_ids: Collection[int]) -> tuple[dict[int, list[ReadingLine]], list[GaugedLine]]:
    """(revision id -> readings of tables by characteristic and piece, reading sets of the bench): what stands, in one query."""
    of_tables = (
        wide(TABLE, ints=[Reading.revision_id, Reading.id], floats=[Reading.value, Reading.lower, Reading.upper, Reading.uncertainty],
             texts=[Reading.characteristic, Piece.mark, Reading.unit])
        .select_from(Reading).join(Batch, Batch.id == Reading.batch_id).outerjoin(Piece, Piece.id == Reading.piece_id)
        .where(Reading.revision_id.in_(revision_ids), Batch.withdrawn_at.is_(None))
    )  # fmt: skip
    rows = [OtherRow(kind, values[:INTS], values[INTS : INTS + FLOATS], values[INTS + FLOATS :])
            for kind, *values in db.execute(union_all(of_tables, *rows_of_revisions(programme_id, revision_ids)))]  # fmt: skip
    found: dict[tuple[int, str, str, str], list[Sequence[Any]]] = {}
    for row in sorted((row for row in rows if row.kind == TABLE), key=lambda row: row.ints[1]):
        name, mark, unit = row.texts[:3]
        found.setdefault((row.ints[0], name, mark or "", unit), []).append(row.floats)
    told: dict[int, list[ReadingLine]] = {}
    for (of, name, mark, unit), group in sorted(found.items()):
        values, last = [floats[0] for floats in group], group[-1]
        told.setdefault(of, []).append(ReadingLine(name, mark, unit, len(values), min(values), sum(values) / len(values), max(values),
                                                   *last[1:4]))  # fmt: skip
    return told, evidence_facts(rows).lines()


def _answers(db: Db, revision_ids: Collection[int]) -> dict[int, list[Answer]]:
    """Revision id -> the questions it answers, with the rulings on that variant, the newest first."""
    rows = db.execute(
        select(VariantRevision.revision_id, Question, Variant, Ruling).select_from(VariantRevision)
        .join(Variant, Variant.id == VariantRevision.variant_id).join(Question, Question.id == Variant.question_id)
        .outerjoin(Ruling, Ruling.variant_id == Variant.id).options(defer(Ruling.snapshot, raiseload=True))
        .where(VariantRevision.revision_id.in_(revision_ids)).order_by(Question.number, Ruling.number.desc())
    )  # fmt: skip
    found: dict[int, list[Answer]] = {}
    for of, question, variant, ruling in rows:
        found.setdefault(of, []).append(Answer(question.id, question.label, question.title, variant.code, variant.is_control, ruling))
    return found
