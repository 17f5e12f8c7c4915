"""Pieces named after the report: the build came late, or the run was driven under a sealed key (scenario 29's reason)."""

import pytest
from sqlalchemy import select

from app import clock
from app.concerns.models import Concern
from app.db import transaction
from app.errors import Conflict, Refused
from app.incidents import commands, queries
from app.incidents.rules import Report
from app.incidents.words import Effect, Happened
from app.parts.queries import get_piece
from tests import fixture
from tests.blind import steps as blind
from tests.incidents import steps
from tests.pages import text_of


def name(db, w, incident_id, pieces, by="AQ", **more):
    with transaction(db):
        commands.name_pieces(db, incident_id, pieces, by=w.team[by], **more)


def sealed_hit(db):
    """R-02, a t45 under its code, hits the board; the driver says in words what broke."""
    made = blind.seal(db, blind.plan(db), blind.fixture_order())
    blind.drive(db, made, 1, made.at(10, 12))
    with transaction(db), clock.at(made.at(10, 20)):
        report = Report(Happened.NOSE, Effect.STOPPED, run_id=made.runs[1], words="The tower is through at the lower bolt.")
        found = commands.report_incident(db, report, by=made.w.team.AQ).id
    return made, found


def test_under_a_sealed_key_no_piece_is_offered_and_none_is_taken(db, browser):
    made, incident = sealed_hit(db)
    w = made.w
    code = next(run.code for run in made.facts(db).runs if run.run_id == made.runs[1])
    browser.as_(w.team.AQ)
    form = browser.get(w.path(f"/incidents/new?run_id={made.runs[1]}"), max_queries=12).text
    assert f"What is on the car is under code {code}" in text_of(form)
    assert 'name="piece_' not in form.replace('name="piece_id"', "")
    for piece in (w.q.pieces["t40"][0], w.q.pieces["t45"][0]):
        with pytest.raises(Conflict, match="corrected meanwhile"):
            name(db, w, incident, {piece: ("cracked",)})
    told = text_of(browser.get(w.path(f"/incidents/{incident}"), max_queries=12).text)
    assert f"was driven as code {code}, and its key is sealed: the pieces are named here once it is open" in told


def test_when_the_key_is_open_the_piece_is_named_counted_and_taken_out_of_use(db, browser):
    made, incident = sealed_hit(db)
    w = made.w
    blind.open_key(db, made, made.at(10, 44), why="cracked, must know the piece")
    piece = w.q.pieces[made.order[1]][0]
    browser.as_(w.team.AQ)
    form = browser.get(w.path(f"/incidents/{incident}"), max_queries=12).text
    assert f'name="piece_{piece}"' in form
    told = text_of(browser.post(w.path(f"/incidents/{incident}/pieces"),
                                {f"piece_{piece}": ["hit", "cracked"], "quarantine": "yes", "form_token": "n-1"}).text)  # fmt: skip
    assert "taken out of use with this report" in told
    with transaction(db):
        assert get_piece(db, w.team.id, piece).state == "quarantined"
        words = db.scalars(select(Concern.words)).all()
        assert len(words) == 1
        assert words[0].startswith("I-01 FST-")
        assert "cracked after board hit, nose" in words[0]
    fixture.close(db, w, w.session_id)
    assert steps_rows(db, w, made.order[1]) == (1, 1)


def steps_rows(db, w, code):
    """(impacts, failures) of a variant as the evidence has them."""
    from tests.incidents.test_scenario_22 import loaded

    rows = [row for row in loaded(db, w).look.exposures if row.variant == code]
    db.rollback()
    return sum(row.impacts for row in rows), sum(row.failures for row in rows)


def test_a_build_that_came_late_lets_the_pieces_be_named_once(db):
    from app.sessions import build_commands
    from app.sessions import commands as sessions

    w = steps.day(db)
    with transaction(db), clock.at(steps.HOUR):
        run = sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=w.team.MS.account_id, car_id=w.season.cars[1]).id
        sessions.start_run(db, run, by=w.team.MS)
    incident = steps.report(db, w, by="MS", run_id=run)
    piece = steps.piece(w, "t50", 2)
    with pytest.raises(Conflict):
        name(db, w, incident, {piece: ()}, by="MS")
    with transaction(db), clock.at(steps.HOUR):
        build_commands.record_build(db, run, by=w.team.SK, piece_ids=[piece], confirmed=True, settings={})
    name(db, w, incident, {piece: ()}, by="MS")
    with pytest.raises(Conflict, match="named already"):
        name(db, w, incident, {piece: ("cracked",)}, by="MS")
    with transaction(db):
        assert [p.damage for p in queries.list_pieces_of(db, [incident])[incident]] == [()]
        assert db.scalars(select(Concern)).all() == []  # a sound piece raises no concern


def test_naming_nothing_is_told(db, browser):
    w = steps.day(db)
    incident = steps.report(db, w, run_id=w.runs[-1])
    with pytest.raises(Refused, match="No piece is named"):
        name(db, w, incident, {})
    answer = browser.as_(w.team.AQ).post(w.path(f"/incidents/{incident}/pieces"), {"form_token": "n-2", "piece_999": "hit"}, status=422)
    assert "corrected meanwhile" in text_of(answer.text)
