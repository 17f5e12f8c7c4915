"""Every SELECT about concerns."""

from collections.abc import Collection, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import Select, func, select
from sqlalchemy.orm import aliased

from app import clock
from app.access.viewer import Viewer
from app.concerns import loop_queries, rules
from app.concerns.models import CloseKind, Concern, ConcernEvent, ConcernState
from app.db import Db
from app.errors import NotFound
from app.feedback.queries import hidden_sessions
from app.parts.models import Part, Piece, Revision
from app.people.models import Membership
from app.questions.models import Question, Variant, VariantRevision
from app.sessions.models import Car, Run, Session

WITHHELD = "Withheld from you until its session is closed and your slips are in, so that you judge for yourself."


class ConcernRow(NamedTuple):
    """A concern with the names of everything it is about.

    For a person who still owes slips of its session the words, revision and piece are withheld (`withheld`), unless
    they raised it or it is a danger to people.
    """

    id: int
    label: str
    words: str
    danger: str
    product_severity: int
    blocker: bool
    state: str
    close_kind: str
    edition: int
    raised_at: datetime
    raised_by: str
    owner_id: int | None
    owner: str
    question_id: int | None
    question: str
    revision_id: int | None
    revision: str
    piece_id: int | None
    piece: str
    run_id: int | None
    run: str
    session_id: int | None
    session_open: bool
    withheld: bool
    stage: str = ""
    ran_out: date | None = None  # the last day of its concession, once that is over
    fixed_id: int | None = None  # the revision that holds the cure

    @property
    def open(self) -> bool:
        return self.state != ConcernState.CLOSED

    @property
    def stands(self) -> bool:
        """Open, or closed under a concession that has run out."""
        return self.open or self.ran_out is not None

    @property
    def blocks(self) -> bool:
        return self.blocker and self.stands

    @property
    def age_days(self) -> int:
        """Whole days since it was raised."""
        return (clock.now() - self.raised_at).days

    @property
    def by_rule(self) -> bool:
        return rules.blocks_by_rule(self.danger, self.product_severity)


def _rows(programme_id: int) -> Select[*tuple[Any, ...]]:
    raiser, owner, of_piece = aliased(Membership), aliased(Membership), aliased(Revision)
    return (
        select(
            Concern, raiser.initials, owner.initials, Question, Revision.label, of_piece.label, Piece.mark, Run.number,
            Session, *loop_queries.stage_columns(),
        )
        .outerjoin(raiser, (raiser.account_id == Concern.raised_by_id) & (raiser.programme_id == programme_id))
        .outerjoin(owner, (owner.account_id == Concern.owner_id) & (owner.programme_id == programme_id))
        .outerjoin(Question, Question.id == Concern.question_id)
        .outerjoin(Revision, Revision.id == Concern.revision_id)
        .outerjoin(Piece, Piece.id == Concern.piece_id)
        .outerjoin(of_piece, of_piece.id == Piece.revision_id)
        .outerjoin(Run, Run.id == Concern.run_id)
        .outerjoin(Session, Session.id == Run.session_id)
        .where(Concern.programme_id == programme_id)
    )  # fmt: skip


def _row(found: Sequence[Any], viewer: Viewer | None, hidden: frozenset[int]) -> ConcernRow:
    c, raised_by, owner, question, revision, piece_of, mark, run_number, session, until, fixed_id, *steps = found
    withheld = viewer is not None and rules.is_withheld(
        danger=c.danger,
        session_hidden=session is not None and session.id in hidden,
        viewer_raised_it=c.raised_by_id == viewer.account_id,
    )
    return ConcernRow(
        id=c.id,
        label=c.label,
        words=WITHHELD if withheld else c.words,
        danger=c.danger,
        product_severity=c.product_severity,
        blocker=c.blocker,
        state=c.state,
        close_kind=c.close_kind,
        edition=c.edition,
        raised_at=c.raised_at,
        raised_by=raised_by or "–",
        owner_id=c.owner_id,
        owner=owner or "",
        question_id=c.question_id,
        question=f"{question.label} {question.title}" if question else "",
        revision_id=None if withheld else c.revision_id,
        revision="" if withheld else revision or "",
        piece_id=None if withheld else c.piece_id,
        piece="" if withheld or not mark else f"{piece_of} {mark}",
        run_id=c.run_id,
        run=f"{session.label} R-{run_number:02d}" if session else "",
        session_id=session.id if session else None,
        session_open=bool(session and not session.closed),
        withheld=withheld,
        stage=loop_queries.stage_of(c.state, fixed_id, steps),
        ran_out=until if c.close_kind == CloseKind.CONCESSION and until is not None and until < clock.now().date() else None,
        fixed_id=None if withheld else fixed_id,
    )


