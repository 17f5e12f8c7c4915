"""The server's answers to a phone's outbox: receipts, twins, lost answers, refusals as data. All people invented.

Rules: a receipt echoes token and content hash, is given after the commit and never runs out; the same entry again gets the
same receipt (job.md scenarios 12, 13; our own contract for the rest, no outside source).
"""

import threading
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import func, select
from starlette.testclient import TestClient

from app.concerns.models import Concern
from app.db import transaction
from app.feedback import queries
from app.feedback.models import Slip, SlipVersion
from app.history.models import OutboxReceipt
from app.programmes.queries import list_attributes
from app.sessions import commands as sessions
from app.sessions.build_commands import record_build
from app.sessions.models import RunReport
from app.sessions.queries import find_newest_build, get_run, get_session, list_condition_notes
from tests import fixture
from tests.hall.steps import Entry, cookie_of, ms, send


@pytest.fixture
def w(db):
    return fixture.s03(db, closed=False)


@pytest.fixture
def run_id(db, w):
    """A run of DH, driven a few minutes ago and not rated."""
    now = datetime.now(UTC)
    with transaction(db):
        run = sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=w.team.DH.account_id, car_id=w.season.cars[2])
        sessions.start_run(db, run.id, by=w.team.DH, at=now - timedelta(minutes=20))
        sessions.end_run(db, run.id, by=w.team.DH, laps=12, at=now - timedelta(minutes=10))
        return run.id


def slip(db, w, run_id, mark="650", *, token="b" * 32, remark="Front washes out, 1/2 “turn”\r\nñ\u2028 & more", **more) -> Entry:
    now = datetime.now(UTC)
    pairs = [(f"mark_{a.id}", "could-not-judge") for a in list_attributes(db, w.team.id, on_slip=True) if a.id != w.q.goal_id]
    pairs += [(f"mark_{w.q.goal_id}", mark), ("confidence", "sure"), ("remark", remark), ("token", token),
              ("phone_captured_ms", str(ms(now))), ("phone_offset_ms", "0")]  # fmt: skip
    db.rollback()
    return Entry(w.path(f"/runs/{run_id}/slip"), pairs, w.team.DH.account_id, token, **more)


def concern(w, words="Smell of hot plastic at the motor mount", token="c" * 32) -> Entry:
    pairs = [("words", words), ("danger", "marginal"), ("product_severity", "5")]
    return Entry(w.path("/concerns"), pairs, w.team.DH.account_id, token)


def count(db, model) -> int:
    db.rollback()
    return db.scalar(select(func.count()).select_from(model))


def test_a_receipt_echoes_token_and_hash(db, w, run_id, browser):
    entry = slip(db, w, run_id)
    answer = send(browser.as_(w.team.DH), entry)
    assert answer.status_code == 200
    receipt = answer.json()["receipt"]
    assert receipt == {"token": entry.token, "hash": entry.hash, "outcome": "filed",
                       "went": f"{w.path(f'/runs/{run_id}')}?done=filed"}  # fmt: skip
    assert queries.find_live_slip(db, run_id, w.team.DH.account_id).clock_doubt == ""


def test_12_the_same_entry_three_times_gets_the_same_receipt_and_is_one_slip(db, w, run_id, browser):
    entry, before = slip(db, w, run_id), count(db, SlipVersion)
    answers = [send(browser.as_(w.team.DH), entry).json() for _ in range(3)]
    assert answers[0] == answers[1] == answers[2]
    assert answers[0]["receipt"]["outcome"] == "filed"
    assert count(db, SlipVersion) == before + 1


def test_13_a_slip_with_other_content_is_held_and_both_contents_have_their_receipts(db, w, run_id, browser):
    browser.as_(w.team.DH)
    first, second = slip(db, w, run_id, "700"), slip(db, w, run_id, "750")
    said = [send(browser, entry).json()["receipt"] for entry in (first, second, first, second)]
    assert [r["outcome"] for r in said] == ["filed", "proposed", "filed", "proposed"]
    assert [r["hash"] for r in said] == [first.hash, second.hash, first.hash, second.hash]
    held = queries.find_slip_by_token(db, w.team.id, first.token)
    assert (held.version, [v.state for v in held.versions]) == (1, ["stands", "proposed"])


