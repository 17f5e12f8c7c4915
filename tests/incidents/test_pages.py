"""Pages of incidents: filed from a run's page, read by who may, refused in words; photos go the same way."""

import io

import pytest
from sqlalchemy import func, select

from app.db import transaction
from app.incidents import commands
from app.incidents.models import Incident
from app.incidents.words import Cause, Happened
from app.photos.models import Photo
from tests import fixture
from tests.incidents import steps
from tests.pages import text_of
from tests.photos import pictures


def posted(w, **more):
    return {"kind": "board hit, nose", "effect": "stopped", "hits": "1", "run_id": str(w.runs[-1]), "quarantine": "yes",
            "form_token": "t-1", **more}  # fmt: skip


def count(db, model=Incident):
    found = db.scalar(select(func.count()).select_from(model))
    db.rollback()
    return found


def test_a_driver_files_one_from_the_runs_page(db, browser):
    w = steps.day(db)
    browser.as_(w.team.AQ)
    assert "Report an incident" in text_of(browser.get(w.path(f"/runs/{w.runs[-1]}"), max_queries=12).text)
    form = browser.get(w.path(f"/incidents/new?run_id={w.runs[-1]}"), max_queries=12).text
    piece = steps.piece(w, "t50")
    assert f'name="piece_{piece}" value="hit" id="piece_{piece}" checked' in form
    assert "a 1.7 kg car at 10 m/s carries 85 J" in text_of(form)
    told = text_of(browser.post(w.path("/incidents"), posted(w, **{f"piece_{piece}": ["hit", "cracked"], "speed_mps": "10"})).text)
    for words in ("I-01 board hit, nose", "Incident reported.", "FST-t50 r1 #1", "cracked", "quarantined",
                  "taken out of use with this report",
                  "at 10 m/s: 85 J for 1.7 kg", "It counts as a failure of FST-t50 r1 #1 until somebody has looked",
                  "Splinters and dust"):  # fmt: skip
        assert words in told


def test_the_same_form_twice_files_one(db, browser):
    w = steps.day(db)
    browser.as_(w.team.AQ)
    for _ in range(2):
        browser.post(w.path("/incidents"), posted(w))
    assert count(db) == 1


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"kind": ""}, "What happened: this is needed"),
        ({"kind": "ate by a dog"}, "is not one of the choices"),
        ({"speed_mps": "900"}, "A speed in m/s of 900 is not plausible"),
        ({"hits": "0"}, "Hits of 0 is not plausible"),
        ({"happened_at": "2099-02-03T10:24"}, "That time has not come yet"),
        ({"piece_999": "hit"}, "What was on the car has been corrected meanwhile"),
    ],
)
def test_a_wrong_answer_is_told_at_its_field_and_what_was_typed_stays(db, browser, more, said):
    w = steps.day(db)
    answer = browser.as_(w.team.AQ).post(w.path("/incidents"), posted(w, words="Typed with cold hands", **more), status=422)
    assert said in text_of(answer.text)
    assert "Typed with cold hands" in answer.text
    assert count(db) == 0


def test_a_run_that_never_started_has_no_incident(db, browser):
    from app.sessions import commands as sessions

    w = steps.day(db)
    with transaction(db):
        planned = sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=w.team.AQ.account_id, car_id=w.season.cars[0]).id
    answer = browser.as_(w.team.AQ).post(w.path("/incidents"), posted(w, run_id=str(planned)), status=409)
    assert "Nothing can have happened on it" in text_of(answer.text)


def test_who_is_due_to_rate_reads_it_when_the_session_is_closed(db, browser):
    """As concerns do: MS is due in the open session; AQ filed it; RT is not due."""
    w = steps.day(db)
    run = steps.start_run(db, w, "t45", by="MS", car=2)
    steps.end_run(db, w, run, 12, by="MS", minutes=42)
    w.runs.pop()
    found = steps.cracked(db, w)
    paths = [w.path(rest) for rest in ("/incidents", f"/incidents/{found}", f"/revisions/{w.q.revisions['t50']}/use",
                                       f"/pieces/{steps.piece(w, 't50')}/use")]  # fmt: skip
    for path in paths:
        assert "cracked" not in browser.as_(w.team.MS).get(path, max_queries=12).text, path
        assert "cracked" in browser.as_(w.team.RT).get(path, max_queries=12).text, path
    assert "cracked" in browser.as_(w.team.AQ).get(paths[1]).text
    fixture.close(db, w, w.session_id)
    from datetime import timedelta

    from app.demo import scenes

    scenes.rate(db, w.team.MS, run, {w.q.goal_id: 7.0}, steps.HOUR + timedelta(minutes=50))
    for path in paths:
        assert "cracked" in browser.as_(w.team.MS).get(path).text, path


