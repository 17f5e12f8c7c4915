"""Blind work as the scenarios of the trade tell it: 20, 29, 30, 31, 32, and what may change once a key is open."""

from datetime import timedelta

import pytest

from app import clock
from app.blind import commands as blind
from app.blind.models import BlockKind
from app.db import transaction
from app.decisions.queries import open_sheet
from app.errors import Conflict, NotAllowed, Refused
from app.feedback import commands as feedback
from app.feedback import version_commands
from app.feedback.models import VersionState
from app.feedback.queries import get_slip, hidden_sessions, marks_of
from app.feedback.rules import Answers
from app.sessions import build_commands
from app.sessions import commands as sessions
from app.sessions.queries import get_run, list_runs
from tests import fixture
from tests.blind import steps
from tests.pages import text_of

LATE = "cracked, must know the piece"


def labels(db, made, viewer=None):
    loaded = open_sheet(db, viewer or made.w.team.OW, made.w.question_id).loaded
    return loaded, loaded.open_labels


# --- on plan
def test_the_key_is_opened_on_plan_and_the_sheet_is_that_of_an_open_day(db):
    """The fixture's figures, now blind: t45 +0.75, 3/0/0, favours adopt; every mark toward the blind share."""
    made = steps.s03(db)
    steps.open_key(db, made, made.at(11, 5))
    fixture.close(db, made.w, made.w.session_id)
    opened = open_sheet(db, made.w.team.OW, made.w.question_id)
    reading = next(r for r in opened.sheet.panel.readings if r.variant == "t45")
    assert (reading.median, reading.votes_for, reading.votes_against, reading.reading) == (0.75, 3, 0, "favours_adopt")
    assert opened.sheet.panel.blind_share == 1.0
    assert opened.loaded.open_labels == {}
    assert made.facts(db).state == "opened on plan"


def test_until_then_its_runs_are_in_nobodys_evidence(db, browser):
    made = steps.s03(db)
    for viewer in (made.w.team.SK, made.w.team.RT, made.w.team.OW):
        loaded = open_sheet(db, viewer, made.w.question_id).loaded
        assert not loaded.runs
    page = browser.as_(made.w.team.RT).get(made.w.path(f"/questions/{made.w.question_id}/sheet"), max_queries=12)
    assert "15 runs wait for the key of block S-01/B1" in text_of(page.text)


def test_a_closed_session_still_waits_for_its_key(db):
    made = steps.s03(db)
    fixture.close(db, made.w, made.w.session_id)
    assert not open_sheet(db, made.w.team.RT, made.w.question_id).loaded.slips
    with pytest.raises(Conflict, match="under a sealed key"), transaction(db):
        sessions.reconcile_session(db, made.w.session_id, by=made.w.team.SK)


# --- 29
def scenario_29(db, **more):
    """Nine captured by 10:31, one at 10:42 that comes in at 12:10, opened early at 10:44; five more are captured later."""
    made = steps.seal(db, steps.plan(db), steps.fixture_order())
    marks = steps.fixture_marks()
    first = [index for index in range(15) if index % 5 < 3]
    for index in first:
        start = made.at(10, 0) + timedelta(minutes=(0, 10, 20)[index % 5])
        steps.drive(db, made, index, start)
        steps.rate(db, made, index, marks[index], min(start + timedelta(minutes=8), made.at(10, 31)))
    steps.drive(db, made, 3, made.at(10, 34))
    steps.open_key(db, made, made.at(10, 44), why=LATE)
    steps.rate(db, made, 3, marks[3], made.at(10, 42), received=made.at(12, 10), **more)
    for index in (8, 13, 4, 9, 14):
        start = made.at(10, 50) + timedelta(minutes=10 * (index % 5 == 4))
        with transaction(db), clock.at(start - timedelta(minutes=1)):
            row = next(row for row in list_runs(db, made.w.team.id, made.w.session_id) if row.id == made.runs[index])
            piece = made.w.q.pieces[made.order[index]][steps.SEATS.index(row.initials)]
            build_commands.record_build(db, made.runs[index], by=made.w.team.SK, piece_ids=[piece], confirmed=True,
                                        settings=steps.scenes.BUILD)  # fmt: skip
        steps.drive(db, made, index, start, noted=False)
        steps.rate(db, made, index, marks[index], start + timedelta(minutes=8))
    fixture.close(db, made.w, made.w.session_id)
    return made


