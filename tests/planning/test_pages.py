"""The plan of a session on its pages: made, taken, re-planned; the season and the kit; every input's bad twin.

Source: our written acceptance of planning, scenarios 22 to 24; the invented team's day.
"""

import random
from collections import Counter
from datetime import timedelta

import pytest
from sqlalchemy import select

from app import clock
from app.blind.queries import load_block
from app.db import transaction
from app.demo import scenes
from app.errors import Conflict, NotAllowed
from app.planning.draw import draw_chain
from app.planning.models import DaySheet, Kit, PlannedRun, RunPlan
from app.sessions import commands as sessions
from app.sessions.models import Run, RunState
from tests import fixture
from tests.pages import text_of

DAY = fixture.DAY
HOURS = {"booked_min": "240", "set_up_min": "45", "warm_up_min": "20", "breaks_min": "15", "tear_down_min": "10", "run_min": "5",
         "turnround_min": "7", "brackets": "1", "limits": "", "edition": ""}  # fmt: skip


@pytest.fixture
def w(db):
    """Q-01 asked, a session planned for the day of the fixture, nothing driven."""
    made = fixture.world(db)
    with transaction(db), clock.at(scenes.moment(DAY, 7)):
        made.session_id = sessions.plan_session(
            db, by=made.team.RT, place="Quarry", time_zone="Europe/Berlin", on_date=DAY, surface="carpet", grip="low",
            drivers=[made.team[i].account_id for i in ("AQ", "MS", "DH")],
        ).id  # fmt: skip
    return made


def day_form(w, use_cars=3, **more):
    return {**HOURS, "starts_at": f"{DAY}T08:00", "cars": [str(c) for c in w.season.cars[:use_cars]], "form_token": "t",
            "drivers": [str(w.team[i].account_id) for i in ("AQ", "MS", "DH")], "questions": [str(w.question_id)], **more}  # fmt: skip


def plan_path(w, rest="plan"):
    return w.path(f"/sessions/{w.session_id}/{rest}")


def accept_form(page, wish="better balance", **more):
    """The hidden values of one plan's button."""
    part = page.split(f'name="wish" value="{wish}"', 1)[1]
    return {"wish": wish, "shown": part.split('name="shown" value="', 1)[1].split('"')[0], "form_token": "a", **more}


def runs_of(db, w):
    found = db.scalars(select(Run).where(Run.session_id == w.session_id).order_by(Run.number)).all()
    db.rollback()
    return found


def test_a_plan_is_made_taken_and_stands_in_the_hall(db, browser, w):
    browser.as_(w.team.RT)
    assert "What the plan is made from" in text_of(browser.get(plan_path(w), max_queries=12).text)
    page = browser.post(plan_path(w), day_form(w)).text
    told = text_of(page)
    for words in ("Better balance", "More tests", "Tests an hour of hall", "60 min", "Design check, before it is driven",
                  "control for Q-01 t45", "test of Q-01 t50", "FST-t45 r1 #1", "09:05", "Nothing is left out"):  # fmt: skip
        assert words in told, words
    assert browser.get(plan_path(w), max_queries=12).status_code == 200
    card = text_of(browser.post(plan_path(w, "plan/accept"), accept_form(page)).text)
    assert "Planned: the runs stand in the hall's run card." in card
    assert "15 runs" in card
    runs = runs_of(db, w)
    assert len(runs) == 15
    assert {run.state for run in runs} == {RunState.PLANNED}
    assert [run.number for run in sorted(runs, key=lambda r: (r.planned_at, r.number))] == list(range(1, 16)), "numbers follow the clock"
    plan = db.scalars(select(RunPlan)).one()
    assert (plan.version, plan.seed, plan.slack_min) == (1, 1, 90)
    with clock.at(scenes.moment(DAY, 8)):
        assert "Q-01 t45" in text_of(browser.get(w.path("/hall"), max_queries=12).text)
    listed = text_of(browser.get(plan_path(w, "").rstrip("/")).text)
    assert listed.count("Q-01 t40") == 9
    assert listed.count("Q-01 t45") == 3


