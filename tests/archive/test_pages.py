"""The page that takes everything along."""

import io
import zipfile
from datetime import date

from app.db import transaction
from app.history.queries import list_trail
from app.people.models import Hat
from app.sessions.commands import add_car, add_run, open_session, plan_session
from tests import make
from tests.pages import text_of


def path(team: make.Team) -> str:
    return f"/programmes/{team.id}/archive"


def test_a_manager_downloads_everything_and_the_trail_says_so(db, browser):
    team = make.programme(db)
    browser.as_(team.OW)
    words = text_of(browser.get(path(team)).text)
    assert "accounts: password hash" in words
    assert "python -m app import-archive FILE.zip" in words
    sent = browser.post(path(team))
    assert sent.headers["content-type"] == "application/zip"
    assert sent.headers["cache-control"] == "no-store"
    assert sent.headers["content-disposition"].startswith('attachment; filename="proveout-20')
    with zipfile.ZipFile(io.BytesIO(sent.content)) as archive:
        assert archive.testzip() is None
        assert b"Tarnwick" in archive.read("programmes.csv")
    assert "exported everything" in {line.what for line in list_trail(db, team.id)}


def test_only_a_manager_may(db, browser):
    team = make.programme(db)
    for who in (team.RT, team.AQ, team.SK):
        browser.as_(who).get(path(team), status=403)
        browser.as_(who).post(path(team), status=403)


def test_a_manager_of_one_programme_takes_no_other_along(db, browser):
    team, other = make.programme(db), make.programme(db, name="Fellside")
    browser.as_(team.OW)
    words = text_of(browser.get(path(team)).text)
    assert "You are not a manager of 1 of them" in words
    assert "Download" not in words
    assert "Fellside" not in browser.post(path(team), status=409).text
    browser.as_(other.OW).post(path(other), status=409)


def test_a_manager_who_is_due_to_rate_waits_until_the_session_is_closed(db, browser):
    team = make.programme(db)
    with transaction(db):
        both = make.member(db, team.OW, "MD", "Both Hats", frozenset({Hat.MANAGER, Hat.DRIVER}))
        session = plan_session(
            db, by=team.RT, place="Quarry", time_zone="UTC", on_date=date(2026, 2, 3), surface="carpet", grip="low"
        )
        car = add_car(db, by=team.RT, name="car 1")
        open_session(db, session.id, by=team.SK)
        add_run(db, session.id, by=team.RT, driver_id=both.account_id, car_id=car.id)
    browser.as_(both)
    assert "due to rate in an open session" in text_of(browser.get(path(team)).text)
    browser.post(path(team), status=409)
    browser.as_(team.OW).post(path(team))
