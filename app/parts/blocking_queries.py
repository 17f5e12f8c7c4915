"""What stops the freeze of a part: concerns, which belong to a later feature."""

from collections.abc import Sequence
from datetime import date
from typing import NamedTuple

from sqlalchemy import Boolean, Date, and_, column, literal, or_, select, table

from app.db import Db
from app.parts.models import Revision


class Blocking(NamedTuple):
    """An open concern that stops the freeze of a revision."""

    id: int
    label: str
    danger: str
    product_severity: int
    revision_id: int
    revision: str


def list_blocking(db: Db, programme_id: int, part_id: int, today: date) -> Sequence[Blocking]:
    """What stops the freeze of a part, the most severe first; one closed under a concession that is over stands open again.

    Concerns raised on a run of a session that is not closed yet are left out: which part they are about is kept from its
    raters. Their own page tells, to whoever may read it. Concerns belong to a later feature: tables are named as strings.
    """
    c = table("concerns", *map(column, ("id", "programme_id", "number", "danger", "product_severity", "state", "close_kind", "revision_id",
                                        "run_id")), column("blocker", Boolean()))  # fmt: skip
    leave = table("concessions", column("id"), column("concern_id"), column("until", Date()))
    runs, sessions = table("runs", column("id"), column("session_id")), table("sessions", column("id"), column("state"))
    until = select(leave.c.until).where(leave.c.concern_id == c.c.id).order_by(leave.c.id.desc()).limit(1).scalar_subquery()
    under_way = (
        select(literal(1)).select_from(runs).join(sessions, sessions.c.id == runs.c.session_id)
        .where(runs.c.id == c.c.run_id, sessions.c.state.in_(("planned", "open"))).exists()
    )  # fmt: skip
    stands = or_(c.c.state != "closed", and_(c.c.close_kind == "lived with under concession", until < today))
    rows = db.execute(
        select(c.c.id, c.c.number, c.c.danger, c.c.product_severity, Revision.id, Revision.label).select_from(c)
        .join(Revision, Revision.id == c.c.revision_id)
        .where(c.c.programme_id == programme_id, Revision.part_id == part_id, c.c.blocker, stands, ~under_way)
        .order_by(c.c.product_severity.desc(), c.c.number)
    )  # fmt: skip
    return [Blocking(id_, f"C-{number:02d}", danger, severity, rid, label) for id_, number, danger, severity, rid, label in rows]
