"""Homes of each hat, and the trail. All data is invented."""

from datetime import date

import pytest

from app.concerns import commands as concerns
from app.concerns.commands import About
from app.concerns.models import Danger
from app.db import transaction
from app.decisions import commands as decisions
from app.parts.rules import Facts
from app.questions import commands as questions
from app.questions.rules import DeclaredRule, GoalRule
from app.sessions import commands as sessions
from tests import fixture, make
from tests.decisions import steps
from tests.fixture import scenes
from tests.pages import text_of


def home(browser, w, viewer):
    browser.as_(viewer).get(w.path(""))  # brings the looks up to date
    return browser.get(w.path(""), max_queries=12).text


@pytest.fixture
def w(db):
    return fixture.s03(db)


def blocker(db, w, words="t45 cracks at the hole."):
    with transaction(db):
        return concerns.raise_concern(db, by=w.team.DH, words=words, danger=Danger.NEGLIGIBLE, product_severity=8,
                                      about=About(question_id=w.question_id)).id  # fmt: skip


def test_a_driver_reads_what_they_owe_and_what_comes_next(db, browser):
    w = fixture.s03(db, closed=False)
    (owed,) = w.drive(db, w.session_id, "DH", 3, "t45", "7", minutes=[60], rated=False)
    seat = {"driver_id": w.team.DH.account_id, "car_id": w.season.cars[2]}
    with transaction(db):
        coming = sessions.add_run(db, w.session_id, by=w.team.SK, **seat).id
    html = home(browser, w, w.team.DH)
    assert f"/runs/{owed}/slip" in html
    assert "Rate S-01/R-16, car 3" in text_of(html)
    assert f"/runs/{coming}" in html
    assert "Open questions" not in text_of(html)
    assert "every run you drove is rated" in text_of(home(browser, w, w.team.AQ))


def test_a_driver_reads_what_became_of_what_they_said(db, browser, w):
    nothing = "No ruling rests on your slips yet"
    assert nothing in text_of(home(browser, w, w.team.DH))
    steps.rule_on(db, w, "t45", w.team.RT)
    assert nothing in text_of(home(browser, w, w.team.DH))  # provisional is no answer yet
    ruling_id = steps.rule_on(db, w, "t45", w.team.OW, sign=True)
    html = home(browser, w, w.team.DH)
    assert f"/rulings/{ruling_id}" in html
    assert "Three of three drivers are better." in html
    assert nothing in text_of(home(browser, w, w.team.PL))  # who drove nothing


def test_the_designer_reads_the_question_nearest_to_settled_first(db, browser, w):
    rule = DeclaredRule(goals=(GoalRule(w.q.goal_id),), worthwhile_hundredths=50)
    variants = {"p25": ("2.5 mm", Facts(2.9)), "p30": ("3.0 mm", Facts(4.0))}
    scenes.ask(db, w.season, "pin", title="Hinge pin?", part=("P-214", "RHP", "Rear hinge pin"), variants=variants,
               goal="Steering precision", rule=rule, decide_by=date(2026, 2, 1))  # fmt: skip
    with transaction(db):
        questions.add_question(db, by=w.team.RT, title="Springs?", asked_ground="handling")
    shown = text_of(home(browser, w, w.team.RT))
    assert "2 open questions; verdicts of the last closed session" in shown
    assert shown.index("Q-02 Hinge pin?") < shown.index("Q-01 Tower thickness")  # one rival to settle against two
    assert "Drafts: Q-03 Springs?" in shown
    assert "not looked at yet" not in shown
    assert "Adopt needs" in shown


def test_the_manager_reads_what_waits_for_a_signature_what_stops_and_who_owns_it(db, browser, w):
    ruling_id = steps.rule_on(db, w, "t45", w.team.RT)
    concern_id = blocker(db, w)
    html = home(browser, w, w.team.OW)
    shown = text_of(html)
    assert "Waiting for your signature" in shown
    assert f"/rulings/{ruling_id}" in html
    assert f"/concerns/{concern_id}" in html
    assert "no owner" in shown
    with transaction(db):
        concerns.triage_concern(db, concern_id, by=w.team.RT, edition=1, danger=Danger.NEGLIGIBLE, product_severity=8,
                                blocker=True, owner_id=w.team.RT.account_id)  # fmt: skip
    assert "owned by RT" in text_of(home(browser, w, w.team.OW))
    assert "Waiting for your signature" not in text_of(home(browser, w, w.team.RT))


