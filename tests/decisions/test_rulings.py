"""Rulings: who files and signs, what each must say, and that nothing signed ever changes. Marks are invented."""

import threading
from datetime import date

import pytest
from sqlalchemy import text as sql
from starlette.testclient import TestClient

from app.db import DatabaseFault, transaction
from app.decisions import commands, queries
from app.decisions.models import RulingState
from app.errors import Conflict, NotAllowed, Refused
from app.people.models import Hat
from app.questions.queries import get_question
from tests import fixture, make
from tests.decisions import steps
from tests.pages import text_of

GROUNDS = "Three of three drivers are better by 0.5 to 1.0."
TYPED = {
    "decision": "adopt",
    "form": "sole",
    "grounds": GROUNDS,
    "against_verdict_why": steps.AGAINST,
    "scope": "cold carpet",
}


@pytest.fixture
def w(db):
    return fixture.s03(db)


def second_manager(db, w):
    with transaction(db):
        return make.member(db, w.team.OW, "TV", "Tiva Oldmarsh", frozenset({Hat.MANAGER}))


def state_of(db, w, ruling_id):
    db.rollback()
    return queries.get_ruling(db, w.team.id, ruling_id).state


def test_the_designers_ruling_is_provisional_and_the_manager_makes_it_standing(db, w, browser):
    page = browser.as_(w.team.RT).get(steps.ruling_path(w, "t45"), max_queries=12).text
    assert "I sign it at once" not in page
    filed = browser.post(steps.ruling_path(w, "t45"), {**TYPED, "shown": steps.shown_on(page)})
    assert "provisional" in text_of(filed.text)
    (row,) = queries.list_rulings(db, w.team.id)
    assert (row.ruling.state, row.filed_by, row.signed_by) == ("provisional", "Rhea Tarlowen", "")
    path = w.path(f"/rulings/{row.ruling.id}")
    open_page = browser.as_(w.team.OW).get(path, max_queries=12).text
    signed = text_of(browser.post(path + "/sign", {"shown": steps.shown_on(open_page)}).text)
    assert "Signed by Ottoline Weir" in signed
    assert "wearing both hats" not in signed
    assert state_of(db, w, row.ruling.id) == "standing"


@pytest.mark.parametrize("initials", ["AQ", "SK"])
def test_driver_and_conductor_neither_file_nor_sign(db, w, browser, initials):
    ruling_id = steps.rule_on(db, w, "t45", w.team.RT)
    shown = steps.sheet(db, w).fingerprint
    browser.as_(w.team[initials]).get(steps.ruling_path(w, "t45"), status=403)
    browser.post(steps.ruling_path(w, "t45"), {**TYPED, "shown": shown}, status=403)
    browser.post(w.path(f"/rulings/{ruling_id}/sign"), {"shown": shown}, status=403)
    browser.post(w.path(f"/rulings/{ruling_id}/reopen"), {"why": "I think otherwise"}, status=403)
    with pytest.raises(NotAllowed):
        steps.rule_on(db, w, "t45", w.team[initials])
    with pytest.raises(NotAllowed):
        steps.sign(db, w, ruling_id, w.team[initials])
    assert state_of(db, w, ruling_id) == "provisional"
    assert len(queries.list_rulings(db, w.team.id)) == 1


def test_a_designer_does_not_sign(db, w, browser):
    ruling_id = steps.rule_on(db, w, "t45", w.team.RT)
    browser.as_(w.team.RT).post(
        w.path(f"/rulings/{ruling_id}/sign"), {"shown": steps.sheet(db, w).fingerprint}, status=403
    )
    with pytest.raises(NotAllowed):
        steps.rule_on(db, w, "t50", w.team.RT, sign=True, decision="reject")
    assert [row.ruling.state for row in queries.list_rulings(db, w.team.id)] == ["provisional"]


