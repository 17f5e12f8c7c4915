"""What the panel has taught: fixed at a question's first look, from the others only, and part of its evidence.

Source: the written rule (common practice, no source); what is learned is checked in tests/evidence.
"""

from datetime import date

import pytest
from sqlalchemy import select, text

from app.db import Db, transaction
from app.decisions import commands, queries
from app.decisions.summaries import latest_sheets
from app.parts.rules import Facts
from app.questions.models import Question
from app.questions.rules import DeclaredRule, GoalRule
from tests import fixture
from tests.fixture import scenes
from tests.pages import text_of

LATER = date(2026, 2, 10)
PIN = {"AQ": ("p25 p30 p30 p25", "6 7 7 6"), "MS": ("p30 p25 p25 p30", "7 6 6 7"), "DH": ("p25 p30 p30 p25", "5 6 6 5")}


def ask_pin(db, w):
    rule = DeclaredRule(goals=(GoalRule(w.q.goal_id),), worthwhile_hundredths=50)
    scenes.ask(db, w.season, "pin", title="Pin?", part=("P-214", "RHP", "Rear hinge pin"), goal="Steering precision", rule=rule,
               variants={"p25": ("2.5 mm", Facts(2.9)), "p30": ("3.0 mm", Facts(4.0))})  # fmt: skip
    return w.season.asked["pin"].question_id


def drive_pin(db, w, day=LATER):
    session = fixture.session(db, w, day=day)
    for car, (initials, (order, marks)) in enumerate(PIN.items(), start=1):
        scenes.drive(db, w.season, "pin", session, initials, car, order, marks, day=day)
    fixture.close(db, w, session, day)


def noise_of(db, question_id):
    """As somebody else reads it, who sees what is kept for good only."""
    with Db(db.get_bind()) as other:
        return other.execute(select(Question.panel_noise).where(Question.id == question_id)).scalar_one()


@pytest.fixture
def w(db):
    """Q-01 with S-01 closed and nobody has looked yet."""
    return fixture.s03(db)


def test_alone_it_learns_nothing_and_that_is_fixed(db, w):
    _, sheet = queries.current_look(db, w.team.id, w.question_id)
    assert sheet.noise.used is None
    assert noise_of(db, w.question_id) == {}
    pin = ask_pin(db, w)
    drive_pin(db, w)
    again = queries.current_look(db, w.team.id, w.question_id)[1]
    assert again.fingerprint == sheet.fingerprint  # what others say later does not move it
    assert noise_of(db, pin) is not None


def test_a_later_question_learns_from_the_earlier_one_and_says_so(db, w, browser):
    commands.refresh_looks(db, w.team.id)
    pin = ask_pin(db, w)
    assert noise_of(db, pin) is None
    commands.refresh_looks(db, w.team.id)
    assert noise_of(db, pin) is None  # nothing driven: not its first look
    drive_pin(db, w)
    page = text_of(browser.as_(w.team.RT).get(w.path(f"/questions/{pin}/sheet"), max_queries=12).text)
    learned = noise_of(db, pin)
    assert (learned["questions"], learned["drivers"]) == (1, 3)
    assert "learned from 1 other question and 3 drivers" in page
    assert f"{learned['log_noise'][0]:.2f} points, 0.9 by default" in page
    db.rollback()
    commands.refresh_looks(db, w.team.id)
    used = latest_sheets(db, w.team.id)[pin].noise.used
    assert used.log_noise == tuple(learned["log_noise"])
    assert latest_sheets(db, w.team.id)[w.question_id].noise.used is None


def test_questions_first_looked_at_together_learn_from_each_other(db, w):
    pin = ask_pin(db, w)
    drive_pin(db, w)
    sheets = {qid: queries.current_look(db, w.team.id, qid)[1] for qid in (pin, w.question_id)}
    for qid, sheet in sheets.items():
        assert sheet.noise.used.questions == 1
        assert sheet.noise.used.log_noise == tuple(noise_of(db, qid)["log_noise"])
    assert noise_of(db, pin) != noise_of(db, w.question_id)  # each from the other one only


def test_the_order_of_looking_changes_nothing(db, w):
    pin = ask_pin(db, w)
    drive_pin(db, w)
    assert commands.refresh_looks(db, w.team.id)
    kept = {qid: noise_of(db, qid) for qid in (pin, w.question_id)}
    db.rollback()
    with transaction(db):
        db.execute(text("DROP TRIGGER questions_noise_once" + (" ON questions" if db.get_bind().dialect.name != "sqlite" else "")))
        db.execute(text("DELETE FROM looks"))
        db.execute(text("UPDATE questions SET panel_noise = NULL"))
    db.expire_all()
    queries.current_look(db, w.team.id, pin)
    assert {qid: noise_of(db, qid) for qid in kept} == kept


def test_a_late_slip_elsewhere_moves_its_own_sheet_only(db, w):
    pin = ask_pin(db, w)
    drive_pin(db, w)
    commands.refresh_looks(db, w.team.id)
    before = {qid: queries.current_look(db, w.team.id, qid)[1].fingerprint for qid in (pin, w.question_id)}
    drive_pin(db, w, date(2026, 2, 17))
    after = {qid: queries.current_look(db, w.team.id, qid)[1].fingerprint for qid in (pin, w.question_id)}
    assert after[w.question_id] == before[w.question_id]
    assert after[pin] != before[pin]


def test_within_a_writing_transaction_it_is_kept_with_it(db, w):
    db.rollback()
    with transaction(db):
        _, sheet = queries.current_look(db, w.team.id, w.question_id)
        db.flush()
        assert noise_of(db, w.question_id) is None
    assert noise_of(db, w.question_id) == {}
    assert sheet.verdicts


def test_where_it_can_t_be_kept_the_sheet_is_there_all_the_same(db, w, monkeypatch):
    from app.db import DatabaseFault
    from app.decisions import noise

    def refused(*_):
        raise DatabaseFault("UPDATE questions", {}, Exception("read-only"))

    ask_pin(db, w)
    drive_pin(db, w)
    db.rollback()
    monkeypatch.setattr(noise, "fix_panel_noise", refused)
    _, sheet = queries.current_look(db, w.team.id, w.question_id)
    assert sheet.noise.used.questions == 1
    assert noise_of(db, w.question_id) is None