def test_29_ten_slips_stay_blind_and_five_become_open_label(db, browser):
    made = scenario_29(db)
    loaded, found = labels(db, made)
    assert len(loaded.slips) == 15
    assert sorted(found.values()) == ["key opened before capture"] * 5
    assert open_sheet(db, made.w.team.OW, made.w.question_id).sheet.panel.blind_share == pytest.approx(10 / 15)
    words = text_of(browser.as_(made.w.team.OW).get(made.w.path(f"/questions/{made.w.question_id}/sheet"), max_queries=12).text)
    assert f"opened early by SK: {LATE}; 6 slips not in" in words
    assert "10:44" in words
    assert "5, key opened before capture" in words


def test_29_a_phone_whose_clock_could_not_be_checked_proves_nothing(db):
    made = scenario_29(db, clock_checked=False)
    _, found = labels(db, made)
    assert sorted(found.values()) == ["blind not provable", *["key opened before capture"] * 5]


def test_opening_early_says_why(db):
    made = steps.s03(db, rated=False)
    for why in ("", "cracked"):
        with pytest.raises(Refused, match="15 slips are not in") as refused:
            steps.open_key(db, made, made.at(10, 44), why=why)
        assert refused.value.field == "why"
    assert made.facts(db).sealed


# --- 30
def guess_block(db, right):
    """Four codes, three raters, `right` of twelve guesses right."""
    made = steps.seal(db, steps.plan(db, each=4), ["t40", "t45", "t40*", "t50"] * 3)
    for index in range(12):
        start = made.at(10, 0) + timedelta(minutes=12 * (index % 4))
        steps.drive(db, made, index, start)
        steps.rate(db, made, index, 6.0, start + timedelta(minutes=8))
    left = right
    for rater in steps.SEATS:
        said = {}
        for row in made.facts(db).own_runs(made.w.team[rater].account_id):
            said[row.code] = row.variant if left > 0 else next(code for code in ("t40", "t45", "t50") if code != row.variant)
            left -= 1
        steps.guess(db, made, rater, said, made.at(10, 58))
    steps.open_key(db, made, made.at(11, 5))
    fixture.close(db, made.w, made.w.session_id)
    return made


def test_30_guesses_far_above_chance_mean_that_the_blind_failed(db, browser):
    made = guess_block(db, 9)
    facts = made.facts(db)
    assert (facts.guesses, facts.guesses_right, len(facts.codes)) == (12, 9, 4)
    assert facts.guess_p == pytest.approx(0.0039, abs=0.0001)
    loaded, found = labels(db, made)
    assert set(found.values()) == {"blind probably failed"}
    assert set(found) == set(loaded.slips)
    page = text_of(browser.as_(made.w.team.OW).get(made.w.path(f"/blocks/{made.block_id}"), max_queries=12).text)
    assert "Blind probably failed: 9 of 12 guesses right among 3, P = 0.004." in page


def test_30_seven_of_twelve_is_no_proof(db):
    """P(X >= 7) of 12 at one third is 0.066; exact binomial."""
    made = guess_block(db, 7)
    assert made.facts(db).guess_p == pytest.approx(0.0664, abs=0.0001)
    assert labels(db, made)[1] == {}


def test_a_guess_comes_after_ones_own_slips_once_and_before_the_key(db):
    made = steps.s03(db, rated=False)
    codes = {row.code: "t40" for row in made.facts(db).own_runs(made.w.team.AQ.account_id)}
    with pytest.raises(Conflict, match="Your own slips of this block come first"):
        steps.guess(db, made, "AQ", codes, made.at(11, 0))
    for index, mark in enumerate(steps.fixture_marks()):
        steps.rate(db, made, index, mark, made.at(11, 1))
    with pytest.raises(Refused, match="A guess is missing"):
        steps.guess(db, made, "AQ", {}, made.at(11, 2))
    steps.guess(db, made, "AQ", codes, made.at(11, 2))
    with pytest.raises(Conflict, match="guessed in this block already"):
        steps.guess(db, made, "AQ", codes, made.at(11, 2))
    steps.open_key(db, made, made.at(11, 5))
    with pytest.raises(Conflict, match="key of this block is open"):
        steps.guess(db, made, "MS", codes, made.at(11, 6))


