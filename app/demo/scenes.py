"""Scenes of a season, made through commands: a question with its parts, a session, one driver's bracketed runs.

The tests' fixture is made of the same scenes.
"""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

from app import clock
from app.db import Db, transaction
from app.demo.team import Team
from app.feedback.commands import file_slip
from app.feedback.rules import Answers
from app.parts import commands as parts
from app.parts.models import Process
from app.parts.rules import Facts
from app.programmes.queries import list_attributes
from app.questions import commands as questions
from app.questions.rules import DeclaredRule
from app.sessions import build_commands
from app.sessions import commands as sessions

tokens = itertools.count(1)
BUILD = {"anti-roll bar mm": "1.2", "ride height mm": "20.5"}


@dataclass
class Asked:
    """One question with its variants and their pieces, by variant code; `goal_id` is the attribute it is decided on."""

    question_id: int
    goal_id: int
    variants: dict[str, int]
    pieces: dict[str, list[int]]
    control: str
    revisions: dict[str, int] = field(default_factory=dict)


@dataclass
class Season:
    """The team, its cars and what was asked."""

    team: Team
    cars: list[int]
    attributes: dict[str, int]
    asked: dict[str, Asked] = field(default_factory=dict)


def moment(day: date, hour: int, minute: int = 0) -> datetime:
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=UTC)


def season(db: Db, team: Team) -> Season:
    """Three cars, and the attributes by name."""
    with transaction(db):
        cars = [sessions.add_car(db, by=team.SK, name=f"car {n}").id for n in (1, 2, 3)]
        return Season(team, cars, {item.name: item.id for item in list_attributes(db, team.id)})


def ask(db: Db, s: Season, key: str, *, title: str, part: tuple[str, str, str], variants: Mapping[str, tuple[str, Facts]],
        rule: DeclaredRule, goal: str, ground: str = "handling", text: str = "", decide_by: date | None = None,
        on: date = date(2026, 1, 12)) -> Asked:  # fmt: skip
    """A part with a revision and three pieces a variant, and the question about it, asked. The first variant is control."""
    rt = s.team.RT
    number, code, part_title = part
    with transaction(db), clock.at(moment(on, 9)):
        made = parts.add_part(db, by=rt, number=number, code=code, title=part_title)
        question = questions.add_question(db, by=rt, title=title, asked_ground=ground, text=text, decide_by=decide_by)
        ids: dict[str, int] = {}
        pieces: dict[str, list[int]] = {}
        revisions: dict[str, int] = {}
        for index, (line, (shown, facts)) in enumerate(variants.items()):
            revision = parts.issue_revision(db, made.id, by=rt, line=line, facts=facts)
            revisions[line] = revision.id
            pieces[line] = [p.id for p in parts.add_pieces(db, revision.id, by=rt, count=3, process=Process.MACHINED)]
            ids[line] = questions.add_variant(db, question.id, by=rt, code=line, title=shown, is_control=index == 0,
                                              revision_ids=[revision.id]).id  # fmt: skip
        questions.declare_rule(db, question.id, by=rt, rule=rule)
        questions.ask_question(db, question.id, by=rt)
        s.asked[key] = Asked(question.id, s.attributes[goal], ids, pieces, next(iter(ids)), revisions)
    return s.asked[key]


def open_session(db: Db, s: Season, day: date, *, place: str, surface: str, grip: str, air: float, zone: str = "UTC") -> int:
    with transaction(db), clock.at(moment(day, 9)):
        planned = sessions.plan_session(db, by=s.team.SK, place=place, time_zone=zone, on_date=day, surface=surface, grip=grip,
                                        air_temp_degC=air, conductors=[s.team.SK.account_id])  # fmt: skip
        sessions.open_session(db, planned.id, by=s.team.SK)
        return planned.id


def close_session(db: Db, s: Season, session_id: int, day: date) -> None:
    with transaction(db), clock.at(moment(day, 16)):
        sessions.close_session(db, session_id, by=s.team.SK)


def drive(db: Db, s: Season, key: str, session_id: int, initials: str, car: int, order: str, marks: Sequence[float | None] | str,
          *, day: date, minutes: Sequence[int] = (0, 12, 24, 36, 48), settings: Mapping[int, Mapping[str, str]] | None = None,
          more: Mapping[str, Sequence[float]] | None = None, remarks: Mapping[int, str] | None = None, rated: bool = True,
          from_hour: int = 10, tyre_runs: Sequence[int | None] = ()) -> list[int]:  # fmt: skip
    """One driver's runs on one car, each rated 3 minutes after its end; answers run ids.

    order: variant codes. marks: the goal attribute's, "-" for could not judge. more: other attributes' marks by name.
    """
    asked = s.asked[key]
    if isinstance(marks, str):
        marks = [None if word == "-" else float(word) for word in marks.split()]
    driver, sk, runs = s.team[initials], s.team.SK, []
    with transaction(db):  # one for all runs: a commit each would cost more than what is written
        for index, code in enumerate(order.split()):
            start = moment(day, from_hour) + timedelta(minutes=minutes[index])
            with clock.at(start):
                run = sessions.add_run(db, session_id, by=sk, driver_id=driver.account_id, car_id=s.cars[car - 1], planned_at=start)
                build_commands.record_build(db, run.id, by=sk, piece_ids=[asked.pieces[code][car - 1]], confirmed=True,
                                            settings=(settings or {}).get(index, BUILD))  # fmt: skip
                sessions.start_run(db, run.id, by=driver)
            with clock.at(start + timedelta(minutes=5)):
                tyres: dict[str, Any] = {"tyre_runs": tyre_runs[index], "tyre_set": f"set {car}"} if tyre_runs else {}
                sessions.end_run(db, run.id, by=driver, laps=12, **tyres)
            runs.append(run.id)
            if rated:
                given = {asked.goal_id: marks[index], **{s.attributes[name]: values[index] for name, values in (more or {}).items()}}
                rate_now(db, driver, run.id, given, start + timedelta(minutes=8), (remarks or {}).get(index, ""))
    return runs


def rate(db: Db, driver: object, run_id: int, marks: Mapping[int, float | None], at: datetime, remark: str = "") -> int:
    """File one slip at that moment; answers its id."""
    with transaction(db):
        return rate_now(db, driver, run_id, marks, at, remark)


def rate_now(db: Db, driver: object, run_id: int, marks: Mapping[int, float | None], at: datetime, remark: str = "") -> int:
    """The same inside a transaction that is open already."""
    answers = Answers({a: None if v is None else round(v * 100) for a, v in marks.items()}, "sure", False, remark)
    with clock.at(at):
        return file_slip(db, run_id, by=driver, token=f"scene-token-{next(tokens):08d}", answers=answers).slip_id  # type: ignore[arg-type]
