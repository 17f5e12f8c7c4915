"""Conditions as they are now, noted trackside: they stand by the moment they were noted, not by the order of their arrival."""

from datetime import UTC, datetime
from typing import Any

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict
from app.history.commands import record
from app.phone_clock import Captured, PhoneClock, captured
from app.sessions import queries
from app.sessions.models import ConditionNote, SessionState


def note_conditions(db: Db, session_id: int, *, by: Viewer, phone: PhoneClock | None = None, **noted: Any) -> ConditionNote:
    """Air, track, humidity, grip as they were at that moment; what is not given stays, and so does what was noted later.

    What waited on a phone until the session was reconciled is kept as a note; the session's own facts stay as they are.
    """
    require(by, Action.RUN_SESSION)
    session = queries.get_session(db, by.programme_id, session_id, lock=True)
    too_late = session.state == SessionState.RECONCILED
    if too_late and phone is None:
        raise Conflict(f"{session.label} is reconciled", "Its facts no longer change", "Write a note with a concern instead.")
    seen = Captured(clock.now())
    if phone is not None:
        day = datetime.combine(session.on_date, datetime.min.time(), clock.zone(session.time_zone))
        seen = captured(phone, received=clock.now(), not_before=day.astimezone(UTC))
    given = {name: value for name, value in noted.items() if value not in (None, "")}
    newer = {name for note in queries.list_condition_notes(db, session_id) if note.at > seen.at for name in note.noted}
    taken = {} if too_late else {name: value for name, value in given.items() if name not in newer}
    before = {name: getattr(session, name) for name in taken}
    for name, value in taken.items():
        setattr(session, name, value)
    session.edition += bool(taken)
    note = ConditionNote(session_id=session_id, at=seen.at, noted=given, clock_doubt=seen.doubt, by_id=by.account_id,
                         received_at=clock.now())  # fmt: skip
    db.add(note)
    db.flush()
    verb = "noted too late, as it was reconciled, conditions of" if too_late else "noted conditions of"
    record(db, verb, "session", session.id, f"{session.label} {session.place}", by_id=by.account_id, programme_id=by.programme_id,
           before=before, now=taken, noted_at=seen.at.isoformat(), noted_later=sorted(newer & set(given)))
    return note
