"""A table goes in whole or not at all; a wrong one is withdrawn with a reason and can come in again."""

import re

import pytest
from sqlalchemy import func, select

from app.db import transaction
from app.errors import Conflict, NotAllowed, NotFound, Refused
from app.history.models import Happening
from app.measurements import commands, queries
from app.measurements.models import Batch, Exposure, Kind, Lap, Preference, Reading
from app.sessions import commands as sessions
from app.tables import TableRefused
from tests import fixture, make
from tests.imports.tables import dump
from tests.measurements.steps import EXPOSURES, LAPS, PREFERENCES, READINGS, add, add_all, check, said


@pytest.fixture
def w(db):
    return fixture.s03(db)


def test_laps_are_kept_to_the_millisecond_with_their_flags(db, w):
    add(db, w, Kind.LAPS, LAPS, name="quarry.csv")
    laps = queries.list_laps(db, w.runs[0])
    assert [(lap.number, lap.time_ms, lap.clock_ms, lap.flag) for lap in laps] == [
        (1, 22410, 0, ""), (2, 22180, 22410, ""), (3, 25920, 44590, "clipped a board")]  # fmt: skip
    batch = queries.list_batches(db, w.team.id)[0].batch
    assert (batch.kind, batch.rows, batch.file_name) == ("laps", 5, "quarry.csv")


def test_flags_may_come_in_a_table_of_their_own(db, w):
    flags = "session,run,lap,flag\nS-01,R-01,3,clipped a board\nS-01,R-02,1,out lap\n"
    add(db, w, Kind.LAPS, LAPS, flags=flags)
    assert [lap.flag for run in w.runs[:2] for lap in queries.list_laps(db, run)] == ["", "", "clipped a board", "out lap", ""]


@pytest.mark.parametrize(
    ("flags", "wrong"),
    [
        ("session,run,lap,flag\nS-01,R-01,9,off", (2, "flags: lap", "is flagged, and the table of laps has no such lap")),
        ("session,run,lap,flag\nS-01,R-01,3,off", (4, "flag", "is “off” in the table of flags")),
        ("session,run,lap,flag\nS-01,R-01,1,off\nS-01,R-01,1,out", (3, "flags: lap", "of R-01 is flagged in line 2 too")),
        ("session,run,lap\nS-01,R-01,1", (1, "flags: flag", "is missing; the table has: session, run, lap")),
        ("session,run,lap,flag\nS-01,R-01,1,", (2, "flags: flag", "is empty; each row needs it")),
    ],
)
def test_a_flag_that_belongs_to_no_lap_is_refused(db, w, flags, wrong):
    assert said(check(db, w, Kind.LAPS, LAPS, flags=flags)) == [wrong]


def test_flags_beside_another_kind_of_table_are_refused(db, w):
    assert said(check(db, w, Kind.READINGS, READINGS, flags="a,b\n1,2"))[0][2].startswith("has flags of laps beside it")


HEAD = "session,run,driver,lap,clock_s,lap_time_s\n"


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        ("S-09,R-01,AQ,1,0,22", "session", "is no session of this programme; write it like S-03"),
        ("S-01,R-99,AQ,1,0,22", "run", "is no run of S-01; write it like R-07"),
        ("S-01,R-01,MS,1,0,22", "driver", "did not drive S-01/R-01; AQ did"),
        ("S-01,R-01,AQ,0,0,22", "lap", "is no lap; laps are numbered from 1 within their run"),
        ("S-01,R-01,AQ,1.5,0,22", "lap", "is not a whole number"),
        ("S-01,R-01,AQ,1,0,0", "lap_time_s", "is no lap time; it must be more than zero"),
        ("S-01,R-01,AQ,1,0,-22", "lap_time_s", "is no lap time; it must be more than zero"),
        ("S-01,R-01,AQ,1,0,nan", "lap_time_s", "is not a number"),
        ("S-01,R-01,AQ,1,0,inf", "lap_time_s", "is not a number"),
        ("S-01,R-01,AQ,1,0,", "lap_time_s", "is not a number"),
        ("S-01,R-01,AQ,1,0,22410", "lap_time_s", "is no lap time; at most 3600 s are taken, in seconds"),
        ("S-01,R-01,AQ,1,0,22.4101", "lap_time_s", "is finer than a millisecond"),
        ("S-01,R-01,AQ,1,-1,22", "clock_s", "is no second of a session; 0 to 86400 can be"),
        ("S-01,,AQ,1,0,22", "run", "is empty; each row needs it"),
    ],
)
def test_a_lap_that_can_not_be_is_refused_with_its_line_and_column(db, w, row, column, reason):
    text = f"{HEAD}S-01,R-02,AQ,1,0,22\n{row}\n"
    assert said(check(db, w, Kind.LAPS, text)) == [(3, column, reason)]
    before = dump(db)
    with pytest.raises(TableRefused):
        add(db, w, Kind.LAPS, text)
    assert dump(db) == before