def test_a_damaged_pack_is_never_withheld_and_warns_there_and_then(db, browser):
    w = steps.day(db)
    run = steps.start_run(db, w, "t45", by="MS", car=2)
    steps.end_run(db, w, run, 12, by="MS", minutes=42)
    w.runs.pop()
    found = steps.report(db, w, run_id=w.runs[-1], pack_damage=("swollen pack",))
    told = text_of(browser.as_(w.team.MS).get(w.path(f"/incidents/{found}")).text)
    assert "Do not charge, use or carry inside a pack that is swollen" in told
    assert "The concern about the pack" in told


def test_only_designer_and_manager_are_offered_to_class_the_cause(db, browser):
    w = steps.day(db)
    found = steps.cracked(db, w)
    path = w.path(f"/incidents/{found}/cause")
    assert "Class the cause" not in browser.as_(w.team.AQ).get(w.path(f"/incidents/{found}")).text
    browser.post(path, {"cause": "accident beyond design", "reason": "an honest reason", "version": "1"}, status=403)
    browser.as_(w.team.RT)
    answer = browser.post(path, {"cause": "accident beyond design", "reason": "short", "version": "1"}, status=422)
    assert "needs a reason of at least 10 characters; this has 5" in text_of(answer.text)
    told = text_of(browser.post(path, {"cause": "accident beyond design", "reason": "A steel post, full speed.", "version": "1"}).text)
    assert "It does not count as a failure: accident beyond design. “A steel post, full speed.”" in told
    browser.post(path, {"cause": "part", "reason": "A second opinion.", "version": "1"}, status=409)


def test_what_a_revision_has_been_through_beside_another(db, browser):
    """2 of 14 against 0 of 12: one-sided Fisher P = 0.28 (job scenario 37); 12 clean hits: 22.1 %, 17 missing."""
    w = steps.day(db)
    t45, t50 = steps.piece(w, "t45"), steps.piece(w, "t50")
    for _ in range(2):
        steps.report(db, w, by="RT", hits=1, pieces={t50: ("bent",)}, quarantine=False)
    steps.report(db, w, by="RT", hits=12, effect="no effect", pieces={t50: ()})
    steps.report(db, w, by="RT", hits=12, effect="no effect", pieces={t45: ()})
    path = w.path(f"/revisions/{w.q.revisions['t45']}/use?beside={w.q.revisions['t50']}")
    told = text_of(browser.as_(w.team.RT).get(path, max_queries=12).text)
    assert "No failure in 12 clean hits: the chance to fail in one hit is at most 22.1 %" in told
    assert "17 more clean hits are missing" in told
    assert "FST-t50 r1: 2 of 14 hits failed; FST-t45 r1: 0 of 12. That is no proof" in told
    assert "one-sided Fisher P = 0.28" in told


def test_the_sheet_names_the_gate_in_twelve_queries(db, browser):
    w = steps.day(db)
    steps.cracked(db, w)
    fixture.close(db, w, w.session_id)
    told = text_of(browser.as_(w.team.RT).get(w.path(f"/questions/{w.question_id}/sheet"), max_queries=12).text)
    assert "t50: 1 failed where 0 failures in 20 board hits are asked (I-01 cracked, cause unknown)" in told


def test_the_rule_asks_for_hits_and_keeps_them(db, browser):
    w = steps.day(db)
    browser.as_(w.team.RT)
    shown = browser.get(w.path(f"/questions/{w.question_id}/rule")).text
    assert "0 failures in 20 board hits" in text_of(shown)
    fields = {"kind": "gain", "goal": str(w.q.goal_id), "worthwhile": "0.5", "margin": "0.5", "drivers": "3", "brackets": "1",
              "sessions": "2",              "blind_percent": "0", "fact_better": "lower", "durability_unit": "laps",
              "abuse_kind": "flat landing"}  # fmt: skip
    answer = browser.post(w.path(f"/questions/{w.question_id}/rule"), {**fields, "abuse_hits": "0", "reason": "why not"}, status=422)
    assert "0 hits can't be asked for" in text_of(answer.text)


def test_a_series_page_shows_hits_bound_and_the_next_check(db, browser):
    w = steps.day(db)
    browser.as_(w.team.SK)
    assert "from memory" in text_of(browser.get(w.path("/incidents"), max_queries=12).text)
    browser.get(w.path("/abuse/new"), max_queries=12)
    data = {"kind": "board hit, nose", "hits_planned": "20", "check_every": "5", "tweak_limit_mm": "0.1",
            "piece_id": str(steps.piece(w, "t45"))}  # fmt: skip
    browser.post(w.path("/abuse"), data)
    form = browser.get(w.path("/incidents/new?abuse_test_id=1"), max_queries=12).text
    assert 'value="5"' in form
    for after in ("0.02", "0.12"):
        entry = {"kind": "board hit, nose", "effect": "no effect", "hits": "6", "abuse_test_id": "1", "tweak_after_mm": after,
                 f"piece_{steps.piece(w, 't45')}": "hit", "form_token": after}  # fmt: skip
        browser.post(w.path("/incidents"), entry)
    told = text_of(browser.get(w.path("/abuse/1"), max_queries=12).text)
    for words in ("12 of 20", "12 clean hits of 20; bound 22.1 %", "after 15", "0.12 over", "re-checked every 5 hits, at most 0.10 mm"):
        assert words in told


