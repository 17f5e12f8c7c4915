"""Bring a table of measurements in whole or not at all, withdraw it, and file one's own preference."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import insert

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Base, Db
from app.errors import Conflict, Refused
from app.history.commands import record
from app.measurements import queries, rules
from app.measurements.book_queries import load_book
from app.measurements.models import Batch, Exposure, Kind, Lap, Preference, Reading
from app.measurements.plan import plan_table, preference_problem
from app.parts.queries import lock_programme
from app.sessions.queries import get_session

MODELS: Mapping[Kind, type[Base]] = {
    Kind.LAPS: Lap, Kind.PREFERENCES: Preference, Kind.EXPOSURES: Exposure, Kind.READINGS: Reading,
}  # fmt: skip
CHUNK = 2000


def check_table(db: Db, *, by: Viewer, kind: Kind, text: str, flags: str = "") -> rules.Plan:
    """What would become of each line; nothing is written."""
    require(by, Action.ADD_MEASUREMENTS)
    return plan_table(kind, text, flags, load_book(db, by.programme_id, kind))


def add_table(db: Db, *, by: Viewer, kind: Kind, text: str, flags: str = "", file_name: str = "") -> Batch:
    """Every row of the table, or TableRefused with every line that can't be taken. The same table is taken once."""
    require(by, Action.ADD_MEASUREMENTS)
    lock_programme(db, by.programme_id)
    digest = rules.digest_of(text, flags)
    if earlier := queries.find_same_table(db, by.programme_id, kind, digest):
        raise Conflict(f"This very table of {kind} is here already", f"It came in as table {earlier.id}; nothing was added",
                       "Withdraw that one first if it has to come in again.")  # fmt: skip
    plan = check_table(db, by=by, kind=kind, text=text, flags=flags)
    plan.errors.refuse()
    batch = _add_batch(db, by, kind, [row.values for row in plan.rows], file_name=file_name, digest=digest)
    _record(db, by, f"added {kind}", batch)
    return batch


def withdraw_table(db: Db, batch_id: int, *, by: Viewer, why: str) -> Batch:
    """Out of every figure, still readable; the same table can come in again."""
    require(by, Action.ADD_MEASUREMENTS)
    rules.check_why(why)
    batch = queries.get_batch(db, by.programme_id, batch_id)
    _withdraw(db, by, batch, why)
    return batch


def file_preference(db: Db, session_id: int, *, by: Viewer, question_id: int, first_id: int, second_id: int,
                    preferred_id: int | None) -> Batch:  # fmt: skip
    """Which of the two the person would keep, having driven both in this session. Said again, the earlier word is withdrawn."""
    require(by, Action.FILE_PREFERENCE)
    lock_programme(db, by.programme_id)
    session = get_session(db, by.programme_id, session_id)
    book = load_book(db, by.programme_id, Kind.PREFERENCES)
    facts = {fact.id: fact for fact in book.variants.values() if fact.question_id == question_id}
    first, second = facts.get(first_id), facts.get(second_id)
    if first is None or second is None or preferred_id not in (None, first_id, second_id):
        raise Refused("That is no choice between two variants of one question", field="choice")
    if problem := preference_problem(book, question_id, (session_id, session.label), by.account_id, first, second):
        raise Refused(f"{by.initials or by.name} {problem}", field="choice")
    earlier = book.preferences.get((session_id, by.account_id, question_id, frozenset((first_id, second_id))))
    if earlier is not None:
        batch = queries.get_batch(db, by.programme_id, earlier)
        if batch.digest:
            raise Conflict("An imported table says what you prefer here", "", "Have that table withdrawn first.")
        _withdraw(db, by, batch, "answered again")
    values = {"session_id": session_id, "rater_id": by.account_id, "question_id": question_id, "first_variant_id": first_id,
              "second_variant_id": second_id, "preferred_variant_id": preferred_id}  # fmt: skip
    batch = _add_batch(db, by, Kind.PREFERENCES, [values])
    _record(db, by, "filed a preference", batch)
    return batch


def _add_batch(db: Db, by: Viewer, kind: Kind, rows: list[Mapping[str, Any]], *, file_name: str = "", digest: str = "") -> Batch:
    batch = Batch(programme_id=by.programme_id, kind=kind, file_name=file_name, digest=digest, rows=len(rows),
                  added_by_id=by.account_id, added_at=clock.now())  # fmt: skip
    db.add(batch)
    db.flush()
    for start in range(0, len(rows), CHUNK):
        db.execute(insert(MODELS[kind]), [{"batch_id": batch.id, **values} for values in rows[start : start + CHUNK]])
    return batch


def _withdraw(db: Db, by: Viewer, batch: Batch, why: str) -> None:
    if batch.withdrawn_at is not None:
        raise Conflict("This table is withdrawn already")
    batch.withdrawn_at, batch.withdrawn_by_id, batch.withdrawn_why = clock.now(), by.account_id, why
    db.flush()
    _record(db, by, f"withdrew {batch.kind}", batch, why=why)


def _record(db: Db, by: Viewer, what: str, batch: Batch, *, why: str = "") -> None:
    """One line for each session and question that it is about: from them the looks know what to look at again."""
    sessions, questions = queries.touched_by(db, batch)
    said: dict[str, Any] = {"by_id": by.account_id, "programme_id": by.programme_id, "why": why, "table": batch.id, "rows": batch.rows}
    for session_id, label in sorted(sessions.items()):
        record(db, what, "session", session_id, label, session_id=session_id, **said)
    for question_id, label in sorted(questions.items()):
        record(db, what, "question", question_id, label, **said)
    if not sessions and not questions:  # of a revision that answers no question: no look can change by it
        record(db, what, "table", batch.id, f"table {batch.id}", **said)
    db.flush()