def test_a_lap_stands_once_in_a_table_and_once_in_the_programme(db, w):
    twice = HEAD + "S-01,R-01,AQ,1,0,22\nS-01,R-01,AQ,1,0,22.5\n"
    assert said(check(db, w, Kind.LAPS, twice)) == [(3, "lap", "of R-01 stands in line 2 too")]
    add(db, w, Kind.LAPS, LAPS)
    again = HEAD + "S-01,R-01,AQ,3,0,22\nS-01,R-01,AQ,4,0,22\n"
    assert said(check(db, w, Kind.LAPS, again)) == [(2, "lap", "of R-01 is here already, from an earlier table")]


def test_laps_of_a_void_run_and_of_one_not_driven_are_refused(db, w):
    with transaction(db):
        sessions.void_run(db, w.runs[1], by=w.team.SK, why="wrong pack")
        planned = sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=w.team.AQ.account_id, car_id=w.season.cars[0]).label
    text = f"{HEAD}S-01,R-02,AQ,1,0,22\nS-01,{planned},AQ,1,0,22\n"
    assert said(check(db, w, Kind.LAPS, text)) == [
        (2, "run", "is void: it was no run, so it has no laps"), (3, "run", "has not been driven, so it has no laps")]  # fmt: skip


def test_a_column_of_variants_is_checked_against_the_car(db, w):
    text = "session,run,lap,lap_time_s,variant\nS-01,R-01,1,22,t40\nS-01,R-02,1,22,t40\n"
    assert said(check(db, w, Kind.LAPS, text)) == [(3, "variant", "was not on the car in R-02; t45 was")]


def test_short_forms_of_names_and_columns_that_are_not_read(db, w):
    plan = check(db, w, Kind.LAPS, "Session\tRun\tLap\tLap_time_s\ttemp\ns1\t2\t1\t22,1\t7\n")
    assert said(plan) == []
    assert plan.not_read == ("temp",)
    assert plan.rows[0].values["run_id"] == w.runs[1]
    assert plan.rows[0].values["time_ms"] == 22100


def test_every_line_has_its_fate(db, w):
    plan = check(db, w, Kind.LAPS, LAPS + "S-01,R-03,AQ,1,0,0,\n")
    assert [row.fate for row in plan.rows][1:4] == ["goes in", "goes in, left out of every figure: clipped a board", "goes in"]
    assert (plan.rows[-1].wrong, plan.good, plan.flagged) == (True, 5, 1)
    assert "it must be more than zero" in plan.rows[-1].fate


def test_the_same_table_is_taken_once_and_again_when_it_was_withdrawn(db, w):
    first = add(db, w, Kind.LAPS, LAPS)
    with pytest.raises(Conflict, match="here already"):
        add(db, w, Kind.LAPS, LAPS.replace("\n", "\r\n"))
    with pytest.raises(Refused, match="Say why"), transaction(db):
        commands.withdraw_table(db, first, by=w.team.SK, why="no")
    with transaction(db):
        commands.withdraw_table(db, first, by=w.team.SK, why="clock of the other hall")
    assert queries.list_laps(db, w.runs[0]) == []
    assert db.scalar(select(func.count(Lap.id))) == 5  # nothing is lost
    with pytest.raises(Conflict, match="withdrawn already"), transaction(db):
        commands.withdraw_table(db, first, by=w.team.SK, why="clock of the other hall")
    add(db, w, Kind.LAPS, LAPS)
    assert len(queries.list_laps(db, w.runs[0])) == 3


