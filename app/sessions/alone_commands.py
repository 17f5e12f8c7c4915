"""A driver alone in a hall: opens a session as its own conductor, takes a car, says what is on it, closes. Open-label by nature."""

from collections.abc import Mapping, Sequence
from typing import Any

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import NotAllowed
from app.history.commands import record
from app.people.rules import name_key
from app.phone_clock import PhoneClock, captured
from app.sessions import build_commands, commands, queries, rules
from app.sessions.models import Car, Run, Session, SessionState


def open_alone(db: Db, *, by: Viewer, time_zone: str, car: str, phone: PhoneClock | None = None, piece_ids: Sequence[int] = (),
               settings: Mapping[str, str] | None = None, declared: Mapping[int, int] | None = None, **place: Any) -> Run:  # fmt: skip
    """A session opened at the moment it was written down, its car and its first run with what is on the car.

    place : place, surface, grip and whatever of air_temp_degC, track_temp_degC, humidity_percent is known. car : its name; a
    name that is new makes a new car. The opener drives and conducts, which the session's page says: open-label.
    """
    require(by, Action.OPEN_ALONE)
    seen = captured(phone, received=clock.now()) if phone is not None else None
    at = seen.at if seen is not None else clock.now()
    session = commands.new_session(db, by, time_zone=time_zone, on_date=clock.to_venue(at, time_zone).date(), **place)
    session.state, session.opened_at = SessionState.OPEN, at
    commands.set_people(db, session, by=by, drivers=[by.account_id], conductors=[by.account_id])
    record(db, "opened as own conductor", "session", session.id, f"{session.label} {session.place}", by_id=by.account_id,
           programme_id=by.programme_id, opened_at=at.isoformat(), clock_doubt=seen.doubt if seen is not None else "")  # fmt: skip
    return _take_car(db, by, session, car, piece_ids, settings, declared)


def next_alone(db: Db, session_id: int, *, by: Viewer, car: str, piece_ids: Sequence[int] = (), settings: Mapping[str, str] | None = None,
               declared: Mapping[int, int] | None = None) -> Run:  # fmt: skip
    """The next run of one's own session; also after it was closed, since what a phone kept may come late."""
    require(by, Action.OPEN_ALONE)
    return _take_car(db, by, _own(db, session_id, by), car, piece_ids, settings, declared)


def close_alone(db: Db, session_id: int, *, by: Viewer, cut_short: bool = False, why: str = "") -> None:
    require(by, Action.OPEN_ALONE)
    _own(db, session_id, by)
    commands.end_block(db, session_id, by=by, cut_short=cut_short, why=why)


def _own(db: Db, session_id: int, by: Viewer) -> Session:
    session = queries.get_session(db, by.programme_id, session_id, lock=True)
    if not rules.is_own_session(queries.list_session_people(db, session_id), by.account_id):
        raise NotAllowed(f"{session.label} is not a session of your own", "Its conductor plans its runs and closes it", "Ask them.")
    return session


def _take_car(db: Db, by: Viewer, session: Session, name: str, piece_ids: Sequence[int], settings: Mapping[str, str] | None,
              declared: Mapping[int, int] | None) -> Run:  # fmt: skip
    run = commands.new_run(db, by, session.id, driver_id=by.account_id, car_id=_car(db, by, name).id)
    if piece_ids or settings or declared:
        build_commands.record_build(db, run.id, by=by, piece_ids=piece_ids, settings=settings, declared=declared, confirmed=True)
    return run


def _car(db: Db, by: Viewer, name: str) -> Car:
    known = {car.name_key: car for car in queries.list_cars(db, by.programme_id)}
    return known.get(name_key(name)) or commands.new_car(db, by, name=name, note="taken by a driver alone")
