"""Every SELECT about sessions, runs and builds."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import Select, and_, exists, func, or_, select
from sqlalchemy.orm import joinedload, selectinload

from app.access.viewer import Viewer
from app.db import Db
from app.errors import NotFound
from app.parts.models import Part, Piece, Revision
from app.people.models import Account, Membership
from app.questions.models import Question, Variant
from app.sessions.models import (
    AsRunBuild,
    BuildPiece,
    BuildVariant,
    Car,
    ConditionNote,
    Run,
    RunReport,
    RunState,
    Session,
    SessionPerson,
    SessionState,
)
from app.sessions.rules import BuildFacts, code_words


def get_session(db: Db, programme_id: int, session_id: int, *, lock: bool = False) -> Session:
    query = select(Session).where(Session.id == session_id, Session.programme_id == programme_id)
    if lock:
        query = query.with_for_update().execution_options(populate_existing=True)
    found = db.scalar(query)
    if found is None:
        raise NotFound("There is no such test session in this programme")
    return found


class SessionRow(NamedTuple):
    id: int
    label: str
    place: str
    on_date: object
    state: str
    condition: str
    runs: int
    driven: int


def list_sessions(db: Db, programme_id: int) -> Sequence[SessionRow]:
    """Newest first, with how many runs are planned and driven."""
    driven = func.count(Run.id).filter(Run.state.in_((RunState.DRIVEN, RunState.SHORT)))
    rows = db.execute(
        select(Session, func.count(Run.id).filter(Run.state != RunState.VOID), driven)
        .outerjoin(Run, Run.session_id == Session.id)
        .where(Session.programme_id == programme_id)
        .group_by(Session.id)
        .order_by(Session.on_date.desc(), Session.number.desc())
    )
    return [SessionRow(s.id, s.label, s.place, s.on_date, s.state, s.condition, n, d) for s, n, d in rows]


def list_session_people(db: Db, session_id: int) -> Sequence[tuple[int, str, str]]:
    """(account id, initials, duty) of everybody due at the session."""
    rows = db.execute(
        select(SessionPerson.account_id, Membership.initials, SessionPerson.duty)
        .join(Session, Session.id == SessionPerson.session_id)
        .join(Membership, and_(Membership.account_id == SessionPerson.account_id,
                               Membership.programme_id == Session.programme_id))
        .where(SessionPerson.session_id == session_id)
        .order_by(Membership.initials)
    )  # fmt: skip
    return [(account_id, initials, duty) for account_id, initials, duty in rows]


class RunRow(NamedTuple):
    """A run as lists show it; `variants` is such as "Q-01 t45"."""

    id: int
    label: str
    number: int
    session_id: int
    driver_id: int
    initials: str
    car: str
    state: str
    planned_at: datetime | None
    started_at: datetime | None
    ended_at: datetime | None
    laps: int | None
    build_state: str | None
    variants: str
    blind_code: int | None
    sealed: bool

    @property
    def on_car(self) -> str:
        return code_words(self, self.variants)


def list_runs(db: Db, programme_id: int, session_id: int) -> Sequence[RunRow]:
    """The runs of one session in order, each with the newest build's state and variants."""
    newest = (
        select(AsRunBuild.run_id, func.max(AsRunBuild.version).label("version")).group_by(AsRunBuild.run_id).subquery()
    )
    rows = db.execute(
        select(Run, Car.name, Membership.initials, AsRunBuild.id, AsRunBuild.state)
        .join(Car, Car.id == Run.car_id)
        .join(Membership, and_(Membership.account_id == Run.driver_id, Membership.programme_id == programme_id))
        .outerjoin(newest, newest.c.run_id == Run.id)
        .outerjoin(AsRunBuild, and_(AsRunBuild.run_id == Run.id, AsRunBuild.version == newest.c.version))
        .where(Run.session_id == session_id, Run.programme_id == programme_id)
        .order_by(Run.number)
    ).all()
    carried = variants_by_build(db, [build_id for *_, build_id, _ in rows if build_id])
    return [
        RunRow(run.id, run.label, run.number, run.session_id, run.driver_id, initials, car, run.state, run.planned_at,
               run.started_at, run.ended_at, run.laps_driven, build_state, ", ".join(carried.get(build_id or 0, [])),
               run.blind_code, run.sealed)
        for run, car, initials, build_id, build_state in rows
    ]  # fmt: skip


def variants_by_build(db: Db, build_ids: Sequence[int]) -> Mapping[int, list[str]]:
    if not build_ids:
        return {}
    rows = db.execute(
        select(BuildVariant.build_id, Question.number, Variant.code)
        .join(Variant, Variant.id == BuildVariant.variant_id)
        .join(Question, Question.id == BuildVariant.question_id)
        .where(BuildVariant.build_id.in_(build_ids))
        .order_by(Question.number)
    )
    found: dict[int, list[str]] = {}
    for build_id, number, code in rows:
        found.setdefault(build_id, []).append(f"Q-{number:02d} {code}")
    return found


