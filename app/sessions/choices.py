"""What the forms of sessions and builds offer, and venue time as it was typed."""

from datetime import datetime
from typing import Any

from app import clock
from app.access.viewer import Viewer
from app.db import Db
from app.errors import Refused
from app.parts.queries import list_pieces
from app.people.queries import list_people
from app.questions.queries import list_variants
from app.sessions import queries


def venue(db: Db, viewer: Viewer, session_id: int, typed: datetime | None, field: str) -> datetime | None:
    """Venue wall time as typed -> UTC; refuses a time that did not exist there or existed twice."""
    if typed is None:
        return None
    session = queries.get_session(db, viewer.programme_id, session_id)
    try:
        return clock.venue_to_utc(typed, session.time_zone)
    except ValueError as impossible:
        raise Refused(str(impossible), "", "Give a time that the venue's clock showed once.", field=field) from impossible


def people(db: Db, viewer: Viewer) -> dict[str, list[tuple[str, str]]]:
    people = [(str(p.account_id), f"{p.initials} {p.name}") for p in list_people(db, viewer.programme_id) if p.active]
    return {"drivers": people, "conductors": people}


def seats(db: Db, viewer: Viewer) -> dict[str, list[tuple[str, str]]]:
    return {"driver_id": people(db, viewer)["drivers"],
            "car_id": [(str(car.id), car.name) for car in queries.list_cars(db, viewer.programme_id)]}  # fmt: skip


def with_people(values: dict[str, Any]) -> dict[str, Any]:
    return {**values, "drivers": [int(item) for item in values["drivers"]],
            "conductors": [int(item) for item in values["conductors"]]}  # fmt: skip


def build_choices(db: Db, viewer: Viewer) -> dict[str, list[tuple[str, str]]]:
    pieces = [(str(piece.id), f"{piece.label} ({piece.state})") for piece in list_pieces(db, viewer.programme_id)]
    cars = [(str(row.id), f"{row.question_label} {row.code} {row.title}".strip())
            for row in list_variants(db, viewer.programme_id) if row.whole_car]  # fmt: skip
    return {"piece_ids": pieces, "declared": cars}
