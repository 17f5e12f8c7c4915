"""The pages of lap files and laps: every step, its bad twin, nothing typed lost, nothing stored on the way."""

import pytest

from app.timing.rules import MOST_CHARACTERS
from tests import fixture
from tests.imports.tables import dump
from tests.pages import text_of
from tests.timing.files import SCENARIO, T40, T45, USUAL, hall_file, ten_past_ten
from tests.timing.steps import answer, attach, attached, by_hand, flag


@pytest.fixture
def w(db):
    return fixture.s03(db)


def path(w, rest="/check"):
    return w.path(f"/sessions/{w.session_id}/lap-file{rest}")


def test_the_columns_are_shown_with_what_they_are_and_asked_once(db, browser, w):
    browser.as_(w.team.SK)
    before = dump(db)
    page = browser.post(path(w), {"pasted": SCENARIO})
    words = text_of(page.text)
    said = answer(page.text)
    assert "The first 8 of 58 lines" in words
    assert "“Lap time”: 22,410, 22,180, 22,260" in words
    assert [said[f"role_{n}"] for n in range(4)] == ["lap", "who", "clock", "time"]
    assert (said["delimiter"], said["decimal"], said["header"]) == ("semicolon", "comma", "yes")
    page = browser.post(path(w), {**said, "columns": "yes"})
    assert "4410: 58 laps" in text_of(page.text)
    assert "Asked once: the programme remembers it." in text_of(page.text)
    assert dump(db) == before
    form, _ = attached(browser, w)
    browser.post(path(w, ""), form)
    words = text_of(browser.post(path(w), {"pasted": hall_file(ten_past_ten([USUAL] * 5))}).text)
    assert "Clock shift −3600 s" in words
    assert "read as last time" in words


def test_another_choice_of_a_column_is_taken(browser, w):
    browser.as_(w.team.SK)
    said = answer(browser.post(path(w), {"pasted": SCENARIO}).text)
    page = browser.post(path(w), {**said, "role_2": "ignore", "columns": "yes"})
    assert answer(page.text)["role_2"] == "ignore"
    page = browser.post(path(w), {**said, "role_3": "ignore", "role_2": "ignore", "columns": "yes"}, status=422)
    words = text_of(page.text)
    assert "is in no column; choose the column that holds the lap times, or the clock at each passing" in words
    assert answer(page.text)["pasted"].strip() == SCENARIO.strip()


def test_what_was_said_of_one_file_is_not_taken_for_another(browser, w):
    browser.as_(w.team.SK)
    said = answer(browser.post(path(w), {"pasted": SCENARIO}).text)
    page = browser.post(path(w), {**said, "pasted": "22.41\n22.18\n22.26\n", "columns": "yes"})
    assert answer(page.text)["role_0"] == "time"
    assert "These columns are right" in page.text


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        ({"pasted": ""}, "choose a file, or paste the lines"),
        ({"pasted": "Lap;Time\n1;22,4\n2;abc\n3;22,5\n"}, "3 Time “abc” is no lap time; write it like 22,41"),
        ({"pasted": "Lap;Time\n1;22,4\x00\n"}, "NUL"),
        ({"pasted": SCENARIO, "shift": "soon"}, "“soon” is no number of seconds within ten days; type it like −3600"),
        ({"pasted": SCENARIO, "delimiter": "pipe"}, "“pipe” is not one of the choices"),
    ],
)
def test_what_can_t_be_taken_is_said_and_nothing_is_stored_or_lost(db, browser, w, sent, said):
    browser.as_(w.team.SK)
    before = dump(db)
    for step in ("/check", ""):
        page = browser.post(path(w, step), {"columns": "", **sent}, status=422)
        assert said in text_of(page.text)
    assert dump(db) == before


