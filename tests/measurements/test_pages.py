"""The pages of tables: preview, all or nothing, withdrawal; the laps of a run; one's own preference."""

import re
from html import unescape

import pytest

from app.measurements.models import Kind
from app.tables import MOST_ERRORS
from tests import fixture
from tests.imports.tables import dump
from tests.measurements.steps import EXPOSURES, LAPS, PREFERENCES, READINGS, add, add_all
from tests.pages import text_of

ALL = {"laps": LAPS, "preferences": PREFERENCES, "exposures": EXPOSURES, "readings": READINGS}


@pytest.fixture
def w(db):
    return fixture.s03(db)


def carried(html, name="pasted"):
    """What the page carries on in one of its text fields."""
    return unescape(re.search(rf'<textarea[^>]*name="{name}"[^>]*>\n(.*?)</textarea>', html, re.S).group(1))


@pytest.mark.parametrize("kind", list(ALL))
def test_from_a_file_to_rows_in_two_steps(db, browser, w, kind):
    browser.as_(w.team.SK)
    page = browser.get(w.path(f"/tables?kind={kind}"), max_queries=12)
    assert f'value="{kind}" id="kind' in page.text
    before = dump(db)
    checked = browser.post(w.path("/tables/preview"), {"kind": kind}, files={"table": ("day.csv", ALL[kind].encode(), "text/csv")})
    words = text_of(checked.text)
    assert "Checked: every line goes in" in words
    assert "goes in" in words
    assert dump(db) == before
    assert carried(checked.text).split() == ALL[kind].split()
    sent = browser.post(w.path("/tables"), {"kind": kind, "pasted": carried(checked.text), "file_name": "day.csv"})
    assert "Imported." in sent.text
    assert f"{kind}, day.csv" in text_of(sent.text)
    browser.get(w.path("/tables"), max_queries=12)


def test_flags_come_beside_the_laps(browser, w):
    browser.as_(w.team.SK)
    flags = "session,run,lap,flag\nS-01,R-02,1,out lap\n"
    files = {"table": ("a.csv", LAPS.encode(), "text/csv"), "flags": ("b.csv", flags.encode(), "text/csv")}
    checked = browser.post(w.path("/tables/preview"), {"kind": "laps"}, files=files)
    assert "2 laps are left out of every figure by a flag" in text_of(checked.text)
    assert carried(checked.text, "pasted_flags").strip() == flags.strip()


def test_wrong_lines_are_listed_with_column_and_reason_and_nothing_goes_in(db, browser, w):
    browser.as_(w.team.SK)
    text = LAPS + "S-01,R-77,AQ,1,0,22,\nS-01,R-03,MS,1,0,22,\nS-01,R-03,AQ,1,0,-1,\n"
    before = dump(db)
    for step in ("/tables/preview", "/tables"):
        page = browser.post(w.path(step), {"kind": "laps", "pasted": text}, status=422)
        words = text_of(page.text)
        assert "7 run “R-77” is no run of S-01; write it like R-07" in words
        assert "8 driver “MS” did not drive S-01/R-03; AQ did" in words
        assert "9 lap_time_s “-1” is no lap time; it must be more than zero" in words
        assert carried(page.text).split() == text.split()
    assert dump(db) == before


def test_the_preview_tells_the_fate_of_good_and_bad_lines(browser, w):
    browser.as_(w.team.SK)
    words = text_of(browser.post(w.path("/tables/preview"), {"kind": "laps", "pasted": LAPS + "S-01,R-03,AQ,1,0,0,\n"}, status=422).text)
    assert "Checked: 5 of 6 lines could go in" in words
    assert "4 goes in, left out of every figure: clipped a board S-01" in words
    assert "7 can't go in: column \"lap_time_s\"" in words


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        ({"kind": "laps", "pasted": ""}, "choose a file, or paste the rows"),
        ({"kind": "", "pasted": LAPS}, "What the table holds"),
        ({"kind": "tyres", "pasted": LAPS}, "is not one of the choices"),
        ({"kind": "laps", "pasted": "session,run"}, "has a header line and no row below it"),
        ({"kind": "laps", "pasted": "a,b\n1,2"}, "is missing; the table has: a, b"),
        ({"kind": "laps", "pasted": "a,b\x00\n1,2"}, "NUL"),
    ],
)
def test_what_is_no_such_table_is_answered_in_words(db, browser, w, sent, said):
    browser.as_(w.team.SK)
    before = dump(db)
    for step in ("/tables/preview", "/tables"):
        assert said in text_of(browser.post(w.path(step), sent, status=422).text)
    assert dump(db) == before


