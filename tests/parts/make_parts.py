"""Parts of the invented programme, made through commands."""

import hashlib
import io

from app.access.viewer import Viewer
from app.db import Db, transaction
from app.parts import commands, rules
from app.parts.models import Process


def tower(db: Db, by: Viewer) -> int:
    """FST, the front shock tower; answers its id."""
    with transaction(db):
        return commands.add_part(db, by=by, number="KT-0101", code="FST", title="Front shock tower").id


def revision(
    db: Db, by: Viewer, part_id: int, line: str = "t45", *, content: bytes | None = None, note: str = "", **more
) -> int:
    """The next step of a line; answers its id."""
    drawing = None if content is None else drawing_of(content)
    with transaction(db):
        facts = rules.Facts(change_note=note or "as drawn")
        return commands.issue_revision(db, part_id, by=by, line=line, drawing=drawing, facts=facts, **more).id


def pieces(db: Db, by: Viewer, revision_id: int, count: int = 1) -> list[int]:
    with transaction(db):
        made = commands.add_pieces(db, revision_id, by=by, process=Process.WATERJET, count=count)
        return [piece.id for piece in made]


def drawing_of(content: bytes, name: str = "FST-t45.step") -> rules.Drawing:
    return rules.read_drawing(name, io.BytesIO(content))


def sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def run_with(db: Db, by: Viewer, piece_id: int, *, session_state: str = "open", drivers: tuple[int, ...] = ()) -> int:
    """A run with that piece on the car, put straight into the tables of the later feature; answers the run's id."""
    from datetime import date

    from app import clock
    from app.sessions.models import AsRunBuild, BuildPiece, Car, Run, RunState, Session, SessionPerson

    with transaction(db):
        session = Session(
            programme_id=by.programme_id,
            number=3,
            place="Quarry",
            time_zone="UTC",
            on_date=date(2026, 2, 15),
            state=session_state,
            created_by_id=by.account_id,
            created_at=clock.now(),
        )
        car = Car(programme_id=by.programme_id, name="car 1", name_key="car 1")
        db.add_all([session, car])
        db.flush()
        for driver_id in drivers:
            db.add(SessionPerson(session_id=session.id, account_id=driver_id, duty="driver"))
        run = Run(programme_id=by.programme_id, session_id=session.id, number=4, car_id=car.id,
                  driver_id=drivers[0] if drivers else by.account_id, state=RunState.DRIVEN)  # fmt: skip
        db.add(run)
        db.flush()
        build = AsRunBuild(
            programme_id=by.programme_id, run_id=run.id, version=1, made_by_id=by.account_id, made_at=clock.now()
        )
        db.add(build)
        db.flush()
        db.add(BuildPiece(build_id=build.id, piece_id=piece_id))
        return run.id
