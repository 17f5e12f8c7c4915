"""Every SELECT about what is gauged: characteristics, gauges, reading sets. `kept_queries` has studies, fits and effects."""

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import Select, and_, func, or_, select
from sqlalchemy.orm import aliased

from app.bench.models import Characteristic, CharacteristicLimit, Gauge, ReadingSet, SetReading
from app.bench.rules import Gauged, Limit, SetFact
from app.db import Db, moment_text, read_moment
from app.errors import NotFound
from app.measurements.queries import OtherRow, wide
from app.parts.models import Part, Piece, Revision
from app.people.models import Account, Membership
from app.questions.models import Question, Variant, VariantRevision
from app.sessions.models import AsRunBuild, BuildPiece, BuildVariant, Run, Session

GAUGED, LIMITS = "gauged", "gauge limit"
STANDS = ReadingSet.withdrawn_at.is_(None)


# --- for the evidence of questions: joins the one union of `measurements.queries.load_measured`
def evidence_rows(programme_id: int, question_ids: Sequence[int], builds: Any) -> list[Select[Any]]:
    """Readings of pieces on these builds (a select of ids) or of revisions that answer these questions; and all limits."""
    revisions = (
        select(VariantRevision.revision_id).join(Variant, Variant.id == VariantRevision.variant_id)
        .where(Variant.question_id.in_(question_ids))
    )  # fmt: skip
    on_cars = select(BuildPiece.piece_id).where(BuildPiece.build_id.in_(builds))
    sets = _wide_sets().where(ReadingSet.programme_id == programme_id, STANDS,
                              or_(Piece.revision_id.in_(revisions), Piece.id.in_(on_cars)))  # fmt: skip
    return [sets, _wide_limits().where(Characteristic.programme_id == programme_id)]


def rows_of_revisions(programme_id: int, revision_ids: Collection[int]) -> list[Select[Any]]:
    """Readings of pieces of these revisions, and all limits; for another union, read back by `evidence_facts`."""
    return [_wide_sets().where(ReadingSet.programme_id == programme_id, STANDS, Piece.revision_id.in_(revision_ids)),
            _wide_limits().where(Characteristic.programme_id == programme_id)]  # fmt: skip


def _wide_sets() -> Select[Any]:
    return (
        wide(GAUGED, ints=[ReadingSet.id, Piece.id, Piece.revision_id, Characteristic.id, SetReading.place],
             floats=[SetReading.value, ReadingSet.resolution, ReadingSet.gauge_uncertainty],
             texts=[moment_text(ReadingSet.measured_at), Characteristic.name, Characteristic.kind, Revision.label + " " + Piece.mark])
        .select_from(SetReading).join(ReadingSet, ReadingSet.id == SetReading.reading_set_id)
        .join(Characteristic, Characteristic.id == ReadingSet.characteristic_id).join(Piece, Piece.id == ReadingSet.piece_id)
        .join(Revision, Revision.id == Piece.revision_id)
    )  # fmt: skip


def _wide_limits() -> Select[Any]:
    return (
        wide(LIMITS, ints=[CharacteristicLimit.characteristic_id, CharacteristicLimit.version, CharacteristicLimit.revision_id],
             floats=[CharacteristicLimit.lower_limit, CharacteristicLimit.upper_limit])
        .select_from(CharacteristicLimit).join(Characteristic, Characteristic.id == CharacteristicLimit.characteristic_id)
    )  # fmt: skip


def evidence_facts(rows: Iterable[OtherRow]) -> Gauged:
    """The inverse of `evidence_rows`; other features' rows are passed over."""
    sets: dict[int, list[OtherRow]] = {}
    limits = []
    for row in rows:
        if row.kind == GAUGED:
            sets.setdefault(row.ints[0], []).append(row)
        elif row.kind == LIMITS:
            limits.append(Limit(*row.ints[:3], *row.floats[:2]))
    return Gauged(tuple(_fact(own) for _, own in sorted(sets.items())), tuple(sorted(limits, key=lambda limit: limit[:2])))


def _fact(rows: Sequence[OtherRow]) -> SetFact:
    i, f, t = rows[0].ints, rows[0].floats, rows[0].texts
    values = tuple(row.floats[0] for row in sorted(rows, key=lambda row: row.ints[4]))
    return SetFact(i[0], i[1], i[2], t[3], i[3], t[1], t[2], read_moment(t[0]), f[1], f[2], values)


