"""Scenarios 27 and 28 of the job, to the letter, through the pages. The figures are those of the job's own text."""

import re

import pytest
from sqlalchemy import func, select

from app.measurements.models import Batch, Lap
from tests import fixture
from tests.access.rows import stored
from tests.imports.tables import dump
from tests.pages import text_of
from tests.timing.files import T40, T45
from tests.timing.steps import attached


@pytest.fixture
def w(db):
    return fixture.s03(db)


def test_27_a_late_lap_file_with_the_clock_of_the_hall_an_hour_ahead(db, browser, w):
    """27: proposes shift −3600 s (5 of 5 starts within ± 30 s) for transponder 4410 = car 1; nothing attaches before
    confirmation; the same file again is recognised by digest and adds nothing."""
    browser.as_(w.team.SK)
    before = dump(db)
    form, words = attached(browser, w)
    assert "Clock shift −3600 s: 5 of 5 starts within ± 30 s." in words
    assert "4410 = car 1: 5 of 5." in words
    assert "54 laps to 5 runs" in words
    assert "Not matched: 4 laps" in words
    assert dump(db) == before
    path = w.path(f"/sessions/{w.session_id}/lap-file")
    page = browser.post(path, form)
    assert "Laps attached." in page.text
    assert "clock shift −3600 s" in text_of(page.text)
    assert db.scalar(select(func.count(Lap.id))) == 54
    laps = db.execute(select(Lap.run_id, Lap.time_ms).where(Lap.run_id == w.runs[1]).order_by(Lap.number)).all()
    assert [ms for _, ms in laps] == [round(lap * 1000) for lap in T45]
    db.rollback()
    after = dump(db)
    again, words = attached(browser, w)  # columns and car are remembered: one step to the match
    assert "This very file is attached to S-01 already, as table 1. It would add nothing." in words
    refused = browser.post(path, again, status=409)
    assert "This very file is attached to this session already" in text_of(refused.text)
    assert dump(db) == after
    assert db.scalar(select(func.count(Batch.id))) == 1


def test_28_the_lap_guard(db, browser, w):
    """28: 25.92 proposed as incident (1.16 x median 22.27), confirmed; clean means 22.29 (11) and 22.09 (12), difference
    −0.20 s ± 0.12 s; "cannot see less than 0.12 s"; with the incident left in it would read −0.50 s."""
    browser.as_(w.team.SK)
    for run, laps in ((w.runs[0], T40), (w.runs[1], T45)):
        browser.post(w.path(f"/runs/{run}/laps/by-hand"), {"laps": "\n".join(f"{lap:.2f}" for lap in laps)})
    path = w.path(f"/sessions/{w.session_id}/laps")
    page = browser.get(path, max_queries=12)
    words = text_of(page.text)
    assert "R-01 AQ lap 8: 25.92 s , 1.16 × median 22.27" in words
    assert "Q-01 t45, AQ: −0.50 s" in words  # nothing is left out before a person says so
    ticked = re.search(r'name="laps" value="(\d+:0)"', page.text).group(1)
    kept = stored(db.connection())["laps"]
    db.rollback()
    page = browser.post(f"{path}/flags", {"laps": ticked, "every": "", "flag": "incident", "act": "out"})
    words = text_of(page.text)
    assert "Q-01 t45, AQ: −0.20 s ± 0.12 s" in words
    assert "Clean means 22.29 (11) with t40 and 22.09 (12) with t45." in words
    assert "These runs cannot see less than 0.12 s." in words
    assert "With the left-out laps in it would read −0.50 s." in words
    assert "Incident laps?" not in words
    assert stored(db.connection())["laps"] == kept  # the imported laps never change
    db.rollback()
    words = text_of(browser.get(w.path(f"/runs/{w.runs[0]}/laps"), max_queries=12).text)
    assert "n = 11 kept, 1 lap left out." in words
    assert "8 25.920" in words
    assert "left out: incident, SK Sunniva Keck" in words
