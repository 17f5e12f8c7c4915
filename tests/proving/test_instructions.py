"""Containment: an instruction in force, where it is shown, and that it tells nothing of a sealed key. Invented data."""

from datetime import timedelta

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from app import clock
from app.concerns import loop_commands, loop_queries
from app.concerns.models import CauseClass, TryResult
from app.db import transaction
from app.errors import Conflict, Refused
from app.proving.queries import list_instructions
from app.sessions import build_commands
from app.sessions import commands as sessions
from tests import fixture
from tests.blind import steps as blind
from tests.concerns.make_concerns import concern
from tests.pages import text_of
from tests.proving import steps

WORDS = "no flat landings"


def contain(db, team, concern_id, revision_id, *, by="SK", **more):
    with transaction(db):
        return loop_commands.contain(db, concern_id, by=team[by], words=WORDS, revision_id=revision_id, **more).id


def planned(db, w, code="t45"):
    """One planned run with that variant on the car."""
    w.session_id = fixture.session(db, w, day=clock.now().date())
    with transaction(db):
        run = sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=w.team.AQ.account_id, car_id=w.season.cars[0])
        build_commands.record_build(db, run.id, by=w.team.SK, piece_ids=[w.q.pieces[code][0]], confirmed=True, settings={})
    return run.id


def test_it_stands_on_the_run_card_while_it_is_in_force(db, browser):
    w = fixture.world(db)
    run_id = planned(db, w)
    concern_id = concern(db, w.team.AQ, "cracks at the bolt hole")
    held = contain(db, w.team, concern_id, w.q.revisions["t45"], until_at=clock.now() + timedelta(days=2))
    contain(db, w.team, concern_id, w.q.revisions["t50"])
    (keep,) = list_instructions(db, w.team.AQ, w.session_id)[run_id]
    assert (keep.words, keep.on, keep.exact) == (WORDS, "FST-t45 r1", True)
    db.rollback()
    for who in ("AQ", "SK"):
        shown = text_of(browser.as_(w.team[who]).get(w.path("/hall"), max_queries=12).text)
        assert "In force on R-01. no flat landings" in shown
        assert "FST-t45 r1 is on the car" in shown
    assert "In force" in text_of(browser.get(w.path("/concerns"), max_queries=12).text)
    with clock.at(clock.now() + timedelta(days=3)):
        assert list_instructions(db, w.team.AQ, w.session_id) == {}
    with transaction(db):
        loop_commands.lift_containment(db, held, by=w.team.SK, why="the radius was added by hand")
    assert list_instructions(db, w.team.AQ, w.session_id) == {}
    with pytest.raises(Conflict, match="lifted already"), transaction(db):
        loop_commands.lift_containment(db, held, by=w.team.SK, why="the radius was added by hand")


def test_on_one_piece_it_holds_for_that_piece_alone(db):
    w = fixture.world(db)
    run_id = planned(db, w)
    concern_id = concern(db, w.team.AQ, "cracks at the bolt hole")
    contain(db, w.team, concern_id, None, piece_id=w.q.pieces["t45"][1])
    assert list_instructions(db, w.team.AQ, w.session_id) == {}
    contain(db, w.team, concern_id, None, piece_id=w.q.pieces["t45"][0])
    assert [keep.on for keep in list_instructions(db, w.team.AQ, w.session_id)[run_id]] == ["FST-t45 r1 #1"]


def test_under_a_code_everybody_reads_the_same_and_only_the_holder_which_run(db):
    made = blind.s03(db, rated=False)
    w = made.w
    concern_id = concern(db, w.team.RT, "cracks at the bolt hole")
    contain(db, w.team, concern_id, w.q.revisions["t50"])
    for who in ("AQ", "RT", "OW"):
        told = list_instructions(db, w.team[who], w.session_id)
        assert set(told) == set(made.runs), who  # every run of the block, whatever is on its car
        assert {(keep.words, keep.exact) for kept in told.values() for keep in kept} == {(WORDS, False)}
    told = list_instructions(db, w.team.SK, w.session_id)
    on_it = {made.runs[index] for index, code in enumerate(made.order) if code == "t50"}
    assert {run_id for run_id, (keep,) in told.items() if keep.exact} == on_it
    db.rollback()
    blind.open_key(db, made, made.at(11, 5), why="all runs are driven")
    assert set(list_instructions(db, w.team.AQ, w.session_id)) == on_it


