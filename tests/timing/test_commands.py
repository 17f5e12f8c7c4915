"""Files attached, laps by hand, and what a person says of laps: whole or not at all, once, and never over another's word."""

import threading

import pytest
from sqlalchemy import func, select

from app.db import transaction
from app.decisions import queries as decisions
from app.errors import Conflict, NotAllowed, NotFound, Refused
from app.history.models import Happening
from app.measurements import commands as measurements
from app.measurements.models import Batch, Lap, LapFlag
from app.measurements.queries import list_laps
from app.sessions.models import Run
from app.tables import TableRefused
from app.timing.models import LapFile, LapLayout, Transponder
from app.timing.rules import Sent
from tests import fixture
from tests.access.rows import stored
from tests.imports.tables import dump
from tests.measurements.steps import look
from tests.timing.files import SCENARIO, T40, T45, USUAL, hall_file, ten_past_ten
from tests.timing.steps import attach, by_hand, check, flag, said


@pytest.fixture
def w(db):
    return fixture.s03(db)


def counted(db, *tables):
    found = [db.scalar(select(func.count()).select_from(table)) for table in tables]
    db.rollback()
    return found


def newest(db):
    found = db.scalar(select(func.max(Happening.id)))
    db.rollback()
    return found


def test_a_file_is_attached_with_what_is_remembered_of_it(db, w):
    batch = attach(db, w)
    assert counted(db, Lap, LapFile, LapLayout, Transponder) == [54, 1, 1, 1]
    file = db.scalar(select(LapFile))
    assert (file.batch_id, file.session_id, file.shift_ms, file.laps_read) == (batch, w.session_id, -3_600_000, 58)
    assert [row[:3] for row in file.not_matched] == [["4410", "the car stood", 1]] * 4
    assert db.scalar(select(Transponder.car_id)) == w.season.cars[0]
    clocks = db.scalars(select(Lap.clock_ms).where(Lap.run_id == w.runs[1]).order_by(Lap.number)).all()
    assert clocks[:2] == [12 * 60_000 + 6_500, 12 * 60_000 + 6_500 + 22_100]  # since the session's first run
    lines = [(h.what, h.label, h.why) for h in db.scalars(select(Happening).where(Happening.what == "attached laps"))]
    assert lines == [("attached laps", "S-01", "clock shift −3600 s")]


def test_a_remembered_file_needs_no_columns_and_no_cars(db, w):
    attach(db, w)
    later = hall_file(ten_past_ten([USUAL] * 5), ahead_s=0)
    found = check(db, w, Sent(later, {}))
    assert found.remembered
    assert found.stage == "match"
    assert found.shift.shift_ms == 0
    assert found.match.runs == ()  # every run has laps already
    assert {left.reason for left in found.match.left} == {"its run has laps already", "the car stood"}
    assert counted(db, LapLayout, Transponder) == [1, 1]


def test_nothing_is_attached_before_columns_and_cars_are_confirmed(db, w):
    assert check(db, w, Sent(SCENARIO, {})).stage == "columns"
    assert check(db, w, Sent(SCENARIO, {}, columns_right=True)).stage == "cars"
    before = dump(db)
    with pytest.raises(Refused, match="not confirmed yet"), transaction(db):
        commands_attach(db, w, Sent(SCENARIO, {}, columns_right=True))
    assert dump(db) == before


def commands_attach(db, w, sent, shown="x"):
    from app.timing.commands import attach_file

    return attach_file(db, w.session_id, by=w.team.SK, sent=sent, shown=shown)


def test_what_is_attached_is_what_was_shown(db, w):
    """A run whose start was corrected in between gives another match: it is shown again, not attached."""
    seen = check(db, w, said(w)).match.digest
    with transaction(db):
        run = db.get(Run, w.runs[1])
        run.started_at = run.started_at.replace(hour=14)
        run.ended_at = run.ended_at.replace(hour=14)
    before = dump(db)
    with pytest.raises(Conflict, match="changed since this was shown"):
        attach(db, w, shown=seen)
    assert dump(db) == before


def test_the_same_file_adds_nothing_and_comes_in_again_once_withdrawn(db, w):
    batch = attach(db, w)
    before = dump(db)
    with pytest.raises(Conflict, match="attached to this session already"):
        attach(db, w)
    with pytest.raises(Conflict, match="attached to this session already"):
        attach(db, w, said(w, text=SCENARIO.replace("\n", "\r\n") + "\r\n"))
    assert dump(db) == before
    with transaction(db):
        measurements.withdraw_table(db, batch, by=w.team.SK, why="the wrong car")
    attach(db, w)
    assert counted(db, Lap, LapFile, LapLayout, Transponder) == [108, 2, 1, 1]
    assert len(list_laps(db, w.runs[0])) == 12


@pytest.mark.parametrize("spoil", [("22,410", "22,4x"), ("4410;11:00:51", ";11:00:51"), (";22,180", ";22.180")])
def test_a_refused_file_leaves_the_database_as_it_was(db, w, spoil):
    text = SCENARIO.replace(*spoil, 1)
    assert text != SCENARIO
    before = dump(db)
    with pytest.raises(TableRefused) as refused, transaction(db):
        commands_attach(db, w, said(w, text=text))
    assert refused.value.errors.lines[0].line in (2, 3)
    assert dump(db) == before


