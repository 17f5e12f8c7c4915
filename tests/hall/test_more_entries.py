"""What else goes through the outbox: incidents with photos, laps by hand, conditions, a driver alone. All people invented.

The rules are those of test_receipts.py: same token and content is the same receipt, other content is refused and kept, and
nothing but a receipt counts as sent (our own contract); scenarios 15 and 19 are job.md's.
"""

import hashlib
import json
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import func, select

from app import clock
from app.db import transaction
from app.feedback import queries, rules
from app.feedback.models import Slip
from app.history.models import OutboxReceipt
from app.incidents.models import Incident, IncidentPhoto
from app.measurements.models import Lap
from app.sessions import commands as sessions
from app.sessions.models import ConditionNote, Run, RunState, Session
from app.sessions.queries import get_run, get_session
from tests import fixture
from tests.hall.steps import Entry, ms, send
from tests.hall.test_receipts import refused, slip
from tests.pages import text_of
from tests.photos import pictures


@pytest.fixture
def w(db):
    return fixture.s03(db, closed=False)


@pytest.fixture
def run_id(db, w):
    """A run of DH, planned."""
    with transaction(db):
        return sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=w.team.DH.account_id, car_id=w.season.cars[2]).id


def count(db, model) -> int:
    db.rollback()
    return db.scalar(select(func.count()).select_from(model))


def captured(at: datetime) -> list[tuple[str, str]]:
    return [("phone_captured_ms", str(ms(at))), ("phone_offset_ms", "0")]


def drive(db, w, run_id, *, ended: timedelta = timedelta(minutes=10)) -> None:
    now = datetime.now(UTC)
    with transaction(db):
        sessions.start_run(db, run_id, by=w.team.DH, at=now - ended - timedelta(minutes=6))
        sessions.end_run(db, run_id, by=w.team.DH, at=now - ended, laps=12)


def post(w, path, pairs, *, who="DH", token="a" * 32, at=None) -> Entry:
    return Entry(w.path(path), [*pairs, *captured(at or datetime.now(UTC))], w.team[who].account_id, token)


def incident(w, run_id, *, words="Nose into the board at turn 3", at=None, **more) -> Entry:
    pairs = [("kind", "board hit, nose"), ("effect", "stopped"), ("hits", "1"), ("run_id", str(run_id)), ("words", words)]
    return post(w, "/incidents", pairs, at=at, **more)


# --- incidents and photos
def with_photo(browser, entry: Entry, photo: bytes, name: str = "photo"):
    """The same entry as a phone sends it with a file: multipart, the file's pair hashed by its bytes."""
    digest = hashlib.sha256(photo).hexdigest()
    text = json.dumps([entry.path, [*entry.pairs, ["photo", "file", digest]]], ensure_ascii=False, separators=(",", ":"))
    headers = {key: value for key, value in entry.headers.items() if key != "Content-Type"}
    parts = [(key, (None, value)) for key, value in entry.pairs] + [("photo", (name, photo, "image/jpeg"))]
    answer = browser.client.post(entry.path, files=parts, headers=headers, follow_redirects=False)
    return answer, hashlib.sha256(text.encode()).hexdigest()


def test_an_incident_keeps_the_moment_it_was_written_down(db, w, run_id, browser):
    at = datetime.now(UTC) - timedelta(minutes=42)
    with transaction(db):
        sessions.start_run(db, run_id, by=w.team.DH, at=datetime.now(UTC) - timedelta(minutes=50))
    entry = incident(w, run_id, at=at)
    answers = [send(browser.as_(w.team.DH), entry).json() for _ in range(3)]
    assert answers[0] == answers[1] == answers[2]
    assert answers[0]["receipt"]["hash"] == entry.hash
    assert count(db, Incident) == 1
    assert abs(db.scalar(select(Incident)).happened_at - at) < timedelta(seconds=2)


def test_an_incident_that_comes_before_its_runs_start_is_kept(db, w, run_id, browser):
    """The driver's phone has the start, the conductor's has the incident; which arrives first says nothing."""
    assert send(browser.as_(w.team.DH), incident(w, run_id)).json()["receipt"]["outcome"] == "filed"
    plain = {"kind": "board hit, nose", "effect": "stopped", "hits": "1", "run_id": str(run_id)}
    told = text_of(browser.post(w.path("/incidents"), plain, status=409).text)
    assert "is planned" in told


