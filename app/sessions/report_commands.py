"""Starts and ends that waited on a phone: never refused because somebody was first, or because the session is closed."""

from datetime import UTC, datetime
from typing import Any

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict
from app.history.commands import record
from app.phone_clock import PhoneClock, captured
from app.sessions import commands, queries
from app.sessions.models import Run, RunReport, RunState, SessionState

TO_START = (RunState.PLANNED, RunState.NOT_DRIVEN)
ENDED = (RunState.DRIVEN, RunState.SHORT)


def report_start(db: Db, run_id: int, *, by: Viewer, phone: PhoneClock, at: datetime | None = None) -> RunReport:
    """A start as a phone noted it; `at` is a time that the person typed. The first time that came in is kept."""
    run = _run(db, run_id, by)
    at, doubt = _moment(run, phone, at)
    taken = False
    if run.session.state != SessionState.RECONCILED:
        if run.state in TO_START:
            run.state = RunState.PLANNED
            commands.start_run(db, run_id, by=by, at=at)
            taken = True
        elif run.state in ENDED and run.started_at is None and run.ended_at is not None and at <= run.ended_at:
            run.started_at, taken = at, True
    return _report(db, by, run, "start", at, doubt, taken, {})


def report_end(db: Db, run_id: int, *, by: Viewer, phone: PhoneClock, at: datetime | None = None, **said: Any) -> RunReport:
    """An end as a phone noted it. `said` as for end_run; where the run had ended already it is kept beside, not over it."""
    run = _run(db, run_id, by)
    at, doubt = _moment(run, phone, at, after_start=True)
    taken = run.state in (*TO_START, RunState.DRIVING) and run.session.state != SessionState.RECONCILED
    if taken:
        run.state = RunState.DRIVING
        commands.end_run(db, run_id, by=by, at=at, **said)
    typed = {name: value for name, value in said.items() if value is not None and value is not False and value != ""}  # 0 laps is said
    return _report(db, by, run, "end", at, doubt, taken, typed)


def _run(db: Db, run_id: int, by: Viewer) -> Run:
    run = queries.get_run(db, by.programme_id, run_id, lock=True)
    require(by, Action.DRIVE_RUN, run)
    if run.session.state == SessionState.PLANNED:
        raise Conflict(f"{run.session.label} is not open yet", "", "Open the session first.")
    return run


def _moment(run: Run, phone: PhoneClock, typed: datetime | None, *, after_start: bool = False) -> tuple[datetime, str]:
    if typed is not None:
        return typed, ""
    local = datetime.combine(run.session.on_date, datetime.min.time(), clock.zone(run.session.time_zone))
    first = run.started_at if after_start and run.started_at is not None else local.astimezone(UTC)
    seen = captured(phone, received=clock.now(), not_before=first)
    return (max(seen.at, run.started_at) if after_start and run.started_at is not None else seen.at), seen.doubt


def _report(db: Db, by: Viewer, run: Run, what: str, at: datetime, doubt: str, taken: bool, said: dict[str, Any]) -> RunReport:
    report = RunReport(programme_id=run.programme_id, run_id=run.id, what=what, at=at, taken=taken, said=said, clock_doubt=doubt,
                       by_id=by.account_id, received_at=clock.now())  # fmt: skip
    db.add(report)
    db.flush()
    if not taken:
        record(db, f"noted another {what} of", "run", run.id, f"{run.session.label}/{run.label}", by_id=by.account_id,
               programme_id=by.programme_id, session_id=run.session_id, report_id=report.id)  # fmt: skip
    return report