def test_laps_without_a_clock_are_attached_by_order(db, w):
    text = "4410\n" + "\n".join(f"{lap:.2f}" for lap in [*T40, 420.0, *T45]) + "\n"
    found = check(db, w, Sent(text, {"header": "yes"}, cars={"4410": w.season.cars[0]}, columns_right=True))
    assert found.placed == [None, None]  # two stints, five runs: a person says which
    sent = Sent(text, {"header": "yes"}, cars={"4410": w.season.cars[0]}, columns_right=True, places=(w.runs[0], w.runs[1]))
    attach(db, w, sent)
    assert [lap.time_ms for lap in list_laps(db, w.runs[1])] == [round(lap * 1000) for lap in T45]
    assert all(lap.clock_ms is None for lap in list_laps(db, w.runs[0]))


def test_one_run_can_t_be_chosen_for_two_stints(db, w):
    text = "4410\n" + "\n".join(f"{lap:.2f}" for lap in [*T40, 420.0, *T45]) + "\n"
    sent = Sent(text, {"header": "yes"}, cars={"4410": w.season.cars[0]}, columns_right=True, places=(w.runs[0], w.runs[0]))
    with pytest.raises(Refused, match="R-01 was chosen for two stints"):
        check(db, w, sent)


def test_two_people_who_confirm_the_same_file_attach_it_once(db, database, w):
    shown = check(db, w, said(w)).match.digest
    told = []

    def confirm(who):
        with database.sessions() as own:
            try:
                told.append(attach(own, w, by=who, shown=shown))
            except Conflict as refused:
                told.append(refused.title)

    _together(confirm, ("SK", "RT", "OW"))
    assert sorted(map(str, told)) == ["1", *["This very file is attached to this session already"] * 2]
    assert counted(db, Lap, Batch, LapFile) == [54, 1, 1]


def _together(act, people):
    threads = [threading.Thread(target=act, args=(who,)) for who in people]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def test_two_people_who_speak_of_one_lap_do_not_overrule_each_other(db, database, w):
    by_hand(db, w, w.runs[0], T40)
    lap = list_laps(db, w.runs[0])[7]
    db.rollback()
    told = []

    def speak(who):
        with database.sessions() as own:
            try:
                flag(own, w, {lap.id: (0, "incident" if who == "SK" else "")}, by=who)
                told.append("said")
            except Conflict as refused:
                told.append(refused.title.partition(":")[0])

    _together(speak, ("SK", "RT"))
    assert sorted(told) == ["Somebody has said something of lap 8 meanwhile", "said"]
    assert counted(db, LapFlag) == [1]


def test_a_flag_leaves_the_lap_out_of_the_evidence_and_the_lap_as_it_came(db, w, monkeypatch):
    monkeypatch.setattr(decisions, "SLACK", 0)
    attach(db, w)
    before, rows = look(db, w), stored(db.connection())["laps"]
    since = newest(db)
    lap = list_laps(db, w.runs[0])[7]
    flag(db, w, {lap.id: (0, "incident")})
    assert decisions.list_touched(db, w.team.id, since=since) == {w.question_id}
    after = look(db, w)
    assert [x.flag for x in after.laps if x.run == "R-01"] == [""] * 7 + ["incident"] + [""] * 4
    assert after.fingerprint() != before.fingerprint()
    assert stored(db.connection())["laps"] == rows
    flag(db, w, {lap.id: (1, "")})  # it counts after all
    assert look(db, w).fingerprint() == before.fingerprint()
    assert [(f.version, f.flag) for f in db.scalars(select(LapFlag).order_by(LapFlag.id))] == [(1, "incident"), (2, "")]
    assert stored(db.connection())["laps"] == rows


def test_attached_laps_touch_their_question(db, w, monkeypatch):
    monkeypatch.setattr(decisions, "SLACK", 0)
    since = newest(db)
    attach(db, w)
    assert decisions.list_touched(db, w.team.id, since=since) == {w.question_id}
    since = newest(db)
    by_hand(db, w, w.runs[6], T40)
    assert decisions.list_touched(db, w.team.id, since=since) == {w.question_id}


def test_a_lap_that_is_not_of_this_session_is_not_spoken_of(db, w):
    by_hand(db, w, w.runs[0], T40)
    with pytest.raises(NotFound):
        flag(db, w, {999: (0, "incident")})
    with pytest.raises(Refused, match="No lap was chosen"):
        flag(db, w, {})
    with pytest.raises(NotAllowed):
        flag(db, w, {1: (0, "incident")}, by="AQ")


def test_laps_by_hand_go_in_once_and_for_a_run_that_was_driven(db, w):
    by_hand(db, w, w.runs[0], T40, by="AQ")
    with pytest.raises(Conflict, match="R-01 has 12 laps already"):
        by_hand(db, w, w.runs[0], T45)
    with pytest.raises(Refused, match="No lap was given"):
        by_hand(db, w, w.runs[1], [])
    with transaction(db):
        db.get(Run, w.runs[1]).state = "void"
    with pytest.raises(Conflict, match="R-02 is void, so it has no laps"):
        by_hand(db, w, w.runs[1], T45)


def test_whoever_is_due_to_rate_in_an_open_session_handles_no_lap_times(db):
    w = fixture.s03(db, closed=False)

    from app.people.models import Hat

    both = w.team.AQ._replace(hats=frozenset({Hat.DRIVER, Hat.CONDUCTOR}))
    w.team.people["AQ"] = both
    with pytest.raises(Conflict, match="due to rate in this session"):
        check(db, w, said(w), by="AQ")
    by_hand(db, w, w.runs[0], T40)
    with pytest.raises(Conflict, match="due to rate in this session"):
        flag(db, w, {1: (0, "incident")}, by="AQ")
