"""What the day's page needs beside the runs themselves: which session it is, who confirmed what, what I have rated."""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import NamedTuple

from sqlalchemy import and_, exists, func, or_, select
from sqlalchemy.orm import joinedload

from app import clock
from app.access.viewer import Viewer
from app.db import Db
from app.feedback.models import Slip
from app.hall import rules
from app.people.models import Membership
from app.sessions.models import AsRunBuild, Car, Run, RunState, Session, SessionState

LOOK_BACK = timedelta(days=7)  # an older slip would be very late in any case; common practice, no source


def find_today(db: Db, programme_id: int) -> Session | None:
    """The open session, else the one whose day it is at its place."""
    now = clock.now()
    near = (now.date() - timedelta(days=1), now.date() + timedelta(days=1))
    found = db.scalars(
        select(Session)
        .where(Session.programme_id == programme_id, or_(Session.state == SessionState.OPEN, Session.on_date.between(*near)))
        .order_by(Session.number)
    ).all()
    return rules.todays([(session, clock.to_venue(now, session.time_zone).date()) for session in found])  # type: ignore[return-value]


def find_coming(db: Db, programme_id: int) -> Session | None:
    """The next session that is planned and not past; today's own is `find_today`'s."""
    return db.scalar(
        select(Session)
        .where(Session.programme_id == programme_id, Session.state == SessionState.PLANNED,
               Session.on_date >= clock.now().date() - timedelta(days=1))
        .order_by(Session.on_date, Session.number).limit(1)
    )  # fmt: skip


def find_unrated(db: Db, viewer: Viewer) -> Run | None:
    """The viewer's newest driven run without a slip of theirs, of whatever day, so that a slip is not forgotten at night."""
    mine = exists().where(Slip.run_id == Run.id, Slip.rater_id == viewer.account_id, Slip.withdrawn_at.is_(None))
    return db.scalar(
        select(Run).options(joinedload(Run.session), joinedload(Run.car))
        .where(Run.programme_id == viewer.programme_id, Run.driver_id == viewer.account_id,
               Run.state.in_((RunState.DRIVEN, RunState.SHORT)), Run.ended_at > clock.now() - LOOK_BACK, ~mine)
        .order_by(Run.ended_at.desc()).limit(1)
    )  # fmt: skip


def list_rated(db: Db, viewer: Viewer, session_id: int) -> set[int]:
    """Ids of this session's runs that the viewer has a slip for."""
    return set(db.scalars(
        select(Slip.run_id).join(Run, Run.id == Slip.run_id)
        .where(Run.session_id == session_id, Slip.rater_id == viewer.account_id, Slip.withdrawn_at.is_(None))
    ))  # fmt: skip


class CarNow(NamedTuple):
    """A run's tyres and pack as noted, and who confirmed what was on its car."""

    run_id: int
    car_id: int
    tyre_set: str
    tyre_runs: int | None
    pack: str
    confirmed_by: str


def list_cars_now(db: Db, programme_id: int, session_id: int) -> Mapping[int, CarNow]:
    """By run id, in the order of the runs."""
    newest = select(AsRunBuild.run_id, func.max(AsRunBuild.version).label("version")).group_by(AsRunBuild.run_id).subquery()
    rows = db.execute(
        select(Run.id, Run.car_id, Run.tyre_set, Run.tyre_runs, Run.pack, Membership.initials)
        .outerjoin(newest, newest.c.run_id == Run.id)
        .outerjoin(AsRunBuild, and_(AsRunBuild.run_id == Run.id, AsRunBuild.version == newest.c.version))
        .outerjoin(Membership, and_(Membership.account_id == AsRunBuild.confirmed_by_id, Membership.programme_id == programme_id))
        .where(Run.session_id == session_id, Run.programme_id == programme_id)
        .order_by(Run.number)
    )
    return {row[0]: CarNow(*row[:5], row[5] or "") for row in rows}


def last_values(cars: Mapping[int, CarNow], run_id: int) -> dict[str, str]:
    """Tyres and pack of the run before on the same car, one more run on the set; empty where nothing was noted."""
    this = cars[run_id]
    before = [car for car in cars.values() if car.car_id == this.car_id and car.run_id < run_id and (car.tyre_set or car.pack)]
    if not before:
        return {}
    last = before[-1]
    runs = "" if last.tyre_runs is None else str(last.tyre_runs + 1)
    return {name: value for name, value in (("tyre_set", last.tyre_set), ("tyre_runs", runs), ("pack", last.pack)) if value}


class CardRow(NamedTuple):
    """A run as its paper card shows it."""

    label: str
    number: int
    driver: str
    car: str
    code: int | None


def list_cards(db: Db, programme_id: int, session_id: int) -> Sequence[CardRow]:
    rows = db.execute(
        select(Run, Membership.initials, Car.name)
        .join(Car, Car.id == Run.car_id)
        .join(Membership, and_(Membership.account_id == Run.driver_id, Membership.programme_id == programme_id))
        .where(Run.session_id == session_id, Run.programme_id == programme_id)
        .order_by(Run.number)
    )
    return [CardRow(run.label, run.number, initials, car, run.blind_code) for run, initials, car in rows]