def get_run(db: Db, programme_id: int, run_id: int, *, lock: bool = False) -> Run:
    """One run with its session and car."""
    query = (
        select(Run).where(Run.id == run_id, Run.programme_id == programme_id)
        .options(joinedload(Run.session), joinedload(Run.car))
    )  # fmt: skip
    if lock:
        query = query.with_for_update(of=Run).execution_options(populate_existing=True)
    found = db.scalar(query)
    if found is None:
        raise NotFound("There is no such run in this programme")
    return found


def find_newest_build(db: Db, run_id: int) -> AsRunBuild | None:
    """The build version that stands for this run, with pieces and variants."""
    return db.scalar(
        select(AsRunBuild)
        .where(AsRunBuild.run_id == run_id)
        .options(selectinload(AsRunBuild.pieces), selectinload(AsRunBuild.variants))
        .order_by(AsRunBuild.version.desc())
        .limit(1)
    )


def list_builds(db: Db, run_id: int) -> Sequence[AsRunBuild]:
    """Every version, oldest first; without its pieces and variants."""
    return db.scalars(select(AsRunBuild).where(AsRunBuild.run_id == run_id).order_by(AsRunBuild.version)).all()


def list_reports(db: Db, run_ids: Sequence[int]) -> Sequence[RunReport]:
    """What phones said of these runs' starts and ends, in the order of their arrival."""
    return db.scalars(select(RunReport).where(RunReport.run_id.in_(run_ids)).order_by(RunReport.id)).all() if run_ids else []


def list_condition_notes(db: Db, session_id: int) -> Sequence[ConditionNote]:
    """What was noted of a session's conditions, in the order of the moments it was noted at."""
    return db.scalars(select(ConditionNote).where(ConditionNote.session_id == session_id)
                      .order_by(ConditionNote.at, ConditionNote.id)).all()  # fmt: skip


def find_previous_build(db: Db, run: Run) -> AsRunBuild | None:
    """The newest build of the run before on the same car: what *same as last run except…* starts from."""
    before = db.scalar(
        select(Run.id)
        .join(Session, Session.id == Run.session_id)
        .where(Run.car_id == run.car_id, Run.programme_id == run.programme_id, Run.id != run.id,
               exists().where(AsRunBuild.run_id == Run.id),
               or_(Run.session_id != run.session_id, Run.number < run.number))
        .order_by((Run.session_id == run.session_id).desc(), Session.number.desc(), Run.number.desc())
        .limit(1)
    )  # fmt: skip
    return find_newest_build(db, before) if before is not None else None


def build_facts(db: Db, build: AsRunBuild) -> BuildFacts:
    """What was on the car by this build: its pieces by part, its set-up values."""
    fitted = db.execute(
        select(Part.code, Revision.label)
        .join(Revision, Revision.part_id == Part.id).join(Piece, Piece.revision_id == Revision.id)
        .join(BuildPiece, BuildPiece.piece_id == Piece.id)
        .where(BuildPiece.build_id == build.id)
    )  # fmt: skip
    return BuildFacts(dict(fitted.all()), build.settings or {})


def list_cars(db: Db, programme_id: int) -> Sequence[Car]:
    return db.scalars(select(Car).where(Car.programme_id == programme_id).order_by(Car.name)).all()


def closed_blocks(viewer: Viewer) -> Select[int]:
    """Ids of sessions not closed yet in which the viewer is due to rate: seen as a driver, whatever other hats they wear."""
    due = or_(
        exists().where(SessionPerson.session_id == Session.id, SessionPerson.account_id == viewer.account_id,
                       SessionPerson.duty == "driver"),
        exists().where(Run.session_id == Session.id, Run.driver_id == viewer.account_id, Run.state != RunState.VOID),
    )  # fmt: skip
    not_closed = Session.state.in_((SessionState.PLANNED, SessionState.OPEN))
    return select(Session.id).where(Session.programme_id == viewer.programme_id, not_closed, due)


def list_runs_of_driver(db: Db, viewer: Viewer, *, states: Sequence[str]) -> Sequence[Run]:
    """The viewer's own runs in these states, newest first."""
    return db.scalars(
        select(Run)
        .where(Run.programme_id == viewer.programme_id, Run.driver_id == viewer.account_id, Run.state.in_(states))
        .options(joinedload(Run.session), joinedload(Run.car))
        .order_by(Run.ended_at.desc(), Run.id.desc())
    ).all()


def account_names(db: Db, programme_id: int) -> Mapping[int, str]:
    """Account id -> "AQ Asta Quillfeather" for everybody who is or was in the programme."""
    rows = db.execute(
        select(Account.id, Membership.initials, Account.name)
        .join(Membership, Membership.account_id == Account.id)
        .where(Membership.programme_id == programme_id)
    )
    return {account_id: f"{initials} {name}" for account_id, initials, name in rows}