def test_other_content_under_an_incidents_token_is_refused_and_changes_nothing(db, w, run_id, browser):
    browser.as_(w.team.DH)
    send(browser, incident(w, run_id))
    said = refused(send(browser, incident(w, run_id, words="Something else")), 409)
    assert "sent before with other content" in said["title"]
    assert count(db, Incident) == 1


def test_a_photo_is_part_of_the_content(db, w, run_id, browser):
    browser.as_(w.team.DH)
    entry, photo = incident(w, run_id), pictures.saved("JPEG")
    for _ in range(2):
        answer, digest = with_photo(browser, entry, photo)
        assert answer.json()["receipt"]["hash"] == digest
    assert (count(db, Incident), count(db, IncidentPhoto)) == (1, 1)
    answer, digest = with_photo(browser, entry, pictures.saved("JPEG", (320, 240)))
    refused(answer, 409)
    assert (count(db, Incident), count(db, IncidentPhoto)) == (1, 1)


def test_a_photos_file_name_is_no_part_of_it(db, w, run_id, browser):
    browser.as_(w.team.DH)
    entry, photo = incident(w, run_id), pictures.saved("PNG")
    first, _ = with_photo(browser, entry, photo, "photo")
    again, _ = with_photo(browser, entry, photo, "IMG_0001 “hall”.png")
    assert first.json() == again.json()
    assert count(db, IncidentPhoto) == 1


@pytest.mark.parametrize("content", [b"no picture at all", b"\xff\xd8\xff" + b"\0" * 100, b"GIF89a" + b"\0" * 50])
def test_a_photo_that_is_none_is_refused_with_its_sentence_and_nothing_is_filed(db, w, run_id, browser, content):
    answer, _ = with_photo(browser.as_(w.team.DH), incident(w, run_id), content)
    said = refused(answer, 422)
    assert said["fields"][0]["name"] == "photo"
    assert (count(db, Incident), count(db, OutboxReceipt)) == (0, 0)


@pytest.mark.parametrize("make", [
    lambda w, run_id: incident(w, run_id), lambda w, run_id: laps(w, run_id, "22.41 22.18"),
    lambda w, run_id: post(w, "/hall/alone", ALONE)], ids=["incident", "laps", "alone"])  # fmt: skip
def test_expired_another_and_broken_never_count_as_sent(db, w, run_id, browser, make, monkeypatch):
    from app.web import forms

    entry = make(w, run_id)
    refused(send(browser.as_(None), entry), 401)
    refused(send(browser.as_(w.team.MS), entry), 403)
    browser.as_(w.team.DH)
    with monkeypatch.context() as broken:
        broken.setattr(forms, "settle_sent", lambda *_: (_ for _ in ()).throw(KeyError("killed before the commit")))
        refused(send(browser, entry), 500)
    assert count(db, OutboxReceipt) == 0
    assert send(browser, entry).json()["receipt"]["outcome"] == "filed"
    assert count(db, OutboxReceipt) == 1


# --- laps by hand
def laps(w, run_id, typed, *, how="", **more) -> Entry:
    return post(w, f"/runs/{run_id}/laps/by-hand", [("laps", typed), ("how", how)], **more)


def test_laps_by_hand_are_filed_once_also_before_the_run_is_known_as_driven(db, w, run_id, browser):
    entry = laps(w, run_id, "22.41\r\n22.18\r\n22.26", how="stopwatch")
    before = count(db, Lap)
    browser.as_(w.team.DH)
    assert [send(browser, entry).status_code for _ in range(3)] == [200, 200, 200]
    assert count(db, Lap) == before + 3
    refused(send(browser, laps(w, run_id, "30.00", token="9" * 32)), 409)
    assert "line 1" in refused(send(browser, laps(w, run_id, "fast", token="8" * 32)), 422)["reason"]


