"""Pages of sessions and runs: venue times, both texts at a conflict, a form sent twice, budgets. Invented data."""

import re
from datetime import date

import pytest

from app.concerns.queries import list_concerns
from app.db import transaction
from app.sessions import commands, queries
from tests import fixture, make
from tests.pages import text_of
from tests.questions.steps import form_token

PLAN = {"place": "Quarry", "on_date": "2026-03-29", "time_zone": "Europe/Berlin", "surface": "carpet", "grip": "low"}


@pytest.fixture
def w(db):
    return fixture.world(db)


def planned(db, w, *, on=date(2026, 3, 29), zone="Europe/Berlin"):
    with transaction(db):
        return commands.plan_session(
            db, by=w.team.SK, place="Quarry", time_zone=zone, on_date=on, surface="carpet", grip="low"
        ).id


def seat(w, **more):
    return {"driver_id": str(w.team.AQ.account_id), "car_id": str(w.season.cars[0]), **more}


@pytest.mark.parametrize("on, typed, said", [
    (date(2026, 3, 29), "2026-03-29T02:30", "02:30 did not exist there on 29 March 2026"),
    (date(2026, 10, 25), "2026-10-25T02:30", "02:30 existed twice there on 25 October 2026"),
])  # fmt: skip
def test_a_venue_time_that_was_not_shown_once_is_an_error_that_names_the_day(db, w, browser, on, typed, said):
    session_id = planned(db, w, on=on)
    html = (
        browser.as_(w.team.SK).post(w.path(f"/sessions/{session_id}/runs"), seat(w, planned_at=typed), status=422).text
    )
    assert said in text_of(html)
    assert f'value="{typed}"' in html
    assert queries.list_runs(db, w.team.id, session_id) == []


def test_venue_time_is_stored_in_utc_and_shown_as_typed(db, w, browser):
    session_id = planned(db, w)
    html = (
        browser.as_(w.team.SK).post(w.path(f"/sessions/{session_id}/runs"), seat(w, planned_at="2026-03-29T10:24")).text
    )
    (run,) = queries.list_runs(db, w.team.id, session_id)
    assert run.planned_at.isoformat() == "2026-03-29T08:24:00+00:00"
    assert "10:24" in text_of(html)


@pytest.mark.parametrize("path, field", [("start", "at"), ("end", "at")])
def test_start_and_end_read_venue_time_too(db, w, browser, path, field):
    session_id = planned(db, w)
    with transaction(db):
        commands.open_session(db, session_id, by=w.team.SK)
        run_id = commands.add_run(
            db, session_id, by=w.team.SK, driver_id=w.team.AQ.account_id, car_id=w.season.cars[0]
        ).id
        if path == "end":
            commands.start_run(db, run_id, by=w.team.SK)
    answer = browser.as_(w.team.SK).post(
        w.path(f"/runs/{run_id}/{path}"), {field: "2026-03-29T02:10", "laps": "12"}, status=422
    )
    assert "did not exist there on 29 March 2026" in text_of(answer.text)
    db.rollback()
    assert queries.get_run(db, w.team.id, run_id).state == ("driving" if path == "end" else "planned")


def test_two_people_editing_one_session_get_both_texts(db, w, browser):
    session_id = planned(db, w)
    path = w.path(f"/sessions/{session_id}")
    edition = re.search(r'name="edition" value="(\d+)"', browser.as_(w.team.SK).get(path, max_queries=12).text).group(1)
    browser.as_(w.team.RT).post(path, {**PLAN, "notes": "Line was swept.", "edition": edition})
    refused = browser.as_(w.team.SK).post(path, {**PLAN, "notes": "Line was wet.", "edition": edition}, status=409).text
    shown = text_of(refused)
    assert "Somebody else changed S-01 while you were typing" in shown
    assert "Line was swept." in shown
    assert "Line was wet." in shown
    db.rollback()
    assert queries.get_session(db, w.team.id, session_id).notes == "Line was swept."


@pytest.mark.parametrize("edition", ["", "x", "²", "9" * 60])
def test_a_nonsense_edition_overwrites_nothing(db, w, browser, edition):
    session_id = planned(db, w)
    path = w.path(f"/sessions/{session_id}")
    answer = browser.as_(w.team.SK).client.post(path, data={**PLAN, "place": "Elsewhere", "edition": edition})
    assert answer.status_code in (409, 422)
    db.rollback()
    assert queries.get_session(db, w.team.id, session_id).place == "Quarry"


def twice(browser, page, path, typed):
    """Open the page, send its form twice; both answers."""
    typed = {**typed, "form_token": form_token(browser.get(page, max_queries=12).text, path)}
    return [browser.post(path, typed) for _ in range(2)]


