"""The evidence sheet: what a look is, how its figures open to runs, that a second view computes nothing."""

import re
from datetime import timedelta

import pytest

from app import clock
from app.db import transaction
from app.decisions import queries
from app.evidence import story
from app.evidence.results import CLAUSES
from app.feedback import commands as feedback
from app.feedback.rules import Answers
from app.sessions.queries import get_run
from tests import fixture
from tests.decisions import steps
from tests.pages import text_of


def sheet_page(browser, w, viewer=None):
    return browser.as_(viewer or w.team.RT).get(w.path(f"/questions/{w.question_id}/sheet"), max_queries=12).text


def late_slip(db, w, run_id, initials, mark):
    moment = get_run(db, w.team.id, run_id).ended_at + timedelta(minutes=90)
    with clock.at(moment), transaction(db):
        feedback.file_slip(
            db, run_id, by=w.team[initials], token="a-slip-that-comes-late", answers=Answers({w.q.goal_id: mark * 100})
        )


def test_each_verdict_names_its_clause_in_a_sentence(db, browser):
    w = fixture.s03(db)
    shown = text_of(sheet_page(browser, w))
    for verdict in steps.sheet(db, w).verdicts:
        assert verdict.clause in CLAUSES
        assert verdict.variant in verdict.sentence
        assert verdict.sentence in shown
        assert verdict.nearest in shown
        assert f"retest {verdict.clause}" in shown.replace(":", "").replace("(", "").replace(")", "")


def test_every_figure_opens_to_its_run_build_and_slips_within_three_clicks(db, browser):
    w = fixture.s03(db)
    html = sheet_page(browser, w)
    (runs,) = [set(re.findall(r"/runs/(\d+)\"", html))]
    tests = {
        str(run)
        for run, code in zip(w.runs, " ".join(o for o, _ in fixture.PRECISION.values()).split(), strict=True)
        if code != "t40"
    }
    assert tests <= runs
    for run_id in sorted(tests):
        page = browser.get(w.path(f"/runs/{run_id}"), max_queries=12).text
        shown = text_of(page)
        assert "Answers Q-01 t" in shown
        assert "FST-t" in shown
        assert "Steering precision" in shown
        assert re.search(r"/slips/\d+", page)
    slip = re.search(r"/slips/(\d+)", page).group(1)
    browser.get(w.path(f"/slips/{slip}"), max_queries=12)


def test_slips_of_an_open_session_run_beside_the_verdict_of_the_last_look(db, browser):
    w = fixture.s03(db)
    before = steps.sheet(db, w)
    session_id = fixture.session(db, w, day=steps.SECOND_DAY)
    w.drive(db, session_id, "DH", 3, "t40 t45 t40", "6.0 4.0 6.5", day=steps.SECOND_DAY)
    opened = queries.open_sheet(db, w.team.RT, w.question_id)
    assert opened.sheet == before
    running = next(r for r in opened.running.panel.readings if r.variant == "t45")
    assert running.reading == "drivers_conflict"
    shown = text_of(sheet_page(browser, w))
    assert "t45, 4.5 mm: drivers conflict" in shown
    assert "running. The verdict is that of the last closed session" in shown
    fixture.close(db, w, session_id, steps.SECOND_DAY)
    opened = queries.open_sheet(db, w.team.RT, w.question_id)
    assert opened.running is None
    assert opened.sheet.fingerprint != before.fingerprint


def test_a_ruling_made_while_a_session_is_open_stands_on_the_last_look(db, browser):
    w = fixture.s03(db)
    before = steps.sheet(db, w).fingerprint
    session_id = fixture.session(db, w, day=steps.SECOND_DAY)
    w.drive(db, session_id, "DH", 3, "t40 t45 t40", "6.0 4.0 6.5", day=steps.SECOND_DAY)
    ruling_id = steps.rule_on(db, w, "t45", w.team.OW, sign=True, shown=before)
    assert queries.get_ruling(db, w.team.id, ruling_id).reading == "favours_adopt"


def test_the_second_view_computes_nothing(db, browser, monkeypatch):
    w = fixture.s03(db)
    first = sheet_page(browser, w)

    def refuse(evidence):
        raise AssertionError("computed again")

    monkeypatch.setattr(story, "roll_up", refuse)
    assert text_of(sheet_page(browser, w)).split("Page made")[0] == text_of(first).split("Page made")[0]
    browser.as_(w.team.AQ).get(
        w.path(f"/questions/{w.question_id}/sheet")
    )  # nothing is hidden from her: the same evidence
    late = w.drive(db, fixture.session(db, w, day=steps.SECOND_DAY), "DH", 3, "t45", "7", day=steps.SECOND_DAY)
    assert late
    browser.as_(w.team.RT).get(w.path(f"/questions/{w.question_id}/sheet"), status=500)  # the running figures are new


def test_a_late_slip_into_a_closed_session_is_a_new_look(db, browser):
    w = fixture.world(db)
    session_id = fixture.session(db, w)
    w.drive(db, session_id, "AQ", 1, "t40 t45 t40", "6.0 7.0 6.0")
    (unrated,) = w.drive(db, session_id, "MS", 2, "t45", "7", rated=False)
    fixture.close(db, w, session_id)
    before = steps.sheet(db, w).fingerprint
    late_slip(db, w, unrated, "MS", 7)
    assert steps.sheet(db, w).fingerprint != before
    assert steps.sheet(db, w, w.team.OW).fingerprint == steps.sheet(db, w).fingerprint


def test_a_rater_of_the_open_session_sees_the_last_look_only(db, browser):
    w = fixture.s03(db)
    session_id = fixture.session(db, w, day=steps.SECOND_DAY)
    w.drive(db, session_id, "DH", 3, "t40 t45 t40", "6.0 4.0 6.5", day=steps.SECOND_DAY)
    shown = text_of(sheet_page(browser, w, w.team.DH))
    assert "t45, 4.5 mm: favours adopt" in shown
    assert "drivers conflict" not in shown.split("t50")[0]
    assert "S-02" not in shown


@pytest.mark.parametrize("closed", [True, False])
def test_the_sheet_of_a_question_with_no_slip_yet(db, browser, closed):
    w = fixture.world(db)
    session_id = fixture.session(db, w)
    if closed:
        fixture.close(db, w, session_id)
    shown = text_of(sheet_page(browser, w))
    assert "no driver has yet tried t45 and another variant in one session" in shown


def test_a_question_of_another_programme_has_no_sheet(db, browser):
    from tests import make

    w = fixture.world(db)
    other = make.programme(db, name="Ostrel")
    browser.as_(other.RT).get(f"/programmes/{other.id}/questions/{w.question_id}/sheet", status=404)


def test_a_new_question_without_a_rule_says_what_its_sheet_needs(db, browser):
    from app.questions import commands as questions

    w = fixture.world(db)
    with transaction(db):
        question_id = questions.add_question(db, by=w.team.RT, title="Springs?", asked_ground="handling").id
    shown = text_of(browser.as_(w.team.RT).get(w.path(f"/questions/{question_id}/sheet"), max_queries=12).text)
    assert "There is no sheet yet" in shown