def test_scenario_24_on_the_page(db, browser, w):
    browser.as_(w.team.RT)
    told = text_of(browser.post(plan_path(w), day_form(w, use_cars=1)).text)
    assert "15 runs x 12 min = 180 > 150 min: 30 min over. 12 fit; drop" in told
    assert "keep every control: 9 controls and 3 tests." in told
    assert "It does not fit into 150 min." in told


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"booked_min": "80", "booked_min_sure": "1"}, "80 − 45 − 20 − 15 − 10 = -10 min are left for running"),
        ({"booked_min": "five"}, "“five” can't be read as a number"),
        ({"starts_at": "morning"}, "is not a date and time"),
        ({"limits": "XX: rest 10"}, "no driver of this session stands before a colon"),
        ({"limits": "DH: sleeps late"}, "“sleeps late” is not a limit of DH"),
        ({"limits": "DH: cars car 9"}, "“car 9” is not a car of this session, for DH"),
        ({"cars": []}, "Cars: choose at least one"),
        ({"questions": ["999"]}, "one of these is not a choice here"),
        ({"turnround_min": "-7"}, "Turnround"),
    ],
)
def test_what_can_not_be_planned_from_is_refused_and_kept(db, browser, w, more, said):
    answer = browser.as_(w.team.RT).post(plan_path(w), day_form(w, **more), status=422)
    assert said in text_of(answer.text)
    for name, value in more.items():
        if isinstance(value, str) and not name.endswith("_sure"):
            assert value in answer.text
    assert db.scalar(select(DaySheet.id)) is None


def test_a_plan_that_moved_since_is_not_taken(db, browser, w):
    browser.as_(w.team.RT)
    page = browser.post(plan_path(w), day_form(w)).text
    form = accept_form(page)
    browser.post(plan_path(w), day_form(w, brackets="2", edition="1"))
    answer = browser.post(plan_path(w, "plan/accept"), form, status=409)
    assert "The plan is not what it was when this page was loaded" in text_of(answer.text)
    assert runs_of(db, w) == []


def test_two_people_set_the_day_up_at_once(db, browser, w):
    browser.as_(w.team.RT).post(plan_path(w), day_form(w))
    answer = browser.as_(w.team.SK).post(plan_path(w), day_form(w, booked_min="300", edition="7"), status=409)
    assert "Somebody else changed what this plan is made from" in text_of(answer.text)


def test_a_driver_sees_the_card_and_plans_nothing(db, browser, w):
    browser.as_(w.team.RT)
    browser.post(plan_path(w, "plan/accept"), accept_form(browser.post(plan_path(w), day_form(w)).text))
    browser.as_(w.team.AQ)
    assert "15 runs" in text_of(browser.get(plan_path(w, "card"), max_queries=12).text)
    browser.get(plan_path(w), status=403)
    browser.get(plan_path(w, "rest"), status=403)


def test_values_are_remembered_for_the_next_session(db, browser, w):
    browser.as_(w.team.RT).post(plan_path(w), day_form(w, booked_min="300", limits="DH: rest 10"))
    with transaction(db):
        other = sessions.plan_session(db, by=w.team.RT, place="Tallowgate", time_zone="Europe/Berlin", on_date=DAY + timedelta(days=7),
                                      surface="artificial turf", grip="high")  # fmt: skip
        number = other.id
    page = browser.get(w.path(f"/sessions/{number}/plan"), max_queries=12).text
    assert 'value="300"' in page
    assert "DH: rest 10" in page
    assert f'value="{DAY + timedelta(days=7)}T08:00"' in page


def start_day(db, browser, w):
    browser.as_(w.team.RT)
    browser.post(plan_path(w, "plan/accept"), accept_form(browser.post(plan_path(w), day_form(w)).text))
    with transaction(db), clock.at(scenes.moment(DAY, 8)):
        sessions.open_session(db, w.session_id, by=w.team.SK)


