"""What a revision or a piece was on and went through, for `exposures` to add up."""

from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import aliased

from app.clock import minutes_between
from app.db import Db
from app.incidents.exposures import FiledUse, IncidentFact, RunUse
from app.incidents.models import Incident, IncidentCause, IncidentPiece
from app.incidents.queries import newest_cause
from app.incidents.rules import split_words
from app.measurements.models import Batch, Exposure, Lap
from app.measurements.rules import SessionFact
from app.parts.models import Piece, Revision
from app.questions.models import VariantRevision
from app.sessions.models import CLOSED_STATES, AsRunBuild, BuildPiece, Run, RunState, Session


def list_runs_of_revision(db: Db, revision_id: int, hidden: Collection[int]) -> list[RunUse]:
    return _runs_of(db, Piece.revision_id == revision_id, hidden)


def list_runs_of_piece(db: Db, piece_id: int, hidden: Collection[int]) -> list[RunUse]:
    return _runs_of(db, Piece.id == piece_id, hidden)


def list_runs_of_part(db: Db, part_id: int, hidden: Collection[int]) -> list[RunUse]:
    return _runs_of(db, Piece.revision_id.in_(select(Revision.id).where(Revision.part_id == part_id)), hidden)


def list_facts_of_revision(db: Db, revision_id: int, hidden: Collection[int]) -> list[IncidentFact]:
    return _facts_of(db, Piece.revision_id == revision_id, hidden)


def list_facts_of_piece(db: Db, piece_id: int, hidden: Collection[int]) -> list[IncidentFact]:
    return _facts_of(db, Piece.id == piece_id, hidden)


def list_runs_of_revisions(db: Db, revision_ids: Collection[int], hidden: Collection[int]) -> list[RunUse]:
    return _runs_of(db, Piece.revision_id.in_(revision_ids), hidden)


def list_facts_of_revisions(db: Db, revision_ids: Collection[int], hidden: Collection[int]) -> list[IncidentFact]:
    return _facts_of(db, Piece.revision_id.in_(revision_ids), hidden)


def _runs_of(db: Db, pieces: Any, hidden: Collection[int]) -> list[RunUse]:
    """Driven runs that these pieces (a condition on Piece) were on, by the newest build."""
    newer = aliased(AsRunBuild)
    newest = ~select(newer.id).where(newer.run_id == AsRunBuild.run_id, newer.version > AsRunBuild.version).exists()
    timed = (
        select(func.count(Lap.id)).join(Batch, Batch.id == Lap.batch_id)
        .where(Lap.run_id == Run.id, Batch.withdrawn_at.is_(None)).correlate(Run).scalar_subquery()
    )  # fmt: skip
    rows = db.execute(
        select(Run, Session.number, Session.state, Piece.id, Piece.revision_id, timed)
        .join(AsRunBuild, AsRunBuild.run_id == Run.id).join(BuildPiece, BuildPiece.build_id == AsRunBuild.id)
        .join(Piece, Piece.id == BuildPiece.piece_id).join(Session, Session.id == Run.session_id)
        .where(pieces, newest, Run.state.in_((RunState.DRIVEN, RunState.SHORT))).order_by(Run.id)
    )  # fmt: skip
    found = []
    for run, number, state, piece_id, revision_id, laps in rows:
        if run.session_id in hidden:
            continue
        minutes = minutes_between(run.started_at, run.ended_at) if run.started_at and run.ended_at else 0.0
        found.append(RunUse(run.id, f"S-{number:02d}/{run.label}", run.session_id, piece_id, revision_id, laps or run.laps_driven, minutes,
                            state in CLOSED_STATES, run.started_at))  # fmt: skip
    return found


def _facts_of(db: Db, pieces: Any, hidden: Collection[int]) -> list[IncidentFact]:
    """What happened to these pieces (a condition on Piece)."""
    rows = db.execute(
        select(Incident, IncidentPiece.damage, IncidentCause, Piece, Session)
        .join(IncidentPiece, IncidentPiece.incident_id == Incident.id).join(Piece, Piece.id == IncidentPiece.piece_id)
        .join(IncidentCause, and_(IncidentCause.incident_id == Incident.id, newest_cause()))
        .outerjoin(Session, Session.id == Incident.session_id).where(pieces).order_by(Incident.id)
    )  # fmt: skip
    return [
        IncidentFact(i.id, i.number, SessionFact(s.id, s.label, s.state) if s else None, p.revision_id, p.id, i.kind, i.hits,
                     split_words(damage), c.cause, c.reason, i.happened_at)
        for i, damage, c, p, s in rows if i.session_id not in hidden
    ]  # fmt: skip


def list_filed_of(db: Db, revision_id: int, hidden: Collection[int]) -> Sequence[FiledUse]:
    """Rows of tables of use that stand, for this revision or for a variant that it alone makes up."""
    return list_filed_of_revisions(db, [revision_id], hidden).get(revision_id, [])


def list_filed_of_revisions(db: Db, revision_ids: Collection[int], hidden: Collection[int]) -> dict[int, list[FiledUse]]:
    """Revision id -> rows of tables of use that stand, for it or for a variant that it makes up. One query."""
    through = and_(VariantRevision.variant_id == Exposure.variant_id, Exposure.revision_id.is_(None),
                   VariantRevision.revision_id.in_(revision_ids))  # fmt: skip
    rows = db.execute(
        select(Exposure, Session.number, func.coalesce(Exposure.revision_id, VariantRevision.revision_id))
        .join(Batch, Batch.id == Exposure.batch_id).outerjoin(Session, Session.id == Exposure.session_id)
        .outerjoin(VariantRevision, through)
        .where(Batch.withdrawn_at.is_(None), or_(Exposure.revision_id.in_(revision_ids), VariantRevision.revision_id.in_(revision_ids)))
        .order_by(Exposure.id)
    )  # fmt: skip
    found: dict[int, list[FiledUse]] = {}
    for e, n, of in rows:
        if e.session_id not in hidden:
            found.setdefault(of, []).append(FiledUse(e.session_id, f"S-{n:02d}" if n else "all sessions", e.laps,
                                                     e.minutes_hundredths / 100, e.impacts, e.failures, e.note, of))  # fmt: skip
    return found
