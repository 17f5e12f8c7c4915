"""The many rows of an import in chunks: sessions, runs, builds, slips, marks; their commands' invariants hold."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from sqlalchemy import insert

from app import clock
from app.access.viewer import Viewer
from app.db import Base, Db
from app.errors import Refused
from app.feedback.models import Mark, Slip, SlipVersion, Source, VersionState
from app.feedback.rules import content_hash
from app.imports.plan import Plan, RunPlan, SessionPlan, default_surface
from app.programmes.queries import get_programme
from app.sessions.commands import plan_session
from app.sessions.models import AsRunBuild, BuildState, BuildVariant, Run, RunState, SessionPerson, SessionState

Row = dict[str, Any]
CHUNK = 2000
SESSION_BEGINS = time(9, 0)  # venue time; a table gives minutes since then, or nothing


@dataclass(frozen=True, slots=True)
class Ids:
    """Name in the table -> id here, of everything a row names."""

    drivers: dict[str, int]
    attributes: dict[str, int]
    variants: dict[str, int]
    cars: dict[str, int]
    question: int


def write_sessions(db: Db, by: Viewer, plan: Plan, ids: Ids) -> None:
    """Every session with its drivers and runs, closed, since it is over."""
    zone = get_programme(db, by.programme_id).time_zone
    today = clock.to_venue(clock.now(), zone).date()
    written: list[tuple[SessionPlan, int, datetime]] = []
    for planned in plan.sessions:
        session_id, on_date = _plan_session(db, by, planned, zone, today)
        written.append((planned, session_id, _start(planned, on_date, zone)))
    db.flush()
    due = [(session_id, ids.drivers[name]) for planned, session_id, _ in written for name in planned.drivers]
    _add(db, SessionPerson, [{"session_id": s, "account_id": account, "duty": "driver"} for s, account in due])
    runs = [run for planned, _, _ in written for run in planned.runs.values()]
    rows = [_run_row(by, ids, run, at, start) for planned, at, start in written for run in planned.runs.values()]
    _write_slips(db, by, plan, ids, list(zip(runs, _insert(db, Run, rows), strict=True)))


def _plan_session(db: Db, by: Viewer, planned: SessionPlan, zone: str, today: date) -> tuple[int, date]:
    surface, grip = default_surface(planned)
    notes = "From an imported table." + ("" if planned.on_date else " It gave no date.")
    session = plan_session(db, by=by, place=planned.place or planned.name, time_zone=zone, surface=surface, grip=grip,
                           on_date=planned.on_date or today, alias=planned.name, order_known=planned.order_known,
                           notes=notes)  # fmt: skip
    session.state, session.closed_at = SessionState.CLOSED, clock.now()
    return session.id, session.on_date


def _start(session: SessionPlan, on_date: date, zone: str) -> datetime:
    try:
        return clock.venue_to_utc(datetime.combine(on_date, SESSION_BEGINS), zone)
    except ValueError as absent:
        raise Refused(
            f"Session “{session.name}” can't begin at 09:00", str(absent), "Give it another date."
        ) from absent


def _run_row(by: Viewer, ids: Ids, run: RunPlan, session_id: int, start: datetime) -> Row:
    started = None if run.clock_min is None else (start + timedelta(minutes=run.clock_min)).astimezone(UTC)
    return {"programme_id": by.programme_id, "session_id": session_id, "number": run.number, "alias": run.name,
            "car_id": ids.cars[run.car], "driver_id": ids.drivers[run.driver], "state": RunState.DRIVEN,
            "started_at": started}  # fmt: skip


def _write_slips(db: Db, by: Viewer, plan: Plan, ids: Ids, runs: Sequence[tuple[RunPlan, int]]) -> None:
    """For each run its confirmed build with the declared variant, and its slip with version 1 and the marks."""
    now = clock.now()
    builds = _insert(db, AsRunBuild, [_build_row(by, run_id, now) for _, run_id in runs])
    _add(db, BuildVariant, [
        {"build_id": build, "question_id": ids.question, "variant_id": ids.variants[run.variant], "declared": True}
        for (run, _), build in zip(runs, builds, strict=True)
    ])  # fmt: skip
    token = f"import-{plan.digest[:24]}"
    slips = _insert(db, Slip, [
        {"programme_id": by.programme_id, "token": f"{token}-{number:06d}", "run_id": run_id, "version": 1,
         "rater_id": ids.drivers[run.driver], "filed_by_id": by.account_id, "source": Source.TABLE,
         "captured_at": now, "received_at": now}
        for number, (run, run_id) in enumerate(runs, start=1)
    ])  # fmt: skip
    said = [{ids.attributes[name]: mark for name, mark in run.marks.items()} for run, _ in runs]
    versions = _insert(db, SlipVersion, [
        {"slip_id": slip, "build_id": build, "made_by_id": by.account_id, "made_at": now,
         **_content(run, run_id, ids.drivers[run.driver], marks)}
        for (run, run_id), slip, build, marks in zip(runs, slips, builds, said, strict=True)
    ])  # fmt: skip
    _add(db, Mark, [
        {"slip_version_id": version, "attribute_id": attribute, "mark_hundredths": mark}
        for version, marks in zip(versions, said, strict=True) for attribute, mark in sorted(marks.items())
    ])  # fmt: skip


def _build_row(by: Viewer, run_id: int, now: datetime) -> Row:
    return {"programme_id": by.programme_id, "run_id": run_id, "version": 1, "state": BuildState.CONFIRMED,
            "settings": {}, "made_by_id": by.account_id, "made_at": now, "confirmed_by_id": by.account_id,
            "confirmed_at": now, "reason": "declared by an imported table"}  # fmt: skip


def _content(run: RunPlan, run_id: int, rater_id: int, marks: Mapping[int, int | None]) -> Row:
    digest = content_hash(run_id, rater_id, marks, confidence=run.confidence, heard_others=False, remark=run.remark)
    return {"run_id": run_id, "version": 1, "state": VersionState.STANDS, "reason": "", "confidence": run.confidence,
            "heard_others": False, "remark": run.remark, "content_hash": digest}  # fmt: skip


def _insert(db: Db, model: type[Base], rows: list[Row]) -> list[int]:
    """Insert in chunks; answers the new ids in the order of `rows`."""
    ids: list[int] = []
    for start in range(0, len(rows), CHUNK):
        statement = insert(model).returning(model.id, sort_by_parameter_order=True)  # type: ignore[attr-defined]
        ids += db.scalars(statement, rows[start : start + CHUNK]).all()
    return ids


def _add(db: Db, model: type[Base], rows: list[Row]) -> None:
    """Insert rows whose ids nobody needs, which is faster."""
    if rows:
        db.execute(insert(model), rows)
