"""Acceptance scenarios 12 to 21, 25 and 26 through commands and pages; all data is the invented fixture."""

import io
from datetime import timedelta

import pytest

from app import clock
from app.db import transaction
from app.decisions import queries as decisions
from app.errors import Conflict, NotAllowed, Refused
from app.feedback import commands, queries
from app.feedback.card_commands import add_card_photo
from app.feedback.models import NotCounted, Source
from app.feedback.rules import Answers
from app.photos.rules import read_picture
from app.programmes.queries import list_attributes
from app.sessions import build_commands
from app.sessions.models import RunState
from app.sessions.queries import get_run
from tests import fixture
from tests.fixture import scenes
from tests.pages import text_of
from tests.photos.pictures import saved

TOKEN = "a-token-made-when-the-form-was-served"


def answers(w, mark, **more):
    return Answers({w.q.goal_id: None if mark is None else round(mark * 100)}, **more)


def undriven_slip(db, w):
    """One more run of DH in S-03, driven and not rated."""
    return w.drive(db, w.session_id, "DH", 3, "t45", "6.5", minutes=[60], rated=False)[0]


def reading(db, w, variant):
    sheet = decisions.open_sheet(db, w.team.RT, w.question_id).sheet
    return next(r for r in sheet.panel.readings if r.variant == variant)


@pytest.fixture
def w(db):
    return fixture.s03(db, closed=False)


def after(db, run_id, minutes):
    return clock.at(get_run(db, clock_programme(db, run_id), run_id).ended_at + timedelta(minutes=minutes))


def clock_programme(db, run_id):
    from app.sessions.models import Run

    return db.get(Run, run_id).programme_id


def test_12_sent_three_times_makes_one_slip_and_three_equal_answers(db, w):
    run_id = undriven_slip(db, w)
    receipts = []
    for _ in range(3):
        with after(db, run_id, 3), transaction(db):
            receipts.append(commands.file_slip(db, run_id, by=w.team.DH, token=TOKEN, answers=answers(w, 7.0)))
    assert len({(r.slip_id, r.content_hash) for r in receipts}) == 1
    assert [r.outcome for r in receipts] == ["filed", "same", "same"]


def test_13_same_token_other_content_is_held_as_a_proposed_amendment(db, w):
    run_id = undriven_slip(db, w)
    for mark in (7.0, 7.5):
        with after(db, run_id, 3), transaction(db):
            receipt = commands.file_slip(db, run_id, by=w.team.DH, token=TOKEN, answers=answers(w, mark))
    assert receipt.outcome == "proposed"
    slip = queries.get_slip(db, w.team.id, receipt.slip_id)
    assert slip.version == 1
    assert [queries.marks_of(v)[w.q.goal_id] for v in slip.versions] == [700, 750]
    with transaction(db):
        commands.settle_proposed(db, receipt.slip_id, 2, by=w.team.DH, accept=True)
    assert queries.get_slip(db, w.team.id, receipt.slip_id).version == 2
    with pytest.raises(Conflict), transaction(db):
        commands.settle_proposed(db, receipt.slip_id, 2, by=w.team.DH, accept=False)


def test_14_rated_the_wrong_run(db, w):
    r04, r02 = w.runs[3], w.runs[1]
    slip_of = {run_id: queries.find_live_slip(db, run_id, w.team.AQ.account_id).id for run_id in (r02, r04)}
    with transaction(db):
        for run_id in (r02, r04):
            commands.withdraw_slip(db, slip_of[run_id], by=w.team.AQ, why="marked on the wrong run")
    with after(db, r04, 4), transaction(db):
        slip_of[r02] = commands.file_slip(db, r02, by=w.team.AQ, token=TOKEN, answers=answers(w, 7.5)).slip_id
    with transaction(db):
        moved = commands.move_slip(db, slip_of[r02], by=w.team.AQ, version=1, run_id=r04, reason="this was R-04")
        assert moved.version == 2
    assert queries.find_live_slip(db, r02, w.team.AQ.account_id) is None
    assert queries.find_live_slip(db, r04, w.team.AQ.account_id).id == slip_of[r02]
    versions = queries.get_slip(db, w.team.id, slip_of[r02]).versions
    assert [v.run_id for v in versions] == [r02, r04]
    assert versions[1].reason == "this was R-04"