def _worst_first(row: ConcernRow) -> tuple[bool, int, int, int]:
    return (not row.stands, rules.DANGER_RANK[row.danger], -row.product_severity, row.id)  # type: ignore[index]


def _shown(db: Db, programme_id: int, query: Select[*tuple[Any, ...]], viewer: Viewer | None,
           hidden: Collection[int] | None = None) -> list[ConcernRow]:  # fmt: skip
    hidden = frozenset(hidden_sessions(db, viewer) if hidden is None else hidden) if viewer is not None else frozenset()
    return sorted((_row(found, viewer, hidden) for found in db.execute(query)), key=_worst_first)


def list_concerns(db: Db, programme_id: int, *, viewer: Viewer | None = None, hidden: Collection[int] | None = None) -> list[ConcernRow]:
    """Every concern: open first, then by danger, then by severity; what the viewer may not read yet is withheld.

    hidden : the sessions that the viewer may not see yet, where they are known already
    """
    return _shown(db, programme_id, _rows(programme_id), viewer, hidden)


def list_open_blockers(db: Db, programme_id: int, *, viewer: Viewer | None = None,
                       hidden: Collection[int] | None = None) -> list[ConcernRow]:  # fmt: skip
    """The open concerns that stop a freeze, the worst first; one whose concession has run out stands open."""
    stops = _rows(programme_id).where(Concern.blocker, loop_queries.stands_open())
    return _shown(db, programme_id, stops, viewer, hidden)


def list_concerns_of_question(
    db: Db, programme_id: int, question_id: int, *, viewer: Viewer | None = None
) -> list[ConcernRow]:
    return _shown(db, programme_id, _rows(programme_id).where(Concern.question_id == question_id), viewer)


def list_concerns_of_revision(
    db: Db, programme_id: int, revision_id: int, *, viewer: Viewer | None = None
) -> list[ConcernRow]:
    return _shown(db, programme_id, _rows(programme_id).where(Concern.revision_id == revision_id), viewer)


def get_concern_row(db: Db, programme_id: int, concern_id: int, *, viewer: Viewer | None = None) -> ConcernRow:
    found = _shown(db, programme_id, _rows(programme_id).where(Concern.id == concern_id), viewer)
    if not found:
        raise NotFound("There is no such concern in this programme", "", "Look for it under Concerns.")
    return found[0]


def get_concern(db: Db, programme_id: int, concern_id: int) -> Concern:
    concern = db.scalar(select(Concern).where(Concern.id == concern_id, Concern.programme_id == programme_id))
    if concern is None:
        raise NotFound("There is no such concern in this programme", "", "Look for it under Concerns.")
    return concern


def next_number(db: Db, programme_id: int) -> int:
    """The next C-number; call after `lock_programme`, so that two raisers never get the same."""
    return (db.scalar(select(func.max(Concern.number)).where(Concern.programme_id == programme_id)) or 0) + 1


def find_same_raised(db: Db, concern: Concern, since: datetime) -> Concern | None:
    """The same person's same words about the same things, raised a moment ago: the same form sent twice."""
    return db.scalar(
        select(Concern).where(
            Concern.programme_id == concern.programme_id,
            Concern.raised_by_id == concern.raised_by_id,
            Concern.raised_at >= since,
            Concern.words == concern.words,
            Concern.revision_id.is_not_distinct_from(concern.revision_id),
            Concern.piece_id.is_not_distinct_from(concern.piece_id),
            Concern.run_id.is_not_distinct_from(concern.run_id),
            Concern.question_id.is_not_distinct_from(concern.question_id),
            Concern.state != ConcernState.CLOSED,
        )
    )


