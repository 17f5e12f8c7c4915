"""Today in the hall, paper cards and the driver's own session as pages. All people invented; limits are our own (DEVELOPERS.md)."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from app import clock
from app.db import transaction
from app.feedback.rules import card_letter
from app.hall import queries
from app.sessions import commands as sessions
from app.sessions.models import Run, Session
from app.sessions.queries import get_session
from tests import fixture
from tests.pages import text_of


@pytest.fixture
def w(db):
    return fixture.world(db)


def open_today(db, w, **more) -> Session:
    now = datetime.now(UTC)
    with transaction(db):
        session = sessions.plan_session(db, by=w.team.SK, place="Steel shed", time_zone="UTC", on_date=now.date(), surface="carpet",
                                        grip="low", **more)  # fmt: skip
        sessions.open_session(db, session.id, by=w.team.SK)
        return session.id


def add_run(db, w, session_id, who="DH", car=2) -> int:
    with transaction(db):
        return sessions.add_run(db, session_id, by=w.team.SK, driver_id=w.team[who].account_id, car_id=w.season.cars[car]).id


def drive(db, w, run_id, who="DH", **end) -> None:
    now = datetime.now(UTC)
    with transaction(db):
        sessions.start_run(db, run_id, by=w.team[who], at=now - timedelta(minutes=20))
        sessions.end_run(db, run_id, by=w.team[who], at=now - timedelta(minutes=10), laps=12, **end)


# --- nothing open
@pytest.mark.parametrize(("who", "offered", "not_offered"), [
    ("SK", "Plan a session", "your own conductor"), ("DH", "Open a session as your own conductor", "Plan a session")])  # fmt: skip
def test_nothing_open_is_said_with_the_next_session_and_a_way_on(db, w, browser, who, offered, not_offered):
    browser.as_(w.team[who])
    told = text_of(browser.get(w.path("/hall"), max_queries=12).text)
    assert "No session is open today." in told
    assert "None is planned either." in told
    later = (clock.now() + timedelta(days=9)).date()
    with transaction(db):
        sessions.plan_session(db, by=w.team.SK, place="Tallowgate", time_zone="UTC", on_date=later, surface="artificial turf", grip="high")
    told = text_of(browser.get(w.path("/hall"), max_queries=12).text)
    for words in ("Next is S-01 Tallowgate on", "artificial turf, high grip", offered, "Report an incident"):
        assert words in told
    assert not_offered not in told


def test_a_run_still_to_rate_is_offered_when_its_session_is_no_longer_todays(db, w, browser):
    session_id = open_today(db, w)
    drive(db, w, add_run(db, w, session_id))
    with transaction(db):
        sessions.close_session(db, session_id, by=w.team.SK)
        db.get(Session, session_id).on_date = (clock.now() - timedelta(days=3)).date()
    page = browser.as_(w.team.DH).get(w.path("/hall"), max_queries=12).text
    assert "No session is open today." in text_of(page)
    assert "Rate R-01" in text_of(page)


# --- the day's page
def test_a_full_day_stays_within_twelve_queries(db, browser):
    w = fixture.s03(db, closed=False)
    for who in ("SK", "AQ", "RT", "OW"):
        browser.as_(w.team[who]).get(w.path("/hall"), max_queries=12)
        browser.get(w.path("/outbox"), max_queries=12)
        browser.get(w.path(f"/sessions/{w.session_id}/cards"), max_queries=12)
    browser.as_(w.team.AQ).get(w.path("/hall/alone"), max_queries=12)


def test_the_next_run_stands_out_and_the_caution_stands_by_the_start(db, w, browser):
    session_id = open_today(db, w)
    for who in ("DH", "MS", "AQ"):
        add_run(db, w, session_id, who)
    page = browser.as_(w.team.SK).get(w.path("/hall")).text
    assert page.count("is-next") == 1
    assert page.count("Cars near people") == 2  # its title and its label
    assert page.index("Cars near people") < page.index("Start R-01") < page.index("Start R-02")
    assert [n for n in (1, 2, 3) if re.search(rf'button--primary">Start R-0{n}<', page)] == [1]


def test_the_run_that_rate_names_is_not_named_again(db, w, browser):
    session_id = open_today(db, w)
    first, second = (add_run(db, w, session_id) for _ in range(2))
    drive(db, w, first)
    page = browser.as_(w.team.DH).get(w.path("/hall")).text
    assert "Rate R-01" in page
    assert page.count(f'href="{w.path(f"/runs/{first}/slip")}"') == 1
    assert page.count(f'href="{w.path(f"/runs/{second}/slip")}"') == 1  # picked on the cached card when there was no signal


def test_conditions_noted_stand_and_as_last_run_is_one_tap(db, w, browser):
    session_id = open_today(db, w, air_temp_degC=7.0)
    first, second = (add_run(db, w, session_id) for _ in range(2))
    drive(db, w, first, tyre_set="set 4", tyre_runs=3, pack="P2")
    with transaction(db):
        sessions.start_run(db, second, by=w.team.DH)
    browser.as_(w.team.SK)
    told = text_of(browser.post(w.path(f"/sessions/{session_id}/conditions"), {"air_temp_degC": "9,5", "grip": ""}).text)
    assert "air 9.5 °C" in told
    assert "1 note of conditions today" in told
    db.rollback()
    assert get_session(db, w.team.id, session_id).air_temp_degC == 9.5
    assert queries.last_values(queries.list_cars_now(db, w.team.id, session_id), second) == {
        "tyre_set": "set 4", "tyre_runs": "4", "pack": "P2"}  # fmt: skip
    page = browser.as_(w.team.DH).get(w.path("/hall")).text
    assert "As last run: set 4, 4, P2" in page
    assert "data-fill=" in page


def test_what_the_plan_set_out_stands_in_the_end_form_unless_something_else_is_typed(db, w, browser):
    run_id = add_run(db, w, open_today(db, w))
    with transaction(db):
        run = db.get(Run, run_id)
        run.tyre_set, run.tyre_runs, run.pack = "set 4", 3, "P-1"  # as an accepted plan writes them
        sessions.start_run(db, run_id, by=w.team.DH)
    page = browser.as_(w.team.DH).get(w.path("/hall")).text
    assert "Planned: set 4, P-1. It stands unless you type something else." in text_of(page)
    form = page.split(f'action="{w.path(f"/runs/{run_id}/end")}"')[1].split("</form>")[0]
    sent = dict(re.findall(r'name="(tyre_set|tyre_runs|pack)"[^>]*value="([^"]*)"', form))
    assert sent == {"tyre_set": "set 4", "tyre_runs": "3", "pack": "P-1"}
    browser.post(w.path(f"/runs/{run_id}/end"), {**sent, "pack": "P-2"})
    db.rollback()
    assert (db.get(Run, run_id).tyre_set, db.get(Run, run_id).tyre_runs, db.get(Run, run_id).pack) == ("set 4", 3, "P-2")


def test_conditions_that_are_nothing_or_implausible_are_asked_about(db, w, browser):
    session_id = open_today(db, w)
    path = w.path(f"/sessions/{session_id}/conditions")
    browser.as_(w.team.SK)
    assert "Nothing is typed" in text_of(browser.post(path, {"grip": ""}, status=422).text)
    assert "1.250,5" in browser.post(path, {"air_temp_degC": "1.250,5"}, status=422).text
    browser.as_(w.team.DH).post(path, {"air_temp_degC": "9"}, status=403)


# --- paper cards
def paper(browser, w, run_id, card, *, status):
    from app.people.rules import new_token

    form = {f"mark_{w.q.goal_id}": "650", "confidence": "sure", "token": new_token(), "paper_card": card}
    return text_of(browser.post(w.path(f"/runs/{run_id}/paper-slip"), form, status=status).text)


@pytest.mark.parametrize("typed", ["R-01", "S-01/R-01", "1", "r01 "])
def test_a_printed_cards_number_without_its_letter_is_refused_with_the_way_out(db, w, browser, typed):
    run_id = add_run(db, w, open_today(db, w))
    drive(db, w, run_id)
    browser.as_(w.team.SK)
    told = paper(browser, w, run_id, typed, status=422)
    assert f"Card {typed.strip()} has no check letter" in told
    assert "write “own 14”" in told
    assert f"R-01 {card_letter(1, 1)}" not in told.replace("R-12 K", "")
    assert "Slip filed" in paper(browser, w, run_id, f"R-01 {card_letter(1, 1)}", status=200)


def test_a_card_of_ones_own_is_taken_and_a_wrong_letter_is_not(db, w, browser):
    run_id = add_run(db, w, open_today(db, w))
    drive(db, w, run_id)
    browser.as_(w.team.SK)
    wrong = "A" if card_letter(1, 1) != "A" else "B"
    assert "has the letter of another session or run" in paper(browser, w, run_id, f"R-01 {wrong}", status=422)
    assert "is not the card of S-01/R-01" in paper(browser, w, run_id, f"R-02 {wrong}", status=422)
    assert "Slip filed" in paper(browser, w, run_id, "own 14", status=200)


def test_the_cards_show_each_runs_letter(db, w, browser):
    session_id = open_today(db, w)
    for _ in range(3):
        add_run(db, w, session_id)
    told = text_of(browser.as_(w.team.SK).get(w.path(f"/sessions/{session_id}/cards"), max_queries=12).text)
    for number in (1, 2, 3):
        assert f"S-01/R-0{number} {card_letter(1, number)}" in told
    assert len({card_letter(1, number) for number in range(1, 24)}) == 23


# --- a driver alone, with signal and without a script
def test_a_driver_opens_drives_on_and_closes_alone(db, w, browser):
    browser.as_(w.team.PL)
    form = {"place": "Own shed", "surface": "carpet", "grip": "medium", "time_zone": "Europe/Helsinki", "car": "", "new_car": "PL's car",
            "piece_ids": [str(w.q.pieces["t45"][2])], "settings": "anti-roll bar mm = 1.2"}  # fmt: skip
    told = text_of(browser.post(w.path("/hall/alone"), form).text)
    for words in ("Today in the hall", "S-01 Own shed, open", "R-01 is your next run", "PL's car", "Q-01 t45",
                  "PL both drives and conducts here", "open-label"):  # fmt: skip
        assert words in told
    session = db.scalar(select(Session))
    session_id = session.id
    assert session.on_date == clock.to_venue(clock.now(), "Europe/Helsinki").date()
    db.rollback()
    browser.get(w.path(f"/hall/alone?session={session_id}"), max_queries=12)
    browser.post(w.path(f"/sessions/{session_id}/alone"), {"car": "PL's car", "new_car": ""})
    assert len(db.scalars(select(Run)).all()) == 2
    db.rollback()
    told = text_of(browser.post(w.path(f"/sessions/{session_id}/alone/close"), {}).text)
    assert "closed" in told


def test_alone_is_for_drivers_and_for_sessions_of_their_own(db, w, browser):
    session_id = open_today(db, w)
    browser.as_(w.team.OW).get(w.path("/hall/alone"), status=403)
    browser.as_(w.team.DH)
    for what in ("alone", "alone/close"):
        answer = browser.post(w.path(f"/sessions/{session_id}/{what}"), {"car": "", "new_car": "mine"}, status=403)
        assert "is not a session of your own" in text_of(answer.text)
    browser.post(w.path("/sessions/999/alone"), {"new_car": "mine"}, status=404)


@pytest.mark.parametrize(("field", "typed", "said"), [
    ("place", "", "Place: this is needed"), ("new_car", "", "choose a car from the list"), ("grip", "icy", "is not one of the choices"),
    ("time_zone", "Mars/Base", "Mars/Base"), ("settings", "bar 1.2", "is not a set-up value"),
    ("piece_ids", "9999", "not a choice")])  # fmt: skip
def test_what_is_wrong_in_opening_alone_is_said_and_nothing_is_half_opened(db, w, browser, field, typed, said):
    form = {"place": "Own shed", "surface": "carpet", "grip": "low", "time_zone": "UTC", "car": "", "new_car": "mine", "settings": "",
            field: typed}  # fmt: skip
    answer = browser.as_(w.team.DH).post(w.path("/hall/alone"), form, status=422)
    assert said in text_of(answer.text)
    assert db.scalar(select(Session)) is None
    db.rollback()