def test_15_the_wrong_person(db, w, browser):
    run_id = undriven_slip(db, w)
    page = browser.as_(w.team.MS).get(w.path(f"/runs/{run_id}/slip"))
    assert "was driven by DH Deniz Harrowby. Are you filing for them?" in text_of(page.text)
    with after(db, run_id, 3), transaction(db):
        receipt = commands.file_slip(db, run_id, by=w.team.MS, token=TOKEN, answers=answers(w, 7.0))
    notes = queries.list_notes(db, [run_id])
    assert [(n.slip_id, n.counts, n.reason) for n in notes] == [(receipt.slip_id, False, NotCounted.WRONG_PERSON)]
    shown = browser.as_(w.team.DH).get(w.path(f"/runs/{run_id}"))
    assert "These are my marks: confirm" in shown.text
    browser.post(w.path(f"/slips/{receipt.slip_id}/confirm"))
    db.rollback()
    slip = queries.find_live_slip(db, run_id, w.team.DH.account_id)
    assert (slip.rater_id, slip.filed_by_id) == (w.team.DH.account_id, w.team.MS.account_id)


def test_16_filing_for_another_from_a_paper_card(db, w):
    run_id = undriven_slip(db, w)
    captured = get_run(db, w.team.id, run_id).ended_at + timedelta(minutes=5)
    with after(db, run_id, 120), transaction(db):
        receipt = commands.file_slip(db, run_id, by=w.team.SK, token=TOKEN, answers=answers(w, 6.5), rater_id=w.team.DH.account_id,
                                     captured_at=captured, source=Source.PAPER, paper_card="14")  # fmt: skip
    slip = queries.get_slip(db, w.team.id, receipt.slip_id)
    assert (slip.rater_id, slip.filed_by_id, slip.paper_card) == (w.team.DH.account_id, w.team.SK.account_id, "14")
    assert slip.captured_at == captured < slip.received_at
    with pytest.raises(NotAllowed), transaction(db):
        commands.amend_slip(db, slip.id, by=w.team.SK, version=1, answers=answers(w, 9.0), reason="looks better")
    with transaction(db):
        commands.amend_slip(db, slip.id, by=w.team.DH, version=1, answers=answers(w, 7.0), reason="card was misread")
    with pytest.raises(NotAllowed), transaction(db):
        commands.file_slip(db, run_id, by=w.team.AQ, token=TOKEN + "-2", answers=answers(w, 6.5), rater_id=w.team.DH.account_id)


def test_16_the_photo_of_the_card_is_kept_with_the_slip_and_as_hidden_as_its_marks(db, w, browser):
    run_id = undriven_slip(db, w)
    captured = get_run(db, w.team.id, run_id).ended_at + timedelta(minutes=5)
    attribute, = answers(w, 6.5).marks
    with after(db, run_id, 120):
        typed = {f"mark_{attribute}": "650", "token": TOKEN, "paper_card": "own 14", "captured_at": captured.strftime("%Y-%m-%dT%H:%M")}
        page = browser.as_(w.team.SK).get(w.path(f"/runs/{run_id}/paper-slip"), max_queries=12)
        assert "Photo of the card" in page.text
        wrong = {"card_photo": ("card.jpg", b"no picture", "image/jpeg")}
        refused = browser.post(w.path(f"/runs/{run_id}/paper-slip"), typed, files=wrong, status=422)
        assert "photo" in text_of(refused.text)
        db.rollback()
        assert queries.find_live_slip(db, run_id, w.team.DH.account_id) is None
        browser.post(w.path(f"/runs/{run_id}/paper-slip"), typed, files={"card_photo": ("card.jpg", saved("JPEG"), "image/jpeg")})
    db.rollback()
    slip = queries.find_live_slip(db, run_id, w.team.DH.account_id)
    (photo,) = queries.card_photos(db, slip.id)
    assert (slip.source, slip.paper_card, slip.filed_by_id) == (Source.PAPER, "own 14", w.team.SK.account_id)
    assert f"/slips/{slip.id}/card/{photo}" in browser.as_(w.team.SK).get(w.path(f"/slips/{slip.id}"), max_queries=12).text
    assert browser.get(w.path(f"/slips/{slip.id}/card/{photo}")).headers["content-type"] == "image/jpeg"
    assert browser.as_(w.team.AQ).get(w.path(f"/slips/{slip.id}/card/{photo}"), status=403)  # as hidden as the marks
    with pytest.raises(NotAllowed), transaction(db):
        add_card_photo(db, slip.id, read_picture(io.BytesIO(saved("JPEG", (320, 240)))), by=w.team.AQ)


