"""The fixture of the acceptance scenarios: team Kelvane, Q-01 tower thickness, S-03 at Quarry; invented data."""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

from app import clock
from app.db import Db, transaction
from app.feedback.commands import Answers, file_slip
from app.parts import commands as parts
from app.parts.models import Process
from app.parts.rules import Facts
from app.programmes.queries import find_attribute_by_name
from app.questions import commands as questions
from app.questions.rules import DeclaredRule, GoalRule
from app.sessions import build_commands
from app.sessions import commands as sessions
from tests import make

DAY = date(2026, 2, 3)
PRECISION = {
    "AQ": ("t40 t45 t40 t50 t40", "6.0 7.0 6.0 7.5 6.5"),
    "MS": ("t40 t50 t40 t45 t40", "6.5 7.0 7.0 7.5 7.0"),
    "DH": ("t40 t45 t40 t50 t40", "5.5 6.5 6.0 4.5 6.0"),
}
tokens = itertools.count(1)


@dataclass
class World:
    """The made programme: team, ids of things by their labels, runs in order."""

    team: make.Team
    question_id: int
    variants: dict[str, int]
    pieces: dict[str, list[int]]
    attribute_id: int
    cars: list[int]
    session_id: int = 0
    runs: list[int] = field(default_factory=list)


def world(db: Db, *, rule: DeclaredRule | None = None, attribute: str = "Steering precision") -> World:
    """Parts, revisions, pieces, cars and the asked question; no session yet."""
    team = make.programme(db)
    rt, sk = team.RT, team.SK
    with transaction(db), clock.at(datetime(2026, 1, 12, 9, tzinfo=UTC)):
        part = parts.add_part(db, by=rt, number="P-101", code="FST", title="Front shock tower")
        pieces: dict[str, list[int]] = {}
        revisions: dict[str, int] = {}
        for line, mass in (("t40", 12.4), ("t45", 13.9), ("t50", 15.5)):
            revision = parts.issue_revision(db, part.id, by=rt, line=line, facts=Facts(mass_g=mass))
            revisions[line] = revision.id
            made = parts.add_pieces(db, revision.id, by=rt, count=3, process=Process.WATERJET)
            pieces[line] = [piece.id for piece in made]
        question = questions.add_question(db, by=rt, title="Tower thickness: 4.0, 4.5 or 5.0 mm?", asked_ground="handling")
        variants = {
            line: questions.add_variant(db, question.id, by=rt, code=line, title=f"{line[1]}.{line[2]} mm", is_control=line == "t40",
                                        revision_ids=[revisions[line]]).id
            for line in ("t40", "t45", "t50")
        }  # fmt: skip
        found = find_attribute_by_name(db, team.id, attribute)
        assert found is not None
        declared = rule or DeclaredRule(goals=(GoalRule(found.id),), worthwhile_hundredths=50)
        questions.declare_rule(db, question.id, by=rt, rule=declared)
        questions.ask_question(db, question.id, by=rt)
        cars = [sessions.add_car(db, by=sk, name=f"car {n}").id for n in (1, 2, 3)]
        return World(team, question.id, variants, pieces, found.id, cars)


def session(db: Db, w: World, *, place: str = "Quarry", surface: str = "carpet", grip: str = "low", day: date = DAY,
            air: float = 7.0) -> int:  # fmt: skip
    """An open session; answers its id."""
    with transaction(db), clock.at(datetime(day.year, day.month, day.day, 9, tzinfo=UTC)):
        planned = sessions.plan_session(db, by=w.team.SK, place=place, time_zone="UTC", on_date=day, surface=surface, grip=grip,
                                        air_temp_degC=air)  # fmt: skip
        sessions.open_session(db, planned.id, by=w.team.SK)
        return planned.id


def drive(db: Db, w: World, session_id: int, initials: str, car: int, order: str, marks: Sequence[float | None] | str,
          *, minutes: Sequence[int] = (0, 12, 24, 36, 48), day: date = DAY, settings: Mapping[int, dict[str, str]] | None = None,
          more: Mapping[str, Sequence[float]] | None = None, remarks: Mapping[int, str] | None = None) -> list[int]:  # fmt: skip
    """One driver's runs on one car from 10:00, each rated 3 minutes after its end; answers run ids.

    order: variant codes. marks: the primary attribute's. more: further attributes' marks by name.
    """
    if isinstance(marks, str):
        marks = [None if word == "-" else float(word) for word in marks.split()]
    runs = []
    driver, sk = w.team[initials], w.team.SK
    for index, code in enumerate(order.split()):
        start = datetime(day.year, day.month, day.day, 10, tzinfo=UTC) + timedelta(minutes=minutes[index])
        with transaction(db), clock.at(start):
            run = sessions.add_run(db, session_id, by=sk, driver_id=driver.account_id, car_id=w.cars[car - 1], planned_at=start)
            build_commands.record_build(db, run.id, by=sk, piece_ids=[w.pieces[code][car - 1]], confirmed=True,
                                        settings=(settings or {}).get(index, {"anti-roll bar mm": "1.2"}))  # fmt: skip
            sessions.start_run(db, run.id, by=driver)
            run_id = run.id
        with transaction(db), clock.at(start + timedelta(minutes=5)):
            sessions.end_run(db, run_id, by=driver, laps=12)
        runs.append(run_id)
        answers = {w.attribute_id: None if marks[index] is None else round(marks[index] * 100)}
        for name, values in (more or {}).items():
            found = find_attribute_by_name(db, w.team.id, name)
            assert found is not None
            answers[found.id] = round(values[index] * 100)
        with transaction(db), clock.at(start + timedelta(minutes=8)):
            file_slip(db, run_id, by=driver, token=f"fixture-token-{next(tokens):06d}",
                      answers=Answers(answers, "sure", False, (remarks or {}).get(index, "")))  # fmt: skip
    w.runs.extend(runs)
    return runs


def close(db: Db, w: World, session_id: int, day: date = DAY) -> None:
    with transaction(db), clock.at(datetime(day.year, day.month, day.day, 11, 5, tzinfo=UTC)):
        sessions.close_session(db, session_id, by=w.team.SK)


def s03(db: Db, *, closed: bool = True) -> World:
    """The whole fixture: three cars in parallel, fifteen runs, fifteen slips."""
    w = world(db)
    w.session_id = session(db, w)
    for car, (initials, (order, marks)) in enumerate(PRECISION.items(), start=1):
        drive(db, w, w.session_id, initials, car, order, marks)
    if closed:
        close(db, w, w.session_id)
    return w