def drive(db, w, how_many):
    """The first runs of the plan, each as planned."""
    for run in sorted(runs_of(db, w), key=lambda r: r.number)[:how_many]:
        with transaction(db), clock.at(run.planned_at):
            sessions.start_run(db, run.id, by=w.team.SK)
        with transaction(db), clock.at(run.planned_at + timedelta(minutes=5)):
            sessions.end_run(db, run.id, by=w.team.SK, laps=12, tyre_set=run.tyre_set)


def test_the_rest_of_the_day_in_two_taps(db, browser, w):
    """Nine runs driven; 40 minutes remain: what was driven stays, the open brackets are closed."""
    start_day(db, browser, w)
    drive(db, w, 6)
    with clock.at(scenes.moment(DAY, 8) + timedelta(minutes=85)):
        browser.as_(w.team.SK)
        first = browser.get(plan_path(w, "rest"), max_queries=12).text
        assert "40 min remain" in text_of(first)
        page = browser.get(plan_path(w, "rest?minutes=20"), max_queries=12).text
        told = text_of(page)
        assert "The rest, 20 minutes remain" in told
        assert "Take it: 3 runs" in told
        browser.post(plan_path(w, "rest?minutes=20"), accept_form(page))
    runs = runs_of(db, w)
    assert [run.state for run in runs[:6]] == [RunState.DRIVEN] * 6
    assert sum(run.state == RunState.PLANNED for run in runs) == 3
    assert sum(run.state == RunState.VOID for run in runs) == 6
    plan = db.scalars(select(RunPlan).order_by(RunPlan.version.desc())).first()
    assert (plan.version, plan.why) == (2, "20 minutes remain")
    lines = db.scalars(select(PlannedRun).where(PlannedRun.plan_id == plan.id)).all()
    assert {line.role for line in lines} == {"control"}


def test_a_day_without_hours_asks_for_them_first(db, browser, w):
    """Also for a session that was opened and driven by hand: what was driven counts in the re-plan."""
    browser.as_(w.team.SK)
    told = text_of(browser.get(plan_path(w, "rest"), max_queries=12).text)
    assert "Say what the plan is made from" in told
    browser.post(plan_path(w, "rest"), {"wish": "better balance", "shown": "x", "form_token": "t"}, status=404)
    browser.post(plan_path(w), day_form(w))
    with transaction(db), clock.at(scenes.moment(DAY, 8)):
        sessions.open_session(db, w.session_id, by=w.team.SK)
    w.drive(db, w.session_id, "AQ", 1, "t40 t45", "6.0 7.0")
    with clock.at(scenes.moment(DAY, 10) + timedelta(minutes=30)):
        page = browser.get(plan_path(w, "rest?minutes=20")).text
    card = text_of(page.split("Run card: ", 1)[1].split("</table>", 1)[0])
    assert "AQ base build" in card.replace("car 1 ", "")
    assert "control for Q-01 t45" in card


def test_a_piece_broke_and_a_driver_left(db, browser, w):
    start_day(db, browser, w)
    drive(db, w, 3)
    with clock.at(scenes.moment(DAY, 8) + timedelta(minutes=80)):
        browser.as_(w.team.SK)
        for number in (1, 2, 3):
            page = browser.get(plan_path(w, f"rest?piece=FST-t50 r1 %23{number}&driver=DH"), max_queries=12).text
        told = text_of(page)
        assert "FST-t50 r1 #3 is out of use; DH left" in told
        table = page.split("Run card: ", 1)[1].split("</table>", 1)[0]
        assert "DH" not in table
        assert "FST-t50 r1 #3" not in table
        browser.get(plan_path(w, "rest?driver=ZZ"), status=404)
        browser.get(plan_path(w, "rest?minutes=soon"), status=400)