# --- 31
def triangles(db, right):
    """Two triangles each for three drivers."""
    made = steps.seal(db, steps.plan(db, each=6), ["t40", "t45", "t40", "t45", "t40", "t45"] * 3, kind=BlockKind.TRIANGLE)
    for index in range(18):
        steps.drive(db, made, index, made.at(10, 0) + timedelta(minutes=10 * (index % 6)))
    for number, trial in enumerate(made.facts(db).trials):
        odd = next(run for run in trial.runs if [r.variant for r in trial.runs].count(run.variant) == 1)
        other = next(run for run in trial.runs if run is not odd)
        with transaction(db), clock.at(made.at(11, 30)):
            blind.file_choice(db, made.block_id, by=made.w.team[trial.runs[0].initials], first_run_id=trial.runs[0].run_id,
                              chosen_run_id=(odd if number < right else other).run_id)  # fmt: skip
    return made


@pytest.mark.parametrize(("right", "words"), [(5, "P = 0.018: difference can be felt"), (4, "P = 0.10: a difference is not shown")])
def test_31_the_odd_one_out(db, browser, right, words):
    made = triangles(db, right)
    facts = made.facts(db)
    assert len(facts.codes) == 18, "a code a run: codes must not tell which two are alike"
    assert (facts.due, facts.answered, facts.result) == (6, 6, None)
    steps.open_key(db, made, made.at(11, 40))
    fixture.close(db, made.w, made.w.session_id)
    for path in (f"/blocks/{made.block_id}", f"/questions/{made.w.question_id}/sheet"):
        page = text_of(browser.as_(made.w.team.OW).get(made.w.path(path), max_queries=12).text)
        assert f"{right} of 6 picked the odd one, {words}" in page
        assert "no difference" not in page.split("picked the odd one")[1][:60]


def test_pairs_with_an_expected_answer_are_one_sided(db):
    made = steps.plan(db, each=4)
    expected = made.w.q.variants["t45"]
    steps.seal(db, made, ["t40", "t45", "t45", "t40"] * 3, kind=BlockKind.PAIRED, asked="steers more precisely", expected_id=expected)
    for index in range(12):
        steps.drive(db, made, index, made.at(10, 0) + timedelta(minutes=10 * (index % 4)))
    for trial in made.facts(db).trials:
        stiff = next(run for run in trial.runs if run.variant == "t45")
        with transaction(db), clock.at(made.at(11, 30)):
            blind.file_choice(db, made.block_id, by=made.w.team[stiff.initials], first_run_id=trial.runs[0].run_id,
                              chosen_run_id=stiff.run_id)  # fmt: skip
    steps.open_key(db, made, made.at(11, 40))
    assert made.facts(db).result.sentence == "6 of 6 named t45 for “steers more precisely”, one-sided P = 0.016: a difference can be felt."


# --- 20 and 32
def test_20_others_marks_are_refused_and_hearsay_is_open_label(db, browser):
    made = steps.s03(db, rated=False)
    marks = steps.fixture_marks()
    first = steps.rate(db, made, 0, marks[0], made.at(10, 58))
    browser.as_(made.w.team.DH).get(made.w.path(f"/slips/{first}"), status=403)
    for index in range(1, 15):
        steps.rate(db, made, index, marks[index], made.at(10, 59), heard=index == 13)
    steps.open_key(db, made, made.at(11, 5))
    fixture.close(db, made.w, made.w.session_id)
    loaded, found = labels(db, made)
    heard = next(slip.id for slip in loaded.slips.values() if slip.run_id == made.runs[13])
    assert found == {heard: "had heard others"}
    assert loaded.counting[heard].counts


