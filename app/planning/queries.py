"""Every SELECT of planning but those that make a day (day_queries)."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import NamedTuple

from sqlalchemy import and_, func, select
from sqlalchemy.orm import defer

from app.db import Db
from app.errors import NotFound
from app.parts.models import Part, Revision
from app.people.models import Membership
from app.planning.models import DaySheet, HallOffer, Kit, PartFigures, PlannedRun, RunPlan, SeasonSheet
from app.sessions.models import Car, Run, Session, SessionState


def find_sheet(db: Db, programme_id: int, session_id: int) -> tuple[DaySheet | None, DaySheet | None]:
    """This session's sheet, and the newest of another session, from which values are remembered."""
    rows = db.scalars(
        select(DaySheet).where(DaySheet.programme_id == programme_id)
        .order_by((DaySheet.session_id == session_id).desc(), DaySheet.saved_at.desc(), DaySheet.id.desc()).limit(2)
    ).all()  # fmt: skip
    own = next((row for row in rows if row.session_id == session_id), None)
    return own, next((row for row in rows if row.session_id != session_id), None)


def list_kit(db: Db, programme_id: int) -> Sequence[Kit]:
    return db.scalars(
        select(Kit).where(Kit.programme_id == programme_id, Kit.retired_at.is_(None)).order_by(Kit.kind.desc(), Kit.name_key)
    ).all()


def get_kit(db: Db, programme_id: int, kit_id: int) -> Kit:
    found = db.scalar(select(Kit).where(Kit.id == kit_id, Kit.programme_id == programme_id))
    if found is None:
        raise NotFound("There is no such tyre set or pack in this programme")
    return found


class PartRow(NamedTuple):
    """A part with its figures, None where nobody gave any, and the longest lead time of its live revisions."""

    id: int
    code: str
    title: str
    change_min: float | None
    corrections: int | None
    correction_days: int | None
    lead_days: int | None


def list_part_figures(db: Db, programme_id: int) -> Sequence[PartRow]:
    rows = db.execute(
        select(Part.id, Part.code, Part.title, PartFigures.change_min, PartFigures.corrections, PartFigures.correction_days,
               func.max(Revision.lead_time_days))
        .outerjoin(PartFigures, PartFigures.part_id == Part.id).outerjoin(Revision, Revision.part_id == Part.id)
        .where(Part.programme_id == programme_id)
        .group_by(Part.id, Part.code, Part.title, Part.code_key, PartFigures.change_min, PartFigures.corrections,
                  PartFigures.correction_days)
        .order_by(Part.code_key)
    )  # fmt: skip
    return [PartRow(*row) for row in rows]


def find_part_figures(db: Db, part_id: int) -> PartFigures | None:
    return db.scalar(select(PartFigures).where(PartFigures.part_id == part_id))


class CardLine(NamedTuple):
    """One line of the printed run card, with the run as it stands now."""

    planned: PlannedRun
    run_id: int
    label: str
    state: str
    driver: str
    car: str
    planned_at: datetime | None
    driver_id: int
    code: int | None


def find_plan(db: Db, programme_id: int, session_id: int) -> tuple[RunPlan | None, str]:
    """The plan that stands, and the initials of who accepted it."""
    row = db.execute(
        select(RunPlan, Membership.initials)
        .outerjoin(Membership, and_(Membership.account_id == RunPlan.accepted_by_id, Membership.programme_id == programme_id))
        .where(RunPlan.session_id == session_id, RunPlan.programme_id == programme_id)
        .order_by(RunPlan.version.desc()).limit(1)
    ).first()  # fmt: skip
    return (row[0], row[1] or "") if row else (None, "")


def list_card(db: Db, programme_id: int, plan_id: int) -> Sequence[CardLine]:
    rows = db.execute(
        select(PlannedRun, Run, Membership.initials, Car.name)
        .join(Run, Run.id == PlannedRun.run_id).join(Car, Car.id == Run.car_id)
        .join(Membership, and_(Membership.account_id == Run.driver_id, Membership.programme_id == programme_id))
        .where(PlannedRun.plan_id == plan_id).order_by(PlannedRun.place)
    )
    return [CardLine(line, run.id, run.label, run.state, initials, car, run.planned_at, run.driver_id, run.blind_code)
            for line, run, initials, car in rows]  # fmt: skip


class BookedRow(NamedTuple):
    """A session to come with what its sheet says of its hours; None where none was saved."""

    id: int
    label: str
    place: str
    on_date: date
    sheet: DaySheet | None


def list_booked(db: Db, programme_id: int) -> Sequence[BookedRow]:
    rows = db.execute(
        select(Session, DaySheet).outerjoin(DaySheet, DaySheet.session_id == Session.id)
        .where(Session.programme_id == programme_id, Session.state.in_((SessionState.PLANNED, SessionState.OPEN)))
        .options(defer(Session.notes)).order_by(Session.on_date, Session.number)
    )  # fmt: skip
    return [BookedRow(s.id, s.label, s.place, s.on_date, sheet) for s, sheet in rows]


def find_season(db: Db, programme_id: int) -> SeasonSheet | None:
    return db.scalar(select(SeasonSheet).where(SeasonSheet.programme_id == programme_id))


def list_offers(db: Db, programme_id: int) -> Sequence[HallOffer]:
    return db.scalars(
        select(HallOffer).where(HallOffer.programme_id == programme_id, HallOffer.withdrawn_at.is_(None))
        .order_by(HallOffer.on_date, HallOffer.id)
    ).all()  # fmt: skip


def get_offer(db: Db, programme_id: int, offer_id: int) -> HallOffer:
    found = db.scalar(select(HallOffer).where(HallOffer.id == offer_id, HallOffer.programme_id == programme_id))
    if found is None:
        raise NotFound("There is no such hall time on offer in this programme")
    return found