def test_a_blind_question_shows_what_and_how_often_only(db, browser, w):
    browser.as_(w.team.RT)
    page = browser.post(plan_path(w), day_form(w, blind=[str(w.question_id)])).text
    told = text_of(page)
    assert "Q-01: t40 9 runs, t45 3 runs and t50 3 runs. The control comes back under another code" in told
    assert "drawn at sealing" in told
    assert "test of Q-01" not in told
    browser.post(plan_path(w, "plan/accept"), accept_form(page))
    assert {line.role for line in db.scalars(select(PlannedRun))} == {"sealed"}
    card = text_of(browser.get(plan_path(w, "card")).text)
    assert "drawn at sealing" in card
    assert "t45" not in card.split("15 runs", 1)[1].split("Design check", 1)[0], "nobody reads the order here"
    session = text_of(browser.get(w.path(f"/sessions/{w.session_id}")).text)
    assert "Q-01 t45" not in session


def seal(db, w, by="SK"):
    from app.planning.seal_commands import seal_planned

    with transaction(db), clock.at(scenes.moment(DAY, 7)):
        return seal_planned(db, w.session_id, w.question_id, by=w.team[by]).id


def test_the_order_of_a_blind_question_is_drawn_at_sealing_and_known_to_the_holder_only(db, browser, w):
    browser.as_(w.team.RT)
    page = browser.post(plan_path(w), day_form(w, blind=[str(w.question_id)])).text
    browser.post(plan_path(w, "plan/accept"), accept_form(page))
    assert "Draw the order" not in browser.get(plan_path(w, "card")).text  # a designer holds no key
    browser.as_(w.team.SK)
    assert "Draw the order and lock the key of Q-01" in text_of(browser.get(plan_path(w, "card"), max_queries=12).text)
    key = text_of(browser.post(plan_path(w, f"plan/seal/{w.question_id}"), {"form_token": "seal-1"}).text)
    assert "Code key" in key
    with transaction(db):
        facts = load_block(db, w.team.SK, 1)
        behind = Counter((run.variant, run.repeat) for run in facts.runs)
        own = [[(run.variant, run.repeat) for run in facts.runs if run.initials == who] for who in ("AQ", "MS", "DH")]
    assert behind == {("t40", False): 6, ("t40", True): 3, ("t45", False): 3, ("t50", False): 3}  # as approved, 9 controls in all
    assert all(runs[0][0] == runs[-1][0] == "t40" for runs in own), "brackets close"
    card = text_of(browser.get(plan_path(w, "card")).text)
    assert all(str(code) in card for code in facts.codes)
    assert "Draw the order" not in card
    browser.post(plan_path(w, f"plan/seal/{w.question_id}"), {"form_token": "seal-2"}, status=409)


def test_nothing_is_sealed_that_was_not_planned_blind(db, browser, w):
    with pytest.raises(Conflict, match="No blind runs of Q-01 are planned here"):
        seal(db, w)
    browser.as_(w.team.RT).post(plan_path(w), day_form(w))
    with pytest.raises(NotAllowed):
        seal(db, w, by="RT")


def test_every_order_of_a_chain_is_as_likely_as_any_other():
    """Two tests and two of four controls under their second code: 2 x 6 draws. Chi-square of 6000 draws against equal shares,
    11 degrees of freedom; its upper .001 point is 31.3 (table of the chi-square distribution)."""
    rng = random.Random(11)
    roles = ["control", "test", "control", "test", "control", "control"]
    seen = Counter(tuple(draw_chain(roles, {"a": 1, "b": 1}, "c", rng)) for _ in range(6000))
    assert len(seen) == 12
    assert sum((n - 500) ** 2 / 500 for n in seen.values()) < 31.3
    with pytest.raises(ValueError, match="3 tests for 2 runs"):
        draw_chain(roles, {"a": 3}, "c", rng)


