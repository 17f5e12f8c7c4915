"""The fixture of the acceptance scenarios: team Kelvane, Q-01 tower thickness, S-03 at Quarry; invented data."""

import copy
import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from datetime import date

from app.db import Db
from app.demo import scenes
from app.parts.rules import Facts
from app.questions.rules import DeclaredRule, GoalRule
from tests import make

DAY = date(2026, 2, 3)
PRECISION = {
    "AQ": ("t40 t45 t40 t50 t40", "6.0 7.0 6.0 7.5 6.5"),
    "MS": ("t40 t50 t40 t45 t40", "6.5 7.0 7.0 7.5 7.0"),
    "DH": ("t40 t45 t40 t50 t40", "5.5 6.5 6.0 4.5 6.0"),
}
TOWER = {"t40": ("4.0 mm", Facts(mass_g=12.4)), "t45": ("4.5 mm", Facts(mass_g=13.9)), "t50": ("5.0 mm", Facts(mass_g=15.5))}


@dataclass
class World:
    """The made programme: the team, Q-01, and the runs of S-03 in their order."""

    season: scenes.Season
    session_id: int = 0
    runs: list[int] = field(default_factory=list)

    @property
    def team(self) -> make.Team:
        return self.season.team

    @property
    def q(self) -> scenes.Asked:
        return self.season.asked["tower"]

    @property
    def question_id(self) -> int:
        return self.q.question_id

    def path(self, rest: str) -> str:
        return f"/programmes/{self.team.id}{rest}"

    def drive(self, db: Db, session_id: int, initials: str, car: int, order: str, marks: str, **more) -> list[int]:
        runs = scenes.drive(db, self.season, "tower", session_id, initials, car, order, marks, day=more.pop("day", DAY), **more)
        self.runs.extend(runs)
        return runs


def world(db: Db, *, rule: DeclaredRule | None = None, goal: str = "Steering precision") -> World:
    """Parts, revisions, pieces, cars and the asked question; no session yet."""
    season = scenes.season(db, make.programme(db))
    declared = rule or DeclaredRule(goals=(GoalRule(season.attributes[goal]),), worthwhile_hundredths=50)
    scenes.ask(db, season, "tower", title="Tower thickness: 4.0, 4.5 or 5.0 mm?", part=("P-101", "FST", "Front shock tower"),
               variants=TOWER, rule=declared, goal=goal)  # fmt: skip
    return World(season)


def session(db: Db, w: World, *, place: str = "Quarry", surface: str = "carpet", grip: str = "low", day: date = DAY,
            air: float = 7.0) -> int:  # fmt: skip
    return scenes.open_session(db, w.season, day, place=place, surface=surface, grip=grip, air=air)


def close(db: Db, w: World, session_id: int, day: date = DAY) -> None:
    scenes.close_session(db, w.season, session_id, day)


_made: dict[bool, tuple[sqlite3.Connection, World]] = {}


def s03(db: Db, *, closed: bool = True) -> World:
    """The whole fixture: three cars in parallel, fifteen runs, fifteen slips. Made once a process on SQLite, then copied."""
    if db.get_bind().dialect.name != "sqlite":
        return _make_s03(db, closed)
    db.rollback()
    with closing(db.get_bind().engine.raw_connection()) as connection:
        if closed in _made:
            kept, world_made = _made[closed]
            kept.backup(connection.driver_connection)
            return copy.deepcopy(world_made)
        world_made = _make_s03(db, closed)
        db.rollback()
        kept = sqlite3.connect(":memory:", check_same_thread=False)
        connection.driver_connection.backup(kept)
    _made[closed] = (kept, copy.deepcopy(world_made))
    return world_made


def _make_s03(db: Db, closed: bool) -> World:
    w = world(db)
    w.session_id = session(db, w)
    for car, (initials, (order, marks)) in enumerate(PRECISION.items(), start=1):
        w.drive(db, w.session_id, initials, car, order, marks)
    if closed:
        close(db, w, w.session_id)
    return w
