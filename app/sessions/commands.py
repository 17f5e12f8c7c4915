"""Every write about sessions, cars and runs. Builds are in build_commands.py."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import delete, update

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict, NotFound, Refused
from app.history.commands import record
from app.people.queries import get_member
from app.people.rules import name_key
from app.programmes.queries import next_number
from app.questions.commands import lock_rules
from app.sessions import queries, rules
from app.sessions.models import CONDITIONS, Car, ConditionNote, Run, RunState, Session, SessionPerson, SessionState

AHEAD = timedelta(minutes=5)  # clocks differ a little


def plan_session(db: Db, *, by: Viewer, place: str, time_zone: str, on_date: date, surface: str, grip: str,
                 drivers: Sequence[int] = (), conductors: Sequence[int] = (), alias: str = "", order_known: bool = True,
                 **conditions: Any) -> Session:  # fmt: skip
    """A booked block at one place. `conditions`: air_temp_degC, track_temp_degC, humidity_percent, layout, notes."""
    require(by, Action.PLAN_SESSION)
    session = new_session(db, by, place=place, time_zone=time_zone, on_date=on_date, surface=surface, grip=grip, alias=alias,
                          order_known=order_known, **conditions)  # fmt: skip
    set_people(db, session, by=by, drivers=drivers, conductors=conductors)
    _record(db, by, "planned", session)
    return session


def new_session(db: Db, by: Viewer, *, place: str, time_zone: str, on_date: date, surface: str, grip: str, alias: str = "",
                order_known: bool = True, **conditions: Any) -> Session:  # fmt: skip
    """The row alone, planned, with the next number; who may was asked by the caller."""
    clock.zone(time_zone)
    session = Session(
        programme_id=by.programme_id, number=next_number(db, Session, by.programme_id), place=place, time_zone=time_zone,
        on_date=on_date, surface=surface, grip=grip, created_by_id=by.account_id, created_at=clock.now(), alias=alias,
        order_known=order_known, state=SessionState.PLANNED, **conditions,
    )  # fmt: skip
    db.add(session)
    db.flush()
    return session


def set_people(db: Db, session: Session, *, by: Viewer, drivers: Sequence[int], conductors: Sequence[int],
               exactly: bool = False) -> None:  # fmt: skip
    """Add the people who are due; with `exactly`, take off the others. Whoever has a run stays a due driver."""
    present = {(account_id, duty) for account_id, _, duty in queries.list_session_people(db, session.id)}
    wanted = [(account_id, "driver") for account_id in drivers] + [(account_id, "conductor") for account_id in conductors]
    for account_id, duty in wanted:
        get_member(db, by.programme_id, account_id)
        if (account_id, duty) not in present:
            db.add(SessionPerson(session_id=session.id, account_id=account_id, duty=duty))
    for account_id, duty in sorted(present - set(wanted)) if exactly else ():
        _take_off(db, by, session, account_id, duty)
    db.flush()


def _take_off(db: Db, by: Viewer, session: Session, account_id: int, duty: str) -> None:
    runs = [run.label for run in queries.list_runs(db, by.programme_id, session.id)
            if run.driver_id == account_id and run.state != RunState.VOID]  # fmt: skip
    if duty == "driver" and runs:
        raise Refused(f"They drive {', '.join(runs)}, so they stay due to rate", "", "Void those runs first.", field="drivers")
    db.execute(delete(SessionPerson).where(SessionPerson.session_id == session.id, SessionPerson.account_id == account_id,
                                           SessionPerson.duty == duty))  # fmt: skip
    _record(db, by, f"took off a {duty}", session, person_id=account_id)


def edit_session(db: Db, session_id: int, *, by: Viewer, edition: int, drivers: Sequence[int] | None = None,
                 conductors: Sequence[int] | None = None, **values: Any) -> None:  # fmt: skip
    """Conditions, notes and people; the date and place too until the session is reconciled."""
    require(by, Action.PLAN_SESSION)
    session = queries.get_session(db, by.programme_id, session_id)
    if session.state == SessionState.RECONCILED:
        raise Conflict(f"{session.label} is reconciled", "Its facts no longer change", "Write a note with a concern instead.")
    before = {name: getattr(session, name) for name in CONDITIONS}
    changed = db.execute(
        update(Session).where(Session.id == session_id, Session.edition == edition)
        .values(edition=edition + 1, **values)
    )  # fmt: skip
    if changed.rowcount != 1:  # type: ignore[attr-defined]
        raise Conflict(f"Somebody else changed {session.label} while you were typing", "Both texts are shown below",
                       "Compare, then save again.")  # fmt: skip
    noted = {name: value for name, value in values.items() if name in CONDITIONS and value not in (None, "") and value != before[name]}
    if noted:  # what is edited counts as noted at this moment: a phone that noted earlier does not change it later
        db.add(ConditionNote(session_id=session_id, at=clock.now(), noted=noted, by_id=by.account_id, received_at=clock.now()))
    if drivers is not None and conductors is not None:
        set_people(db, session, by=by, drivers=drivers, conductors=conductors, exactly=True)
    _record(db, by, "edited", session)


def open_session(db: Db, session_id: int, *, by: Viewer) -> None:
    require(by, Action.RUN_SESSION)
    session = queries.get_session(db, by.programme_id, session_id, lock=True)
    rules.check_can_open(session)
    session.state, session.opened_at = SessionState.OPEN, clock.now()
    _record(db, by, "opened", session)


def close_session(db: Db, session_id: int, *, by: Viewer, cut_short: bool = False, why: str = "") -> None:
    """Close the block. Runs never driven are marked so; what arrives later is still kept and labelled."""
    require(by, Action.RUN_SESSION)
    end_block(db, session_id, by=by, cut_short=cut_short, why=why)


def end_block(db: Db, session_id: int, *, by: Viewer, cut_short: bool, why: str) -> None:
    """What closing is; who may was asked by the caller."""
    session = queries.get_session(db, by.programme_id, session_id, lock=True)
    rules.check_can_close(session)
    if cut_short and not why.strip():
        raise Refused("Say why the day was cut short", field="why")
    session.state = SessionState.CUT_SHORT if cut_short else SessionState.CLOSED
    session.closed_at = clock.now()
    db.execute(update(Run).where(Run.session_id == session_id, Run.state == RunState.PLANNED)
               .values(state=RunState.NOT_DRIVEN))  # fmt: skip
    _record(db, by, "cut short" if cut_short else "closed", session, why=why)


def reconcile_session(db: Db, session_id: int, *, by: Viewer) -> None:
    require(by, Action.RUN_SESSION)
    session = queries.get_session(db, by.programme_id, session_id, lock=True)
    if session.state not in (SessionState.CLOSED, SessionState.CUT_SHORT):
        raise Conflict(f"{session.label} is {session.state}", "Only a closed session is reconciled")
    if sealed := [run.label for run in queries.list_runs(db, by.programme_id, session_id) if run.sealed]:
        raise Conflict(f"{sealed[0]} is under a sealed key", f"What was on the car in {len(sealed)} runs is not in the book yet",
                       "Open the key first.")  # fmt: skip
    session.state = SessionState.RECONCILED
    _record(db, by, "reconciled", session)


def add_car(db: Db, *, by: Viewer, name: str, note: str = "") -> Car:
    require(by, Action.PLAN_SESSION)
    return new_car(db, by, name=name, note=note)


def new_car(db: Db, by: Viewer, *, name: str, note: str = "") -> Car:
    """The row and its line in the trail; who may was asked by the caller."""
    if any(car.name_key == name_key(name) for car in queries.list_cars(db, by.programme_id)):
        raise Conflict(f"There is a car called {name} already", field="name")
    car = Car(programme_id=by.programme_id, name=name, name_key=name_key(name), note=note)
    db.add(car)
    db.flush()
    record(db, "added", "car", car.id, name, by_id=by.account_id, programme_id=by.programme_id)
    return car


def add_run(db: Db, session_id: int, *, by: Viewer, driver_id: int, car_id: int, planned_at: datetime | None = None,
            alias: str = "", number: int | None = None) -> Run:  # fmt: skip
    """The next run of the session; a later run never takes an earlier one's number."""
    require(by, Action.PLAN_SESSION)
    return new_run(db, by, session_id, driver_id=driver_id, car_id=car_id, planned_at=planned_at, alias=alias, number=number)