def test_a_file_of_bytes_is_refused_and_more_errors_than_are_listed_are_counted(browser, w):
    browser.as_(w.team.SK)
    page = browser.post(w.path("/tables/preview"), {"kind": "laps"}, files={"table": ("x", b"\x00\xff", "text/csv")}, status=422)
    assert "is not UTF-8 text" in text_of(page.text)
    many = "session,run,lap,lap_time_s\n" + "S-01,R-01,1,0\n" * (MOST_ERRORS + 3)
    page = browser.post(w.path("/tables/preview"), {"kind": "laps", "pasted": many}, status=422)
    assert "more below these" in text_of(page.text)


def test_a_table_is_withdrawn_with_a_reason_on_the_page(db, browser, w):
    batch = add(db, w, Kind.LAPS, LAPS, name="quarry.csv")
    browser.as_(w.team.SK)
    refused = browser.post(w.path(f"/tables/{batch}/withdraw"), {"why": ""}, status=422)
    assert 'aria-invalid="true"' in refused.text
    page = browser.post(w.path(f"/tables/{batch}/withdraw"), {"why": "clock of the other hall"})
    assert "withdrawn" in text_of(page.text)
    assert "by Sunniva Keck: clock of the other hall" in text_of(page.text)
    browser.post(w.path("/tables/9999/withdraw"), {"why": "clock of the other hall"}, status=422)


def test_the_laps_of_a_run_with_those_left_out(db, browser, w):
    add(db, w, Kind.LAPS, LAPS)
    browser.as_(w.team.AQ)
    assert f"/runs/{w.runs[0]}/laps" in browser.get(w.path(f"/runs/{w.runs[0]}"), max_queries=12).text
    words = text_of(browser.get(w.path(f"/runs/{w.runs[0]}/laps"), max_queries=12).text)
    assert "n = 2 kept, 1 lap left out." in words
    assert "3 25.920 44.6 left out: clipped a board" in words
    assert "No lap of this run is here yet" in text_of(browser.get(w.path(f"/runs/{w.runs[7]}/laps")).text)


def test_a_session_says_what_it_has(db, browser, w):
    add_all(db, w)
    browser.as_(w.team.RT)
    assert f"/sessions/{w.session_id}/tables" in browser.get(w.path(f"/sessions/{w.session_id}"), max_queries=12).text
    words = text_of(browser.get(w.path(f"/sessions/{w.session_id}/tables"), max_queries=12).text)
    assert "R-01 AQ Q-01 t40 3 1" in words
    assert "AQ Q-01 t40 and t45 t45" in words
    assert "MS Q-01 t40 and t50 no preference" in words
    assert "FST-t40 r1 1200 480.50 40 2 board hits" in words
    assert "File my preference" not in words  # RT drove nothing


def test_a_driver_files_which_they_would_keep(db, browser, w):
    path = w.path(f"/sessions/{w.session_id}/preference")
    browser.as_(w.team.AQ)
    words = text_of(browser.get(w.path(f"/sessions/{w.session_id}/tables"), max_queries=12).text)
    assert "Q-01, t40 or t45: t45" in words
    ids = w.q.variants
    pair = f"{w.question_id}:{ids['t40']}:{ids['t45']}"
    page = browser.post(path, {"choice": f"{pair}:{ids['t45']}"})
    assert "AQ Q-01 t40 and t45 t45" in text_of(page.text)
    page = browser.post(path, {"choice": f"{pair}:0"})
    assert "AQ Q-01 t40 and t45 no preference" in text_of(page.text)
    for choice in ("", "x", f"{pair}:{ids['t50']}"):
        assert "Which would you keep?:" in text_of(browser.post(path, {"choice": choice}, status=422).text)
    browser.as_(w.team.RT).post(path, {"choice": f"{pair}:0"}, status=422)


def test_lap_times_and_others_preferences_stay_closed_to_who_still_has_to_rate(db, browser):
    w = fixture.s03(db, closed=False)
    add_all(db, w)
    browser.as_(w.team.AQ)
    words = text_of(browser.get(w.path(f"/runs/{w.runs[1]}/laps"), max_queries=12).text)
    assert "22.1" not in words
    assert "its lap times open when" in words
    words = text_of(browser.get(w.path(f"/sessions/{w.session_id}/tables"), max_queries=12).text)
    assert "AQ Q-01 t40 and t45 t45" in words
    assert "MS Q-01" not in words
    assert "board hits" not in words
    assert "added laps" not in text_of(browser.get(w.path("/trail"), max_queries=12).text)


def test_the_sheet_still_takes_twelve_queries(db, browser, w):
    add_all(db, w)
    for viewer in (w.team.RT, w.team.AQ):
        browser.as_(viewer).get(w.path(f"/questions/{w.question_id}/sheet"), max_queries=12)
        browser.get(w.path(f"/questions/{w.question_id}/sheet"), max_queries=12)


def test_drivers_are_turned_away_from_adding(browser, w):
    browser.as_(w.team.AQ).get(w.path("/tables"), status=403)
    assert "Add laps" not in browser.get(w.path("/sessions")).text
    assert "Add laps" in browser.as_(w.team.SK).get(w.path("/sessions"), max_queries=12).text