def test_kit_and_part_figures_limit_the_plan(db, browser, w):
    browser.as_(w.team.SK)
    browser.post(w.path("/kit"), {"kind": "tyre set", "name": "set 1", "most_runs": "3", "charging_min": "", "form_token": "1"})
    browser.post(w.path("/kit"), {"kind": "pack", "name": "P-1", "most_runs": "", "charging_min": "45", "form_token": "2"})
    kit = text_of(browser.get(w.path("/kit"), max_queries=12).text)
    assert "set 1" in kit
    assert "charges 45 min" in kit
    wrong = browser.post(w.path("/kit"), {"kind": "pack", "name": "P-2", "charging_min": "", "form_token": "3"}, status=422)
    assert "Charging: this is needed for a pack." in text_of(wrong.text)
    twice = browser.post(w.path("/kit"), {"kind": "pack", "name": "p-1", "charging_min": "30", "form_token": "4"}, status=422)
    assert "There is a pack called p-1 already" in text_of(twice.text)
    told = text_of(browser.post(plan_path(w), day_form(w)).text)
    assert "runs on one set are needed so that the tyres match" in told
    number = db.scalar(select(Kit.id).where(Kit.name == "set 1"))
    db.rollback()
    browser.post(w.path(f"/kit/{number}/retire"), {"form_token": "5"})
    assert "set 1" not in text_of(browser.get(w.path("/kit")).text)


def test_change_over_minutes_of_a_part(db, browser, w):
    browser.as_(w.team.RT)
    page = browser.get(w.path("/kit")).text
    part = page.split('name="part_id"', 1)[1].split('<option value="', 1)[1].split('"')[0]
    figures = {"part_id": part, "change_min": "12", "corrections": "2", "correction_days": "14", "form_token": "1"}
    browser.post(w.path("/kit/parts"), figures)
    told = text_of(browser.post(plan_path(w), day_form(w)).text)
    assert "FST, 12 min" in told
    bad = browser.post(w.path("/kit/parts"), {**figures, "change_min": "-1"}, status=422)
    assert "Change-over at the hall" in text_of(bad.text)


def test_the_season(db, browser, w):
    browser.as_(w.team.OW)
    with clock.at(scenes.moment(DAY, 7)):
        assert "No freeze date is set yet" in text_of(browser.get(w.path("/season"), max_queries=12).text)
        browser.post(w.path("/season"), {"freeze_on": "2026-06-30", "edition": "", "form_token": "1"})
        told = text_of(browser.get(w.path("/season"), max_queries=12).text)
        assert "Can't be settled in time: Q-01" in told
        assert "no verdict stands on one session" in told
        for date, price in (("2026-02-20", "500"), ("2026-02-27", "360")):
            browser.post(w.path("/season/offers"), {"place": "Tallowgate", "on_date": date, "running_min": "150", "price": price,
                                                   "form_token": date})  # fmt: skip
        told = text_of(browser.get(w.path("/season"), max_queries=12).text)
        assert "The cheapest hours that would settle more: Tallowgate 27 Feb" in told
        assert "360 together, for Q-01" in told
        assert "in time if booked" in told
        gone = {"place": "Quarry", "on_date": "2025-01-01", "running_min": "150", "price": "1"}
        past = browser.post(w.path("/season/offers"), gone, status=422)
        assert "1 Jan 2025 is past" in text_of(past.text)
        stale = browser.post(w.path("/season"), {"freeze_on": "2026-07-30", "edition": "9", "form_token": "2"}, status=409)
        assert "Somebody else changed the freeze date" in text_of(stale.text)


def test_screening_in_words(db, browser, w):
    browser.as_(w.team.RT)
    told = text_of(browser.get(w.path("/kit/screening"), max_queries=12).text)
    assert "front hole can't be told from rear hole and piston together." in told
    one = browser.get(w.path("/kit/screening?options=bar+%3D+1.2"), status=200).text
    assert "Write each option once, with two levels" in text_of(one)