def test_18_could_not_judge_is_no_zero(db, w):
    with transaction(db):
        slip = queries.find_live_slip(db, w.runs[11], w.team.DH.account_id)
        commands.amend_slip(db, slip.id, by=w.team.DH, version=1, answers=answers(w, None), reason="jump was closed")
    fixture.close(db, w, w.session_id)
    t45 = reading(db, w, "t45")
    assert {d.driver for d in t45.drivers} == {"AQ", "MS"}
    assert "2 of 3" in t45.judges_sentence


def test_19_very_late_counts_only_when_the_conductor_says_why(db, w, browser):
    run_id = undriven_slip(db, w)
    with after(db, run_id, 3 * 24 * 60), transaction(db):
        slip_id = commands.file_slip(db, run_id, by=w.team.DH, token=TOKEN, answers=answers(w, 7.0)).slip_id
    fixture.close(db, w, w.session_id)
    loaded = decisions.open_sheet(db, w.team.RT, w.question_id).loaded
    assert loaded.counting[slip_id].reasons == (NotCounted.VERY_LATE,)
    with pytest.raises(NotAllowed), transaction(db):
        commands.judge_counting(db, run_id, by=w.team.RT, counts=True, reason=NotCounted.VERY_LATE, text="he was on a train")
    with transaction(db):
        commands.judge_counting(db, run_id, by=w.team.SK, counts=True, reason=NotCounted.VERY_LATE,
                                text="he was on a train", slip_id=slip_id)  # fmt: skip
    assert decisions.open_sheet(db, w.team.RT, w.question_id).loaded.counting[slip_id].counts
    for page in (f"/runs/{run_id}", f"/questions/{w.question_id}/sheet"):
        assert "he was on a train" in browser.as_(w.team.RT).get(w.path(page)).text


def test_20_others_marks_open_after_own_filing_and_closing(db, w, browser):
    run_id = undriven_slip(db, w)
    others = queries.find_live_slip(db, w.runs[0], w.team.AQ.account_id)
    page = browser.as_(w.team.DH).get(w.path(f"/slips/{others.id}"), status=403)
    assert "File your own slip first" in page.text
    assert "6.5" not in text_of(browser.get(w.path(f"/runs/{w.runs[4]}")).text)
    fixture.close(db, w, w.session_id)
    browser.as_(w.team.DH).get(w.path(f"/slips/{others.id}"), status=403)  # his own slip is still owed
    with after(db, run_id, 3), transaction(db):
        commands.file_slip(db, run_id, by=w.team.DH, token=TOKEN, answers=answers(w, 7.0, heard_others=True))
    browser.as_(w.team.DH).get(w.path(f"/slips/{others.id}"))
    assert "open-label: had heard others" in text_of(browser.get(w.path(f"/runs/{run_id}")).text)


def test_a_designer_who_drives_sees_an_open_session_as_a_driver(db, w, browser):
    from app.sessions import commands as sessions

    slip = queries.find_live_slip(db, w.runs[0], w.team.AQ.account_id)
    browser.as_(w.team.RT).get(w.path(f"/slips/{slip.id}"))
    with transaction(db):
        sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=w.team.RT.account_id, car_id=w.season.cars[0])
    browser.as_(w.team.RT).get(w.path(f"/slips/{slip.id}"), status=403)
    shown = text_of(browser.get(w.path(f"/questions/{w.question_id}/sheet")).text)
    assert "favours adopt" not in shown
    trail = text_of(browser.get(w.path("/trail")).text)
    assert "slip for" not in trail


def test_21_two_drivers_swap_cars(db, w):
    with transaction(db):
        commands.swap_cars(db, w.runs[3], w.runs[8], by=w.team.SK, why="took each other's radios")
    fixture.close(db, w, w.session_id)
    assert get_run(db, w.team.id, w.runs[3]).car_id == w.season.cars[1]
    assert {d.driver for d in reading(db, w, "t45").drivers} == {"AQ", "DH"}
    assert {d.driver for d in reading(db, w, "t50").drivers} == {"MS", "DH"}
    assert reading(db, w, "t45").reading == reading(db, w, "t50").reading == "not_enough"
    with transaction(db):
        commands.swap_cars(db, w.runs[3], w.runs[8], by=w.team.SK, why="it was only thought so", undo=True)
    assert {d.driver for d in reading(db, w, "t45").drivers} == {"AQ", "MS", "DH"}