def test_a_retest_says_what_is_missing_and_by_when(db, w):
    for field, more in (("missing", {"missing_by": date(2026, 3, 1)}), ("missing_by", {"missing": "warm turf"})):
        with pytest.raises(Refused) as refused:
            steps.rule_on(db, w, "t45", w.team.RT, decision="retest", against_verdict_why="", **more)
        assert refused.value.field == field
    ruling_id = steps.rule_on(db, w, "t45", w.team.RT, decision="retest", against_verdict_why="", missing="warm turf",
                              missing_by=date(2026, 3, 1))  # fmt: skip
    assert queries.get_ruling(db, w.team.id, ruling_id).missing == "warm turf"


def test_a_ruling_that_differs_from_the_verdict_needs_its_sentence_which_is_printed(db, w, browser):
    with pytest.raises(Refused) as refused:
        steps.rule_on(db, w, "t45", w.team.RT, against_verdict_why="")
    assert refused.value.field == "against_verdict_why"
    ruling_id = steps.rule_on(db, w, "t45", w.team.RT)
    shown = text_of(browser.as_(w.team.RT).get(w.path(f"/rulings/{ruling_id}")).text)
    assert f"The ruling differs from the verdict retest (sessions): {steps.AGAINST}" in shown
    assert "one test session alone never adopts or rejects" in shown


def test_grounds_too_short_are_refused_at_the_field_and_what_was_typed_stays(db, w, browser):
    page = browser.as_(w.team.RT).get(steps.ruling_path(w, "t45")).text
    typed = {**TYPED, "grounds": "good", "shown": steps.shown_on(page)}
    refused = browser.post(steps.ruling_path(w, "t45"), typed, status=422).text
    assert "The grounds are too short" in refused
    assert steps.AGAINST in refused
    assert queries.list_rulings(db, w.team.id) == []


def test_one_person_in_both_hats_is_printed(db, w, browser):
    ruling_id = steps.rule_on(db, w, "t45", w.team.OW, sign=True)
    shown = text_of(browser.as_(w.team.RT).get(w.path(f"/rulings/{ruling_id}")).text)
    assert "One person filed and signed this ruling, wearing both hats." in shown


def test_filing_on_changed_numbers_is_refused_naming_what_changed_and_typed_text_is_kept(db, w, browser):
    page = browser.as_(w.team.OW).get(steps.ruling_path(w, "t45")).text
    steps.again(db, w, "DH", 3, "6.0 4.0 6.5")
    typed = {**TYPED, "sign": "1", "shown": steps.shown_on(page)}
    refused = browser.post(steps.ruling_path(w, "t45"), typed, status=409).text
    words = text_of(refused)
    assert "The numbers changed while the page was open" in words
    assert "t45: 1 bracket more" in words
    assert "the panel reading was favours adopt and is now drivers conflict" in words
    assert GROUNDS in refused
    assert "cold carpet" in refused
    assert queries.list_rulings(db, w.team.id) == []
    browser.post(steps.ruling_path(w, "t45"), {**typed, "shown": steps.shown_on(refused)})
    db.rollback()
    assert [row.ruling.state for row in queries.list_rulings(db, w.team.id)] == ["standing"]


def test_signing_on_changed_numbers_is_refused_and_nothing_is_signed(db, w, browser):
    ruling_id = steps.rule_on(db, w, "t45", w.team.RT)
    path = w.path(f"/rulings/{ruling_id}")
    page = browser.as_(w.team.OW).get(path).text
    steps.again(db, w, "DH", 3, "6.0 4.0 6.5")
    refused = text_of(browser.post(path + "/sign", {"shown": steps.shown_on(page)}, status=409).text)
    assert "t45: 1 bracket more" in refused
    assert state_of(db, w, ruling_id) == "provisional"
    assert queries.get_ruling(db, w.team.id, ruling_id).signed_by_id is None


