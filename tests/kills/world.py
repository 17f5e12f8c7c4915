"""An open day of an invented team with sixteen drivers, each with planned runs of their own and a signed-in phone."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from app.access.viewer import Viewer
from app.db import Database, Db, transaction
from app.demo.team import found_team
from app.people.models import Hat
from app.programmes.queries import list_attributes
from app.sessions import commands as sessions
from app.sessions.models import Run, RunState
from tests import make
from tests.hall.steps import cookie_of

HATS = frozenset({Hat.DRIVER, Hat.CONDUCTOR})  # drives, and notes conditions


@dataclass(frozen=True)
class Person:
    """One client: account, how it signs in, the cookie of its phone, its planned runs and those it has driven."""

    account_id: int
    login: str
    cookie: str
    runs: tuple[int, ...]
    driven: tuple[int, ...] = ()


@dataclass(frozen=True)
class World:
    programme_id: int
    session_id: int
    scales: tuple[tuple[int, int, int, int], ...]  # attribute id, lowest, highest, step in hundredths of a point
    people: tuple[Person, ...]

    def path(self, rest: str) -> str:
        return f"/programmes/{self.programme_id}{rest}"


def make_world(database: Database, *, clients: int, runs_each: int, driven_each: int = 0, name: str = "Tarnwick") -> World:
    """Rows of runs are made directly: what is tested is what the phones file on them."""
    with database.session() as db:
        with transaction(db):
            team = found_team(db, make.HASHER, password=make.PASSWORD, programme=name, time_zone="UTC", suffix=f".{name.lower()}")
        with transaction(db):
            logins = [f"d{n:02d}.{name.lower()}" for n in range(clients)]
            drivers = [make.member(db, team.OW, f"D{n:02d}", f"Driver Number {n}", HATS, login=login) for n, login in enumerate(logins)]
        with transaction(db):
            session = sessions.plan_session(db, by=team.SK, place="Steel shed", time_zone="UTC", on_date=datetime.now(UTC).date(),
                                            surface="carpet", grip="low")  # fmt: skip
            sessions.open_session(db, session.id, by=team.SK)
            car = sessions.add_car(db, by=team.SK, name="car 1")
            made = _runs(db, session.id, car.id, team.id, drivers, runs_each, driven_each)
            session_id = session.id
        scales = tuple((a.id, a.lowest_hundredths, a.highest_hundredths, a.step_hundredths)
                       for a in list_attributes(db, team.id, on_slip=True))  # fmt: skip
    people = tuple(Person(viewer.account_id, login, cookie_of(database, viewer), runs[driven_each:], runs[:driven_each])
                   for viewer, login, runs in zip(drivers, logins, made, strict=True))  # fmt: skip
    return World(team.id, session_id, scales, people)


def _runs(db: Db, session_id: int, car_id: int, programme_id: int, drivers: Sequence[Viewer], planned: int,
          driven: int) -> list[tuple[int, ...]]:  # fmt: skip
    """Of each driver first the driven runs, an hour ago, then the planned ones."""
    then = datetime.now(UTC) - timedelta(hours=1)
    rows = []
    for at, viewer in enumerate(drivers):
        own = [Run(programme_id=programme_id, session_id=session_id, number=1 + n * len(drivers) + at, car_id=car_id,
                   driver_id=viewer.account_id, state=RunState.PLANNED) for n in range(driven + planned)]  # fmt: skip
        for run in own[:driven]:
            run.state, run.started_at, run.ended_at, run.laps_driven = RunState.DRIVEN, then, then + timedelta(minutes=5), 12
        rows.append(own)
    db.add_all([run for own in rows for run in own])
    db.flush()
    return [tuple(run.id for run in own) for own in rows]