def test_a_slip_that_came_as_a_plain_form_first_is_the_same(db, w, run_id, browser):
    entry = slip(db, w, run_id)
    browser.as_(w.team.DH).post(entry.path, dict(entry.pairs))
    assert send(browser, entry).json()["receipt"]["outcome"] == "same"
    assert count(db, Slip) == 16


def test_an_ordinary_form_is_done_once_also_after_a_lost_answer(db, w, browser, monkeypatch):
    """The answer is lost after the commit: the place it led to was not even noted."""
    import app.web.outbox as outbox

    entry = concern(w)
    browser.as_(w.team.DH)
    with monkeypatch.context() as broken:
        broken.setattr(outbox, "note_went", lambda *_: (_ for _ in ()).throw(RuntimeError("killed after the commit")))
        assert send(browser, entry).status_code == 500
    assert count(db, Concern) == 1
    again = send(browser, entry)
    assert again.status_code == 200
    assert again.json()["receipt"] == {"token": entry.token, "hash": entry.hash, "went": "", "outcome": "filed"}
    assert count(db, Concern) == 1


def test_other_content_under_an_ordinary_forms_token_is_409_and_changes_nothing(db, w, browser):
    browser.as_(w.team.DH)
    send(browser, concern(w))
    answer = send(browser, concern(w, words="Something else altogether"))
    assert answer.status_code == 409
    assert "sent before with other content" in answer.json()["refusal"]["title"]
    assert count(db, Concern) == 1


@pytest.mark.parametrize("make_entry", ["slip", "concern"])
def test_twins_at_once_are_done_once_and_get_the_same_receipt(db, w, run_id, app, database, make_entry):
    entry = slip(db, w, run_id) if make_entry == "slip" else concern(w)
    cookie, answers = cookie_of(database, w.team.DH), []
    start = threading.Barrier(6)

    def phone() -> None:
        with TestClient(app, headers={"Origin": "http://testserver"}, cookies={"proveout": cookie}) as client:
            start.wait()
            answers.append(send(type("B", (), {"client": client}), entry))

    threads = [threading.Thread(target=phone) for _ in range(6)]
    [thread.start() for thread in threads]
    [thread.join() for thread in threads]
    assert {answer.status_code for answer in answers} <= {200, 503}
    receipts = [answer.json()["receipt"] for answer in answers if answer.status_code == 200]
    assert {(r["token"], r["hash"], r["outcome"]) for r in receipts} == {(entry.token, entry.hash, "filed")}
    assert count(db, OutboxReceipt) == 1
    assert count(db, Concern) == (make_entry == "concern")
    assert count(db, Slip) == 15 + (make_entry == "slip")


# --- what never counts as sent
def refused(answer, status: int) -> dict:
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/json"
    assert "receipt" not in answer.json()
    return answer.json()["refusal"]


def test_without_a_sign_in_it_is_401(db, w, run_id, browser):
    said = refused(send(browser.as_(None), slip(db, w, run_id)), 401)
    assert "sign in" in said["title"]
    assert queries.find_live_slip(db, run_id, w.team.DH.account_id) is None


@pytest.mark.parametrize("person", ["another", "nobody", "nonsense"])
def test_another_persons_entry_is_403(db, w, run_id, browser, person):
    entry = slip(db, w, run_id)
    wrong = {"another": str(w.team.MS.account_id), "nobody": "", "nonsense": "²"}[person]
    browser.as_(w.team.MS if person == "another" else w.team.DH)
    answer = send(browser, entry, **({} if person == "another" else {"X-Outbox-Person": wrong.encode()}))
    assert "another person" in refused(answer, 403)["title"]
    assert count(db, Slip) == 15


def test_a_wrong_field_is_422_with_its_sentence(db, w, run_id, browser):
    said = refused(send(browser.as_(w.team.DH), slip(db, w, run_id, "615")), 422)
    assert said["fields"][0]["name"] == f"mark_{w.q.goal_id}"
    assert "is not one of the choices" in said["fields"][0]["sentence"]
    assert count(db, OutboxReceipt) == 0


def test_a_refusal_of_the_command_is_409_and_the_entry_can_still_go_later(db, w, run_id, browser):
    browser.as_(w.team.DH)
    send(browser, slip(db, w, run_id))
    said = refused(send(browser, slip(db, w, run_id, token="d" * 32)), 409)
    assert "You have rated" in said["reason"] + said["title"]
    assert count(db, OutboxReceipt) == 1