def test_two_managers_signing_at_once_one_wins_and_the_other_reads_why(db, w, browser):
    managers = [w.team.OW, second_manager(db, w)]
    ruling_id = steps.rule_on(db, w, "t45", w.team.RT)
    shown = steps.sheet(db, w).fingerprint
    db.rollback()
    clients = []
    for manager in managers:
        cookie = browser.as_(manager).client.cookies.get("proveout")
        clients.append(TestClient(browser.app, headers={"Origin": "http://testserver"}, cookies={"proveout": cookie}))
    gate, answers = threading.Barrier(2), []

    def press(client):
        gate.wait(timeout=20)
        answers.append(client.post(w.path(f"/rulings/{ruling_id}/sign"), data={"shown": shown}, follow_redirects=False))

    presses = [threading.Thread(target=press, args=(client,)) for client in clients]
    for thread in presses:
        thread.start()
    for thread in presses:
        thread.join(timeout=60)
    assert sorted(answer.status_code for answer in answers) == [303, 409]
    lost = next(answer for answer in answers if answer.status_code == 409)
    assert "RL-1 is standing" in text_of(lost.text)
    assert state_of(db, w, ruling_id) == "standing"


def test_a_new_standing_ruling_supersedes_the_old_one_and_both_stay_readable(db, w, browser):
    old = steps.rule_on(db, w, "t45", w.team.OW, sign=True)
    new = steps.rule_on(
        db, w, "t45", w.team.OW, sign=True, decision="reject", grounds="The tool maker can't hold 4.5 mm."
    )
    assert (state_of(db, w, old), state_of(db, w, new)) == ("superseded", "standing")
    browser.as_(w.team.AQ)
    assert "Three of three drivers are better." in browser.get(w.path(f"/rulings/{old}")).text
    assert "The tool maker can&#39;t hold 4.5 mm." in browser.get(w.path(f"/rulings/{new}")).text
    listed = text_of(browser.get(w.path("/rulings"), max_queries=12).text)
    assert "RL-1" in listed
    assert "superseded" in listed


def test_a_second_provisional_ruling_supersedes_the_first_and_leaves_the_standing_one(db, w):
    standing = steps.rule_on(db, w, "t45", w.team.OW, sign=True)
    first = steps.rule_on(db, w, "t45", w.team.RT, decision="reject")
    second = steps.rule_on(db, w, "t45", w.team.RT, decision="reject", grounds="It is heavier than it is better.")
    assert [state_of(db, w, r) for r in (standing, first, second)] == ["standing", "superseded", "provisional"]


def test_a_question_is_ruled_when_every_rival_is_and_open_again_when_one_is_not(db, w, browser):
    adopted = steps.rule_on(db, w, "t45", w.team.OW, sign=True)
    assert get_question(db, w.team.id, w.question_id).state == "running"
    steps.rule_on(db, w, "t50", w.team.OW, sign=True, decision="reject")
    db.rollback()
    assert get_question(db, w.team.id, w.question_id).state == "ruled"
    browser.as_(w.team.OW).post(w.path(f"/rulings/{adopted}/reopen"), {"why": "the moulded tower cracks"})
    db.rollback()
    assert (get_question(db, w.team.id, w.question_id).state, state_of(db, w, adopted)) == ("reopened", "reopened")
    page = text_of(browser.get(w.path(f"/rulings/{adopted}")).text)
    assert "reopened" in page
    with pytest.raises(Conflict), transaction(db):
        commands.reopen_ruling(db, adopted, by=w.team.OW, why="once more")


def test_a_standing_retest_opens_a_ruled_question_again(db, w):
    steps.rule_on(db, w, "t45", w.team.OW, sign=True)
    steps.rule_on(db, w, "t50", w.team.OW, sign=True, decision="reject")
    steps.rule_on(
        db, w, "t45", w.team.OW, sign=True, decision="retest", missing="warm turf", missing_by=date(2026, 3, 1)
    )
    db.rollback()
    assert get_question(db, w.team.id, w.question_id).state == "reopened"