def load_gauged(db: Db, programme_id: int, *, piece_id: int | None = None, part_id: int | None = None,
                characteristic_ids: Collection[int] = ()) -> Gauged:  # fmt: skip
    """Standing sets of a piece, a part or characteristics, with the programme's limits; two queries."""
    sets = _wide_sets().where(ReadingSet.programme_id == programme_id, STANDS)
    if piece_id is not None:
        sets = sets.where(Piece.id == piece_id)
    if part_id is not None:
        sets = sets.where(Revision.part_id == part_id)
    if characteristic_ids:
        sets = sets.where(Characteristic.id.in_(characteristic_ids))
    found = []
    for query in (sets, _wide_limits().where(Characteristic.programme_id == programme_id)):
        for kind, *values in db.execute(query):
            found.append(OtherRow(kind, values[:8], values[8:12], values[12:]))
    return evidence_facts(found)


# --- characteristics and their limits
class CharacteristicRow(NamedTuple):
    """A characteristic with its part and the one it pulls against."""

    id: int
    name: str
    kind: str
    note: str
    part_id: int
    part_code: str
    part_title: str
    paired_with_id: int | None
    sets: int


def list_characteristics(db: Db, programme_id: int, *, part_id: int | None = None) -> list[CharacteristicRow]:
    """By part and name; `sets` counts the reading sets that stand."""
    counted = (
        select(func.count(ReadingSet.id)).where(ReadingSet.characteristic_id == Characteristic.id, STANDS)
        .correlate(Characteristic).scalar_subquery()
    )  # fmt: skip
    query = (
        select(Characteristic.id, Characteristic.name, Characteristic.kind, Characteristic.note, Part.id, Part.code, Part.title,
               Characteristic.paired_with_id, counted)
        .join(Part, Part.id == Characteristic.part_id).where(Characteristic.programme_id == programme_id)
        .order_by(Part.code_key, Characteristic.name_key)
    )  # fmt: skip
    if part_id is not None:
        query = query.where(Part.id == part_id)
    return [CharacteristicRow(*row) for row in db.execute(query)]


def get_characteristic(db: Db, programme_id: int, characteristic_id: int) -> CharacteristicRow:
    found = next((row for row in list_characteristics(db, programme_id) if row.id == characteristic_id), None)
    if found is None:
        raise NotFound("There is no such characteristic in this programme", "", "Look for it in the gauge log.")
    return found


def find_characteristic(db: Db, part_id: int, name_key: str) -> int | None:
    return db.scalar(select(Characteristic.id).where(Characteristic.part_id == part_id, Characteristic.name_key == name_key))


class LimitRow(NamedTuple):
    limit: CharacteristicLimit
    revision: str
    by: str


def list_limits(db: Db, programme_id: int, characteristic_id: int) -> list[LimitRow]:
    """Every version, the newest first."""
    rows = db.execute(
        select(CharacteristicLimit, Revision.label, Membership.initials)
        .outerjoin(Revision, Revision.id == CharacteristicLimit.revision_id)
        .outerjoin(Membership, and_(Membership.account_id == CharacteristicLimit.set_by_id, Membership.programme_id == programme_id))
        .where(CharacteristicLimit.characteristic_id == characteristic_id).order_by(CharacteristicLimit.version.desc())
    )  # fmt: skip
    return [LimitRow(limit, label or "", initials or "–") for limit, label, initials in rows]


# --- gauges
def list_gauges(db: Db, programme_id: int) -> Sequence[Gauge]:
    return db.scalars(select(Gauge).where(Gauge.programme_id == programme_id).order_by(Gauge.retired_at.is_not(None), Gauge.number)).all()


def get_gauge(db: Db, programme_id: int, gauge_id: int, *, lock: bool = False) -> Gauge:
    query = select(Gauge).where(Gauge.id == gauge_id, Gauge.programme_id == programme_id)
    if lock:
        query = query.with_for_update().execution_options(populate_existing=True)
    found = db.scalar(query)
    if found is None:
        raise NotFound("There is no such gauge in this programme", "", "Look for it in the gauge log.")
    return found


def find_gauge(db: Db, programme_id: int, name_key: str) -> Gauge | None:
    return db.scalar(select(Gauge).where(Gauge.programme_id == programme_id, Gauge.name_key == name_key))


# --- reading sets
class SetRow(NamedTuple):
    """A reading set with the names around it; `raws` as typed, in order."""

    set: ReadingSet
    piece: str
    characteristic: str
    kind: str
    revision_id: int
    gauge: str
    taken_by: str
    noted_by: str
    withdrawn_by: str
    session: str
    raws: tuple[str, ...]

    @property
    def id(self) -> int:
        return self.set.id

    @property
    def when(self) -> str:
        """“after S-03”, or nothing."""
        return f"{self.set.taken} {self.session}".strip() if self.session else ""