def test_what_is_said_of_a_concern_on_a_sealed_run_names_no_part_of_its_question(db):
    made = blind.s03(db, rated=False)
    w, team = made.w, made.w.team
    concern_id = concern(db, team.AQ, "something cracked in there", run_id=made.runs[3])
    revision_id, piece_id = w.q.revisions["t50"], w.q.pieces["t50"][0]
    acts = (
        lambda: loop_commands.contain(db, concern_id, by=team.SK, words=WORDS, revision_id=revision_id),
        lambda: loop_commands.contain(db, concern_id, by=team.SK, words=WORDS, revision_id=None, piece_id=piece_id),
        lambda: loop_commands.add_try(db, concern_id, by=team.SK, words="glued it", revision_id=revision_id),
        lambda: loop_commands.fit(db, concern_id, by=team.RT, revision_id=revision_id),
        lambda: loop_commands.name_subject(db, concern_id, by=team.RT, about=loop_commands.About(revision_id=revision_id)),
    )
    for act in acts:
        with pytest.raises(Refused, match="under a sealed key"), transaction(db):
            act()
    loop = loop_queries.load_loop(db, concern_id)
    assert [*loop.instructions, *loop.tries, *loop.fixes] == []


def test_an_instruction_needs_what_it_is_about_and_a_time_it_can_hold(db):
    p = steps.pin(db)
    for more, field in (({"revision_id": None}, "revision_id"), ({"revision_id": p.thin, "until_at": clock.now()}, "until_at")):
        with pytest.raises(Refused) as refused, transaction(db):
            loop_commands.contain(db, p.concern_id, by=p.team.SK, words=WORDS, **more)
        assert refused.value.field == field
    with pytest.raises(Refused, match="Lifting an instruction needs a reason"), transaction(db):
        loop_commands.lift_containment(db, contain(db, p.team, p.concern_id, p.thin), by=p.team.SK, why="fine")


def test_what_was_filed_cant_be_altered_even_past_the_commands(db):
    p = steps.pin(db)
    held = contain(db, p.team, p.concern_id, p.thin)
    with transaction(db):
        loop_commands.note_cause(db, p.concern_id, by=p.team.RT, version=0, cause=CauseClass.DESIGN, words="Too thin for a nose hit.")
        loop_commands.add_try(db, p.concern_id, by=p.team.SK, words="harder steel", result=TryResult.NO_CHANGE)
        loop_commands.lift_containment(db, held, by=p.team.SK, why="nobody lands flat any more")
    tables = ("concern_causes", "concern_tries", "try_outcomes", "concern_fixes", "closing_rules")
    for statement in (*(f"DELETE FROM {name}" for name in (*tables, "containments")), "UPDATE containments SET words = 'go on'",
                      "UPDATE containments SET lifted_why = 'other'", "UPDATE closing_rules SET most_per_100 = 50"):  # fmt: skip
        with pytest.raises(DBAPIError), transaction(db):
            db.execute(text(statement))


