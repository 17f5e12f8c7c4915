"""What was measured as rows of a question's evidence: which rows enter, of which look, and what touches it."""

import re

import pytest

from app.db import transaction
from app.decisions import loading, queries
from app.evidence import rows
from app.feedback import commands as feedback
from app.feedback.models import NotCounted
from app.history.models import Happening
from app.measurements import commands
from app.measurements.models import Kind
from app.parts import commands as parts
from app.parts.rules import Facts
from app.questions import commands as questions
from app.questions.rules import DeclaredRule, GoalRule
from app.sessions import build_commands
from app.sessions import commands as sessions
from tests import fixture
from tests.decisions import steps as decisions
from tests.measurements.steps import EXPOSURES, LAPS, PREFERENCES, READINGS, add, add_all, loaded, look

COLD = "carpet, low grip"


@pytest.fixture
def w(db):
    return fixture.s03(db)


def test_every_kind_of_row_reaches_the_evidence(db, w):
    assert look(db, w).laps == ()
    before = look(db, w).fingerprint()
    add_all(db, w)
    found = look(db, w)
    assert found.laps == (
        rows.Lap("AQ", "S-01", "R-01", "t40", 1, 22.41, 0.0, "", COLD),
        rows.Lap("AQ", "S-01", "R-01", "t40", 2, 22.18, 22.41, "", COLD),
        rows.Lap("AQ", "S-01", "R-01", "t40", 3, 25.92, 44.59, "clipped a board", COLD),
        rows.Lap("AQ", "S-01", "R-02", "t45", 1, 22.1, 720.0, "", COLD),
        rows.Lap("AQ", "S-01", "R-02", "t45", 2, 22.02, 742.1, "", COLD),
    )
    assert found.preferences == (
        rows.Preference("AQ", "S-01", "t40", "t45", "t45", COLD),
        rows.Preference("MS", "S-01", "t40", "t50", None, COLD),
    )
    assert found.exposures == (
        rows.Exposure("t40", 1200, 480.5, 2, 40, "S-01"), rows.Exposure("t45", 900, 0.0, 0, 0, None))  # fmt: skip
    assert found.readings == (
        rows.Reading("t40", "mass", 12.4, "g", 12.0, 13.0, None, ""),
        rows.Reading("t45", "radial play", 0.074, "mm", None, 0.1, 0.023, "FST-t45 r1 #1"),
    )
    assert found.fingerprint() != before


def test_laps_without_a_clock_stand_at_their_runs_start(db, w):
    """R-02 was started 12 minutes after the session's first run; its second lap began 22.1 s later."""
    add(db, w, Kind.LAPS, "session,run,lap,lap_time_s\nS-01,R-02,1,22.1\nS-01,R-02,2,22\nS-01,R-01,1,23\n")
    add(db, w, Kind.LAPS, "session,run,lap,lap_time_s,clock_s\nS-01,R-03,1,22,\nS-01,R-03,2,22,1500\n")
    assert [(lap.run, lap.clock_s) for lap in look(db, w).laps] == [
        ("R-01", 0.0), ("R-02", 720.0), ("R-02", 742.1), ("R-03", None), ("R-03", 1500.0)]  # fmt: skip


def test_a_withdrawn_table_leaves_the_evidence_as_it_was(db, w):
    before = look(db, w).fingerprint()
    for batch in add_all(db, w):
        with transaction(db):
            commands.withdraw_table(db, batch, by=w.team.SK, why="the wrong hall day")
    assert look(db, w).fingerprint() == before


def spoiled(db, w):
    return {lap.run: lap.spoiled for lap in look(db, w).laps}


def test_a_run_that_does_not_count_keeps_its_laps_out_and_says_why(db, w):
    add(db, w, Kind.LAPS, LAPS)
    assert spoiled(db, w) == {"R-01": (), "R-02": ()}
    with transaction(db):
        feedback.judge_counting(db, w.runs[0], by=w.team.SK, counts=False, reason=NotCounted.DAMAGED, text="arm was bent")
    assert spoiled(db, w) == {"R-01": ("damaged before or during",), "R-02": ()}
    with transaction(db):
        feedback.judge_counting(db, w.runs[0], by=w.team.SK, counts=True, reason=NotCounted.DAMAGED, text="only the body was")
        feedback.judge_counting(db, w.runs[1], by=w.team.SK, counts=False, reason=NotCounted.DRIFT, text="drift over limit")
    assert spoiled(db, w) == {"R-01": (), "R-02": ()}  # drift spoils a bracket, not a lap
    with transaction(db):
        sessions.void_run(db, w.runs[1], by=w.team.SK, why="wrong pack")
    assert spoiled(db, w)["R-02"] == ("test entry",)