# --- conditions
def conditions(w, air, at, token) -> Entry:
    pairs = [("air_temp_degC", air), ("track_temp_degC", ""), ("humidity_percent", ""), ("grip", "")]
    return post(w, f"/sessions/{w.session_id}/conditions", pairs, who="SK", token=token, at=at)


@pytest.mark.parametrize("first", ["earlier", "later"])
def test_conditions_stand_by_when_they_were_noted_not_by_when_they_came(db, w, browser, first):
    now = datetime.now(UTC)
    said = {"earlier": conditions(w, "8", now - timedelta(minutes=50), "1" * 32),
            "later": conditions(w, "11", now - timedelta(minutes=5), "2" * 32)}  # fmt: skip
    browser.as_(w.team.SK)
    for which in (first, *(set(said) - {first})):
        assert send(browser, said[which]).status_code == 200
    db.rollback()
    assert get_session(db, w.team.id, w.session_id).air_temp_degC == 11
    noted = [note.noted for note in db.scalars(select(ConditionNote).order_by(ConditionNote.at))]
    assert noted == [{"air_temp_degC": 8}, {"air_temp_degC": 11}]
    told = text_of(browser.get(w.path("/hall")).text)
    assert told.index("air 8.0 °C") < told.rindex("air 11.0 °C")


def test_each_condition_stands_by_itself_and_an_edit_counts_as_noted(db, w, browser):
    now = datetime.now(UTC)
    with transaction(db):
        session = get_session(db, w.team.id, w.session_id)
        sessions.edit_session(db, session.id, by=w.team.SK, edition=session.edition, air_temp_degC=12.0, humidity_percent=None)
    late = conditions(w, "6", now - timedelta(hours=1), "1" * 32)
    late.pairs[1] = ("track_temp_degC", "9")
    assert send(browser.as_(w.team.SK), late).status_code == 200
    db.rollback()
    session = get_session(db, w.team.id, w.session_id)
    assert (session.air_temp_degC, session.track_temp_degC) == (12.0, 9.0)


def test_conditions_that_come_after_closing_are_taken(db, w, browser):
    fixture.close(db, w, w.session_id)
    entry = conditions(w, "8", datetime.now(UTC) - timedelta(minutes=50), "1" * 32)
    assert send(browser.as_(w.team.SK), entry).json()["receipt"]["outcome"] == "filed"


# --- a driver alone
ALONE = [("place", "Own shed"), ("surface", "carpet"), ("grip", "medium"), ("air_temp_degC", ""), ("time_zone", "Europe/Helsinki"),
         ("car", ""), ("new_car", "DH's own"), ("settings", "")]  # fmt: skip


def test_a_session_opened_alone_without_signal_has_the_day_it_was_opened_on(db, w, browser):
    at = datetime.now(UTC) - timedelta(days=2, hours=3)
    entry = post(w, "/hall/alone", [*ALONE, ("piece_ids", str(w.q.pieces["t45"][2]))], at=at)
    browser.as_(w.team.DH)
    first, again = (send(browser, entry).json()["receipt"] for _ in range(2))
    assert first == again
    db.rollback()
    session = db.scalars(select(Session).order_by(Session.id.desc())).first()
    run = db.scalars(select(Run).order_by(Run.id.desc())).first()
    assert f"session={session.id}&run={run.id}" in first["went"]
    assert (session.state, session.on_date) == ("open", clock.to_venue(at, "Europe/Helsinki").date())
    assert (run.driver_id, run.state, run.session_id) == (w.team.DH.account_id, RunState.PLANNED, session.id)


def test_what_was_made_is_told_again_after_a_lost_answer(db, w, browser, monkeypatch):
    """Start, end and slip stand on the run's number, so a lost answer must not lose it."""
    import app.web.outbox as outbox

    entry = post(w, "/hall/alone", ALONE)
    browser.as_(w.team.DH)
    with monkeypatch.context() as broken:
        broken.setattr(outbox, "note_went", lambda *_: (_ for _ in ()).throw(RuntimeError("killed after the commit")))
        assert send(browser, entry).status_code == 500
    before = count(db, Session)
    assert "&run=" in send(browser, entry).json()["receipt"]["went"]
    assert count(db, Session) == before


