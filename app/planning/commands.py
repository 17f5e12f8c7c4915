"""Writes about one session's plan: its sheet, and the plan that was accepted and becomes runs."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import update

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict, Refused
from app.history.commands import record
from app.people.queries import list_people
from app.planning import queries
from app.planning.check import variant_on
from app.planning.day import Line
from app.planning.facts import Made
from app.planning.models import DaySheet, PlannedRun, RunPlan
from app.planning.plan import Plan
from app.planning.words import SEALED, base_of, change_words, on_car_words, sealed_chains, serves_words
from app.sessions import build_commands
from app.sessions import commands as sessions
from app.sessions.models import Run, RunState, Session, SessionState
from app.sessions.queries import get_session, list_cars, list_runs

HOURS = ("booked_min", "set_up_min", "warm_up_min", "breaks_min", "tear_down_min")


def save_sheet(db: Db, session_id: int, *, by: Viewer, edition: int, **values: Any) -> DaySheet:
    """What a plan is made from. Refuses hours in which nothing can be driven, with the figures."""
    require(by, Action.PLAN_SESSION)
    session = get_session(db, by.programme_id, session_id, lock=True)
    _check_open(session)
    booked, *parts = (values[name] for name in HOURS)
    left = booked - sum(parts)
    if left < values["run_min"] + values["turnround_min"]:
        sum_words = " − ".join(f"{value:g}" for value in (booked, *parts))
        raise Refused(f"{sum_words} = {left:g} min are left for running", "Not one run fits", "Book longer, or give less to the rest.",
                      field="booked_min")  # fmt: skip
    sheet, _ = queries.find_sheet(db, by.programme_id, session_id)
    if sheet is None:
        sheet = DaySheet(programme_id=by.programme_id, session_id=session_id)
        db.add(sheet)
    elif sheet.edition != edition:
        raise Conflict("Somebody else changed what this plan is made from while you were typing", "Theirs is kept",
                       "Load the page, compare, then save again.")  # fmt: skip
    else:
        sheet.edition = edition + 1
    for name, value in values.items():
        setattr(sheet, name, value)
    sheet.saved_by_id, sheet.saved_at = by.account_id, clock.now()
    db.flush()
    record(db, "set up the plan of", "session", session_id, f"{session.label} {session.place}", by_id=by.account_id,
           programme_id=by.programme_id)  # fmt: skip
    return sheet


class Accepted(NamedTuple):
    """What was on the page when it was accepted. told : as `words.told_of` made it."""

    plan: Plan
    made: Made
    starts_at: datetime
    told: dict[str, Any]
    why: str = ""


def accept_plan(db: Db, session_id: int, accepted: Accepted, *, by: Viewer) -> RunPlan:
    """The plan's lines become planned runs. Planned runs that stand as the plan has them stay; the others are voided.

    What was driven is never touched. In a blind chain a run gets no build: the order is drawn when the key is sealed.
    """
    require(by, Action.PLAN_SESSION)
    session = get_session(db, by.programme_id, session_id, lock=True)
    _check_open(session)
    plan = accepted.plan
    if not plan.lines:
        raise Refused("This plan has no run in it", "There is nothing to accept", "Book longer, or ask for less.")
    before, _ = queries.find_plan(db, by.programme_id, session_id)
    row = RunPlan(
        programme_id=by.programme_id, session_id=session_id, version=before.version + 1 if before else 1, wish=plan.wish, seed=plan.seed,
        starts_at=accepted.starts_at, available_min=plan.available, slack_min=plan.slack, imbalance=plan.imbalance.total,
        told=accepted.told, why=accepted.why, accepted_by_id=by.account_id, accepted_at=clock.now(),
    )  # fmt: skip
    db.add(row)
    db.flush()
    kept = _keep_or_void(db, session, accepted, by)
    cars = {car.name: car.id for car in list_cars(db, by.programme_id)}
    people = {p.initials: p.account_id for p in list_people(db, by.programme_id)}
    sealed, base = sealed_chains(accepted.made.day, plan), base_of(plan.lines)
    for place, line in enumerate(plan.lines):
        at = accepted.starts_at + timedelta(minutes=line.start)
        run_id = kept[place] if place < len(kept) else sessions.add_run(
            db, session_id, by=by, driver_id=people[line.driver], car_id=cars[line.car], planned_at=at).id  # fmt: skip
        db.execute(update(Run).where(Run.id == run_id).values(planned_at=at, tyre_set=line.tyres, tyre_runs=line.tyre_runs, pack=line.pack))
        hidden = line.chain in sealed
        if place >= len(kept) and not hidden:
            _fit(db, run_id, line, accepted.made, by)
        _add_line(db, row.id, run_id, place, line, SEALED if hidden else on_car_words(line, base))
    record(db, "accepted a plan of" if before is None else "re-planned", "session", session_id, f"{session.label} {session.place}",
           by_id=by.account_id, programme_id=by.programme_id, why=accepted.why, version=row.version, runs=len(plan.lines),
           seed=plan.seed)  # fmt: skip
    return row


def _check_open(session: Session) -> None:
    if session.state not in (SessionState.PLANNED, SessionState.OPEN):
        raise Conflict(f"{session.label} is {session.state}", "Its plan no longer changes", "Plan the next session.")


def _keep_or_void(db: Db, session: Session, accepted: Accepted, by: Viewer) -> list[int]:
    """Ids of planned runs that are the plan's first lines already, in order; every other planned run is voided."""
    planned = [r for r in list_runs(db, by.programme_id, session.id) if r.state == RunState.PLANNED]
    sealed = sealed_chains(accepted.made.day, accepted.plan)
    kept: list[int] = []
    for run, line in zip(planned, accepted.plan.lines, strict=False):
        wanted = ", ".join(sorted(f"{q} {v}" for q, v in variants_of(line, accepted.made)))
        if line.chain in sealed or (run.initials, run.car, run.variants) != (line.driver, line.car, wanted):
            break
        kept.append(run.id)
    for run in planned[len(kept) :]:
        sessions.void_run(db, run.id, by=by, why=accepted.why or "planned anew")
    return kept


def variants_of(line: Line, made: Made) -> Sequence[tuple[str, str]]:
    """(question, variant) of everything under question on the car of this line."""
    return [(q.label, code) for q in made.day.questions if (code := variant_on(q, line.build)) is not None]


def _fit(db: Db, run_id: int, line: Line, made: Made, by: Viewer) -> None:
    """The planned build: pieces by name, and whole-car variants declared. Whoever fits it confirms it later."""
    pieces = [made.piece_ids[name] for name in line.pieces]
    declared = {made.question_ids[q]: made.variant_ids[q, v] for q, v in variants_of(line, made) if (q, v) in made.whole_cars}
    build_commands.record_build(db, run_id, by=by, piece_ids=pieces, declared=declared)


def _add_line(db: Db, plan_id: int, run_id: int, place: int, line: Line, on_car: str) -> None:
    hidden = on_car == SEALED
    db.add(PlannedRun(
        plan_id=plan_id, run_id=run_id, place=place, start_min=line.start, role="sealed" if hidden else line.role,
        serves=serves_words(line)[:300] if not hidden else ", ".join(sorted({q for q, _ in line.serves})),
        on_car=on_car[:400], change="" if hidden else change_words(line)[:300],
        tyre_set=line.tyres, pack=line.pack, code="" if hidden else line.code,
    ))  # fmt: skip
    db.flush()
