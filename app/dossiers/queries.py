"""What the home pages show: a few SELECTs over several features, each a fixed number."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import and_, exists, func, select
from sqlalchemy.orm import aliased, defer

from app.access.viewer import Viewer
from app.db import Db
from app.decisions.models import Decision, Look, Ruling, RulingState
from app.feedback.models import Slip, SlipVersion, VersionState
from app.history.models import Happening
from app.people.models import Membership
from app.questions.models import Question, QuestionState, RuleVersion, Variant, VariantState
from app.sessions.models import Car, Run, RunState, Session, SessionState

OPEN_QUESTIONS = (QuestionState.ASKED, QuestionState.RUNNING, QuestionState.READY, QuestionState.REOPENED)
NEARNESS = {"adopt": 0, "setting": 0, "reject": 1, "retest": 2}


class OwedRun(NamedTuple):
    run_id: int
    label: str
    car: str
    place: str
    ended_at: datetime | None
    state: str


def list_owed(db: Db, viewer: Viewer) -> Sequence[OwedRun]:
    """The viewer's runs that are under way, or driven and not rated yet; newest first."""
    rated = exists().where(Slip.run_id == Run.id, Slip.rater_id == viewer.account_id, Slip.withdrawn_at.is_(None))
    rows = db.execute(
        select(Run, Car.name, Session)
        .join(Car, Car.id == Run.car_id).join(Session, Session.id == Run.session_id)
        .where(Run.programme_id == viewer.programme_id, Run.driver_id == viewer.account_id, Run.alias == "",
               (Run.state == RunState.DRIVING) | and_(Run.state == RunState.DRIVEN, ~rated))
        .order_by(Run.ended_at.desc().nulls_first(), Run.id.desc()).limit(20)
    )  # fmt: skip
    return [OwedRun(run.id, f"{session.label}/{run.label}", car, session.place, run.ended_at, run.state)
            for run, car, session in rows]  # fmt: skip


class NextRun(NamedTuple):
    run_id: int
    label: str
    car: str
    planned_at: datetime | None
    session_id: int
    zone: str


def list_next_runs(db: Db, viewer: Viewer) -> Sequence[NextRun]:
    """Planned runs of the viewer's own in sessions that are open."""
    rows = db.execute(
        select(Run, Car.name, Session)
        .join(Car, Car.id == Run.car_id).join(Session, Session.id == Run.session_id)
        .where(Run.programme_id == viewer.programme_id, Run.driver_id == viewer.account_id, Run.state == RunState.PLANNED,
               Session.state == SessionState.OPEN)
        .order_by(Run.planned_at, Run.number).limit(10)
    )  # fmt: skip
    return [NextRun(r.id, f"{s.label}/{r.label}", f"{car}, code {r.blind_code}" if r.sealed else car,
                    r.planned_at, s.id, s.time_zone) for r, car, s in rows]


class Became(NamedTuple):
    """What became of what the viewer said: a ruling on a question they rated in."""

    ruling: Ruling
    question: Question
    variant: str


def list_became(db: Db, viewer: Viewer) -> Sequence[Became]:
    """Standing and reopened rulings resting on a slip of the viewer's own; newest first."""
    from app.sessions.models import AsRunBuild, BuildVariant

    said = exists().where(
        BuildVariant.question_id == Ruling.question_id, BuildVariant.build_id == AsRunBuild.id, AsRunBuild.run_id == Slip.run_id,
        Slip.rater_id == viewer.account_id,
    )  # fmt: skip
    rows = db.execute(
        select(Ruling, Question, Variant.code)
        .join(Question, Question.id == Ruling.question_id).join(Variant, Variant.id == Ruling.variant_id)
        .where(Ruling.programme_id == viewer.programme_id, Ruling.state.in_((RulingState.STANDING, RulingState.REOPENED)), said)
        .options(defer(Ruling.snapshot, raiseload=True)).order_by(Ruling.number.desc()).limit(10)
    )  # fmt: skip
    return [Became(ruling, question, code) for ruling, question, code in rows]


def list_said(db: Db, viewer: Viewer) -> Sequence[tuple[str, int, str, datetime]]:
    """(run label, slip id, own remark, captured at) of the viewer's newest slips."""
    rows = db.execute(
        select(Session, Run, Slip, SlipVersion.remark)
        .join(Run, Run.id == Slip.run_id).join(Session, Session.id == Run.session_id)
        .join(SlipVersion, and_(SlipVersion.slip_id == Slip.id, SlipVersion.version == Slip.version))
        .where(Slip.programme_id == viewer.programme_id, Slip.rater_id == viewer.account_id, Slip.withdrawn_at.is_(None),
               Run.sealed_question_id.is_(None))  # inside a sealed block a rater's own earlier words are hidden too
        .order_by(Slip.captured_at.desc(), Slip.id.desc()).limit(8)
    )  # fmt: skip
    return [(f"{session.label}/{run.label}", slip.id, remark, slip.captured_at) for session, run, slip, remark in rows]


def count_proposed(db: Db, viewer: Viewer) -> int:
    """Slips of the viewer's own that arrived twice with different content and wait for their word."""
    return db.scalar(
        select(func.count(SlipVersion.id)).join(Slip, Slip.id == SlipVersion.slip_id)
        .where(Slip.programme_id == viewer.programme_id, Slip.rater_id == viewer.account_id, SlipVersion.state == VersionState.PROPOSED)
    ) or 0  # fmt: skip