def test_preferences_exposures_and_readings_are_kept_as_filed(db, w):
    add_all(db, w)
    kept = db.execute(select(Preference.first_variant_id, Preference.preferred_variant_id).order_by(Preference.id)).all()
    ids = w.q.variants
    assert [tuple(row) for row in kept] == [(ids["t40"], ids["t45"]), (ids["t40"], None)]
    used = db.scalars(select(Exposure).order_by(Exposure.id)).all()
    assert [(e.laps, e.minutes_hundredths, e.failures, e.impacts, e.session_id, e.note) for e in used] == [
        (1200, 48050, 2, 40, w.session_id, "board hits"), (900, 0, 0, 0, None, "")]  # fmt: skip
    read = db.scalars(select(Reading).order_by(Reading.id)).all()
    assert [(r.characteristic, r.value, r.unit, r.lower, r.upper, r.uncertainty, r.raw, r.piece_id is None) for r in read] == [
        ("radial play", 0.074, "mm", None, 0.10, 0.023, "0.074", False), ("mass", 12.4, "g", 12.0, 13.0, None, "12.4", True)]  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "row", "column", "reason"),
    [
        (Kind.PREFERENCES, "Q-07,AQ,S-01,t45,t40,t45", "question", "is no question of this programme; write it like Q-01"),
        (Kind.PREFERENCES, "Q-01,XX,S-01,t45,t40,t45", "driver", "is nobody's initials in this programme"),
        (Kind.PREFERENCES, "Q-01,RT,S-01,t45,t40,t45", "driver", "did not drive t40 and t45 in S-01; a preference needs both"),
        (Kind.PREFERENCES, "Q-01,AQ,S-01,t45,t40,t99", "second", "is no variant of Q-01"),
        (Kind.PREFERENCES, "Q-01,AQ,S-01,t50,t40,t45", "preferred", "is neither t40 nor t45; write one of them, or “none”"),
        (Kind.PREFERENCES, "Q-01,AQ,S-01,t45,t45,t45", "second", "is the first one too; a preference is between two different variants"),
        (Kind.PREFERENCES, "Q-01,MS,S-01,t40,t50,t40", "driver", "on t50 and t40 stands in line 3 too"),
        (Kind.EXPOSURES, "FST,t77 r1,10,,,,,", "revision", "is no revision of this programme; write it like FST-t45 r2"),
        (Kind.EXPOSURES, "XXX,FST-t40 r1,10,,,,,", "part", "is not the part of FST-t40 r1"),
        (Kind.EXPOSURES, "FST,t40 r1,,,1,,,", "laps", "has failures and no use; give laps, minutes or impacts of more than 0"),
        (Kind.EXPOSURES, "FST,t40 r1,,,,,,", "laps", "says nothing; give laps, minutes or impacts of more than 0"),
        (Kind.EXPOSURES, "FST,t40 r1,-5,,,,,", "laps", "can't be; 0 to 100 000 000 can"),
        (Kind.EXPOSURES, "FST,t40 r1,5,,0.5,,,", "failures", "is not a whole number"),
        (Kind.EXPOSURES, "FST,t40 r1,5,,,,S-77,", "session", "is no session of this programme; write it like S-03"),
        (Kind.READINGS, "FST,t40 r1,#9,mass,12,g,,,", "piece", "is no piece of FST-t40 r1; write it like #1"),
        (Kind.READINGS, "FST,t40 r1,,mass,12,g,13,12,", "lower", "must lie below the upper limit 12"),
        (Kind.READINGS, "FST,t40 r1,,mass,nan,g,,,", "value", "is not a number"),
        (Kind.READINGS, "FST,t40 r1,,mass,12,g,,,-1", "uncertainty", "can't be; an uncertainty is not less than nothing"),
        (Kind.READINGS, "FST,t40 r1,,,12,g,,,", "characteristic", "is empty; each row needs it"),
    ],
)
def test_a_wrong_line_of_the_other_tables_is_refused_at_its_column(db, w, kind, row, column, reason):
    whole = {Kind.PREFERENCES: PREFERENCES, Kind.EXPOSURES: EXPOSURES, Kind.READINGS: READINGS}[kind]
    assert (4, column, reason) in said(check(db, w, kind, whole + row + "\n"))


