"""Every SELECT about timing files: the runs that laps may belong to, what is remembered, and which files were attached."""

from collections.abc import Mapping, Sequence
from datetime import datetime, time
from typing import NamedTuple

from sqlalchemy import and_, func, select
from sqlalchemy.orm import aliased

from app import clock
from app.db import Db
from app.measurements.models import Batch, Lap
from app.measurements.rules import DRIVEN
from app.people.models import Account, Membership
from app.people.rules import name_key
from app.questions.models import Question, Variant
from app.sessions.models import AsRunBuild, BuildVariant, Car, Run, Session
from app.sessions.rules import code_words
from app.timing.models import LapFile, LapLayout, Transponder
from app.timing.rules import Reading, RunSpan


def list_spans(db: Db, session: Session) -> list[RunSpan]:
    """The driven runs of a session by its venue's wall clock, in their order, with how many laps each has already."""
    laps = (
        select(func.count(Lap.id)).join(Batch, Batch.id == Lap.batch_id).where(Lap.run_id == Run.id, Batch.withdrawn_at.is_(None))
        .correlate(Run).scalar_subquery()
    )  # fmt: skip
    rows = db.execute(
        select(Run.id, Run.number, Run.car_id, Membership.initials, Run.started_at, Run.ended_at, laps, Run.laps_driven)
        .join(Membership, and_(Membership.account_id == Run.driver_id, Membership.programme_id == Run.programme_id))
        .where(Run.session_id == session.id, Run.state.in_(DRIVEN)).order_by(Run.number)
    )  # fmt: skip
    midnight = datetime.combine(session.on_date, time())

    def wall(moment: datetime | None) -> int | None:
        if moment is None:
            return None
        there = clock.to_venue(moment, session.time_zone).replace(tzinfo=None)
        return round((there - midnight).total_seconds() * 1000)

    return [RunSpan(run_id, f"R-{number:02d}", car_id, initials, wall(started), wall(ended), here, driven)
            for run_id, number, car_id, initials, started, ended, here, driven in rows]  # fmt: skip


def find_first_start(db: Db, session_id: int) -> datetime | None:
    """When the first run of a session started: what the clocks of laps are counted from."""
    return db.scalar(select(func.min(Run.started_at)).where(Run.session_id == session_id, Run.state.in_(DRIVEN)))


def find_reading(db: Db, programme_id: int, shape: str) -> Reading | None:
    """How a file of this shape was read last time."""
    found = db.scalar(select(LapLayout.reading).where(LapLayout.programme_id == programme_id, LapLayout.shape == shape)
                      .order_by(LapLayout.id.desc()).limit(1))  # fmt: skip
    return None if found is None else Reading.of(found)


def find_layout(db: Db, programme_id: int, shape: str) -> LapLayout | None:
    return db.scalar(select(LapLayout).where(LapLayout.programme_id == programme_id, LapLayout.shape == shape)
                     .order_by(LapLayout.id.desc()).limit(1))  # fmt: skip


def known_transponders(db: Db, programme_id: int) -> Mapping[str, int | None]:
    """Folded name -> our car, None = none of ours; what was said last holds."""
    rows = db.execute(select(Transponder.name_key, Transponder.car_id).where(Transponder.programme_id == programme_id)
                      .order_by(Transponder.id)).all()  # fmt: skip
    return {row.name_key: row.car_id for row in rows}


def car_names(db: Db, programme_id: int) -> Mapping[int, str]:
    """Car id -> name, by name."""
    rows = db.execute(select(Car.id, Car.name).where(Car.programme_id == programme_id).order_by(Car.name)).all()
    return {row.id: row.name for row in rows}


def key_of(who: str) -> str:
    """A transponder as it is remembered; a file that names none has the empty key, which is not remembered."""
    return name_key(who) if who else ""


class LapFileRow(NamedTuple):
    """A file that was attached to a session, with what of it was not matched: (transponder, reason, laps, first line, last line)."""

    batch_id: int
    file_name: str
    rows: int
    laps_read: int
    shift_ms: int | None
    added_at: datetime
    added_by: str
    withdrawn: bool
    not_matched: Sequence[tuple[str, str, int, int, int]]


def list_lap_files(db: Db, session_id: int) -> Sequence[LapFileRow]:
    """Newest first, withdrawn ones too."""
    rows = db.execute(
        select(LapFile, Batch, Account.name).join(Batch, Batch.id == LapFile.batch_id).join(Account, Account.id == Batch.added_by_id)
        .where(LapFile.session_id == session_id).order_by(LapFile.id.desc())
    )  # fmt: skip
    return [LapFileRow(batch.id, batch.file_name, batch.rows, file.laps_read, file.shift_ms, batch.added_at, name,
                       batch.withdrawn_at is not None, [tuple(row) for row in file.not_matched if len(row) == 5])
            for file, batch, name in rows]  # fmt: skip


class CarriedRun(NamedTuple):
    """A run with what it carries: question id -> (its label, variant code, is it the control)."""

    id: int
    label: str
    driver: str
    car: str
    started_at: datetime | None
    carried: Mapping[int, tuple[str, str, bool]]
    blind_code: int | None
    sealed: bool

    @property
    def is_control(self) -> bool:
        return bool(self.carried) and all(control for _, _, control in self.carried.values())

    @property
    def variants(self) -> str:
        return ", ".join(f"{label} {code}" for label, code, _ in self.carried.values())

    @property
    def on_car(self) -> str:
        return code_words(self, self.variants)


def list_carried(db: Db, programme_id: int, session_id: int) -> list[CarriedRun]:
    """The runs of a session in their order, by the newest version of what was on the car."""
    newer = aliased(AsRunBuild)
    newest = ~select(newer.id).where(newer.run_id == AsRunBuild.run_id, newer.version > AsRunBuild.version).exists()
    rows = db.execute(
        select(Run.id, Run.number, Membership.initials, Car.name, Run.started_at, Run.blind_code, Run.sealed_question_id, Question.id,
               Question.number, Variant.code, Variant.is_control)
        .join(Car, Car.id == Run.car_id)
        .join(Membership, and_(Membership.account_id == Run.driver_id, Membership.programme_id == programme_id))
        .outerjoin(AsRunBuild, and_(AsRunBuild.run_id == Run.id, newest))
        .outerjoin(BuildVariant, BuildVariant.build_id == AsRunBuild.id)
        .outerjoin(Variant, Variant.id == BuildVariant.variant_id).outerjoin(Question, Question.id == Variant.question_id)
        .where(Run.session_id == session_id, Run.programme_id == programme_id).order_by(Run.number, Question.number)
    ).all()  # fmt: skip
    carried: dict[int, dict[int, tuple[str, str, bool]]] = {}
    facts: dict[int, tuple[tuple[str, str, str, datetime | None], tuple[int | None, bool]]] = {}
    for run_id, number, initials, car, started, blind_code, sealed, question_id, question, code, control in rows:
        facts.setdefault(run_id, ((f"R-{number:02d}", initials, car, started), (blind_code, sealed is not None)))
        if question_id is not None:
            carried.setdefault(run_id, {})[question_id] = (f"Q-{question:02d}", code, bool(control))
    return [CarriedRun(run_id, *who, carried.get(run_id, {}), *code) for run_id, (who, code) in facts.items()]
