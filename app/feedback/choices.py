"""What the forms of slips offer, and venue time as it was typed."""

from collections.abc import Mapping, Sequence
from datetime import datetime

from app import clock
from app.access.viewer import Viewer
from app.db import Db
from app.errors import Refused
from app.feedback import queries
from app.sessions import queries as sessions


def venue(typed: datetime | None, zone: str) -> datetime | None:
    """Venue wall time as typed -> UTC; refuses a time that did not exist there or existed twice."""
    if typed is None:
        return None
    try:
        return clock.venue_to_utc(typed, zone)
    except ValueError as impossible:
        raise Refused(str(impossible), "", "Give a time that the venue's clock showed once.", field="captured_at") from impossible


def own_runs(db: Db, viewer: Viewer, but_run_id: int) -> list[tuple[str, str]]:
    runs = sessions.list_runs_of_driver(db, viewer, states=("driven", "short", "driving"))
    return [(str(run.id), f"{run.session.label}/{run.label}, {run.car.name}") for run in runs if run.id != but_run_id]


def swap_choices(db: Db, viewer: Viewer, session_id: int) -> dict[str, list[tuple[str, str]]]:
    sessions.get_session(db, viewer.programme_id, session_id)
    rows = [(str(run.id), f"{run.label}: {run.initials}, {run.car}") for run in sessions.list_runs(db, viewer.programme_id, session_id)]
    return {"first": rows, "second": rows}


def slip_choices(slips: Sequence[queries.SlipRow], people: Mapping[int, str]) -> list[tuple[str, str]]:
    return [("", "the whole run"), *((str(row.id), f"the slip of {people[row.rater_id]}") for row in slips)]
