"""Acceptance scenarios 17, 35 and 36 of the job, through the database: what is gauged moves the sheet. Our own written figures."""

from datetime import timedelta

import pytest

from app.bench import commands, queries
from app.bench.rules import Limits
from app.bench.typed import read_readings
from app.bench.words import Kind
from app.db import transaction
from app.decisions import queries as decisions
from app.decisions.rules import what_changed
from app.feedback import commands as feedback
from app.feedback.models import NotCounted
from app.units import CAR_MASS, PLAY, RIDE_HEIGHT, TORQUE, OutOfBand, TypedNumberError
from tests import fixture
from tests.bench import steps
from tests.decisions.steps import reading, verdict
from tests.measurements.steps import loaded, look


@pytest.fixture
def w(db):
    return fixture.s03(db)


def runs_out(db, w):
    found = loaded(db, w)
    return sorted(f"{found.runs[run].session}/{found.runs[run].label}" for run in found.out)


# --- 17
@pytest.mark.parametrize(
    ("typed", "quantity", "values"),
    [("0,15", PLAY, [0.15]), ("6 mNm", TORQUE, [6.0]), ("0.006 Nm", TORQUE, [6.0]),
     ("0,06 0,08; 70 µm\n0.07", PLAY, [0.06, 0.08, 0.07, 0.07]), ("6 mNm 6.5 mNm", TORQUE, [6.0, 6.5]), ("0,06, 0,08", PLAY, [0.06, 0.08])],
)  # fmt: skip
def test_17_readings_as_they_are_typed(typed, quantity, values):
    found = read_readings(typed, quantity)
    assert [value for _, value in found] == values
    assert found[0][0] in typed  # the typed text is kept


@pytest.mark.parametrize(
    ("typed", "quantity", "asked"),
    [("185", RIDE_HEIGHT, r"185 mm\? Did you mean 18\.5\?"), ("1,712", CAR_MASS, "1712 or 1.712"),
     ("0.06 6 0.07", PLAY, r"reading 2, 6 mm\? Did you mean 0\.6\?")],
)  # fmt: skip
def test_17_what_is_not_plausible_is_asked_about(typed, quantity, asked):
    with pytest.raises(OutOfBand, match=asked):
        read_readings(typed, quantity)


@pytest.mark.parametrize(
    ("typed", "said"),
    [("1.250,5", "type it like 0.15 or 0,15"), ("", "at least one"), ("0.06 lbs", "not a unit known here"), ("0.06 x 0.07", "reading 1"),
     (" ".join(["0.1"] * 51), "at most 50")],
)  # fmt: skip
def test_17_what_can_be_read_two_ways_is_refused_with_an_example(typed, said):
    with pytest.raises(TypedNumberError, match=said):
        read_readings(typed, PLAY)


# --- 36
def test_36_a_play_of_74_hundredths_passes_and_a_hundredth_more_is_inconclusive(db, w):
    own = steps.characteristic(db, w, Kind.PLAY, upper=0.10)
    dial = steps.gauge(db, w, "dial gauge", u=0.010)
    values = [0.06, 0.08, 0.07, 0.07, 0.09]
    steps.read(db, w, own, dial, w.q.pieces["t45"][0], values, hour=8)
    steps.read(db, w, own, dial, w.q.pieces["t45"][1], [round(value + 0.01, 2) for value in values], hour=8)
    first, _ = look(db, w).readings
    assert (first.variant, first.characteristic, first.piece, first.unit) == ("t45", "radial play", "FST-t45 r1 #1", "mm")
    assert (round(first.value, 3), round(first.uncertainty, 3), first.upper) == (0.074, 0.023, 0.10)
    gauged = decisions.open_sheet(db, w.team.RT, w.question_id).sheet.gauge_readings
    assert [one.state for one in gauged] == ["pass", "inconclusive"]
    assert runs_out(db, w) == []  # inconclusive is no failure


# --- 35
def test_35_runs_of_the_piece_are_not_counted_and_others_are(db, w):
    """t45 #1 was on AQ's car in R-02; MS and DH drove t45 #2 and #3."""
    before = look(db, w)
    assert reading(db, w, "t45").reading == "favours_adopt"
    steps.out_of_tolerance(db, w)
    found = loaded(db, w)
    assert runs_out(db, w) == ["S-01/R-02"]
    assert found.look.fingerprint() != before.fingerprint()
    spoiled = {mark.run for mark in found.look.marks if mark.spoiled}
    assert spoiled == {"R-02"}
    assert {mark.spoiled for mark in found.look.marks if mark.run == "R-02"} == {("piece out of tolerance",)}
    now = reading(db, w, "t45")
    assert now.reading == "not_enough"
    assert {bracket.run for bracket in now.brackets if bracket.state == "counted"} == {"R-09", "R-12"}


def test_35_the_designer_is_told_which_readings_changed(db, w):
    steps.out_of_tolerance(db, w)
    opened = decisions.open_sheet(db, w.team.RT, w.question_id)
    told = what_changed(decisions.snapshots(opened.without), decisions.snapshots(opened.sheet))
    assert told == ["t45: the panel reading was favours adopt and is now not enough evidence"]
    (failed,) = next(iter(opened.loaded.out.values()))
    assert failed.words == "FST-t45 r1 #1, thickness: 4.320 ± 0.013 mm (limits 4.45 to 4.55 mm)"