def new_run(db: Db, by: Viewer, session_id: int, *, driver_id: int, car_id: int, planned_at: datetime | None = None, alias: str = "",
            number: int | None = None) -> Run:  # fmt: skip
    """The row with the session's next number, its driver due; who may was asked by the caller."""
    session = queries.get_session(db, by.programme_id, session_id, lock=True)
    if session.state == SessionState.RECONCILED:
        raise Conflict(f"{session.label} is reconciled", "No run is added to it")
    get_member(db, by.programme_id, driver_id)
    if all(car.id != car_id for car in queries.list_cars(db, by.programme_id)):
        raise NotFound("There is no such car in this programme", field="car_id")
    present = queries.list_runs(db, by.programme_id, session_id)
    wanted = number or max((run.number for run in present), default=0) + 1
    if any(run.number == wanted for run in present):
        raise Conflict(f"{session.label} has a run {wanted} already", field="number")
    run = Run(programme_id=by.programme_id, session_id=session.id, number=wanted, car_id=car_id, driver_id=driver_id,
              planned_at=planned_at, alias=alias, state=RunState.PLANNED)  # fmt: skip
    db.add(run)
    set_people(db, session, by=by, drivers=[driver_id], conductors=())
    _record_run(db, by, "planned", run, session)
    return run