def test_a_database_that_is_away_is_503_and_a_fault_is_500(db, w, browser, monkeypatch):
    import app.concerns.commands as commands
    from app.db import DatabaseDown

    browser.as_(w.team.DH)
    for fault, status in ((DatabaseDown[0]("x", None, Exception("locked")), 503), (KeyError("x"), 500)):
        with monkeypatch.context() as broken:
            broken.setattr(commands, "raise_concern", lambda *_, fault=fault, **__: (_ for _ in ()).throw(fault))
            assert refused(send(browser, concern(w)), status)["title"]
    assert count(db, OutboxReceipt) == 0
    assert send(browser, concern(w)).json()["receipt"]["outcome"] == "filed"


@pytest.mark.parametrize("token", ["", "x", "A" * 32, "a" * 31, "a" * 65, "a" * 31 + "²"])
def test_a_token_that_is_none_is_refused(db, w, browser, token):
    entry = concern(w)
    answer = send(browser.as_(w.team.DH), entry, **{"X-Outbox": token.encode()})
    assert answer.status_code == 400
    assert "token" in answer.json()["refusal"]["title"]
    assert count(db, Concern) == 0


def test_the_slips_token_and_the_outboxs_must_be_one(db, w, run_id, browser):
    entry = slip(db, w, run_id)
    entry.token = "e" * 32
    assert "differ" in refused(send(browser.as_(w.team.DH), entry), 422)["reason"]


def test_from_another_site_nothing_is_taken(db, w, run_id, browser):
    refused(send(browser.as_(w.team.DH), slip(db, w, run_id), Origin="https://elsewhere.example"), 403)


def test_a_plain_post_is_answered_as_ever(db, w, run_id, browser):
    entry = slip(db, w, run_id)
    answer = browser.as_(w.team.DH).client.post(entry.path, data=dict(entry.pairs), follow_redirects=False)
    assert answer.status_code == 303
    assert count(db, OutboxReceipt) == 0
    filed = queries.find_live_slip(db, run_id, w.team.DH.account_id)
    assert (filed.phone_ms, filed.clock_doubt) == (None, "")


# --- starts and ends that waited
def entry_for(w, run_id, what, at: datetime, *, who="DH", token="1" * 32, **more) -> Entry:
    pairs = [*more.items(), ("phone_captured_ms", str(ms(at))), ("phone_offset_ms", "0")]
    return Entry(w.path(f"/runs/{run_id}/{what}"), pairs, w.team[who].account_id, token)


@pytest.fixture
def planned(db, w):
    with transaction(db):
        return sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=w.team.DH.account_id, car_id=w.season.cars[2]).id


def test_start_end_and_slip_that_arrive_after_closing_are_taken(db, w, planned, browser):
    now = datetime.now(UTC)
    fixture.close(db, w, w.session_id)
    assert get_run(db, w.team.id, planned).state == "not driven"
    browser.as_(w.team.DH)
    for entry in (entry_for(w, planned, "start", now - timedelta(minutes=30)),
                  entry_for(w, planned, "end", now - timedelta(minutes=20), token="2" * 32, laps="11"),
                  slip(db, w, planned)):  # fmt: skip
        assert send(browser, entry).json()["receipt"]["outcome"] == "filed"
    db.rollback()
    run = get_run(db, w.team.id, planned)
    assert (run.state, run.laps_driven) == ("driven", 11)
    assert abs(run.ended_at - (now - timedelta(minutes=20))) < timedelta(seconds=2)
    assert get_session(db, w.team.id, w.session_id).closed


def test_a_slip_before_its_start_and_end_is_kept_and_counts_when_they_arrive(db, w, planned, browser):
    now = datetime.now(UTC)
    browser.as_(w.team.DH)
    assert send(browser, slip(db, w, planned)).status_code == 200
    assert send(browser, entry_for(w, planned, "end", now - timedelta(minutes=5))).status_code == 200
    assert send(browser, entry_for(w, planned, "start", now - timedelta(minutes=10), token="3" * 32)).status_code == 200
    db.rollback()
    run = get_run(db, w.team.id, planned)
    assert run.state == "driven"
    assert run.started_at < run.ended_at


