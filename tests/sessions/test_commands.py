"""Sessions and runs: states, what they refuse, and what stays when a day is cut short. All data is invented."""

from datetime import date, timedelta

import pytest

from app import clock
from app.db import transaction
from app.errors import Conflict, NotAllowed, NotFound, Refused
from app.sessions import commands, queries
from tests import fixture, make
from tests.fixture import scenes


@pytest.fixture
def w(db):
    return fixture.world(db)


def planned(db, w, **more):
    with transaction(db):
        return commands.plan_session(
            db,
            by=w.team.SK,
            place="Quarry",
            time_zone="Europe/Berlin",
            on_date=date(2026, 2, 3),
            surface="carpet",
            grip="low",
            **more,
        ).id


def add_run(db, w, session_id, *, initials="AQ", car=0, **more):
    with transaction(db):
        return commands.add_run(
            db, session_id, by=w.team.SK, driver_id=w.team[initials].account_id, car_id=w.season.cars[car], **more
        ).id


def step(db, name, *args, by, **more):
    with transaction(db):
        getattr(commands, name)(db, *args, by=by, **more)


def run_state(db, w, run_id):
    db.rollback()
    return queries.get_run(db, w.team.id, run_id).state


def session_state(db, w, session_id):
    db.rollback()
    return queries.get_session(db, w.team.id, session_id).state


def test_a_run_starts_only_in_an_open_session_and_only_once(db, w):
    session_id = planned(db, w)
    run_id = add_run(db, w, session_id)
    with pytest.raises(Conflict, match="not open yet"):
        step(db, "start_run", run_id, by=w.team.SK)
    step(db, "open_session", session_id, by=w.team.SK)
    with pytest.raises(Conflict, match="planned"):
        step(db, "end_run", run_id, by=w.team.SK, laps=12)
    step(db, "start_run", run_id, by=w.team.AQ)
    with pytest.raises(Conflict, match="driving"):
        step(db, "start_run", run_id, by=w.team.AQ)
    step(db, "end_run", run_id, by=w.team.AQ, laps=12)
    assert run_state(db, w, run_id) == "driven"


@pytest.mark.parametrize("laps, state", [(0, "short"), (5, "short"), (6, "driven"), (None, "driven")])
def test_fewer_than_six_laps_make_a_short_run(db, w, laps, state):
    session_id = fixture.session(db, w)
    run_id = add_run(db, w, session_id)
    step(db, "start_run", run_id, by=w.team.SK)
    step(db, "end_run", run_id, by=w.team.SK, laps=laps)
    assert run_state(db, w, run_id) == state


@pytest.mark.parametrize("laps", [-1, 2001])
def test_implausible_laps_are_refused(db, w, laps):
    run_id = add_run(db, w, fixture.session(db, w))
    step(db, "start_run", run_id, by=w.team.SK)
    with pytest.raises(Refused) as refused:
        step(db, "end_run", run_id, by=w.team.SK, laps=laps)
    assert refused.value.field == "laps"


def test_a_run_does_not_end_before_it_started(db, w):
    run_id = add_run(db, w, fixture.session(db, w))
    started = scenes.moment(fixture.DAY, 10)
    step(db, "start_run", run_id, by=w.team.SK, at=started)
    with pytest.raises(Refused) as refused:
        step(db, "end_run", run_id, by=w.team.SK, at=started - timedelta(minutes=1))
    assert refused.value.field == "at"


def test_a_driver_starts_their_own_run_only(db, w):
    run_id = add_run(db, w, fixture.session(db, w))
    with pytest.raises(NotAllowed):
        step(db, "start_run", run_id, by=w.team.MS)
    step(db, "start_run", run_id, by=w.team.AQ)
    with pytest.raises(NotAllowed):
        step(db, "end_run", run_id, by=w.team.MS, laps=12)
    for name in ("open_session", "close_session", "reconcile_session"):
        with pytest.raises(NotAllowed):
            step(db, name, queries.get_run(db, w.team.id, run_id).session_id, by=w.team.AQ)
    with pytest.raises(NotAllowed):
        step(db, "void_run", run_id, by=w.team.AQ, why="I span")


def test_cut_short_needs_its_reason_and_marks_planned_runs_not_driven(db, w):
    session_id = fixture.session(db, w)
    driven, waiting = add_run(db, w, session_id), add_run(db, w, session_id)
    step(db, "start_run", driven, by=w.team.SK)
    step(db, "end_run", driven, by=w.team.SK, laps=12)
    with pytest.raises(Refused) as refused:
        step(db, "close_session", session_id, by=w.team.SK, cut_short=True)
    assert refused.value.field == "why"
    step(db, "close_session", session_id, by=w.team.SK, cut_short=True, why="the power failed")
    assert session_state(db, w, session_id) == "cut short"
    assert [run_state(db, w, r) for r in (driven, waiting)] == ["driven", "not driven"]
    with pytest.raises(Conflict):
        step(db, "start_run", waiting, by=w.team.SK)


