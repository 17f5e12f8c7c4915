"""Looks, which lists read: whatever was filed, refreshing only what it touched gives what a full look gives."""

from datetime import timedelta

import pytest

from app import clock
from app.concerns import commands as concerns
from app.concerns.commands import About
from app.concerns.models import Danger
from app.db import transaction
from app.decisions import commands, loading, queries
from app.decisions.summaries import list_looks
from app.feedback import commands as feedback
from app.feedback.models import NotCounted
from app.feedback.queries import find_live_slip
from app.feedback.rules import Answers
from app.parts.rules import Facts
from app.programmes import commands as programmes
from app.questions import commands as questions
from app.questions.rules import DeclaredRule, GoalRule
from app.sessions import build_commands
from app.sessions import commands as sessions
from app.sessions.queries import get_run
from tests import fixture
from tests.fixture import scenes


@pytest.fixture
def w(db):
    """Q-01 with S-01 closed, Q-02 asked and not driven; both looked at."""
    w = fixture.s03(db)
    rule = DeclaredRule(goals=(GoalRule(w.q.goal_id),), worthwhile_hundredths=50)
    scenes.ask(
        db,
        w.season,
        "pin",
        title="Pin?",
        part=("P-214", "RHP", "Rear hinge pin"),
        goal="Steering precision",
        rule=rule,
        variants={"p25": ("2.5 mm", Facts(2.9)), "p30": ("3.0 mm", Facts(4.0))},
    )
    assert commands.refresh_looks(db, w.team.id)
    db.rollback()
    return w


def slip_of(db, w, run):
    number = w.runs[run]
    initials = ("AQ", "MS", "DH")[run // 5]
    return find_live_slip(db, number, w.team[initials].account_id), w.team[initials]


def amended(db, w):
    slip, rater = slip_of(db, w, 1)
    feedback.amend_slip(
        db, slip.id, by=rater, version=1, answers=Answers({w.q.goal_id: 800}), reason="on second thought"
    )


def withdrawn(db, w):
    slip, rater = slip_of(db, w, 1)
    feedback.withdraw_slip(db, slip.id, by=rater, why="never drove it")


def moved(db, w):
    other, rater = slip_of(db, w, 1)
    feedback.withdraw_slip(db, other.id, by=rater, why="never drove it")
    slip, rater = slip_of(db, w, 3)
    feedback.move_slip(db, slip.id, by=rater, version=1, run_id=w.runs[1], reason="this was R-02")


def judged(db, w):
    feedback.judge_counting(db, w.runs[1], by=w.team.SK, counts=False, reason=NotCounted.DAMAGED, text="it was bent")


def corrected(db, w):
    build_commands.record_build(
        db, w.runs[1], by=w.team.SK, piece_ids=[w.q.pieces["t50"][0]], reason="seen at the table"
    )


def taken_off(db, w):
    build_commands.record_build(db, w.runs[1], by=w.team.SK, piece_ids=[], reason="it was a spare car")


def carrying_another(db, w):
    pin = w.season.asked["pin"].pieces["p30"][0]
    build_commands.record_build(
        db, w.runs[1], by=w.team.SK, piece_ids=[w.q.pieces["t45"][0], pin], reason="the pin was new"
    )


def swapped(db, w):
    feedback.swap_cars(db, w.runs[3], w.runs[8], by=w.team.SK, why="they took each other's radios")


def voided(db, w):
    sessions.void_run(db, w.runs[1], by=w.team.SK, why="wrong pack")


def timed(db, w):
    run = get_run(db, w.team.id, w.runs[1])
    sessions.correct_times(
        db, run.id, by=w.team.SK, started_at=run.started_at + timedelta(minutes=3), ended_at=run.ended_at, why="misread"
    )


def resurfaced(db, w):
    session = get_run(db, w.team.id, w.runs[0]).session
    sessions.edit_session(db, session.id, by=w.team.SK, edition=session.edition, grip="high")


def declared(db, w):
    rule = DeclaredRule(goals=(GoalRule(w.q.goal_id),), worthwhile_hundredths=100)
    questions.declare_rule(db, w.question_id, by=w.team.RT, rule=rule, reason="half a mark is noise here")


def worried(db, w):
    concerns.raise_concern(
        db,
        by=w.team.DH,
        words="t45 cracks at the hole.",
        danger=Danger.NEGLIGIBLE,
        product_severity=9,
        about=About(question_id=w.question_id),
    )


def off_the_slip(db, w):
    landing = w.season.attributes["Jump and landing stability"]
    programmes.put_on_slip(db, landing, by=w.team.RT, on_slip=False)


CHANGES = [
    amended,
    withdrawn,
    moved,
    judged,
    corrected,
    taken_off,
    carrying_another,
    swapped,
    voided,
    timed,
    resurfaced,
    declared,
    worried,
    off_the_slip,
]


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__)
def test_refreshing_what_was_touched_equals_looking_at_everything(db, w, change):
    before = {qid: look.fingerprint for qid, look in list_looks(db, w.team.id).items()}
    with clock.at(scenes.moment(fixture.DAY, 18)), transaction(db):
        change(db, w)
    commands.refresh_looks(db, w.team.id)
    db.rollback()
    now = {qid: look.fingerprint for qid, look in list_looks(db, w.team.id).items()}
    full = {qid: queries.current_look(db, w.team.id, qid)[1].fingerprint for qid in before}
    assert now == full
    assert now != before


def test_what_touches_no_look_loads_no_mark(db, w, monkeypatch):
    session_id = fixture.session(db, w)
    w.drive(db, session_id, "AQ", 1, "t40 t45", "6 7")
    with transaction(db):
        from app.parts.commands import add_part

        add_part(db, by=w.team.RT, number="P-900", code="XYZ", title="Spare")
    asked = []
    real = loading.load_evidence
    monkeypatch.setattr(commands, "load_evidence", lambda *a, **k: asked.append([q.id for q in a[2]]) or real(*a, **k))
    monkeypatch.setattr(queries, "SLACK", 0)
    commands.refresh_looks(db, w.team.id)
    assert asked in ([], [[]])
    monkeypatch.setattr(commands, "load_evidence", real)
    fixture.close(db, w, session_id)
    before = {qid: look.fingerprint for qid, look in list_looks(db, w.team.id).items()}
    commands.refresh_looks(db, w.team.id)
    db.rollback()
    assert list_looks(db, w.team.id)[w.question_id].fingerprint != before[w.question_id]
