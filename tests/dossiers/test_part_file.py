"""A part's file: everything known of a part on one page, and nothing that the viewer may not see yet."""

import pytest

from app.demo import scenes
from app.grid.words import Fit
from tests import fixture, make
from tests.bench import steps as bench
from tests.concerns.make_concerns import concern
from tests.grid import steps as grids
from tests.incidents import steps as incidents
from tests.pages import text_of
from tests.parts import make_parts
from tests.proving import steps


def test_the_file_of_a_part_holds_all_of_it(db, browser):
    p = steps.pin(db)
    steps.hit(db, p, p.thin_pieces[0], 12)
    steps.hit(db, p, p.thin_pieces[1], damage=("bent",), quarantine=True)
    steps.hit(db, p, p.thick_pieces[0], 29)
    page = browser.as_(p.team.RT).get(f"/programmes/{p.team.id}/parts/{p.part_id}/file", max_queries=12)
    shown = text_of(page.text)
    for words in ("2 revisions in the order of issue", "RHP-p25 r1 2 0 0 12 of 13 1 C-02 stops the freeze",
                  "RHP-p30 r1 2 0 0 29 of 29 0 none",
                  "RHP-p25 r1", "as drawn", "#2 of RHP-p25 r1 quarantined", "bought in",
                  "13 impacts, 12 clean, 1 failure", "29 impacts, 29 clean, 0 failures; 95 % bound of a failure per impact 9.8 %",
                  "I-02", "C-02 2.5 mm pin bends", "stops the freeze", "Holds the cure of C-02", "No reading yet.",
                  "Never on a car in a recorded run."):  # fmt: skip
        assert words in shown, words
    one = text_of(browser.get(f"/programmes/{p.team.id}/revisions/{p.thick}/file", max_queries=12).text)
    assert "29 impacts" in one
    assert "13 impacts" not in one


def test_runs_marks_and_rulings_stand_in_the_file(db, browser):
    w = fixture.s03(db)
    part_id = db.scalar(fixture_part(w))
    shown = text_of(browser.as_(w.team.RT).get(w.path(f"/parts/{part_id}/file"), max_queries=12).text)
    for words in ("3 runs, 36 laps", "Steering precision AQ 1 7.00 7.0 to 7.0", "Steering precision DH 1 6.50", "Q-01",
                  "as t40, the control", "Never pooled over drivers."):  # fmt: skip
        assert words in shown, words


def test_what_was_gauged_stands_in_the_file_with_its_verdict(db, browser):
    """Guard-banded by the limits that stand; a piece that fails its newest reading is said first. Our own figures."""
    w = fixture.s03(db)
    part_id, (own, gauge) = bench.part_id(db, w), bench.thickness(db, w)
    one, two, three = w.q.pieces["t45"]
    bench.read(db, w, own, gauge, one, [4.50] * 5)
    bench.read(db, w, own, gauge, two, [4.54, 4.55, 4.54, 4.55, 4.54])
    bench.read(db, w, own, gauge, three, [4.32] * 5)
    bench.read(db, w, own, gauge, w.q.pieces["t40"][0], [4.01] * 3)
    shown = text_of(browser.as_(w.team.RT).get(w.path(f"/parts/{part_id}/file"), max_queries=12).text)
    for words in ("Out of tolerance. FST-t45 r1 #3, thickness: 4.320 + 0.012 = 4.332 mm, limits 4.45 to 4.55: fail.",
                  "3 sets of FST-t45 r1, the newest first", "FST-t45 r1 #1, thickness pass 5 4.500 ± 0.012 mm",
                  "FST-t45 r1 #2, thickness inconclusive 5 4.544 ± 0.013 mm",
                  "FST-t40 r1 #1, thickness information 3 4.010 ± 0.012 mm", "no limit is set, so nothing can fail"):  # fmt: skip
        assert words in shown, words
    of_one = text_of(browser.get(w.path(f"/revisions/{w.q.revisions['t40']}/file"), max_queries=12).text)
    assert "1 set of FST-t40 r1" in of_one
    assert "FST-t45 r1 #1, thickness" not in of_one