def list_sets(db: Db, programme_id: int, *, piece_id: int | None = None, characteristic_id: int | None = None, set_id: int | None = None,
              revision_id: int | None = None, part_id: int | None = None, newest: int = 500) -> list[SetRow]:  # fmt: skip
    """The newest first, withdrawn ones too; two queries."""
    taker, noter, withdrawer = aliased(Account), aliased(Account), aliased(Account)
    query = (
        select(ReadingSet, Revision.label, Piece.mark, Characteristic.name, Characteristic.kind, Piece.revision_id, Gauge.number,
               Gauge.name, taker.name, noter.name, withdrawer.name, Session.number)
        .join(Piece, Piece.id == ReadingSet.piece_id).join(Revision, Revision.id == Piece.revision_id)
        .join(Characteristic, Characteristic.id == ReadingSet.characteristic_id).join(Gauge, Gauge.id == ReadingSet.gauge_id)
        .join(taker, taker.id == ReadingSet.taken_by_id).join(noter, noter.id == ReadingSet.noted_by_id)
        .outerjoin(withdrawer, withdrawer.id == ReadingSet.withdrawn_by_id).outerjoin(Session, Session.id == ReadingSet.session_id)
        .where(ReadingSet.programme_id == programme_id).order_by(ReadingSet.measured_at.desc(), ReadingSet.id.desc()).limit(newest)
    )  # fmt: skip
    for column, wanted in ((ReadingSet.piece_id, piece_id), (ReadingSet.characteristic_id, characteristic_id), (ReadingSet.id, set_id),
                           (Piece.revision_id, revision_id), (Revision.part_id, part_id)):  # fmt: skip
        if wanted is not None:
            query = query.where(column == wanted)
    rows = db.execute(query).all()
    raws: dict[int, list[str]] = {}
    for own_id, raw in db.execute(select(SetReading.reading_set_id, SetReading.raw)
                                  .where(SetReading.reading_set_id.in_([row[0].id for row in rows]))
                                  .order_by(SetReading.reading_set_id, SetReading.place)):  # fmt: skip
        raws.setdefault(own_id, []).append(raw)
    return [
        SetRow(own, f"{label} {mark}", name, kind, revision_id, f"G-{number:02d} {gauge}", took, noted, gone or "",
               f"S-{session:02d}" if session is not None else "", tuple(raws.get(own.id, ())))
        for own, label, mark, name, kind, revision_id, number, gauge, took, noted, gone, session in rows
    ]  # fmt: skip


def get_set(db: Db, programme_id: int, set_id: int) -> SetRow:
    found = list_sets(db, programme_id, set_id=set_id)
    if not found:
        raise NotFound("There is no such reading set in this programme", "", "Look for it in the gauge log.")
    return found[0]


# --- what a reading touches
def find_sealed_session(db: Db, session_id: int, revision_id: int) -> str | None:
    """The session's label if runs of it are under a sealed key of a question that this revision answers."""
    number = db.scalar(
        select(Session.number).join(Run, Run.session_id == Session.id)
        .join(Variant, Variant.question_id == Run.sealed_question_id)
        .join(VariantRevision, VariantRevision.variant_id == Variant.id)
        .where(Session.id == session_id, VariantRevision.revision_id == revision_id).limit(1)
    )  # fmt: skip
    return f"S-{number:02d}" if number is not None else None


def run_starts(db: Db, run_ids: Collection[int]) -> dict[int, datetime | None]:
    return {run.id: run.started_at for run in db.execute(select(Run.id, Run.started_at).where(Run.id.in_(run_ids)))}


def questions_of_piece(db: Db, piece_id: int) -> list[tuple[int, str, str]]:
    """(id, label, title) of questions that its revision answers or that a run with it carried, by the newest builds."""
    newer = aliased(AsRunBuild)
    newest = ~select(newer.id).where(newer.run_id == AsRunBuild.run_id, newer.version > AsRunBuild.version).exists()
    answered = (
        select(Variant.question_id).join(VariantRevision, VariantRevision.variant_id == Variant.id)
        .join(Piece, Piece.revision_id == VariantRevision.revision_id).where(Piece.id == piece_id)
    )  # fmt: skip
    carried = (
        select(BuildVariant.question_id).join(AsRunBuild, AsRunBuild.id == BuildVariant.build_id)
        .join(BuildPiece, BuildPiece.build_id == AsRunBuild.id).where(BuildPiece.piece_id == piece_id, newest)
    )  # fmt: skip
    rows = db.execute(select(Question).where(or_(Question.id.in_(answered), Question.id.in_(carried))).order_by(Question.number))
    return [(question.id, question.label, question.title) for (question,) in rows]