def test_23_a_day_cut_short_leaves_the_last_test_runs_without_their_closing_control(db, w):
    session_id = fixture.session(db, w)
    for car, (initials, (order, marks)) in enumerate(fixture.PRECISION.items(), start=1):
        w.drive(db, session_id, initials, car, " ".join(order.split()[:4]), " ".join(marks.split()[:4]))
        add_run(db, w, session_id, initials=initials, car=car - 1)
    step(db, "close_session", session_id, by=w.team.SK, cut_short=True, why="the power failed")
    from app.decisions.queries import open_sheet

    readings = {r.variant: r for r in open_sheet(db, w.team.RT, w.question_id).sheet.panel.readings}
    assert {d.driver for d in readings["t45"].drivers} == {"AQ", "DH"}
    assert {d.driver for d in readings["t50"].drivers} == {"MS"}
    assert readings["t50"].not_counted == {"no closing control": 2}


def test_a_session_goes_one_way_and_reconciled_is_the_end(db, w):
    session_id = planned(db, w)
    run_id = add_run(db, w, session_id)
    with pytest.raises(Conflict, match="never opened"):
        step(db, "close_session", session_id, by=w.team.SK)
    with pytest.raises(Conflict):
        step(db, "reconcile_session", session_id, by=w.team.SK)
    step(db, "open_session", session_id, by=w.team.SK)
    with pytest.raises(Conflict):
        step(db, "open_session", session_id, by=w.team.SK)
    step(db, "close_session", session_id, by=w.team.SK)
    with pytest.raises(Conflict):
        step(db, "close_session", session_id, by=w.team.SK)
    step(db, "reconcile_session", session_id, by=w.team.SK)
    with pytest.raises(Conflict):
        add_run(db, w, session_id)
    with pytest.raises(Conflict):
        step(db, "correct_times", run_id, by=w.team.SK, started_at=clock.now(), ended_at=None, why="misread")
    edition = queries.get_session(db, w.team.id, session_id).edition
    with pytest.raises(Conflict, match="reconciled"):
        step(db, "edit_session", session_id, by=w.team.SK, edition=edition, place="Elsewhere")


def test_a_void_run_stays_in_the_book_and_its_slip_does_not_count(db, w):
    session_id = fixture.session(db, w)
    runs = w.drive(db, session_id, "AQ", 1, "t40 t45 t40", "6 7 6")
    step(db, "void_run", runs[1], by=w.team.SK, why="wrong pack")
    with pytest.raises(Conflict):
        step(db, "void_run", runs[1], by=w.team.SK, why="wrong pack")
    fixture.close(db, w, session_id)
    from app.decisions.queries import open_sheet

    loaded = open_sheet(db, w.team.RT, w.question_id).loaded
    assert [c.reasons for c in loaded.counting.values() if not c.counts] == [("test entry",)]
    assert [r.number for r in queries.list_runs(db, w.team.id, session_id)] == [1, 2, 3]


def test_run_numbers_are_never_taken_twice(db, w):
    session_id = fixture.session(db, w)
    first = add_run(db, w, session_id)
    step(db, "void_run", first, by=w.team.SK, why="no battery")
    second = add_run(db, w, session_id)
    assert queries.get_run(db, w.team.id, second).label == "R-02"
    with pytest.raises(Conflict):
        add_run(db, w, session_id, number=1)


def test_ids_of_another_programme_are_not_there(db, w):
    session_id = fixture.session(db, w)
    run_id = add_run(db, w, session_id)
    other = make.programme(db, name="Ostrel")
    for name, number, more in (
        ("open_session", session_id, {}),
        ("close_session", session_id, {}),
        ("start_run", run_id, {}),
        ("void_run", run_id, {"why": "not theirs"}),
    ):
        with pytest.raises(NotFound):
            step(db, name, number, by=other.SK, **more)
    with transaction(db):
        theirs = commands.plan_session(
            db, by=other.SK, place="Hall", time_zone="UTC", on_date=date(2026, 2, 3), surface="carpet", grip="low"
        ).id
    with pytest.raises(NotFound), transaction(db):
        commands.add_run(db, theirs, by=other.SK, driver_id=other.AQ.account_id, car_id=w.season.cars[0])
    with pytest.raises(NotFound), transaction(db):
        commands.add_run(db, theirs, by=other.SK, driver_id=w.team.AQ.account_id, car_id=w.season.cars[0])


def test_correcting_times_keeps_the_earlier_ones_in_the_trail(db, w):
    from app.history.queries import list_trail

    session_id = fixture.session(db, w)
    (run_id,) = w.drive(db, session_id, "AQ", 1, "t40", "6")
    before = queries.get_run(db, w.team.id, run_id).started_at
    step(
        db,
        "correct_times",
        run_id,
        by=w.team.SK,
        started_at=before - timedelta(minutes=2),
        ended_at=before,
        why="the hall clock is fast",
    )
    line = list_trail(db, w.team.id, thing="run", thing_id=run_id)[0]
    assert (line.what, line.why) == ("corrected times", "the hall clock is fast")
    assert line.detail["before"]["started_at"] == before.isoformat()