def test_a_driver_alone_files_the_whole_run_late_and_closing_refuses_nothing(db, w, browser):
    now = datetime.now(UTC)
    browser.as_(w.team.DH)
    went = send(browser, post(w, "/hall/alone", ALONE, at=now - timedelta(hours=2))).json()["receipt"]["went"]
    session_id, run = (went.split(f"{name}=")[1].split("&")[0] for name in ("session", "run"))
    assert send(browser, post(w, f"/sessions/{session_id}/alone/close", [], token="b" * 32)).status_code == 200
    late = post(w, f"/sessions/{session_id}/alone", [("car", "DH's own"), ("new_car", ""), ("settings", "")], token="c" * 32)
    assert "&run=" in send(browser, late).json()["receipt"]["went"]
    for token, what, minutes in (("d", "start", 110), ("e", "end", 104)):
        entry = post(w, f"/runs/{run}/{what}", [], token=token * 32, at=now - timedelta(minutes=minutes))
        assert send(browser, entry).status_code == 200
    filed = slip(db, w, int(run), token="f" * 32)
    assert send(browser, filed).json()["receipt"]["outcome"] == "filed"
    db.rollback()
    assert get_run(db, w.team.id, int(run)).state == "driven"


# --- scenarios of job.md by way of the outbox
def test_15_a_slip_of_a_borrowed_phone_is_kept_not_counted_and_confirmed_by_its_driver(db, w, run_id, browser):
    drive(db, w, run_id)
    entry = slip(db, w, run_id)
    entry.person = w.team.MS.account_id
    browser.as_(w.team.MS)
    assert "are you filing for them" in text_of(browser.get(w.path(f"/runs/{run_id}/slip")).text).lower()
    assert send(browser, entry).json()["receipt"]["outcome"] == "filed"
    told = text_of(browser.as_(w.team.SK).get(w.path(f"/runs/{run_id}")).text)
    assert "filed by wrong person" in told
    filed = db.scalar(select(Slip).where(Slip.run_id == run_id))
    slip_id = filed.id
    assert (filed.filed_by_id, filed.rater_id) == (w.team.MS.account_id, w.team.MS.account_id)
    db.rollback()
    browser.as_(w.team.DH).post(w.path(f"/slips/{slip_id}/confirm"))
    confirmed = queries.find_live_slip(db, run_id, w.team.DH.account_id)
    assert confirmed is not None
    assert confirmed.filed_by_id == w.team.MS.account_id
    db.rollback()


def test_19_a_slip_sent_in_time_but_received_three_days_later_is_prompt_and_one_written_then_is_very_late(db, w, run_id, browser):
    now = datetime.now(UTC)
    with transaction(db):
        sessions.start_run(db, run_id, by=w.team.DH, at=now - timedelta(days=3, minutes=10))
        sessions.end_run(db, run_id, by=w.team.DH, at=now - timedelta(days=3), laps=12)
        other = sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=w.team.DH.account_id, car_id=w.season.cars[2]).id
        sessions.start_run(db, other, by=w.team.DH, at=now - timedelta(days=3, minutes=10))
        sessions.end_run(db, other, by=w.team.DH, at=now - timedelta(days=3), laps=12)
    kept, fresh = slip(db, w, run_id), slip(db, w, other, token="d" * 32)
    kept.pairs = [*(p for p in kept.pairs if not p[0].startswith("phone_")), *captured(now - timedelta(days=3) + timedelta(minutes=4))]
    browser.as_(w.team.DH)
    for entry in (kept, fresh):
        assert send(browser, entry).status_code == 200
    for run, word in ((run_id, "prompt"), (other, "very late")):
        filed = queries.find_live_slip(db, run, w.team.DH.account_id)
        assert rules.timeliness(get_run(db, w.team.id, run).ended_at, filed.captured_at) == word
        db.rollback()
    browser.as_(w.team.SK)
    assert "very late" in text_of(browser.get(w.path(f"/runs/{other}")).text)
    browser.post(w.path(f"/runs/{other}/counting"), {"counts": "yes", "reason": "very late", "text": "no signal on the way home"})
    assert "no signal on the way home" in text_of(browser.get(w.path(f"/runs/{other}")).text)