def test_25_a_second_change_on_the_car(db, w, browser):
    with transaction(db):
        build_commands.record_build(db, w.runs[3], by=w.team.SK, piece_ids=[w.q.pieces["t50"][0]], confirmed=True,
                                    settings={**scenes.BUILD, "anti-roll bar mm": "1.4"}, reason="bar seen at the table")  # fmt: skip
    fixture.close(db, w, w.session_id)
    loaded = decisions.open_sheet(db, w.team.RT, w.question_id).loaded
    assert loaded.second_changes[w.runs[3]] == [
        "anti-roll bar mm: 1.4 instead of 1.2 (R-03)", "anti-roll bar mm: 1.4 instead of 1.2 (R-05)"]  # fmt: skip
    assert {d.driver for d in reading(db, w, "t50").drivers} == {"MS", "DH"}
    html = browser.as_(w.team.RT).get(w.path(f"/questions/{w.question_id}/sheet")).text
    assert "anti-roll bar mm: 1.4 instead of 1.2" in html
    with transaction(db):
        build_commands.record_build(db, w.runs[3], by=w.team.SK, piece_ids=[w.q.pieces["t50"][0]], confirmed=True,
                                    settings=scenes.BUILD, reason="misread: it was the 1.2 bar")  # fmt: skip
    assert {d.driver for d in reading(db, w, "t50").drivers} == {"AQ", "MS", "DH"}


def test_26_tyres_not_matched(db):
    w = fixture.world(db)
    session_id = fixture.session(db, w)
    runs = w.drive(db, session_id, "AQ", 1, "t40 t45 t40", "6 7 6", tyre_runs=[3, 9, 4])
    fixture.close(db, w, session_id)
    loaded = decisions.open_sheet(db, w.team.RT, w.question_id).loaded
    slip = queries.find_live_slip(db, runs[1], w.team.AQ.account_id)
    assert loaded.counting[slip.id].reasons == (NotCounted.TYRES,)
    with transaction(db):
        commands.judge_counting(db, runs[1], by=w.team.SK, counts=True, reason=NotCounted.TYRES, text="both sets are worn to the base")
    assert decisions.open_sheet(db, w.team.RT, w.question_id).loaded.counting[slip.id].counts


def test_two_people_amending_the_same_slip(db, w, browser):
    slip = queries.find_live_slip(db, w.runs[0], w.team.AQ.account_id)
    with transaction(db):
        commands.amend_slip(db, slip.id, by=w.team.AQ, version=1, answers=answers(w, 7.5), reason="on second thought")
    page = browser.as_(w.team.AQ).post(w.path(f"/slips/{slip.id}/amend"), status=409,
                                       data={f"mark_{w.q.goal_id}": "800", "version": "1", "reason": "from the other phone"})  # fmt: skip
    shown = text_of(page.text)
    assert "Both texts" in shown
    assert "7.5" in shown
    assert " 8 " in shown
    assert queries.get_slip(db, w.team.id, slip.id).version == 2


def test_marks_off_the_scale_and_unknown_attributes_are_refused(db, w):
    run_id = undriven_slip(db, w)
    for mark in (10.5, 0.5, 6.25):
        with pytest.raises(Refused), after(db, run_id, 3), transaction(db):
            commands.file_slip(db, run_id, by=w.team.DH, token=TOKEN, answers=answers(w, mark))
    with pytest.raises(Refused), after(db, run_id, 3), transaction(db):
        commands.file_slip(db, run_id, by=w.team.DH, token=TOKEN, answers=Answers({99999: 500}))
    assert queries.find_live_slip(db, run_id, w.team.DH.account_id) is None


def test_the_slip_page_files_without_javascript_and_the_same_form_twice_is_one_slip(db, w, browser):
    run_id = undriven_slip(db, w)
    html = browser.as_(w.team.DH).get(w.path(f"/runs/{run_id}/slip"), max_queries=8).text
    import re

    token = re.search(r'name="token" value="([^"]+)"', html).group(1)
    form_token = re.search(r'name="form_token" value="([^"]+)"', html).group(1)
    data = {"token": token, "form_token": form_token, "remark": "Tyres were gone, 1.0 <b>worse</b>"}
    data |= {f"mark_{a.id}": "could-not-judge" for a in list_attributes(db, w.team.id, on_slip=True)}
    data[f"mark_{w.q.goal_id}"] = "650"
    first = browser.post(w.path(f"/runs/{run_id}/slip"), data)
    again = browser.post(w.path(f"/runs/{run_id}/slip"), data)
    assert first.url == again.url
    assert "<b>worse</b>" not in again.text
    db.rollback()
    rows = queries.list_slips(db, w.team.id, [run_id], attribute_names={w.q.goal_id: "goal"})
    assert len(rows) == 1
    refused = browser.post(w.path(f"/runs/{run_id}/slip"), {"token": token[::-1], "remark": "kept text"}, status=422)
    assert "kept text" in refused.text