@pytest.mark.parametrize("laps", ["10", "0"])
def test_a_second_end_is_kept_beside_the_first_and_the_difference_shown(db, w, planned, browser, laps):
    now = datetime.now(UTC)
    with transaction(db):
        sessions.start_run(db, planned, by=w.team.SK, at=now - timedelta(minutes=40))
        sessions.end_run(db, planned, by=w.team.SK, at=now - timedelta(minutes=30), laps=12)
        kept = get_run(db, w.team.id, planned).ended_at
    browser.as_(w.team.DH)
    answer = send(browser, entry_for(w, planned, "end", now - timedelta(minutes=28), laps=laps))
    assert answer.json()["receipt"]["outcome"] == "filed"
    db.rollback()
    run = get_run(db, w.team.id, planned)
    assert (run.ended_at, run.laps_driven) == (kept, 12)
    report = db.scalar(select(RunReport).where(RunReport.run_id == planned))
    assert (report.taken, report.said) == (False, {"laps": int(laps)})
    from tests.pages import text_of

    shown = text_of(browser.get(w.path(f"/runs/{planned}")).text)
    assert "noted another end" in shown
    assert "+2.0 min from the one kept" in shown


def test_a_start_twice_from_two_phones_is_no_error(db, w, planned, browser):
    now = datetime.now(UTC)
    with transaction(db):
        sessions.start_run(db, planned, by=w.team.SK, at=now - timedelta(minutes=3))
    assert send(browser.as_(w.team.DH), entry_for(w, planned, "start", now - timedelta(minutes=2))).status_code == 200
    assert browser.post(w.path(f"/runs/{planned}/start"), status=409).status_code == 409


def test_a_reconciled_session_keeps_its_times_and_the_report(db, w, planned, browser):
    fixture.close(db, w, w.session_id)
    with transaction(db):
        sessions.reconcile_session(db, w.session_id, by=w.team.SK)
    answer = send(browser.as_(w.team.DH), entry_for(w, planned, "end", datetime.now(UTC)))
    assert answer.status_code == 200
    db.rollback()
    assert get_run(db, w.team.id, planned).state == "not driven"
    assert count(db, RunReport) == 1


def test_conditions_that_come_after_reconciling_are_kept_beside(db, w, browser):
    fixture.close(db, w, w.session_id)
    with transaction(db):
        sessions.reconcile_session(db, w.session_id, by=w.team.SK)
    before = get_session(db, w.team.id, w.session_id).air_temp_degC
    typed = [("air_temp_degC", "31.5"), ("track_temp_degC", ""), ("humidity_percent", ""), ("grip", "")]
    answer = send(browser.as_(w.team.SK), Entry(w.path(f"/sessions/{w.session_id}/conditions"), typed, w.team.SK.account_id))
    assert answer.status_code == 200, answer.text
    db.rollback()
    assert [note.noted for note in list_condition_notes(db, w.session_id)] == [{"air_temp_degC": 31.5}]
    assert get_session(db, w.team.id, w.session_id).air_temp_degC == before != 31.5
    assert "noted too late" in browser.get(w.path("/trail")).text


def test_two_phones_may_confirm_one_build(db, w, planned, browser):
    with transaction(db):
        record_build(db, planned, by=w.team.SK, piece_ids=[w.q.pieces["t45"][2]])
    path = w.path(f"/runs/{planned}/build/confirm")
    for person, token in ((w.team.SK, "5" * 32), (w.team.DH, "6" * 32)):
        answer = send(browser.as_(person), Entry(path, [], person.account_id, token))
        assert answer.status_code == 200, answer.text
    db.rollback()
    assert find_newest_build(db, planned).confirmed_by_id == w.team.SK.account_id
    browser.post(path, status=409)


def test_cut_short_makes_a_short_run(db, w, planned, browser):
    now = datetime.now(UTC)
    browser.as_(w.team.DH)
    send(browser, entry_for(w, planned, "start", now - timedelta(minutes=9)))
    send(browser, entry_for(w, planned, "end", now - timedelta(minutes=8), token="4" * 32, cut_short="yes"))
    db.rollback()
    assert get_run(db, w.team.id, planned).state == "short"


def test_an_as_run_build_that_arrives_after_closing_is_taken(db, w, planned, browser):
    fixture.close(db, w, w.session_id)
    entry = Entry(w.path(f"/runs/{planned}/build"), [("piece_ids", str(w.q.pieces["t45"][2])), ("settings", ""), ("confirmed", "yes")],
                  w.team.DH.account_id)  # fmt: skip
    assert send(browser.as_(w.team.DH), entry).json()["receipt"]["outcome"] == "filed"