def test_a_settled_and_a_reopened_question(db, browser, w):
    adopted = steps.rule_on(db, w, "t45", w.team.OW, sign=True)
    steps.rule_on(db, w, "t50", w.team.OW, sign=True, decision="reject")
    assert "No question is open" in text_of(home(browser, w, w.team.OW))
    with transaction(db):
        decisions.reopen_ruling(db, adopted, by=w.team.OW, why="the moulded tower cracks")
    assert "1 open question" in text_of(home(browser, w, w.team.OW))


def test_the_conductor_reads_the_session_in_hand(db, browser):
    w = fixture.s03(db, closed=False)
    assert "S-01 Quarry is open: 15 of 15 runs driven." in text_of(home(browser, w, w.team.SK))


def test_the_home_of_another_programme_is_not_there(db, browser, w):
    other = make.programme(db, name="Ostrel")
    browser.as_(other.OW).get(w.path(""), status=404)
    assert "Tower thickness" not in browser.get(f"/programmes/{other.id}").text


def test_the_trail_by_thing_and_by_person(db, browser, w):
    trail = w.path("/trail")
    whole = text_of(browser.as_(w.team.OW).get(trail, max_queries=12).text)
    assert "SK Sunniva Keck closed: S-01 Quarry" in whole
    of_run = text_of(browser.get(trail, params={"thing": "run", "thing_id": str(w.runs[0])}, max_queries=12).text)
    assert "S-01/R-01" in of_run
    assert "S-01/R-02" not in of_run
    of_dh = text_of(browser.get(trail, params={"by": str(w.team.DH.account_id)}, max_queries=12).text)
    assert "DH Deniz Harrowby filed: slip for S-01/R-11" in of_dh
    assert "AQ Asta Quillfeather filed" not in of_dh
    for nonsense in ({"by": "x"}, {"thing_id": "²"}, {"before": "-1"}, {"before": "9" * 40}):
        browser.get(trail, params=nonsense, status=404)
    assert "Nothing matches" in text_of(browser.get(trail, params={"thing": "<b>"}).text)


def test_the_trail_is_read_page_by_page_without_gaps(db, browser, w):
    from app.history.queries import list_trail

    browser.as_(w.team.OW)
    path, seen = w.path("/trail"), []
    while path:
        html = browser.get(path, max_queries=12).text
        seen += html.split('<tr><th scope="row">')[1:]
        older = html.split("Older lines")[0].rsplit('<a href="', 1)[1].split('"')[0] if "Older lines" in html else ""
        path = older.replace("&amp;", "&")
    assert len(seen) == len(list_trail(db, w.team.id, limit=10_000)) > 60


def test_the_trail_hides_an_open_block_from_its_raters_until_it_is_closed(db, browser):
    w = fixture.s03(db, closed=False)
    with transaction(db):
        concerns.raise_concern(db, by=w.team.AQ, words="The thick one is nervous.", danger=Danger.NEGLIGIBLE,
                               product_severity=3, about=About(run_id=w.runs[3]))  # fmt: skip
        sessions.void_run(db, w.runs[4], by=w.team.SK, why="t50 cracked on the lap before")
    told = ("The thick one is nervous.", "t50 cracked on the lap before")
    shown = text_of(browser.as_(w.team.DH).get(w.path("/trail"), max_queries=12).text)
    assert [words for words in (*told, "filed: slip for S-01/R-01") if words in shown] == []
    for viewer in (w.team.RT, w.team.SK):
        shown = text_of(browser.as_(viewer).get(w.path("/trail")).text)
        assert [words for words in told if words not in shown] == []
    fixture.close(db, w, w.session_id)
    shown = text_of(browser.as_(w.team.DH).get(w.path("/trail")).text)
    assert [words for words in told if words not in shown] == []
