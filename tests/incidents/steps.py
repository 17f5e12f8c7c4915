"""The day of scenario 22, made through commands: t50 on AQ's car in R-04, a nose hit on lap 4. Invented data."""

from datetime import timedelta
from typing import Any

from app import clock
from app.db import Db, transaction
from app.demo import scenes
from app.incidents import commands
from app.incidents.rules import Report
from app.incidents.words import Effect, Happened
from app.questions import commands as questions
from app.questions.rules import AbuseRule, DeclaredRule, GoalRule
from app.sessions import build_commands
from app.sessions import commands as sessions
from tests import fixture

HOUR = scenes.moment(fixture.DAY, 10)


def day(db: Db, *, hits: int | None = 20, kind: str = "board hit") -> fixture.World:
    """S-01 open, R-01 to R-03 driven by AQ, R-04 with t50 under way. The rule asks for 0 failures in `hits`."""
    w = fixture.world(db)
    rule = DeclaredRule(goals=(GoalRule(w.q.goal_id),), worthwhile_hundredths=50, abuse=AbuseRule(hits, kind) if hits else None)
    with transaction(db):
        questions.declare_rule(db, w.question_id, by=w.team.RT, rule=rule)
    w.session_id = fixture.session(db, w)
    w.drive(db, w.session_id, "AQ", 1, "t40 t45 t40", "6.0 7.0 6.0")
    start_run(db, w, "t50")
    return w


def start_run(db: Db, w: fixture.World, code: str, *, by: str = "AQ", car: int = 1, minutes: int = 36) -> int:
    with transaction(db), clock.at(HOUR + timedelta(minutes=minutes)):
        run = sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=w.team[by].account_id, car_id=w.season.cars[car - 1])
        build_commands.record_build(db, run.id, by=w.team.SK, piece_ids=[piece(w, code, car)], confirmed=True, settings=scenes.BUILD)
        sessions.start_run(db, run.id, by=w.team[by])
        w.runs.append(run.id)
    return w.runs[-1]


def end_run(db: Db, w: fixture.World, run_id: int, laps: int, *, by: str = "AQ", minutes: int = 38) -> None:
    with transaction(db), clock.at(HOUR + timedelta(minutes=minutes)):
        sessions.end_run(db, run_id, by=w.team[by], laps=laps)


def piece(w: fixture.World, code: str, number: int = 1) -> int:
    return w.q.pieces[code][number - 1]


def report(db: Db, w: fixture.World, *, by: str = "AQ", minutes: int = 38, **more: Any) -> int:
    """File one incident; answers its id."""
    values: dict[str, Any] = {"kind": Happened.NOSE, "effect": Effect.STOPPED, **more}
    with transaction(db), clock.at(HOUR + timedelta(minutes=minutes)):
        return commands.report_incident(db, Report(**values), by=w.team[by]).id


def cracked(db: Db, w: fixture.World) -> int:
    """t50 #1 cracks on lap 4 of R-04 after a nose hit."""
    found = report(db, w, run_id=w.runs[-1], lap_number=4, struck="board at turn 3", pieces={piece(w, "t50"): ("cracked",)},
                   words="Straight into the board, the tower is through.")  # fmt: skip
    end_run(db, w, w.runs[-1], 4, minutes=39)
    return found