def test_a_second_change_on_the_car_keeps_laps_out_too(db, w):
    add(db, w, Kind.LAPS, LAPS)
    with transaction(db):
        build_commands.record_build(db, w.runs[1], by=w.team.SK, piece_ids=[w.q.pieces["t45"][0]],
                                    settings={"anti-roll bar mm": "1.4", "ride height mm": "20.5"}, reason="the bar was new")  # fmt: skip
    assert spoiled(db, w) == {"R-01": (), "R-02": ("second change on car",)}


def test_laps_follow_a_corrected_build(db, w):
    add(db, w, Kind.LAPS, LAPS)
    with transaction(db):
        build_commands.record_build(db, w.runs[1], by=w.team.SK, piece_ids=[w.q.pieces["t50"][0]], reason="seen at the table")
    assert {lap.run: lap.variant for lap in look(db, w).laps} == {"R-01": "t40", "R-02": "t50"}


def test_a_preference_ends_with_the_run_it_stood_on(db, w):
    add(db, w, Kind.PREFERENCES, PREFERENCES)
    with transaction(db):
        sessions.void_run(db, w.runs[1], by=w.team.SK, why="wrong pack")  # AQ's only run of t45
    assert [choice.driver for choice in look(db, w).preferences] == ["MS"]


@pytest.fixture
def opened(db):
    """The same day while its session is open, with everything measured."""
    w = fixture.s03(db, closed=False)
    add_all(db, w)
    return w


def test_rows_of_an_open_session_run_beside_the_look(db, opened):
    found = loaded(db, opened)
    assert found.look.laps == found.look.preferences == ()
    assert found.look.exposures == (rows.Exposure("t45", 900, 0.0, 0, 0, None),)  # of no session: it counts at once
    assert len(found.running.laps) == 5
    assert len(found.running.preferences) == len(found.running.exposures) == 2
    assert len(found.look.readings) == 2
    fixture.close(db, opened, opened.session_id)
    found = loaded(db, opened)
    assert found.running is None
    assert len(found.look.laps) == 5


def test_an_open_session_with_laps_alone_has_running_evidence(db):
    w = fixture.world(db)
    w.session_id = fixture.session(db, w)
    w.drive(db, w.session_id, "AQ", 1, "t40 t45", "6 7", rated=False)
    add(db, w, Kind.LAPS, LAPS)
    assert len(loaded(db, w).running.laps) == 5


def test_rows_of_a_hidden_session_are_left_out(db, opened):
    found = loaded(db, opened, hidden=[opened.session_id])
    assert found.running is None
    assert found.look.laps == found.look.preferences == ()
    assert [use.session for use in found.look.exposures] == [None]


def test_other_questions_get_none_of_it(db, w):
    add_all(db, w)
    with transaction(db):
        asked = questions.add_question(db, by=w.team.RT, title="Springs?", asked_ground="handling").id
        for code in ("soft", "hard"):
            questions.add_variant(db, asked, by=w.team.RT, code=code, is_control=code == "soft", whole_car=True)
        questions.declare_rule(db, asked, by=w.team.RT, rule=DeclaredRule(goals=(GoalRule(w.q.goal_id),)))
    both = loading.load_questions(db, w.team.id)
    found = loading.load_evidence(db, w.team.id, both)
    assert len(found[w.question_id].look.laps) == 5
    mine = found[asked].look
    assert mine.laps == mine.preferences == mine.exposures == mine.readings == ()


def test_loading_takes_seven_queries_whatever_there_is(db, w, browser):
    add_all(db, w)
    asked = loading.load_questions(db, w.team.id)
    browser.queries = []
    loading.load_evidence(db, w.team.id, asked)
    assert len([q for q in browser.queries if re.match(r"\s*SELECT", q)]) == 7


def newest(db):
    return max(db.scalars(Happening.__table__.select().with_only_columns(Happening.id)).all())