def test_35_the_verdict_moves_with_it(db):
    """A clear lead of four sessions; then two of three pieces turn out to be thin, and one driver is left."""
    w = fixture.world(db)
    for week in range(4):
        day = fixture.DAY + timedelta(days=7 * week)
        session_id = fixture.session(db, w, day=day)
        for car, initials in enumerate(("AQ", "MS", "DH"), start=1):
            w.drive(db, session_id, initials, car, "t40 t45 t40 t45 t40", "6.0 7.5 6.0 7.5 6.5", day=day)
        fixture.close(db, w, session_id, day)
    before = verdict(db, w, "t45")
    own, micrometer = steps.thickness(db, w)
    for piece in w.q.pieces["t45"][:2]:
        steps.read(db, w, own, micrometer, piece, [4.32] * 5, hour=24 * 30)
    after = verdict(db, w, "t45")
    assert (before.verdict, before.clause) == ("adopt", "gain")
    assert (after.verdict, after.clause) == ("retest", "drivers")


def test_a_withdrawn_set_gives_the_evidence_back(db, w):
    own, micrometer = steps.thickness(db, w)
    before = look(db, w)
    set_id = steps.read(db, w, own, micrometer, w.q.pieces["t45"][0], [4.32] * 5)
    assert look(db, w).fingerprint() != before.fingerprint()
    with transaction(db):
        commands.withdraw_readings(db, set_id, by=w.team.SK, why="it was the other tower")
    assert look(db, w).fingerprint() == before.fingerprint()
    assert [row.set.withdrawn_why for row in queries.list_sets(db, w.team.id)] == ["it was the other tower"]


def test_other_limits_judge_the_same_readings_anew(db, w):
    own, micrometer = steps.thickness(db, w)
    steps.read(db, w, own, micrometer, w.q.pieces["t45"][0], [4.32] * 5)
    assert runs_out(db, w) == ["S-01/R-02"]
    with transaction(db):
        commands.set_limits(db, own, by=w.team.RT, limits=Limits(4.2, 4.8), reason="the drawing was widened", version=1,
                            revision_id=w.q.revisions["t45"])  # fmt: skip
    assert runs_out(db, w) == []


def test_the_conductor_may_say_that_it_counts_after_all(db, w):
    steps.out_of_tolerance(db, w)
    with transaction(db):
        feedback.judge_counting(db, w.runs[1], by=w.team.SK, counts=True, reason=NotCounted.PIECE, text="thin at one corner only")
    found = loaded(db, w)
    assert all(judged.counts for judged in found.counting.values())
    assert found.without is None  # nothing differs
    assert reading(db, w, "t45").reading == "favours_adopt"


def test_a_pass_before_and_after_leaves_the_runs_alone_and_a_pass_between_parts_them(db, w):
    own, micrometer = steps.thickness(db, w)
    piece = w.q.pieces["t45"][0]
    steps.read(db, w, own, micrometer, piece, [4.50] * 5, hour=8)
    assert runs_out(db, w) == []
    steps.read(db, w, own, micrometer, piece, [4.32] * 5, hour=30)
    assert runs_out(db, w) == ["S-01/R-02"]  # it went out at an unknown moment since 8 h
    steps.read(db, w, own, micrometer, piece, [4.50] * 5, hour=12)
    assert runs_out(db, w) == []  # it was right after the run


def test_a_failed_control_piece_spoils_its_brackets(db, w):
    """t40 #1 was AQ's control: without it no bracket of hers counts."""
    own, micrometer = steps.characteristic(db, w, lower=3.95, upper=4.05, revision="t40"), steps.gauge(db, w)
    steps.read(db, w, own, micrometer, w.q.pieces["t40"][0], [4.2] * 5)
    assert runs_out(db, w) == ["S-01/R-01", "S-01/R-03", "S-01/R-05"]
    assert {bracket.driver for bracket in reading(db, w, "t50").brackets if bracket.state == "counted"} == {"MS", "DH"}


def test_readings_of_a_part_as_lines_of_its_file(db, w):
    steps.out_of_tolerance(db, w)
    (found,) = queries.load_gauged(db, w.team.id, part_id=steps.part_id(db, w)).lines()
    assert (found.piece, found.characteristic, found.n, found.state) == ("FST-t45 r1 #1", "thickness", 5, "fail")
    assert found.sentence == "4.320 + 0.013 = 4.333 mm, limits 4.45 to 4.55: fail."
    assert queries.load_gauged(db, w.team.id, part_id=99_999).lines() == []


def test_a_look_is_taken_again_when_a_reading_changes_it(db, w):
    """The trail's line is found by the questions that it touches."""
    from app.history.models import Happening

    newest = max(db.scalars(Happening.__table__.select().with_only_columns(Happening.id)))
    steps.out_of_tolerance(db, w)
    assert decisions.list_touched(db, w.team.id, since=newest) == {w.question_id}