def start_run(db: Db, run_id: int, *, by: Viewer, at: datetime | None = None) -> None:
    run = queries.get_run(db, by.programme_id, run_id, lock=True)
    require(by, Action.DRIVE_RUN, run)
    rules.check_can_start(run, run.session)
    _check_not_ahead(at, "at")
    run.state, run.started_at = RunState.DRIVING, at or clock.now()
    _record_run(db, by, "started", run, run.session)


def end_run(db: Db, run_id: int, *, by: Viewer, laps: int | None = None, at: datetime | None = None, note: str = "",
            cut_short: bool = False, **tyres_and_pack: Any) -> None:  # fmt: skip
    """A run that was cut short, or has fewer than six timed laps, is *short*. The first counted run of a question locks its rule."""
    run = queries.get_run(db, by.programme_id, run_id, lock=True)
    require(by, Action.DRIVE_RUN, run)
    rules.check_can_end(run)
    _check_not_ahead(at, "at")
    if (tyres_and_pack.get("tyre_runs") or 0) < 0:
        raise Refused("A tyre set can't have been run less than never", field="tyre_runs")
    ended = at or clock.now()
    if run.started_at is not None and ended < run.started_at:
        raise Refused(f"{run.label} would end before it started", "", "Check both times.", field="at")
    if laps is not None and not 0 <= laps <= 2000:
        raise Refused(f"{laps} laps are not plausible in one run", field="laps")
    run.ended_at, run.laps_driven, run.note = ended, laps, note
    for name, value in tyres_and_pack.items():
        setattr(run, name, value)
    short = cut_short or (laps is not None and laps < rules.LEAST_LAPS)
    run.state = RunState.SHORT if short else RunState.DRIVEN
    if run.state == RunState.DRIVEN:
        _lock_what_it_answers(db, run)
    _record_run(db, by, "ended", run, run.session, laps=laps)


def _lock_what_it_answers(db: Db, run: Run) -> None:
    """The rules of the questions that a driven run answers; under a sealed key the one it was sealed for."""
    build = queries.find_newest_build(db, run.id)
    carried = [row.question_id for row in build.variants] if build is not None else []
    lock_rules(db, [*carried, *([run.sealed_question_id] if run.sealed_question_id is not None else [])])


def void_run(db: Db, run_id: int, *, by: Viewer, why: str) -> None:
    """A run that was none: it stays in the book, its slips are not counted."""
    require(by, Action.RUN_SESSION)
    run = queries.get_run(db, by.programme_id, run_id, lock=True)
    if run.state == RunState.VOID:
        raise Conflict(f"{run.label} is void already")
    if run.session.state == SessionState.RECONCILED:
        raise Conflict(f"{run.session.label} is reconciled", "Its runs no longer change")
    run.state = RunState.VOID
    _record_run(db, by, "voided", run, run.session, why=why)


def correct_times(db: Db, run_id: int, *, by: Viewer, started_at: datetime, ended_at: datetime | None, why: str) -> None:
    """Correct when a run started and ended, with the reason; the earlier times stay in the trail."""
    require(by, Action.RUN_SESSION)
    run = queries.get_run(db, by.programme_id, run_id, lock=True)
    if run.session.state == SessionState.RECONCILED:
        raise Conflict(f"{run.session.label} is reconciled", "Its times no longer change")
    if run.session.state == SessionState.PLANNED:
        raise Conflict(f"{run.session.label} was never opened", "Its runs have no times yet", "Open the session first.")
    _check_not_ahead(started_at, "started_at")
    _check_not_ahead(ended_at, "ended_at")
    if ended_at is not None and ended_at < started_at:
        raise Refused(f"{run.label} would end before it started", field="ended_at")
    before = {"started_at": run.started_at and run.started_at.isoformat(), "ended_at": run.ended_at and run.ended_at.isoformat()}
    run.started_at, run.ended_at = started_at, ended_at
    if ended_at is not None and run.state in (RunState.PLANNED, RunState.DRIVING, RunState.NOT_DRIVEN):
        run.state = RunState.DRIVEN
        _lock_what_it_answers(db, run)
    _record_run(db, by, "corrected times", run, run.session, why=why, before=before)


def _check_not_ahead(at: datetime | None, field: str) -> None:
    """A time in the future would lock the driver's slip out until it came true."""
    if at is not None and at > clock.now() + AHEAD:
        raise Refused("That time has not come yet", "", "Check the date and the hour.", field=field)


def _record(db: Db, by: Viewer, what: str, session: Session, *, why: str = "", **detail: Any) -> None:
    record(db, what, "session", session.id, f"{session.label} {session.place}", by_id=by.account_id,
           programme_id=by.programme_id, why=why, **detail)  # fmt: skip


def _record_run(db: Db, by: Viewer, what: str, run: Run, session: Session, *, why: str = "", **detail: Any) -> None:
    db.flush()
    record(db, what, "run", run.id, f"{session.label}/{run.label}", by_id=by.account_id, programme_id=by.programme_id,
           why=why, session_id=session.id, **detail)  # fmt: skip