def test_the_same_new_session_sent_twice_is_one_session(db, w, browser):
    browser.as_(w.team.SK)
    first, again = twice(browser, w.path("/sessions/new"), w.path("/sessions"), PLAN)
    assert first.url == again.url
    assert len(queries.list_sessions(db, w.team.id)) == 1


def test_the_same_new_run_sent_twice_is_one_run_and_a_new_form_is_a_second(db, w, browser):
    session_id = planned(db, w)
    page = w.path(f"/sessions/{session_id}")
    browser.as_(w.team.SK)
    first, again = twice(browser, page, page + "/runs", seat(w))
    assert first.url == again.url
    assert len(queries.list_runs(db, w.team.id, session_id)) == 1
    twice(browser, page, page + "/runs", seat(w))
    db.rollback()
    assert [run.number for run in queries.list_runs(db, w.team.id, session_id)] == [1, 2]


def test_the_same_concern_sent_twice_is_one_concern(db, w, browser):
    browser.as_(w.team.AQ)
    typed = {"words": "Arm no longer falls freely.", "danger": "negligible", "product_severity": "4"}
    first, again = twice(browser, w.path("/concerns/new"), w.path("/concerns"), typed)
    assert first.url == again.url
    assert len(list_concerns(db, w.team.id)) == 1


def test_a_form_sent_twice_while_refused_is_refused_twice_and_then_taken(db, w, browser):
    session_id = planned(db, w)
    page = w.path(f"/sessions/{session_id}")
    token = form_token(browser.as_(w.team.SK).get(page).text, page + "/runs")
    wrong = seat(w, planned_at="2026-03-29T02:30", form_token=token)
    for _ in range(2):
        browser.post(page + "/runs", wrong, status=422)
    browser.post(page + "/runs", {**wrong, "planned_at": "2026-03-29T03:30"})
    assert len(queries.list_runs(db, w.team.id, session_id)) == 1


def test_pages_of_the_hall_stay_within_their_budget(db, browser):
    w = fixture.s03(db, closed=False)
    with transaction(db):
        waiting = commands.add_run(
            db, w.session_id, by=w.team.SK, driver_id=w.team.DH.account_id, car_id=w.season.cars[2]
        ).id
    for viewer in (w.team.SK, w.team.DH, w.team.OW):
        browser.as_(viewer)
        for rest in ("/sessions", f"/sessions/{w.session_id}", f"/runs/{w.runs[0]}", f"/runs/{waiting}"):
            browser.get(w.path(rest), max_queries=12)
    browser.as_(w.team.SK)
    for rest in (
        "/sessions/new",
        f"/runs/{waiting}/build",
        f"/runs/{w.runs[0]}/build",
        f"/runs/{waiting}/end",
        f"/runs/{waiting}/void",
        f"/runs/{w.runs[0]}/times",
        f"/sessions/{w.session_id}/swap",
    ):
        browser.get(w.path(rest), max_queries=12)


def test_a_session_of_another_programme_is_a_page_that_is_not_there(db, w, browser):
    session_id = planned(db, w)
    other = make.programme(db, name="Ostrel")
    browser.as_(other.SK)
    browser.get(f"/programmes/{other.id}/sessions/{session_id}", status=404)
    browser.post(f"/programmes/{other.id}/sessions/{session_id}/open", status=404)
    browser.post(f"/programmes/{other.id}/sessions/{session_id}", {**PLAN, "edition": "1"}, status=404)
    db.rollback()
    assert queries.get_session(db, w.team.id, session_id).state == "planned"


def test_the_day_as_a_whole_without_javascript(db, w, browser):
    """Plan, open, run, build, start, end, close: every step by its form."""
    browser.as_(w.team.SK).post(w.path("/sessions"), {**PLAN, "on_date": "2026-02-03"})
    session = queries.list_sessions(db, w.team.id)[0]
    path = w.path(f"/sessions/{session.id}")
    browser.post(path + "/open")
    browser.post(path + "/runs", seat(w))
    db.rollback()
    run = queries.list_runs(db, w.team.id, session.id)[0]
    browser.post(
        w.path(f"/runs/{run.id}/build"),
        {"piece_ids": str(w.q.pieces["t45"][0]), "settings": "bar = 1.2", "confirmed": "1"},
    )
    browser.as_(w.team.AQ).post(w.path(f"/runs/{run.id}/start"), {"at": ""})
    ended = browser.post(w.path(f"/runs/{run.id}/end"), {"laps": "12"})
    assert str(ended.url).partition("?")[0].endswith(f"/runs/{run.id}/slip")
    browser.as_(w.team.SK).post(path + "/close", {"cut_short": "1"}, status=422)
    closed = text_of(browser.post(path + "/close", {"cut_short": "1", "why": "the power failed"}).text)
    assert "cut short" in closed
    db.rollback()
    found = queries.list_runs(db, w.team.id, session.id)[0]
    assert (found.state, found.laps, found.variants) == ("driven", 12, "Q-01 t45")
