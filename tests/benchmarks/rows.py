"""How large a programme is, what was made of it, and rows on their way into the tables."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import insert, text

from app.db import Base, Db
from app.demo import scenes
from app.demo.team import Team
from app.history.models import Happening


@dataclass(frozen=True, slots=True)
class Size:
    questions: int = 25
    sessions: int = 40
    runs: int = 2000
    marks: int = 12000
    concerns: int = 200

    def tenth(self) -> "Size":
        """A tenth of everything, with as many runs in a session."""
        return Size(
            max(self.questions // 10, 2),
            max(self.sessions // 10, 2),
            max(self.runs // 10, 8),
            max(self.marks // 10, 48),
            max(self.concerns // 10, 2),
        )


@dataclass
class Big:
    """What was made, as far as pages need ids."""

    team: Team
    season: scenes.Season
    sessions: list[int] = field(default_factory=list)
    runs: list[int] = field(default_factory=list)
    rulings: list[int] = field(default_factory=list)

    def asked(self, number: int) -> scenes.Asked:
        return self.season.asked[f"question {number}"]


@dataclass
class Rows:
    """Rows waiting to be inserted, by table; ids are counted here."""

    waiting: dict[type[Base], list[dict[str, Any]]] = field(default_factory=dict)

    def add(self, kind: type[Base], /, **values: Any) -> int:
        rows = self.waiting.setdefault(kind, [])
        rows.append(values)
        return len(rows)

    def write(self, db: Db) -> None:
        for kind, rows in self.waiting.items():
            for first in range(0, len(rows), 2000):
                db.execute(insert(kind), rows[first : first + 2000])
        self.waiting.clear()


def happened(
    rows: Rows,
    big: Big,
    what: str,
    thing: str,
    thing_id: int,
    label: str,
    at: datetime,
    *,
    by: int | None = None,
    session_id: int | None = None,
) -> None:
    rows.add(
        Happening,
        programme_id=big.team.id,
        at=at,
        by_id=by or big.team.SK.account_id,
        what=what,
        thing=thing,
        thing_id=thing_id,
        label=label,
        why="",
        detail={},
        session_id=session_id,
    )


def catch_up_sequences(db: Db) -> None:
    """Ids were counted here; PostgreSQL's sequences learn of it."""
    if db.get_bind().dialect.name != "postgresql":
        return
    for table in Base.metadata.sorted_tables:
        if "id" in table.c and table.c.id.autoincrement is not False:
            db.execute(
                text(
                    f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'),"
                    f" (SELECT COALESCE(MAX(id), 1) FROM {table.name}))"
                )
            )