def test_new_slips_that_move_nothing_are_counted(db, w, browser):
    ruling_id = steps.rule_on(db, w, "t45", w.team.OW, sign=True)
    steps.again(db, w, "AQ", 1, "6.0 7.0 6.0")
    assert steps.reading(db, w, "t45").reading == "favours_adopt"
    shown = text_of(browser.as_(w.team.RT).get(w.path(f"/rulings/{ruling_id}")).text)
    now = steps.verdict(db, w, "t45")
    expected = "3 new slips since" if now.verdict == "retest" else "Evidence has moved since 15 Feb"
    assert expected in shown


def test_a_draft_question_is_not_ruled_on(db, w, browser):
    with transaction(db):
        get_question(db, w.team.id, w.question_id, lock=True).state = "draft"
    with pytest.raises(Conflict):
        steps.rule_on(db, w, "t45", w.team.RT)
    html = browser.as_(w.team.RT).get(w.path(f"/questions/{w.question_id}/sheet")).text
    assert "Rule on t45" not in html


def test_the_control_and_a_stranger_are_not_ruled_on(db, w, browser):
    browser.as_(w.team.RT).get(w.path(f"/questions/{w.question_id}/variants/{w.q.variants['t40']}/rule"), status=404)
    browser.get(w.path(f"/questions/{w.question_id}/variants/99999/rule"), status=404)
    other = make.programme(db, name="Ostrel")
    browser.as_(other.OW).get(w.path("/rulings"), status=404)
    ruling_id = steps.rule_on(db, w, "t45", w.team.RT)
    browser.get(f"/programmes/{other.id}/rulings/{ruling_id}", status=404)


@pytest.mark.parametrize("state", list(RulingState))
def test_the_page_of_a_ruling_in_every_state(db, w, browser, state):
    ruling_id = steps.rule_on(db, w, "t45", w.team.OW, sign=state != RulingState.PROVISIONAL)
    if state == RulingState.REOPENED:
        with transaction(db):
            commands.reopen_ruling(db, ruling_id, by=w.team.OW, why="a crack was found")
    if state == RulingState.SUPERSEDED:
        steps.rule_on(db, w, "t45", w.team.OW, sign=True, decision="reject")
    for viewer in (w.team.AQ, w.team.OW):
        html = browser.as_(viewer).get(w.path(f"/rulings/{ruling_id}"), max_queries=12).text
        assert state.value in text_of(html)
        can_sign = viewer is w.team.OW and state == RulingState.PROVISIONAL
        assert (f"/rulings/{ruling_id}/sign" in html) == can_sign


@pytest.mark.parametrize(
    "change",
    [
        "grounds = 'other words'",
        "decision = 'reject'",
        "verdict = 'adopt'",
        "clause = 'gain'",
        "dissent = 'nobody'",
        "scope = 'all'",
        "snapshot = '{}'",
        "fingerprint = 'x'",
        "against_verdict_why = ''",
        "reading = 'blocked'",
        "missing = 'nothing'",
        "signed_by_id = NULL",
        "both_hats = NOT both_hats",
    ],
)
def test_the_database_itself_refuses_to_change_what_was_signed(db, w, change):
    ruling_id = steps.rule_on(db, w, "t45", w.team.OW, sign=True)
    with pytest.raises(DatabaseFault, match="never changed"), transaction(db):
        db.execute(sql(f"UPDATE rulings SET {change} WHERE id = :id"), {"id": ruling_id})


def test_the_database_itself_refuses_to_delete_a_ruling(db, w):
    ruling_id = steps.rule_on(db, w, "t45", w.team.OW, sign=True)
    with pytest.raises(DatabaseFault, match="never changed"), transaction(db):
        db.execute(sql("DELETE FROM rulings WHERE id = :id"), {"id": ruling_id})
