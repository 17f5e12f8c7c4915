"""Acceptance scenarios 1 to 10 through the database, commands and pages. Their marks are invented fixture data;
the expected figures are arithmetic on them, written in the scenarios."""

import pytest

from app.db import transaction
from app.decisions import queries
from tests import fixture
from tests.pages import text_of


def reading(db, w, variant, viewer=None):
    opened = queries.open_sheet(db, viewer or w.team.RT, w.question_id)
    return next(r for r in opened.sheet.panel.readings if r.variant == variant)


def test_1_a_clear_lead(db):
    w = fixture.s03(db)
    t45 = reading(db, w, "t45")
    assert {d.driver: round(d.effect, 2) for d in t45.drivers} == {"AQ": 1.0, "MS": 0.5, "DH": 0.75}
    assert (round(t45.median, 2), round(t45.low, 2), round(t45.high, 2)) == (0.75, 0.5, 1.0)
    assert (t45.votes_for, t45.votes_none, t45.votes_against) == (3, 0, 0)
    assert t45.reading == "favours_adopt"


def test_2_drivers_conflict_and_the_pooled_means_appear_nowhere(db, browser):
    w = fixture.s03(db)
    t50 = reading(db, w, "t50")
    assert {d.driver: round(d.effect, 2) for d in t50.drivers} == {"AQ": 1.25, "MS": 0.25, "DH": -1.5}
    assert round(t50.median, 2) == 0.25
    assert (t50.votes_for, t50.votes_none, t50.votes_against) == (1, 1, 1)
    assert t50.reading == "drivers_conflict"
    html = browser.as_(w.team.RT).get(f"/programmes/{w.team.id}/questions/{w.question_id}/sheet", max_queries=12).text
    shown = text_of(html)
    assert "t45, 4.5 mm: favours adopt" in shown
    assert "t50, 5.0 mm: drivers conflict" in shown
    assert "6.33" not in shown
    assert "6.28" not in shown
    assert "15 marks by 3 judges" in shown
    assert "retest, adopt as a setting, or reject" in shown


def test_8_fixture_noise_is_the_check_value(db):
    w = fixture.s03(db)
    panel = queries.open_sheet(db, w.team.RT, w.question_id).sheet.panel
    pooled = next(r for r in panel.repeatability if r.driver is None)
    assert round(pooled.s, 2) == 0.29
    assert round(panel.bracket_noise, 2) == 0.35


@pytest.mark.parametrize("initials", ["RT", "OW", "AQ"])
def test_the_sheet_opens_for_everybody_once_closed(db, browser, initials):
    w = fixture.s03(db)
    browser.as_(w.team[initials]).get(f"/programmes/{w.team.id}/questions/{w.question_id}/sheet", max_queries=12)


def test_while_the_session_is_open_a_rater_sees_nothing_of_it(db, browser):
    w = fixture.s03(db, closed=False)
    shown = text_of(browser.as_(w.team.AQ).get(f"/programmes/{w.team.id}/questions/{w.question_id}/sheet").text)
    assert "favours adopt" not in shown
    shown = text_of(browser.as_(w.team.RT).get(f"/programmes/{w.team.id}/questions/{w.question_id}/sheet").text)
    assert "running" in shown
    assert "favours adopt" in shown


def test_one_session_alone_never_adopts(db):
    w = fixture.s03(db)
    verdicts = {v.variant: v for v in queries.open_sheet(db, w.team.RT, w.question_id).sheet.verdicts}
    assert verdicts["t45"].verdict == "retest"
    assert verdicts["t45"].clause == "sessions"
    with transaction(db):
        pass


def test_a_blocked_sheet_opens_to_the_concern_that_stops_it(db, browser):
    from app.concerns import commands as concerns
    from app.concerns.models import Danger

    w = fixture.s03(db)
    with transaction(db):
        about = concerns.About(question_id=w.question_id)
        raised = concerns.raise_concern(db, by=w.team.DH, words="tower cracked at the lower hole", danger=Danger.NEGLIGIBLE,
                                        product_severity=8, about=about)  # fmt: skip
        concern_id = raised.id
    html = browser.as_(w.team.RT).get(w.path(f"/questions/{w.question_id}/sheet"), max_queries=12).text
    assert f'href="{w.path(f"/concerns/{concern_id}")}">C-01</a>' in html