def test_the_steps_are_taken_on_the_page_and_each_keeps_its_words(db, browser):
    p = steps.pin(db, rule=None, fitted=False)
    rt = browser.as_(p.team.RT)
    rt.post(f"{p.path}/reproduced", {"text": "Nose hit at half speed, twice."})
    rt.post(f"{p.path}/contain", {"words": WORDS, "revision_id": str(p.thin)})
    rt.post(f"{p.path}/cause", {"cause": "design", "words": "Bends from 410 N on.", "version": "0"})
    rt.post(f"{p.path}/cause", {"cause": "material", "words": "The batch was soft.", "version": "0"}, status=409)
    rt.post(f"{p.path}/tries", {"words": "harder steel", "piece_id": str(p.thin_pieces[0]), "result": "no change",
                                "result_words": "bent at the third hit"})  # fmt: skip
    rt.post(f"{p.path}/tries", {"words": "3.0 mm", "revision_id": str(p.thick)})
    loop = loop_queries.load_loop(db, p.concern_id)
    db.rollback()
    rt.post(f"{p.path}/results", {"try_id": str(loop.tries[1].id), "result": "gone, as far as was seen", "words": "20 hits"})
    rt.post(f"{p.path}/fitted", {"fixed_revision_id": str(p.thick), "words": "3.0 mm throughout"})
    rt.post(f"{p.path}/rule", {"exposure": "board hit", "most_per_100": "10", "version": "0"})
    rt.post(f"{p.path}/rule", {"exposure": "board hit", "most_per_100": "20", "version": "1"}, status=422)
    page = rt.get(p.path, max_queries=12)
    shown = text_of(page.text)
    for words in ("action fitted", "In force. no flat landings, on RHP-p25 r1.", "design Bends from 410 N on.",
                  "harder steel, on RHP-p25 r1 #1",
                  "no change", "“bent at the third hit”", "gone, as far as was seen", "In RHP-p30 r1", "95 % bound ≤ 10 % per board hit",
                  "Clean board hits, 29 asked 0"):  # fmt: skip
        assert words in shown, words
    lift = f"{p.path}/containments/{loop.instructions[0].id}/lift"
    refused = rt.post(lift, {"why": "ok"}, status=422)
    assert "Lifting an instruction needs a reason" in text_of(refused.text)
    assert "Lifted" in text_of(rt.post(lift, {"why": "3.0 mm is on every car"}).text)


BAD = [
    ("contain", {"words": "", "revision_id": ""}, "this is needed"),
    ("contain", {"words": "x", "revision_id": "99999"}, "is not one of the choices"),
    ("contain", {"words": "no jumps"}, "Choose a revision or a piece"),
    ("contain", {"words": "no jumps", "revision_id": "1", "until_at": "soon"}, "until"),
    ("cause", {"cause": "bad luck", "words": "It was bad luck."}, "is not one of the choices"),
    ("cause", {"cause": "wear", "words": "worn"}, "at least 10 characters"),
    ("tries", {"words": "\u200b"}, "nothing readable"),
    ("results", {"try_id": "77", "result": "worse"}, "is not one of the choices"),
    ("fitted", {"fixed_revision_id": ""}, "this is needed"),
    ("rule", {"exposure": "prayer", "most_per_100": "10"}, "is not one of the choices"),
    ("rule", {"exposure": "board hit", "most_per_100": "0"}, "Between 0.01 and 50 can"),
    ("rule", {"exposure": "board hit", "most_per_100": "1.250,5"}, "1.250,5"),
    ("failures", {"incident_id": "5", "same": "same", "reason": "seen on film"}, "is not one of the choices"),
    ("reproduced", {"text": "yes"}, "at least 10 characters"),
    ("about", {}, "already"),
]  # fmt: skip


@pytest.mark.parametrize("act, sent, sentence", BAD, ids=range(len(BAD)))
def test_what_cant_be_is_refused_with_what_was_typed(db, browser, act, sent, sentence):
    p = steps.pin(db, rule=None, fitted=False)
    before = loop_queries.load_loop(db, p.concern_id)
    db.rollback()
    if act == "about":
        sent = {"revision_id": str(p.thick)}
    page = browser.as_(p.team.RT).post(f"{p.path}/{act}", {"version": "0", **sent}, status=409 if act == "about" else 422)
    assert sentence in text_of(page.text)
    assert loop_queries.load_loop(db, p.concern_id) == before