def test_32_the_conductor_who_holds_the_key_rates_openly(db):
    made = steps.seal(db, steps.plan(db, ("AQ", "SK")), ["t40", "t45", "t40", "t50", "t40"] * 2)
    for index in range(10):
        start = made.at(10, 0) + timedelta(minutes=12 * (index % 5))
        steps.drive(db, made, index, start)
        steps.rate(db, made, index, 6.5, start + timedelta(minutes=8))
    steps.open_key(db, made, made.at(11, 5))
    fixture.close(db, made.w, made.w.session_id)
    loaded, found = labels(db, made)
    assert set(found.values()) == {"rater is conductor"}
    assert {loaded.slips[slip].rater for slip in found} == {"SK"}
    assert len(found) == 5
    assert all(loaded.counting[slip].counts for slip in found)


# --- who sees what
def test_the_key_is_its_holders_alone(db, browser):
    made = steps.s03(db)
    path = made.w.path(f"/blocks/{made.block_id}/key")
    assert "t45" in browser.as_(made.w.team.SK).get(path, max_queries=12).text
    for initials in ("AQ", "RT", "OW", "DH"):
        assert "t45" not in browser.as_(made.w.team[initials]).get(path, status=403).text


def test_marks_of_a_sealed_block_stay_hidden_though_the_session_is_closed(db):
    made = steps.s03(db)
    fixture.close(db, made.w, made.w.session_id)
    assert hidden_sessions(db, made.w.team.AQ) == [made.w.session_id]
    assert hidden_sessions(db, made.w.team.PL) == [made.w.session_id], "a driver who is not in the block"
    assert hidden_sessions(db, made.w.team.RT) == []
    steps.open_key(db, made, made.at(16, 30))
    assert hidden_sessions(db, made.w.team.AQ) == hidden_sessions(db, made.w.team.PL) == []


def test_own_earlier_marks_are_hidden_inside_a_sealed_block(db, browser):
    made = steps.s03(db, rated=False)
    slip = steps.rate(db, made, 0, 3.5, made.at(10, 58))
    browser.as_(made.w.team.AQ)
    for path in (f"/runs/{made.runs[0]}", f"/slips/{slip}"):
        page = text_of(browser.get(made.w.path(path), max_queries=12).text)
        assert "3.5" not in page
        assert "marks are hidden until the key" in page
    amend = browser.get(made.w.path(f"/slips/{slip}/amend")).text
    assert " checked" not in amend


# --- once the key is open
def test_a_value_changed_after_the_key_is_kept_and_never_counted(db, browser):
    made = steps.s03(db)
    steps.open_key(db, made, made.at(11, 5))
    w, answers = made.w, Answers({made.w.q.goal_id: 900}, "sure")
    slip = next(s.id for s in open_sheet(db, w.team.RT, w.question_id).loaded.slips.values() if s.run_id == made.runs[1])
    with transaction(db), clock.at(made.at(11, 10)):
        feedback.amend_slip(db, slip, by=w.team.AQ, version=1, answers=answers, reason="I knew it was the stiff one")
    kept = get_slip(db, w.team.id, slip)
    assert (kept.version, marks_of(kept.versions[0])) == (1, {w.q.goal_id: 700})
    assert (kept.versions[1].state, marks_of(kept.versions[1])) == (VersionState.REFUSED, {w.q.goal_id: 900})
    fixture.close(db, w, w.session_id)
    page = text_of(browser.as_(w.team.OW).get(w.path(f"/slips/{slip}"), max_queries=12).text)
    assert "kept and not counted" in page
    assert "value changed after key open: I knew it was the stiff one" in page
    with transaction(db), clock.at(made.at(16, 10)):
        words = Answers({w.q.goal_id: 700}, "sure", False, "cold")
        feedback.amend_slip(db, slip, by=w.team.AQ, version=1, answers=words, reason="my words")
    assert get_slip(db, w.team.id, slip).version == 3, "the words may change, the value stands"