# --- photos
def photo(content, name="crack.jpg"):
    return {"photo": (name, io.BytesIO(content), "image/jpeg")}


def test_a_photo_comes_along_and_is_served_to_who_may_read(db, browser):
    w = steps.day(db)
    browser.as_(w.team.AQ)
    content = pictures.saved("JPEG", exif=pictures.exif())
    page = browser.post(w.path("/incidents"), posted(w, alt="crack at the bolt hole"), files=photo(content)).text
    assert 'alt="crack at the bolt hole"' in page
    for small in ("", "?small=1"):
        answer = browser.client.get(w.path(f"/incidents/1/photos/1{small}"))
        assert (answer.status_code, answer.headers["content-type"]) == (200, "image/jpeg")
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
        assert pictures.CANARY.encode() not in answer.content
    assert browser.client.get(w.path("/incidents/1/photos/2")).status_code == 404
    steps.end_run(db, w, steps.start_run(db, w, "t45", by="MS", car=2), 12, by="MS", minutes=42)
    assert browser.as_(w.team.MS).client.get(w.path("/incidents/1/photos/1")).status_code == 403
    assert browser.as_(None).client.get(w.path("/incidents/1/photos/1"), follow_redirects=False).status_code == 303


def test_a_refused_photo_files_nothing_and_loses_no_word(db, browser):
    w = steps.day(db)
    data = posted(w, words="Typed with cold hands")
    answer = browser.as_(w.team.AQ).post(w.path("/incidents"), data, files=photo(pictures.saved("GIF", mode="P")), status=422)
    assert "The photo is a GIF. Only JPEG, PNG and WebP are taken." in text_of(answer.text)
    assert "Typed with cold hands" in answer.text
    assert (count(db), count(db, Photo)) == (0, 0)


def test_one_copy_by_digest_for_incident_and_concern(db, browser):
    w = steps.day(db)
    steps.cracked(db, w)
    browser.as_(w.team.AQ)
    content = pictures.saved("PNG")
    browser.get(w.path("/concerns/1/photos"), max_queries=12)
    for path in ("/incidents/1/photos", "/concerns/1/photos", "/concerns/1/photos"):
        assert "<img" in browser.post(w.path(path), {"alt": "the tower"}, files=photo(content)).text
    assert count(db, Photo) == 1
    assert browser.client.get(w.path("/concerns/1/photos/1?small=1")).status_code == 200
    answer = browser.post(w.path("/concerns/1/photos"), {}, files=photo(b"<svg/>"), status=422)
    assert "The photo is an SVG" in text_of(answer.text)
    browser.post(w.path("/concerns/1/photos"), {}, status=422)
    steps.end_run(db, w, steps.start_run(db, w, "t45", by="MS", car=2), 12, by="MS", minutes=42)
    assert browser.as_(w.team.MS).client.get(w.path("/concerns/1/photos/1")).status_code == 403


def test_photos_and_incidents_go_through_the_archive(db, database, tmp_path):
    """Into an empty installation and out again, byte for byte, with a real picture in it."""
    from app.archive.commands import import_archive
    from app.archive.queries import write_archive
    from app.db import Database
    from app.migrate import upgrade
    from app.photos.queries import get_bytes
    from app.photos.rules import read_picture

    w = steps.day(db)
    found = steps.cracked(db, w)
    with transaction(db):
        commands.add_photo(db, found, read_picture(io.BytesIO(pictures.saved("JPEG"))), by=w.team.AQ, alt="crack")
    with transaction(db):
        commands.class_cause(db, found, by=w.team.RT, version=1, cause=Cause.ACCIDENT, reason="A steel post, full speed.")
    out = io.BytesIO()
    write_archive(db, out)
    kept = get_bytes(db, w.team.id, 1)
    db.rollback()
    url = f"sqlite:///{tmp_path / 'other.sqlite3'}"
    upgrade(url)
    other = Database(url)
    with other.session() as there:
        with transaction(there):
            import_archive(there, io.BytesIO(out.getvalue()))
        assert get_bytes(there, w.team.id, 1) == kept
        assert there.scalar(select(Incident.kind)) == Happened.NOSE
    other.dispose()