def test_a_file_that_is_too_large_is_told_the_limits(db, browser, w):
    browser.as_(w.team.SK)
    before = dump(db)
    text = "lap;time\n" + "1;22,41\n" * (MOST_CHARACTERS // 8)
    page = browser.post(path(w), {}, files={"table": ("day.csv", text.encode(), "text/csv")}, status=422)
    assert "at most 900 000 are read at once, about 30 000 laps; split it by half day or by car" in text_of(page.text)
    page = browser.post(path(w), {}, files={"table": ("day.csv", b"\xff\xfe\xff", "text/csv")}, status=422)
    assert "is not valid UTF-16" in text_of(page.text)
    assert dump(db) == before


def test_a_shift_is_typed_and_matched_again(browser, w):
    browser.as_(w.team.SK)
    form, _ = attached(browser, w)
    words = text_of(browser.post(path(w), {**form, "shift": "-3590,5"}).text)
    assert "Clock shift −3590.5 s: 5 of 5 starts within ± 30 s." in words
    words = text_of(browser.post(path(w), {**form, "shift": "0"}).text)
    assert "Clock shift 0 s: 0 of 5 starts within ± 30 s." in words
    assert "This shift fits fewer than half of the starts." in words
    page = browser.post(path(w, ""), {**form, "shift": "0"}, status=409)  # not what was shown
    assert "changed since this was shown, so nothing was attached" in text_of(page.text)


def test_the_traces_of_a_run_say_what_is_left_out_in_words_and_shape(db, browser, w):
    by_hand(db, w, w.runs[0], T40)
    flag(db, w, {8: (0, "incident")})
    browser.as_(w.team.RT)
    page = browser.get(w.path(f"/runs/{w.runs[0]}/laps"), max_queries=12)
    assert "lap 8 25.92 left out" in page.text
    assert "11 laps from 22.09 to 22.74 s, median 22.26 s; lap 8 25.92 s left out, incident" in page.text
    words = text_of(page.text)
    assert "Clean mean 22.29 s, n = 11, standard error 0.053 s" in words
    assert "With the left-out laps in 22.59 s, n = 12" in words


def test_the_session_shows_its_drift_with_the_controls_apart(db, browser, w):
    attach(db, w)
    browser.as_(w.team.RT)
    page = browser.get(w.path(f"/sessions/{w.session_id}/laps"), max_queries=12)
    assert "AQ: R-01 t40 control 22.59 s, R-02 t45 22.09 s, R-03 t40 control" in page.text
    words = text_of(page.text)
    assert "AQ: controls went from 22.59 (R-01) to 22.24 s (R-05), −0.35 s in 48 min." in words
    assert "hall.txt: 54 of 58 laps attached" in words
    assert "Not matched: 4 laps" in words
    assert f"/sessions/{w.session_id}/laps" in browser.get(w.path(f"/sessions/{w.session_id}"), max_queries=12).text


def test_all_that_are_proposed_are_left_out_at_once_or_kept(db, browser, w):
    by_hand(db, w, w.runs[0], T40)
    by_hand(db, w, w.runs[1], [*T45[:-1], 40.0])
    browser.as_(w.team.SK)
    where = w.path(f"/sessions/{w.session_id}/laps/flags")
    page = browser.post(where, {"act": "out", "flag": "incident"}, status=422)
    assert "tick at least one lap" in text_of(page.text)
    words = text_of(browser.post(where, {"act": "keep", "laps": "8:0", "flag": "incident"}).text)
    assert "R-01 AQ lap 8" not in words
    words = text_of(browser.post(where, {"act": "all", "every": "24:0", "flag": "incident"}).text)
    assert "Incident laps?" not in words
    page = browser.post(where, {"act": "out", "laps": "8:0", "flag": "incident"}, status=409)
    assert "Somebody has said something of lap 8 meanwhile: it counts" in text_of(page.text)
    page = browser.post(where, {"act": "out", "laps": "x", "flag": "incident"}, status=422)
    assert "No lap was chosen" in text_of(page.text)


def test_one_lap_of_a_run_is_left_out_with_a_word_of_its_own(db, browser, w):
    by_hand(db, w, w.runs[0], T45)
    browser.as_(w.team.SK)
    where = w.path(f"/runs/{w.runs[0]}/laps/flags")
    words = text_of(browser.post(where, {"act": "out", "laps": "1:0", "flag": "cold tyres"}).text)
    assert "left out: cold tyres, SK Sunniva Keck" in words
    assert "Why they are left out" in text_of(browser.post(where, {"act": "out", "laps": "2:0", "flag": " "}, status=422).text)
    words = text_of(browser.post(where, {"act": "keep", "laps": "1:1", "flag": ""}).text)
    assert "counts, SK Sunniva Keck" in words


def test_laps_are_typed_checked_and_filed(db, browser, w):
    browser.as_(w.team.AQ)
    where = w.path(f"/runs/{w.runs[0]}/laps/by-hand")
    browser.get(where, max_queries=12)
    before = dump(db)
    words = text_of(browser.post(f"{where}/check", {"laps": "22,41 22,18\n1:02.3, 22.5"}).text)
    assert "Read as 4 laps: 22.410 · 22.180 · 62.300 · 22.500 s." in words
    assert dump(db) == before
    page = browser.post(where, {"laps": "22,41 22,18\n1:02.3, 22.5"})
    assert "Laps filed." in page.text
    page = browser.post(where, {"laps": "22,41"}, status=409)
    assert "R-01 has 4 laps already" in text_of(page.text)
    assert "22,41</textarea>" in page.text


@pytest.mark.parametrize(
    ("typed", "said"),
    [("", "this is needed"), ("22.41 fast", "line 1, “fast” is no lap time; write it like"), ("22.41\n0", "line 2, “0” is no lap time"),
     ("1:75", "more than 59"), ("22.4 " * 501, "are too many for one run; at most 500")],
)  # fmt: skip
def test_typed_laps_that_can_t_be_taken_are_named_and_kept(db, browser, w, typed, said):
    browser.as_(w.team.AQ)
    before = dump(db)
    for step in ("/check", ""):
        page = browser.post(w.path(f"/runs/{w.runs[0]}/laps/by-hand{step}"), {"laps": typed}, status=422)
        assert said in text_of(page.text)
        assert typed.strip()[:5] in page.text
    assert dump(db) == before


def test_the_same_form_sent_twice_files_once(db, browser, w):
    """What a phone sends again after a lost answer: the same token and content is the same filing."""
    browser.as_(w.team.AQ)
    where = w.path(f"/runs/{w.runs[0]}/laps/by-hand")
    sent = {"laps": "22.4 22.5", "how": "stopwatch", "form_token": "watch-token-1"}
    for _ in range(3):
        assert "22.400" in browser.post(where, sent).text


def test_lap_times_stay_closed_to_who_still_has_to_rate(db, browser):
    w = fixture.s03(db, closed=False)
    by_hand(db, w, w.runs[0], T40)
    browser.as_(w.team.AQ)
    for where in (f"/sessions/{w.session_id}/laps", f"/runs/{w.runs[0]}/laps"):
        words = text_of(browser.get(w.path(where), max_queries=12).text)
        assert "its lap times open when" in words
        assert "22.4" not in words
        assert "25.92" not in words
    browser.get(path(w, ""), status=403)
