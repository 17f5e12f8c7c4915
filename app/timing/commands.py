"""A hall's timing file: look at it step by step, then attach its laps to runs, whole or not at all."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import insert

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict, Refused
from app.feedback.queries import hidden_sessions
from app.history.commands import record
from app.measurements.models import Batch, Kind, Lap
from app.measurements.queries import find_same_table
from app.parts.queries import lock_programme
from app.sessions.models import Session
from app.sessions.queries import get_session
from app.tables import Errors, TableRefused
from app.timing import queries
from app.timing.columns import propose_roles
from app.timing.laps import read_laps
from app.timing.matching import Match, match_by_clock, match_by_order, places, propose_order
from app.timing.models import LapFile, LapLayout, Transponder
from app.timing.rules import (
    DAY,
    LapTable,
    Look,
    RawTable,
    Reading,
    Role,
    RunSpan,
    Sent,
    TimedLap,
    digest_of,
    said_shift,
)
from app.timing.shift import Shift, agreement, propose_shift
from app.timing.table import read_file

CHUNK = 2000


@dataclass
class Checked:
    """A file as far as it is understood: what is seen, what is still to be said, and what would become of each lap."""

    session: Session
    raw: RawTable
    roles: tuple[Role, ...]
    shape: str
    remembered: bool
    spans: list[RunSpan]
    car_names: Mapping[int, str]
    same: Batch | None
    errors: Errors
    table: LapTable | None = None
    laps: Mapping[str, list[TimedLap]] | None = None
    cars: Mapping[str, int | None] | None = None  # transponder -> our car, 0 = none of ours, None = not said yet
    shift: Shift | None = None
    stints: list[tuple[str, list[TimedLap]]] | None = None
    placed: list[int | None] | None = None
    match: Match | None = None

    @property
    def stage(self) -> str:
        """What is to be said next: columns, cars, or whether the match is right."""
        return "match" if self.match is not None else "cars" if self.cars is not None else "columns"


def check_file(db: Db, session_id: int, *, by: Viewer, sent: Sent) -> Checked:
    """What would become of each lap; nothing is written. Raises TableRefused where no table can be seen."""
    require(by, Action.ADD_MEASUREMENTS)
    session = get_session(db, by.programme_id, session_id)
    refuse_hidden(db, by, session.id)
    found = _read(db, by, session, sent)
    if found.table is None and sent.columns_right:
        raise TableRefused(found.errors)
    if found.table is None or not (found.remembered or sent.columns_right):
        return found
    known = queries.known_transponders(db, by.programme_id)
    said = sent.cars or {}
    found.cars = {who: _car(who, said, known, found.car_names) for who in found.table.cars}
    if all(car is not None for car in found.cars.values()):
        _match(found, sent)
    return found


def _car(who: str, said: Mapping[str, int], known: Mapping[str, int | None], cars: Mapping[int, str]) -> int | None:
    car = said.get(who)
    if car is None and who and queries.key_of(who) in known:
        car = known[queries.key_of(who)] or 0
    return car if car is None or car == 0 or car in cars else None


def _read(db: Db, by: Viewer, session: Session, sent: Sent) -> Checked:
    """The file in cells with a role a column, and its laps where these roles make any."""
    seen = read_file(sent.text, **sent.look)
    shape = seen.shape if not sent.look else _shape_as_seen(sent.text, seen)
    reading = queries.find_reading(db, by.programme_id, shape)
    raw = seen
    if reading is not None and not sent.look and reading.look != seen.look:
        raw = read_file(sent.text, **_words(reading.look))
    fits = reading is not None and reading.look == raw.look and len(reading.roles) == len(raw.names)
    roles = sent.roles if sent.roles is not None and len(sent.roles) == len(raw.names) else None
    used = roles or (reading.roles if reading is not None and fits else propose_roles(raw))
    found = Checked(session, raw, used, shape, fits and roles is None, queries.list_spans(db, session),
                    queries.car_names(db, by.programme_id),
                    find_same_table(db, by.programme_id, Kind.LAPS, _digest(sent.text, session)), Errors())  # fmt: skip
    try:
        table = read_laps(raw, used)
    except TableRefused as refused:
        found.errors = refused.errors
        return found
    found.table = table
    days = (table.first_day - session.on_date).days * DAY if table.first_day else 0
    found.laps = {who: [_on_day(lap, days) for lap in table.of(who)] for who in table.cars}
    return found


def _shape_as_seen(text: str, otherwise: RawTable) -> str:
    try:
        return read_file(text).shape
    except TableRefused:
        return otherwise.shape


def _words(look: Look) -> dict[str, str]:
    return {"delimiter": look.delimiter, "decimal": look.decimal, "header": "yes" if look.header else "no"}


def _on_day(lap: TimedLap, days_ms: int) -> TimedLap:
    if lap.start_ms is None or lap.end_ms is None or not days_ms:
        return lap
    return lap._replace(start_ms=lap.start_ms + days_ms, end_ms=lap.end_ms + days_ms)


def _match(found: Checked, sent: Sent) -> None:
    assert found.laps is not None
    assert found.cars is not None
    assert found.table is not None
    car_of = {who: car for who, car in found.cars.items() if car}
    if found.table.has_clock:
        ours = {who: (found.laps[who], [run for run in found.spans if run.car_id == car]) for who, car in car_of.items()}
        found.shift = propose_shift(ours) if sent.shift_ms is None else agreement(ours, sent.shift_ms)
        found.match = match_by_clock(found.laps, car_of, found.spans, found.shift.shift_ms)
        return
    found.stints = places(found.laps, car_of, found.spans)
    proposed = propose_order(found.stints, car_of, found.spans)
    said = sent.places
    found.placed = list(said) if said is not None and len(said) == len(found.stints) else proposed
    chosen = [run for run in found.placed if run]
    twice = next((run for run in chosen if chosen.count(run) > 1), None)
    if twice is not None:
        label = next((run.label for run in found.spans if run.id == twice), "one run")
        raise Refused(f"{label} was chosen for two stints", "Each run has one stint", "Choose another run, or none, for one of them.")
    found.match = match_by_order(found.laps, car_of, found.spans, found.placed)


def attach_file(db: Db, session_id: int, *, by: Viewer, sent: Sent, shown: str, file_name: str = "") -> Batch:
    """Every matched lap, as it was shown to whoever confirms it. The same file is taken once a session."""
    require(by, Action.ADD_MEASUREMENTS)
    lock_programme(db, by.programme_id)
    found = check_file(db, session_id, by=by, sent=sent)
    if found.same is not None:
        raise Conflict("This very file is attached to this session already", f"It came in as table {found.same.id}; nothing was added",
                       "Withdraw that one first if it has to come in again.")  # fmt: skip
    if found.match is None:
        raise Refused("Nothing was attached", "Its columns or its cars are not confirmed yet", "Check the file first.")
    if found.match.digest != shown:
        raise Conflict("The runs or their laps changed since this was shown, so nothing was attached", "",
                       "Look at what would be attached now, then confirm it.")  # fmt: skip
    if not found.match.laps:
        raise Refused("Nothing was attached", "No lap of this file is matched to a run", "Change the shift, the cars or the columns.")
    batch = _add_laps(db, by, found, file_name, _digest(sent.text, found.session))
    layout = _remember(db, by, found)
    assert found.table is not None
    db.add(LapFile(batch_id=batch.id, session_id=session_id, layout_id=layout.id, shift_ms=found.match.shift_ms,
                   laps_read=len(found.table.laps), not_matched=[left.stored() for left in found.match.left]))  # fmt: skip
    way = "by order" if found.match.shift_ms is None else f"clock shift {said_shift(found.match.shift_ms)}"
    record(db, "attached laps", "session", session_id, found.session.label, by_id=by.account_id, programme_id=by.programme_id, why=way,
           session_id=session_id, table=batch.id, rows=batch.rows, file=file_name)  # fmt: skip
    db.flush()
    return batch


def _add_laps(db: Db, by: Viewer, found: Checked, file_name: str, digest: str) -> Batch:
    match = found.match
    assert match is not None
    batch = Batch(programme_id=by.programme_id, kind=Kind.LAPS, file_name=file_name, digest=digest, rows=match.laps,
                  added_by_id=by.account_id, added_at=clock.now())  # fmt: skip
    db.add(batch)
    db.flush()
    starts = [run.start_ms for run in found.spans if run.start_ms is not None]
    zero = min(starts, default=0) - (match.shift_ms or 0)
    rows: list[dict[str, Any]] = [
        {"batch_id": batch.id, "run_id": matched.run.id, "number": number, "time_ms": lap.time_ms, "flag": "",
         "clock_ms": None if lap.start_ms is None or match.shift_ms is None else max(lap.start_ms - zero, 0)}
        for matched in match.runs for number, lap in enumerate(matched.laps, start=1)
    ]  # fmt: skip
    for start in range(0, len(rows), CHUNK):
        db.execute(insert(Lap), rows[start : start + CHUNK])
    return batch


def _remember(db: Db, by: Viewer, found: Checked) -> LapLayout:
    """Keep how this shape is read and whose transponders these are, where that is news."""
    now, programme_id = clock.now(), by.programme_id
    known = queries.known_transponders(db, programme_id)
    for who, car in (found.cars or {}).items():
        key = queries.key_of(who)
        if who and (key not in known or (known[key] or 0) != car):
            db.add(Transponder(programme_id=programme_id, name=who, name_key=key, car_id=car or None, added_by_id=by.account_id,
                               added_at=now))  # fmt: skip
    layout, stored = queries.find_layout(db, programme_id, found.shape), Reading(found.raw.look, found.roles).stored()
    if layout is None or layout.reading != stored:
        layout = LapLayout(programme_id=programme_id, shape=found.shape, reading=stored, added_by_id=by.account_id, added_at=now)
        db.add(layout)
    db.flush()
    return layout


def _digest(text: str, session: Session) -> str:
    """One file may hold two sessions of a day: it is taken once in each."""
    return digest_of(f"{digest_of(text)} {session.label}")


def refuse_hidden(db: Db, by: Viewer, session_id: int) -> None:
    """Whoever is due to rate in an open session does not handle its lap times."""
    if session_id in hidden_sessions(db, by):
        raise Conflict("You are due to rate in this session", "Its lap times open when your own slips are filed and it is closed",
                       "Let somebody else do this, or do it then.")  # fmt: skip


def up_to_columns(sent: Sent) -> Sent:
    """The same file before anybody said that its columns are right: to show them again after a refusal."""
    return sent._replace(columns_right=False, shift_ms=None, places=None)