def test_a_run_that_was_not_driven_has_no_slip(db, w, browser):
    from app.sessions import commands as sessions

    with transaction(db):
        run = sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=w.team.DH.account_id, car_id=w.season.cars[0])
        run_id = run.id
        assert run.state == RunState.PLANNED
    browser.as_(w.team.DH).get(w.path(f"/runs/{run_id}/slip"), status=409)


def test_closing_a_session_never_refuses_what_arrives_later(db, w):
    run_id = undriven_slip(db, w)
    fixture.close(db, w, w.session_id)
    with after(db, run_id, 60), transaction(db):
        assert commands.file_slip(db, run_id, by=w.team.DH, token=TOKEN, answers=answers(w, 7.0)).outcome == "filed"


def test_25_the_closing_control_is_compared_too(db, w):
    with transaction(db):
        build_commands.record_build(db, w.runs[2], by=w.team.SK, piece_ids=[w.q.pieces["t40"][0]], confirmed=True,
                                    settings={**scenes.BUILD, "anti-roll bar mm": "1.4"}, reason="bar seen at the table")  # fmt: skip
    fixture.close(db, w, w.session_id)
    loaded = decisions.open_sheet(db, w.team.RT, w.question_id).loaded
    assert set(loaded.second_changes) == {w.runs[1], w.runs[3]}


def test_spellings_of_one_set_up_value_are_no_second_change(db, w):
    with transaction(db):
        build_commands.record_build(db, w.runs[3], by=w.team.SK, piece_ids=[w.q.pieces["t50"][0]], confirmed=True,
                                    settings={"Anti-Roll bar": "1,20 mm", "ride height mm": "20.5"}, reason="typed again")  # fmt: skip
    fixture.close(db, w, w.session_id)
    assert decisions.open_sheet(db, w.team.RT, w.question_id).loaded.second_changes == {}


def test_moving_a_slip_does_not_shed_the_conductors_word(db, w):
    r05, r03 = w.runs[4], w.runs[2]
    slips = {run_id: queries.find_live_slip(db, run_id, w.team.AQ.account_id).id for run_id in (r05, r03)}
    with transaction(db):
        commands.judge_counting(db, r05, by=w.team.SK, counts=False, reason=NotCounted.DAMAGED, text="arm was cracked", slip_id=slips[r05])
        commands.withdraw_slip(db, slips[r03], by=w.team.AQ, why="wrong run")
    with transaction(db):
        commands.move_slip(db, slips[r05], by=w.team.AQ, version=1, run_id=r03, reason="was the run before")
    loaded = decisions.open_sheet(db, w.team.RT, w.question_id).loaded
    assert loaded.counting[slips[r05]].reasons == (NotCounted.DAMAGED,)


def test_marks_amended_after_closing_are_named_on_the_sheet(db, w, browser):
    fixture.close(db, w, w.session_id)
    slip = queries.find_live_slip(db, w.runs[0], w.team.AQ.account_id)
    with transaction(db):
        commands.amend_slip(db, slip.id, by=w.team.AQ, version=1, answers=answers(w, 10.0), reason="read the others")
    shown = text_of(browser.as_(w.team.RT).get(w.path(f"/questions/{w.question_id}/sheet")).text)
    assert "1 slip amended after closing" in shown


def test_a_run_entered_by_its_corrected_times_locks_the_rule(db):
    from app.questions.queries import get_question
    from app.sessions import commands as sessions

    w = fixture.world(db)
    session_id = fixture.session(db, w)
    start = scenes.moment(fixture.DAY, 10)
    with transaction(db), clock.at(start):
        run = sessions.add_run(db, session_id, by=w.team.SK, driver_id=w.team.AQ.account_id, car_id=w.season.cars[0])
        build_commands.record_build(db, run.id, by=w.team.SK, piece_ids=[w.q.pieces["t45"][0]], confirmed=True)
        run_id = run.id
    with transaction(db):
        sessions.correct_times(db, run_id, by=w.team.SK, started_at=start, ended_at=start + timedelta(minutes=5), why="forgot to start it")
    question = get_question(db, w.team.id, w.question_id)
    assert question.rules[-1].locked_at is not None
    assert question.state == "running"