def test_14_with_the_key_open_a_wrong_run_waits_for_the_conductor(db, browser):
    made = steps.seal(db, steps.plan(db), steps.fixture_order())
    for index in range(15):
        steps.drive(db, made, index, made.at(10, 0) + timedelta(minutes=12 * (index % 5)))
    slip = steps.rate(db, made, 1, 7.5, made.at(11, 0))
    steps.open_key(db, made, made.at(11, 5), why="the day is over, one driver left")
    w = made.w
    with transaction(db), clock.at(made.at(11, 8)):
        feedback.move_slip(db, slip, by=w.team.AQ, version=1, run_id=made.runs[3], reason="this was R-04")
    waiting = get_slip(db, w.team.id, slip)
    assert (waiting.run_id, waiting.version, waiting.versions[1].state) == (made.runs[1], 1, VersionState.PROPOSED)
    with pytest.raises(Conflict, match="waits for the conductor's word"), transaction(db):
        feedback.settle_proposed(db, slip, 2, by=w.team.AQ, accept=True)
    with pytest.raises(NotAllowed), transaction(db):
        version_commands.confirm_move(db, slip, 2, by=w.team.RT, accept=True)
    fixture.close(db, w, w.session_id)
    page = browser.as_(w.team.SK).get(w.path(f"/slips/{slip}"), max_queries=12).text
    assert "the conductor says whether these marks were of" in page
    browser.post(w.path(f"/slips/{slip}/versions/2/confirm-move"), {"accept": "yes"})
    moved = get_slip(db, w.team.id, slip)
    assert (moved.run_id, moved.version, [v.version for v in moved.versions]) == (made.runs[3], 2, [1, 2])


def test_nothing_else_writes_what_is_on_a_sealed_car(db):
    made = steps.s03(db, rated=False)
    w, piece = made.w, made.w.q.pieces["t45"][0]
    for act in (
        lambda: build_commands.record_build(db, made.runs[0], by=w.team.RT, piece_ids=[piece]),
        lambda: build_commands.record_build(db, made.runs[0], by=w.team.SK, piece_ids=[piece]),
        lambda: build_commands.confirm_build(db, made.runs[0], by=w.team.SK),
        lambda: build_commands.swap_cars(db, made.runs[0], made.runs[5], by=w.team.SK, why="radios swapped"),
    ):
        with pytest.raises(Conflict, match="under a sealed key"), transaction(db):
            act()
    with pytest.raises(NotAllowed), transaction(db):
        blind.note_build(db, made.block_id, made.runs[0], by=w.team.RT, piece_ids=[piece], settings={}, confirmed=True, reason="I saw it")


def test_what_was_noted_becomes_the_as_run_build(db):
    """Pieces win over the key: R-02 really ran t50, and the book says so."""
    made = steps.s03(db)
    w = made.w
    with transaction(db), clock.at(made.at(11, 0)):
        blind.note_build(db, made.block_id, made.runs[1], by=w.team.SK, piece_ids=[w.q.pieces["t50"][0]], settings={"bar mm": "1.2"},
                         confirmed=True, reason="found on the car")  # fmt: skip
    steps.open_key(db, made, made.at(11, 5))
    carried = {row.id: (row.variants, row.build_state) for row in list_runs(db, w.team.id, w.session_id)}
    assert carried[made.runs[0]] == ("Q-01 t40", "confirmed")
    assert carried[made.runs[1]] == ("Q-01 t50", "confirmed")
    assert made.facts(db).runs[1].variant == "t45", "the key never changes"
    assert get_run(db, w.team.id, made.runs[0]).key_opened


def test_an_unnoted_run_is_what_its_code_says_assumed(db):
    made = steps.seal(db, steps.plan(db), steps.fixture_order())
    steps.drive(db, made, 1, made.at(10, 12), noted=False)
    steps.open_key(db, made, made.at(10, 44), why=LATE)
    rows = {row.id: row for row in list_runs(db, made.w.team.id, made.w.session_id)}
    assert (rows[made.runs[1]].variants, rows[made.runs[1]].build_state) == ("Q-01 t45", "assumed")
    assert rows[made.runs[2]].build_state is None, "never driven, never built"
