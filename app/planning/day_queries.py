"""The rows that a day is made from, a fixed number of SELECTs; facts.py makes the day of them."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import and_, func, select
from sqlalchemy.orm import aliased

from app.access.viewer import Viewer
from app.db import Db
from app.decisions.models import Look, Summary
from app.parts.models import Part, Piece, Revision
from app.people.models import Membership
from app.people.queries import Person, list_people
from app.planning import facts
from app.planning.day import Chance, Driver, Hours
from app.planning.models import DaySheet, PartFigures
from app.planning.queries import list_kit
from app.questions.models import Question, RuleVersion, Variant, VariantRevision, VariantState
from app.questions.queries import OPEN_STATES
from app.sessions.models import AsRunBuild, BuildVariant, Car, Run, RunState, Session
from app.sessions.queries import list_cars


def list_asked(db: Db, programme_id: int) -> Sequence[facts.RevisionRow]:
    """Live variants of open questions with a declared rule, one row a revision."""
    declared = select(RuleVersion.question_id).distinct()
    rows = db.execute(
        select(Question, Variant, Revision.label, Revision.step, Part.code, PartFigures.change_min)
        .join(Variant, Variant.question_id == Question.id)
        .outerjoin(VariantRevision, VariantRevision.variant_id == Variant.id)
        .outerjoin(Revision, Revision.id == VariantRevision.revision_id)
        .outerjoin(Part, Part.id == Revision.part_id)
        .outerjoin(PartFigures, PartFigures.part_id == Part.id)
        .where(Question.programme_id == programme_id, Question.state.in_(OPEN_STATES), Question.id.in_(declared),
               Variant.state == VariantState.LIVE)
        .order_by(Question.number, Variant.position, Variant.id, Revision.step)
    )  # fmt: skip
    return [
        facts.RevisionRow(q.id, q.label, q.title, q.decide_by, v.id, v.code, v.is_control, label or "", step or 0, part or "", change,
                          v.whole_car)
        for q, v, label, step, part, change in rows
    ]  # fmt: skip


def list_piece_rows(db: Db, programme_id: int) -> Sequence[facts.PieceRow]:
    rows = db.execute(
        select(Piece.id, Piece.mark, Revision.label, Part.code, Piece.state)
        .join(Revision, Revision.id == Piece.revision_id).join(Part, Part.id == Revision.part_id)
        .where(Piece.programme_id == programme_id).order_by(Revision.label, Piece.mark)
    )  # fmt: skip
    return [facts.PieceRow(piece_id, f"{label} {mark}", label, part, state) for piece_id, mark, label, part, state in rows]


def list_driven(db: Db, programme_id: int) -> Sequence[facts.DrivenRow]:
    """Every run that was started, with each variant on its car."""
    newest = select(AsRunBuild.run_id, func.max(AsRunBuild.version).label("version")).group_by(AsRunBuild.run_id).subquery()
    build, driver = aliased(AsRunBuild), aliased(Membership)
    rows = db.execute(
        select(Session.id, Session.number, Run, driver.initials, Car.name, Question.number, Variant.code, Variant.is_control)
        .select_from(Run).join(Session, Session.id == Run.session_id).join(Car, Car.id == Run.car_id)
        .join(driver, and_(driver.account_id == Run.driver_id, driver.programme_id == programme_id))
        .outerjoin(newest, newest.c.run_id == Run.id)
        .outerjoin(build, and_(build.run_id == Run.id, build.version == newest.c.version))
        .outerjoin(BuildVariant, BuildVariant.build_id == build.id)
        .outerjoin(Variant, Variant.id == BuildVariant.variant_id).outerjoin(Question, Question.id == BuildVariant.question_id)
        .where(Run.programme_id == programme_id, Run.state.in_((RunState.DRIVING, RunState.DRIVEN, RunState.SHORT)))
        .order_by(Run.id, Question.number)
    )  # fmt: skip
    return [
        facts.DrivenRow(session_id, f"S-{number:02d}", run.id, run.number, run.state, initials, car, run.started_at, run.ended_at,
                        run.tyre_set, run.tyre_runs, f"Q-{q:02d}" if q else "", code or "", bool(control), run.pack)
        for session_id, number, run, initials, car, q, code, control in rows
    ]  # fmt: skip


def list_known(db: Db, programme_id: int) -> Mapping[int, facts.Known]:
    """Question id -> verdicts and outlook of its last look; read from the stored sheet without building the whole of it."""
    rows = db.execute(
        select(Look.question_id, Summary.sheet).join(Summary, Summary.fingerprint == Look.fingerprint)
        .where(Look.programme_id == programme_id)
    )  # fmt: skip
    return {question_id: _known(sheet) for question_id, sheet in rows}


def _known(sheet: Mapping[str, Any]) -> facts.Known:
    ahead = [o for o in sheet.get("outlook", ()) if o["candidates"]]
    chances = tuple(Chance(c["variant"], tuple(c["drivers"]), c["runs_each"], c["p_settle"]) for o in ahead for c in o["candidates"])
    verdicts = {v["variant"]: v["verdict"] for v in sheet.get("verdicts", ())}
    return facts.Known(verdicts, chances, tuple(o["sessions_to_settle"] for o in ahead))


class Rows:
    """Everything read for one programme: six SELECTs, whatever its size."""

    def __init__(self, db: Db, viewer: Viewer) -> None:
        programme_id = viewer.programme_id
        self.asked = list_asked(db, programme_id)
        self.pieces = list_piece_rows(db, programme_id)
        self.kit = [facts.KitRow(k.kind, k.name, k.most_runs, k.charging_min) for k in list_kit(db, programme_id)]
        self.driven = list_driven(db, programme_id)
        self.known = list_known(db, programme_id)
        self.cars = list_cars(db, programme_id)
        self.people: list[Person] = [p for p in list_people(db, programme_id) if p.active]

    def made(self, sheet: DaySheet) -> facts.Made:
        """The day of a sheet; refuses limits of drivers that can't be read any more."""
        return facts.make_day(self._asked(sheet), self.asked, self.pieces, self.kit, self.driven, self.known,
                              session_id=sheet.session_id)  # fmt: skip

    def check_limits(self, text: str, drivers: Sequence[int], cars: Sequence[int]) -> None:
        """Refuses limits of drivers that can't be read."""
        facts.read_limits(text, [p.initials for p in self.people if p.account_id in drivers],
                          [c.name for c in self.cars if c.id in cars])  # fmt: skip

    def _asked(self, sheet: DaySheet) -> facts.Asked:
        cars = tuple(c.name for c in self.cars if c.id in sheet.cars)
        initials = [p.initials for p in self.people if p.account_id in sheet.drivers]
        limits = facts.read_limits(sheet.limits, initials, cars)
        labels = {row.question_id: row.question for row in self.asked}
        named = {name: tuple(labels[i] for i in getattr(sheet, name) if i in labels) for name in ("questions", "blind", "fit_only")}
        hours = Hours(sheet.booked_min, sheet.set_up_min, sheet.warm_up_min, sheet.breaks_min, sheet.tear_down_min)
        drivers = tuple(Driver(name)._replace(**limits.get(name, {})) for name in initials)
        return facts.Asked(hours, sheet.run_min, sheet.turnround_min, cars, drivers, brackets=sheet.brackets, **named)