class EventRow(NamedTuple):
    id: int
    kind: str
    text: str
    detail: dict[str, Any]
    by_id: int
    by: str
    at: datetime


def list_events(db: Db, programme_id: int, concern_id: int) -> Sequence[EventRow]:
    """What happened to one concern, the oldest first."""
    rows = db.execute(
        select(ConcernEvent, Membership.initials)
        .join(Concern, Concern.id == ConcernEvent.concern_id)
        .outerjoin(
            Membership, (Membership.account_id == ConcernEvent.by_id) & (Membership.programme_id == programme_id)
        )
        .where(Concern.programme_id == programme_id, ConcernEvent.concern_id == concern_id)
        .order_by(ConcernEvent.id)
    )
    return [EventRow(e.id, e.kind, e.text, e.detail or {}, e.by_id, initials or "–", e.at) for e, initials in rows]


# --- what a concern may be about
class RunRow(NamedTuple):
    id: int
    label: str
    session_id: int
    session_open: bool


def list_questions_to_name(db: Db, programme_id: int) -> Sequence[Question]:
    return db.scalars(select(Question).where(Question.programme_id == programme_id).order_by(Question.number)).all()


def list_runs_to_name(db: Db, programme_id: int, *, run_id: int | None = None) -> list[RunRow]:
    """The newest 60 runs, such as “S-03 R-04, AQ, car 1”; and `run_id`, however old."""
    query = (
        select(Run, Session, Car.name, Membership.initials)
        .join(Session, Session.id == Run.session_id)
        .join(Car, Car.id == Run.car_id)
        .outerjoin(Membership, (Membership.account_id == Run.driver_id) & (Membership.programme_id == programme_id))
        .where(Run.programme_id == programme_id)
    )
    found = list(db.execute(query.order_by(Session.on_date.desc(), Session.number.desc(), Run.number.desc()).limit(60)))
    if run_id is not None and all(run.id != run_id for run, *_ in found):
        found += db.execute(query.where(Run.id == run_id)).all()
    return [RunRow(run.id, f"{session.label} {run.label}, {initials or '–'}, {car}", session.id, not session.closed)
            for run, session, car, initials in found]  # fmt: skip


def find_sealed_run(db: Db, run_id: int, revision_id: int) -> str | None:
    """The run's label if its key is sealed and the revision answers the question it was sealed for, whichever variant."""
    run = db.scalar(
        select(Run).join(Variant, Variant.question_id == Run.sealed_question_id)
        .join(VariantRevision, VariantRevision.variant_id == Variant.id)
        .where(Run.id == run_id, VariantRevision.revision_id == revision_id).limit(1)
    )  # fmt: skip
    return run.label if run is not None else None


def find_session_id(db: Db, run_id: int | None) -> int | None:
    """The session of this run: its happenings are hidden from whoever still owes slips there."""
    return None if run_id is None else db.scalar(select(Run.session_id).where(Run.id == run_id))


def get_question_id(db: Db, programme_id: int, question_id: int) -> int:
    found = db.scalar(select(Question.id).where(Question.id == question_id, Question.programme_id == programme_id))
    if found is None:
        raise NotFound("There is no such question in this programme", "", "Choose another.", field="question_id")
    return found


def get_run_id(db: Db, programme_id: int, run_id: int) -> int:
    found = db.scalar(select(Run.id).where(Run.id == run_id, Run.programme_id == programme_id))
    if found is None:
        raise NotFound("There is no such run in this programme", "", "Choose another.", field="run_id")
    return found


def get_part_label(db: Db, programme_id: int, part_id: int) -> str:
    found = db.scalar(select(Part.code).where(Part.id == part_id, Part.programme_id == programme_id))
    if found is None:
        raise NotFound("There is no such part in this programme", "", "Choose another.", field="other_part_id")
    return found