@pytest.mark.parametrize(("kind", "text"), [(Kind.LAPS, LAPS), (Kind.PREFERENCES, PREFERENCES), (Kind.EXPOSURES, EXPOSURES),
                                            (Kind.READINGS, READINGS)])  # fmt: skip
def test_what_came_in_and_what_was_withdrawn_touches_its_question(db, w, kind, text, monkeypatch):
    monkeypatch.setattr(queries, "SLACK", 0)
    since = newest(db)
    batch = add(db, w, kind, text)
    assert queries.list_touched(db, w.team.id, since=since) == {w.question_id}
    since = newest(db)
    with transaction(db):
        commands.withdraw_table(db, batch, by=w.team.SK, why="the wrong hall day")
    assert queries.list_touched(db, w.team.id, since=since) == {w.question_id}


def test_closing_a_session_in_which_a_part_was_only_tried_touches_its_question(db, w, monkeypatch):
    monkeypatch.setattr(queries, "SLACK", 0)
    session_id = fixture.session(db, w, day=decisions.SECOND_DAY)
    add(db, w, Kind.EXPOSURES, "revision,impacts,failures,session\nFST-t45 r1,20,0,S-02\n")
    assert [use.session for use in look(db, w).exposures] == []
    since = newest(db)
    fixture.close(db, w, session_id, decisions.SECOND_DAY)
    assert queries.list_touched(db, w.team.id, since=since) == {w.question_id}
    assert look(db, w).exposures == (rows.Exposure("t45", 0, 0.0, 0, 20, "S-02"),)


@pytest.fixture
def arm(db, w):
    """Variant t45 now consists of a second part too, ARM, in two steps; its tower stays FST-t45 r1."""
    with transaction(db):
        part = parts.add_part(db, by=w.team.RT, number="P-202", code="ARM", title="Front arm").id
        for _ in range(2):
            revision = parts.issue_revision(db, part, by=w.team.RT, line="a", facts=Facts(change_note="as drawn"))
            questions.add_variant_revision(db, w.question_id, w.q.variants["t45"], by=w.team.RT, revision_id=revision.id)


USE = "part,revision,laps,minutes,failures,impacts,session\n"


def test_use_filed_for_each_part_of_a_variant_counts_once(db, w, arm):
    """500 laps with both parts on the car are 500 laps; a failure of either part is one of the variant."""
    add(db, w, Kind.EXPOSURES, USE + "FST,t45 r1,500,200.5,1,3,S-01\nARM,a r1,500,200.5,2,5,S-01\n")
    assert look(db, w).exposures == (rows.Exposure("t45", 500, 200.5, 3, 5, "S-01"),)


def test_steps_of_one_part_were_driven_one_after_the_other(db, w, arm):
    """ARM a r1 for 300 laps and a r2 for 250 make 550, in which the tower has 500."""
    add(db, w, Kind.EXPOSURES, USE + "FST,t45 r1,500,,0,0,S-01\nARM,a r1,300,100.1,1,0,S-01\nARM,a r2,250,100.2,0,0,S-01\n")
    assert look(db, w).exposures == (rows.Exposure("t45", 550, 200.3, 1, 0, "S-01"),)


def test_use_of_different_sessions_and_of_one_part_adds_up(db, w, arm):
    add(db, w, Kind.EXPOSURES, USE + "FST,t45 r1,500,,0,0,S-01\nFST,t45 r1,100,,1,0,S-01\nARM,a r1,400,,0,0,\nFST,t40 r1,7,,0,0,S-01\n")
    found = look(db, w).exposures
    assert {(use.variant, use.laps, use.failures, use.session) for use in found} == {
        ("t45", 500, 0, "S-01"), ("t45", 100, 1, "S-01"), ("t45", 400, 0, None), ("t40", 7, 0, "S-01")}  # fmt: skip
    assert len(found) == 4


def test_use_of_the_variant_itself_and_of_its_part_counts_once(db, w, arm):
    add(db, w, Kind.EXPOSURES, "question,variant,laps,failures,session\nQ-01,t45,450,0,S-01\n")
    add(db, w, Kind.EXPOSURES, USE + "ARM,a r1,450,,1,0,S-01\n")
    assert look(db, w).exposures == (rows.Exposure("t45", 450, 0.0, 1, 0, "S-01"),)