def test_a_piece_that_passes_again_is_not_said_to_be_out(db, browser):
    w = fixture.s03(db)
    own, gauge = bench.thickness(db, w)
    bench.read(db, w, own, gauge, w.q.pieces["t45"][0], [4.32] * 5, hour=18)
    bench.read(db, w, own, gauge, w.q.pieces["t45"][0], [4.50] * 5, hour=19)
    shown = text_of(browser.as_(w.team.RT).get(w.path(f"/revisions/{w.q.revisions['t45']}/file"), max_queries=12).text)
    assert "Out of tolerance" not in shown
    assert "FST-t45 r1 #1, thickness fail" in shown


def test_cells_of_fit_grids_stand_with_the_revision_they_were_tried_on(db, browser):
    w = fixture.s03(db)
    grid_id = grids.new_grid(db, w.team.RT, options="Tower: t40 = FST-t40, t45 = FST-t45\nMount: high, low", items="Motor can: S1, S2")
    made = grids.World.__new__(grids.World)
    made.team, made.grid_id = w.team, grid_id
    grids.file(db, made, [(0, 0, 0)])
    grids.file(db, made, [(0, 1, 0)], Fit.SHIM, shim="0.5 mm under the stud")
    part_id = db.scalar(fixture_part(w))
    shown = text_of(browser.as_(w.team.RT).get(w.path(f"/parts/{part_id}/file"), max_queries=12).text)
    for words in ("2 cells tried: 1 fits, 1 fits with shim", "FG-01 t40, low, S1 fits with shim: 0.5 mm under the stud by hand SK",
                  "No cell of a fit grid was tried with it."):  # fmt: skip
        assert words in shown, words


def fixture_part(w):
    from sqlalchemy import select

    from app.parts.models import Revision

    return select(Revision.part_id).where(Revision.id == w.q.revisions["t45"])


def test_a_rater_of_an_open_session_sees_none_of_its_marks_and_incidents(db, browser):
    w = fixture.s03(db, closed=False)
    incidents.report(db, w, run_id=w.runs[3], pieces={incidents.piece(w, "t50"): ("cracked",)}, by="SK", minutes=50)
    part_id = db.scalar(fixture_part(w))
    seen = text_of(browser.as_(w.team.DH).get(w.path(f"/parts/{part_id}/file"), max_queries=12).text)
    assert "Sessions that you still owe slips in are left out" in seen
    assert "No slip that you may see." in seen
    for words in ("cracked", "Steering precision AQ", "I-01", "36 laps"):
        assert words not in seen, words
    told = text_of(browser.as_(w.team.RT).get(w.path(f"/parts/{part_id}/file")).text)
    assert "I-01" in told
    assert "Steering precision AQ" in told


def test_an_empty_file_says_what_to_do_first(db, browser):
    team = make.programme(db)
    part_id = make_parts.tower(db, team.RT)
    page = browser.as_(team.RT).get(f"/programmes/{team.id}/parts/{part_id}/file", max_queries=12)
    assert "No revision yet. The first one starts the file" in text_of(page.text)


@pytest.mark.parametrize("path", ["parts/999/file", "revisions/999/file", "parts/0/file", "parts/x/file"])
def test_a_file_that_is_not_here_is_a_page(db, browser, path):
    team = make.programme(db)
    browser.as_(team.AQ).get(f"/programmes/{team.id}/{path}", status=404)


def test_the_parts_page_says_what_stops_its_freeze(db, browser):
    p = steps.pin(db)
    for path in (f"parts/{p.part_id}", f"revisions/{p.thin}"):
        shown = text_of(browser.as_(p.team.RT).get(f"/programmes/{p.team.id}/{path}", max_queries=12).text)
        assert "Stops the freeze" in shown
        assert "severity 7 of 10" in shown
    assert "Stops the freeze" not in text_of(browser.get(f"/programmes/{p.team.id}/revisions/{p.thick}").text)


def test_a_blocker_of_an_open_session_does_not_tell_its_part_there(db, browser):
    w = fixture.world(db)
    w.session_id = fixture.session(db, w)
    w.drive(db, w.session_id, "AQ", 1, "t45", "7.0")
    concern(db, w.team.AQ, "cracks at the bolt hole", severity=8, run_id=w.runs[0], piece_id=incidents.piece(w, "t45"))
    revision_id = w.q.revisions["t45"]
    assert "Stops the freeze" not in text_of(browser.as_(w.team.DH).get(w.path(f"/revisions/{revision_id}")).text)
    scenes.close_session(db, w.season, w.session_id, fixture.DAY)
    assert "Stops the freeze" in text_of(browser.as_(w.team.DH).get(w.path(f"/revisions/{revision_id}")).text)
