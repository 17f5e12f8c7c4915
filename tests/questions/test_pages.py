"""Pages of questions: both texts at a conflict, one record for a form sent twice, budgets of queries."""

import re

import pytest

from app.db import transaction
from app.questions import commands, queries
from tests import make
from tests.pages import text_of
from tests.questions import steps


@pytest.fixture
def d(db):
    return steps.desk(db)


EDIT = {
    "title": "Which tower?",
    "text": "It flexes.",
    "asked_ground": "durability",
    "deciding_ground": "",
    "decide_by": "2026-03-01",
}


def test_two_people_editing_one_question_get_both_texts(db, d, browser):
    question_id = steps.draft(db, d)
    path = d.path(f"/questions/{question_id}")
    edition = re.search(r'name="edition" value="(\d+)"', browser.as_(d.team.RT).get(path, max_queries=12).text).group(1)
    mine = {**EDIT, "owner_id": str(d.team.RT.account_id), "edition": edition}
    browser.as_(d.team.OW).post(path, {**mine, "title": "Tower: which thickness?"})
    refused = browser.as_(d.team.RT).post(path, mine, status=409).text
    shown = text_of(refused)
    assert "Somebody else changed Q-01 while you were typing" in shown
    assert "Tower: which thickness?" in shown
    assert "Which tower?" in refused
    again = re.search(r'name="edition" value="(\d+)"', refused).group(1)
    browser.post(path, {**mine, "edition": again})
    db.rollback()
    assert queries.get_question(db, d.team.id, question_id).title == "Which tower?"


@pytest.mark.parametrize("edition", ["", "x", "999", "²", "9" * 60])
def test_a_nonsense_edition_overwrites_nothing(db, d, browser, edition):
    question_id = steps.draft(db, d)
    answer = browser.as_(d.team.RT).client.post(d.path(f"/questions/{question_id}"), data={**EDIT, "edition": edition})
    assert answer.status_code in (409, 422)
    db.rollback()
    assert queries.get_question(db, d.team.id, question_id).title == "Tower thickness?"


def test_the_same_new_question_sent_twice_is_one_question_and_one_answer(db, d, browser):
    token = steps.form_token(browser.as_(d.team.RT).get(d.path("/questions/new"), max_queries=12).text, "/questions")
    typed = {
        "title": "Arms: nylon or carbon?",
        "asked_ground": "handling",
        "text": "",
        "owner_id": str(d.team.RT.account_id),
    }
    first, again = (browser.post(d.path("/questions"), {**typed, "form_token": token}) for _ in range(2))
    assert first.url == again.url
    assert len(queries.list_questions(db, d.team.id)) == 1
    other = browser.post(d.path("/questions"), {**typed, "title": "Arms, and which ones?", "form_token": token})
    assert other.url != first.url  # other content under the same token is another question


def test_the_same_new_variant_sent_twice_is_one_variant(db, d, browser):
    question_id = steps.draft(db, d)
    path = d.path(f"/questions/{question_id}")
    token = steps.form_token(browser.as_(d.team.RT).get(path).text, "/variants")
    typed = {"code": "t45", "title": "4.5 mm", "revision_ids": str(d.revisions["t45"]), "form_token": token}
    first, again = (browser.post(path + "/variants", typed) for _ in range(2))
    assert first.url == again.url
    assert [v.code for v in queries.get_question(db, d.team.id, question_id).variants] == ["t45"]


def test_pages_of_questions_stay_within_their_budget(db, d, browser):
    question_id, _ = steps.asked(db, d)
    for viewer in (d.team.RT, d.team.AQ):
        browser.as_(viewer)
        for rest in ("", f"/{question_id}", f"/{question_id}/rule", f"/{question_id}/sheet"):
            browser.get(d.path("/questions") + rest, max_queries=12)


def test_a_question_of_another_programme_is_a_page_that_is_not_there(db, d, browser):
    question_id = steps.draft(db, d)
    other = make.programme(db, name="Ostrel")
    browser.as_(other.RT)
    for rest in ("", "/rule", "/sheet"):
        browser.get(f"/programmes/{other.id}/questions/{question_id}{rest}", status=404)
        browser.get(d.path(f"/questions/{question_id}{rest}"), status=404)
    browser.post(f"/programmes/{other.id}/questions/{question_id}/ask", status=404)


def test_every_earlier_rule_stays_readable(db, d, browser):
    question_id, _ = steps.asked(db, d)
    with transaction(db):
        commands.declare_rule(db, question_id, by=d.team.RT, rule=d.rule(drivers=4), reason="a fourth driver joined")
    shown = text_of(browser.as_(d.team.AQ).get(d.path(f"/questions/{question_id}/rule")).text)
    assert "a fourth driver joined" in shown
    assert "Every version, newest last" in shown
    assert "3, 2 –" in shown  # the first: three drivers, two sessions, no reason
    assert "4, 2 a fourth driver joined" in shown


def test_a_rule_is_declared_on_the_page_and_refused_there_with_what_was_typed(db, d, browser):
    question_id, _ = steps.asked(db, d)
    goal = str(d.season.attributes["Steering precision"])
    typed = {
        "kind": "gain",
        "goal": goal,
        "worthwhile": "0,5",
        "margin": "0.5",
        "drivers": "1",
        "brackets": "1",
        "sessions": "2",
        "blind_percent": "0",
        "fact_better": "lower",
        "conditions": "carpet, low grip",
        "reason": "kept reason",
    }
    path = d.path(f"/questions/{question_id}/rule")
    refused = browser.as_(d.team.RT).post(path, typed, status=422).text
    assert "1 driver can&#39;t decide" in refused
    assert "kept reason" in refused
    browser.post(path, {**typed, "drivers": "2"})
    db.rollback()
    assert queries.get_question(db, d.team.id, question_id).rules[-1].declared["drivers"] == 2