def test_use_can_be_of_a_variant(db, w):
    text = "question,variant,laps,failures\nQ-01,t50,300,1\n"
    add(db, w, Kind.EXPOSURES, text)
    found = db.scalars(select(Exposure)).one()
    assert found.variant_id is None  # t50 has one revision, and use is of that
    assert found.revision_id is not None
    assert said(check(db, w, Kind.EXPOSURES, "laps\n3\n")) == [(1, "revision", "is missing, or question and variant in its place")]


def test_a_preference_is_filed_by_the_driver_and_can_be_said_again(db, w):
    ids = w.q.variants
    choice = {"question_id": w.question_id, "first_id": ids["t40"], "second_id": ids["t45"]}
    with transaction(db):
        commands.file_preference(db, w.session_id, by=w.team.AQ, preferred_id=ids["t45"], **choice)
    with transaction(db):
        commands.file_preference(db, w.session_id, by=w.team.AQ, preferred_id=None, **choice)
    rows = queries.list_preferences(db, w.team.id, w.session_id)
    assert [(row.initials, row.first, row.second, row.preferred) for row in rows] == [("AQ", "t40", "t45", None)]
    assert db.scalar(select(func.count(Preference.id))) == 2
    assert db.scalars(select(Batch.withdrawn_why).order_by(Batch.id)).all() == ["answered again", ""]
    with pytest.raises(Refused, match="did not drive t40 and t45"), transaction(db):
        commands.file_preference(db, w.session_id, by=w.team.RT, preferred_id=None, **choice)
    with pytest.raises(Refused, match="no choice"), transaction(db):
        commands.file_preference(db, w.session_id, by=w.team.AQ, preferred_id=ids["t50"], **choice)


def test_what_an_imported_table_says_is_not_replaced_by_a_form(db, w):
    add(db, w, Kind.PREFERENCES, PREFERENCES)
    ids = w.q.variants
    with pytest.raises(Conflict, match="imported table"), transaction(db):
        commands.file_preference(db, w.session_id, by=w.team.AQ, question_id=w.question_id, first_id=ids["t45"],
                                 second_id=ids["t40"], preferred_id=None)  # fmt: skip


def test_drivers_do_not_add_tables_and_another_programme_does_not_have_them(db, w):
    with pytest.raises(NotAllowed):
        add(db, w, Kind.LAPS, LAPS, by="AQ")
    batch = add(db, w, Kind.LAPS, LAPS)
    other = make.programme(db, name="Fellside")
    with pytest.raises(NotFound), transaction(db):
        commands.withdraw_table(db, batch, by=other.OW, why="not ours at all")
    with pytest.raises(TableRefused) as refused, transaction(db):
        commands.add_table(db, by=other.OW, kind=Kind.LAPS, text=LAPS)
    assert {error.column for error in refused.value.errors.lines} == {"session"}


def test_the_trail_names_the_session_or_the_questions(db, w):
    add_all(db, w)
    lines = db.execute(select(Happening.what, Happening.thing, Happening.label, Happening.session_id)
                       .where(Happening.what.like("added %")).order_by(Happening.id.desc()).limit(4)).all()  # fmt: skip
    assert [tuple(line) for line in lines][::-1] == [
        ("added laps", "session", "S-01", w.session_id), ("added preferences", "session", "S-01", w.session_id),
        ("added exposures", "question", "Q-01", None), ("added readings", "question", "Q-01", None)]  # fmt: skip


def test_a_book_takes_at_most_six_queries(db, w, browser):
    for kind in Kind:
        browser.queries = []
        check(db, w, kind, {"laps": LAPS, "preferences": PREFERENCES, "exposures": EXPOSURES, "readings": READINGS}[kind])
        assert len([q for q in browser.queries if re.match(r"\s*SELECT", q)]) <= 6, kind
