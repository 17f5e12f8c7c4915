"""As-run builds: prefilled, confirmed, corrected by a new version; rivals and broken pieces refused. Invented data."""

import re

import pytest

from app.db import transaction
from app.errors import Conflict, NotAllowed, NotFound, Refused
from app.parts import commands as parts
from app.parts.models import PieceState
from app.parts.queries import get_piece
from app.questions import commands as questions
from app.sessions import build_commands, commands, queries
from app.sessions.rules import read_settings
from tests import fixture
from tests.fixture import scenes


@pytest.fixture
def w(db):
    return fixture.world(db)


def new_run(db, w, session_id, *, initials="AQ", car=1):
    with transaction(db):
        return commands.add_run(
            db, session_id, by=w.team.SK, driver_id=w.team[initials].account_id, car_id=w.season.cars[car - 1]
        ).id


def build(db, run_id, *, by, **more):
    with transaction(db):
        return build_commands.record_build(db, run_id, by=by, **more).version


def test_the_form_starts_from_the_last_run_of_the_same_car(db, w, browser):
    session_id = fixture.session(db, w)
    w.drive(db, session_id, "AQ", 1, "t45", "7")
    w.drive(db, session_id, "MS", 2, "t40", "6")
    run_id = new_run(db, w, session_id)
    html = browser.as_(w.team.SK).get(w.path(f"/runs/{run_id}/build"), max_queries=12).text
    ticked = [
        part
        for part in html.split("<input")[1:]
        if 'name="piece_ids"' in part.split(">")[0] and "checked" in part.split(">")[0]
    ]
    assert [f'value="{w.q.pieces["t45"][0]}"' in part for part in ticked] == [True]
    assert "anti-roll bar mm = 1.2" in html


def test_a_correction_is_a_new_version_with_a_reason_and_the_old_one_stays_readable(db, w, browser):
    session_id = fixture.session(db, w)
    (run_id,) = w.drive(db, session_id, "AQ", 1, "t45", "7")
    with pytest.raises(Refused) as refused:
        build(db, run_id, by=w.team.SK, piece_ids=[w.q.pieces["t50"][0]])
    assert refused.value.field == "reason"
    assert build(db, run_id, by=w.team.SK, piece_ids=[w.q.pieces["t50"][0]], reason="seen at the table") == 2
    versions = queries.list_builds(db, run_id)
    assert [(b.version, b.state) for b in versions] == [(1, "confirmed"), (2, "corrected")]
    carried = queries.variants_by_build(db, [b.id for b in versions])
    assert [carried[b.id] for b in versions] == [["Q-01 t45"], ["Q-01 t50"]]
    html = browser.as_(w.team.RT).get(w.path(f"/runs/{run_id}"), max_queries=12).text
    assert "seen at the table" in html
    assert "Q-01 t45" in html


def test_whoever_fitted_it_confirms_once(db, w):
    session_id = fixture.session(db, w)
    run_id = new_run(db, w, session_id)
    with pytest.raises(Conflict, match="no build yet"), transaction(db):
        build_commands.confirm_build(db, run_id, by=w.team.SK)
    build(db, run_id, by=w.team.RT, piece_ids=[w.q.pieces["t45"][0]])
    assert queries.find_newest_build(db, run_id).state == "assumed"
    with pytest.raises(NotAllowed), transaction(db):
        build_commands.confirm_build(db, run_id, by=w.team.MS)
    with transaction(db):
        build_commands.confirm_build(db, run_id, by=w.team.SK)
    db.rollback()
    newest = queries.find_newest_build(db, run_id)
    assert (newest.state, newest.confirmed_by_id) == ("confirmed", w.team.SK.account_id)
    with pytest.raises(Conflict), transaction(db):
        build_commands.confirm_build(db, run_id, by=w.team.SK)


def test_rivals_of_one_question_are_not_on_one_car(db, w):
    run_id = new_run(db, w, fixture.session(db, w))
    with pytest.raises(Conflict, match="rivals") as refused:
        build(db, run_id, by=w.team.SK, piece_ids=[w.q.pieces["t45"][0], w.q.pieces["t50"][0]])
    assert refused.value.field == "piece_ids"
    assert queries.find_newest_build(db, run_id) is None


def break_piece(db, w, piece_id, state=PieceState.BROKEN):
    with transaction(db):
        edition = get_piece(db, w.team.id, piece_id).edition
        parts.edit_piece(db, piece_id, by=w.team.SK, edition=edition, state=state, place="", note="cracked at the hole")


@pytest.mark.parametrize("state", [PieceState.BROKEN, PieceState.SCRAPPED, PieceState.LOST])
def test_a_broken_piece_is_not_on_a_car_to_come(db, w, state):
    run_id = new_run(db, w, fixture.session(db, w))
    piece = w.q.pieces["t45"][0]
    break_piece(db, w, piece, state)
    with pytest.raises(Conflict) as refused:
        build(db, run_id, by=w.team.SK, piece_ids=[piece])
    assert refused.value.field == "piece_ids"