class QuestionLine(NamedTuple):
    """One open question with its last look, the nearest to settled first."""

    question: Question
    owner: str
    readings: Sequence[dict[str, Any]]
    rulings: int
    rivals: int

    @property
    def unruled(self) -> bool:
        return self.rulings < self.rivals

    @property
    def nearness(self) -> tuple[int, int, object]:
        """Sorts: verdicts without a retest first, then fewer missing things, then the earlier date."""
        retests = len([r for r in self.readings if r["verdict"] == "retest"]) if self.readings else 99
        missing = sum(len(r.get("missing") or ()) for r in self.readings)
        late = self.question.decide_by.toordinal() if self.question.decide_by else 10**7
        return (retests, missing, late)


def list_question_lines(db: Db, programme_id: int) -> Sequence[QuestionLine]:
    """Every open question with verdicts of its last look and how many rivals are ruled on."""
    owner = aliased(Membership)
    ruled = (
        select(func.count(Ruling.id)).where(Ruling.question_id == Question.id, Ruling.state == RulingState.STANDING,
                                           Ruling.decision != Decision.RETEST)
        .correlate(Question).scalar_subquery()
    )  # fmt: skip
    rivals = (
        select(func.count(Variant.id)).where(Variant.question_id == Question.id, Variant.is_control.is_(False),
                                            Variant.state == VariantState.LIVE)
        .correlate(Question).scalar_subquery()
    )  # fmt: skip
    rows = db.execute(
        select(Question, owner.initials, Look.readings, ruled, rivals)
        .outerjoin(owner, and_(owner.account_id == Question.owner_id, owner.programme_id == programme_id))
        .outerjoin(Look, Look.question_id == Question.id)
        .where(Question.programme_id == programme_id, Question.state.in_(OPEN_QUESTIONS))
    )
    lines = [QuestionLine(q, initials or "", readings or [], n, of) for q, initials, readings, n, of in rows]
    return sorted(lines, key=lambda line: line.nearness)


def list_controls(db: Db, programme_id: int) -> Sequence[tuple[int, str]]:
    """(question id, code of its control) of every open question."""
    rows = db.execute(
        select(Question.id, Variant.code).join(Variant, Variant.question_id == Question.id)
        .where(Question.programme_id == programme_id, Question.state.in_(OPEN_QUESTIONS), Variant.is_control)
    )  # fmt: skip
    return [(question_id, code) for question_id, code in rows]


def list_drafts(db: Db, programme_id: int) -> Sequence[Question]:
    return db.scalars(
        select(Question).where(Question.programme_id == programme_id, Question.state == QuestionState.DRAFT).order_by(Question.number)
    ).all()


class RulingLine(NamedTuple):
    ruling: Ruling
    question: Question
    variant: str
    moved: bool

    @property
    def ready(self) -> bool:
        """Adopted, standing, on a ruled question whose evidence has not moved since."""
        ruling = self.ruling
        standing = ruling.decision == Decision.ADOPT and ruling.state == RulingState.STANDING
        return standing and not self.moved and self.question.state == QuestionState.RULED


def list_ruling_lines(db: Db, programme_id: int) -> Sequence[RulingLine]:
    """Live rulings, provisional first, with whether their evidence differs from the last look."""
    rows = db.execute(
        select(Ruling, Question, Variant.code, Look.fingerprint)
        .join(Question, Question.id == Ruling.question_id).join(Variant, Variant.id == Ruling.variant_id)
        .outerjoin(Look, Look.question_id == Ruling.question_id)
        .where(Ruling.programme_id == programme_id, Ruling.state.in_((RulingState.PROVISIONAL, RulingState.STANDING)))
        .options(defer(Ruling.snapshot, raiseload=True)).order_by(Ruling.state, Ruling.number.desc())
    )  # fmt: skip
    return [RulingLine(r, q, code, bool(seen) and seen != r.fingerprint) for r, q, code, seen in rows]


def has_stale_looks(db: Db, programme_id: int) -> bool:
    """Has anything been filed since the looks of questions with evidence were computed?"""
    newest = select(func.max(Happening.id)).where(Happening.programme_id == programme_id).scalar_subquery()
    stale = (
        select(Question.id).outerjoin(Look, Look.question_id == Question.id)
        .where(Question.programme_id == programme_id, Question.state.in_(OPEN_QUESTIONS),
               (Look.stamp < newest) | (Look.stamp.is_(None) & exists().where(RuleVersion.question_id == Question.id)))
    )  # fmt: skip
    return bool(db.scalar(select(stale.exists())))


class SessionInHand(NamedTuple):
    """A session that is open or planned, with how far it is."""

    session: Session
    runs: int
    driven: int


def list_sessions_in_hand(db: Db, programme_id: int) -> Sequence[SessionInHand]:
    """Open ones first, then planned ones by date."""
    driven = func.count(Run.id).filter(Run.state.in_((RunState.DRIVEN, RunState.SHORT)))
    rows = db.execute(
        select(Session, func.count(Run.id), driven).outerjoin(Run, Run.session_id == Session.id)
        .where(Session.programme_id == programme_id, Session.state.in_((SessionState.OPEN, SessionState.PLANNED)))
        .group_by(Session.id).order_by(Session.state, Session.on_date).limit(6)
    )  # fmt: skip
    return [SessionInHand(session, runs, done) for session, runs, done in rows]