def test_a_piece_that_broke_later_stays_in_the_corrected_build_of_a_driven_run(db, w):
    (run_id,) = w.drive(db, fixture.session(db, w), "AQ", 1, "t45", "7")
    piece = w.q.pieces["t45"][0]
    break_piece(db, w, piece)
    version = build(
        db, run_id, by=w.team.SK, piece_ids=[piece], settings={"anti-roll bar mm": "1.4"}, reason="bar misread"
    )
    assert version == 2


def test_a_piece_of_another_programme_is_not_there(db, w):
    run_id = new_run(db, w, fixture.session(db, w))
    with pytest.raises(NotFound):
        build(db, run_id, by=w.team.SK, piece_ids=[99999])


def test_a_whole_car_is_declared_on_the_build(db, w):
    with transaction(db):
        question = questions.add_question(
            db, by=w.team.RT, title="Last season's car or the new one?", asked_ground="handling"
        )
        old = questions.add_variant(db, question.id, by=w.team.RT, code="old car", is_control=True, whole_car=True)
        question_id, variant_id = question.id, old.id
    session_id = fixture.session(db, w)
    run_id = new_run(db, w, session_id)
    build(db, run_id, by=w.team.SK, piece_ids=[w.q.pieces["t45"][0]], declared={question_id: variant_id})
    carried = queries.find_newest_build(db, run_id).variants
    assert {(v.question_id, v.declared) for v in carried} == {(w.question_id, False), (question_id, True)}
    with pytest.raises(NotFound):
        build(db, new_run(db, w, session_id), by=w.team.SK, declared={question_id: w.q.variants["t45"]})


def test_pieces_win_over_what_is_declared(db, w):
    run_id = new_run(db, w, fixture.session(db, w))
    with pytest.raises(Conflict) as refused:
        build(db, run_id, by=w.team.SK, piece_ids=[w.q.pieces["t45"][0]], declared={w.question_id: w.q.variants["t50"]})
    assert refused.value.field == "declared"


def test_nothing_changes_once_reconciled(db, w):
    session_id = fixture.session(db, w)
    (run_id,) = w.drive(db, session_id, "AQ", 1, "t45", "7")
    fixture.close(db, w, session_id)
    with transaction(db):
        commands.reconcile_session(db, session_id, by=w.team.SK)
    with pytest.raises(Conflict, match="reconciled"):
        build(db, run_id, by=w.team.SK, piece_ids=[w.q.pieces["t50"][0]], reason="seen at the table")


def test_set_up_values_are_read_line_by_line():
    assert read_settings(" anti-roll bar  mm = 1,4 \n\nspring=soft = ish\n") == {
        "anti-roll bar mm": "1,4",
        "spring": "soft = ish",
    }


@pytest.mark.parametrize(
    "typed",
    [
        "no equals",
        "= 1.2",
        "bar =",
        "bar = 1\nbar = 2",
        "b" * 61 + " = 1",
        "bar = " + "1" * 61,
        "\n".join(f"value {n} = 1" for n in range(41)),
    ],
)
def test_a_line_that_cannot_be_read_is_refused_at_the_field(typed):
    with pytest.raises(Refused) as refused:
        read_settings(typed)
    assert refused.value.field == "settings"


def test_a_bad_line_on_the_page_keeps_everything_typed(db, w, browser):
    run_id = new_run(db, w, fixture.session(db, w))
    typed = {"settings": "bar 1.4", "piece_ids": str(w.q.pieces["t45"][0])}
    html = browser.as_(w.team.SK).post(w.path(f"/runs/{run_id}/build"), typed, status=422).text
    assert "“bar 1.4” is not a set-up value" in html
    assert re.search(r"<textarea[^>]*>\s*bar 1.4\s*</textarea>", html)
    assert queries.find_newest_build(db, run_id) is None


def test_33_an_alias_changes_no_link_and_both_names_are_found(db, browser):
    from app.parts.queries import get_revision

    w = fixture.s03(db)
    revision_id = next(row.id for row in _revisions(db, w) if row.line == "t50")
    label = get_revision(db, w.team.id, revision_id).label
    for alias in ("thick one", "five-mil"):
        revision = get_revision(db, w.team.id, revision_id)
        facts = scenes.Facts(revision.mass_g, revision.unit_cost, revision.lead_time_days)
        with transaction(db):
            parts.edit_revision(db, revision_id, by=w.team.RT, edition=revision.edition, alias=alias, facts=facts)
    from app.decisions.queries import open_sheet

    reading = next(r for r in open_sheet(db, w.team.RT, w.question_id).sheet.panel.readings if r.variant == "t50")
    assert len(reading.drivers) == 3
    assert get_revision(db, w.team.id, revision_id).label == label
    browser.as_(w.team.RT)
    assert label in browser.get(w.path(f"/runs/{w.runs[3]}")).text
    page = browser.get(w.path(f"/revisions/{revision_id}")).text
    assert "five-mil" in page
    assert label in page
    for wanted in ("five-mil", label):
        assert f"/revisions/{revision_id}" in browser.get(w.path("/parts"), params={"q": wanted}).text


def _revisions(db, w):
    from app.parts.queries import list_revisions

    return list_revisions(db, w.team.id)
